"""A family's tables of one month: what they hold, how they are kept, which rows come first.

Everything after this file takes these tables and only arranges them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import write_table
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS, PAGE_TABLES
from repair_horizon.tables.words import Ahead, part_codes, short_names

LEVEL = 0.8
TABLES = PAGE_TABLES
UNIT = ["model_id", "listed_fault"]
_RANK = {verdict: rank for rank, verdict in enumerate(Verdict)}


@dataclass(frozen=True, eq=False)
class FamilyMonth:
    """The tables behind one family's page.

    ``tables`` are the outputs of ``tables.outputs`` whose names are in ``TABLES``; each is also an
    attribute: ``month.thresholds``. Months are first days (Timestamps); money is in ``currency``;
    intervals are at ``level``; ``base`` says what a price is a price of, ``turning`` what would
    turn the main unit's verdict, ``invented`` whether the logs say that they are.
    """

    family_id: str
    device_class: str
    currency: str
    month: pd.Timestamp
    cutoff: pd.Timestamp
    level: float
    base: str
    turning: str
    tables: Mapping[str, pd.DataFrame]
    invented: bool = False

    def __getattr__(self, name: str) -> pd.DataFrame:
        """Return one of the tables."""
        if name in TABLES:
            return self.tables[name]
        raise AttributeError(name)

    def with_tables(self, **changed: pd.DataFrame) -> FamilyMonth:
        """Return the same month with some tables replaced."""
        return replace(self, tables={**self.tables, **changed})

    @cached_property
    def main(self) -> pd.Series | None:
        """Row of the thresholds that the page is about; None where there is none."""
        return None if self.thresholds.empty else main_row(self.thresholds)

    def of_main(self, name: str) -> pd.DataFrame:
        """Rows of a table that are of the main unit."""
        return self.tables[name] if self.main is None else of_unit(self.tables[name], self.main)

    @cached_property
    def names(self) -> pd.Series:
        """Model names by model_id."""
        return self.models.set_index("model_id")["model_name"]

    @cached_property
    def ranked(self) -> pd.DataFrame:
        """The thresholds, what can be bought first; see ``ranked``."""
        return ranked(self.thresholds)

    @cached_property
    def ahead(self) -> Ahead:
        """The stretch the page looks ahead."""
        return Ahead(self.month, int(self.bid_path["month"].nunique()), self.level)


def invented_note(workspace: Path) -> str:
    """Return what to print on every page if the workspace says that its data are invented."""
    readme = workspace / "README.md"
    text = readme.read_text(encoding="utf-8", errors="replace") if readme.is_file() else ""
    if (
        not (workspace / "INVENTED.txt").is_file()
        and "everything here is invented" not in text.lower()
    ):
        return ""
    first = next((line.strip("# ").strip() for line in text.splitlines() if line.strip()), "")
    return f"{first + ': ' if first else ''}everything here is invented, not measured."


def save_tables(month: FamilyMonth, folder: str | Path) -> list[str]:
    """Write every table of a family as CSV; returns the files' names.

    Parameters
    ----------
    month
        The family's tables.
    folder
        Where to; made if it is not there.
    """
    for name, table in month.tables.items():
        write_table(Path(folder) / f"{name}.csv", OUTPUTS[name].written(table))
    return [f"{name}.csv" for name in month.tables]


def read_saved(folder: Path, name: str) -> pd.DataFrame:
    """Read back a table of a family's folder, typed as it is declared."""
    return OUTPUTS[name].read(folder / f"{name}.csv")


def stacked(parts: Sequence[pd.DataFrame], output: str) -> pd.DataFrame:
    """Put tables of one output under each other; empty and typed where none has a row."""
    whole = [p for p in parts if len(p)]
    return pd.concat(whole, ignore_index=True) if whole else OUTPUTS[output].empty()


def for_page(month: FamilyMonth) -> FamilyMonth:
    """Return the family with short model names; the whole ones stay as ``full_name``."""
    models = month.models.assign(full_name=month.models["model_name"])
    models["model_name"] = short_names(models["full_name"].astype(str).tolist())
    known = month.thresholds["model_id"].map(models.set_index("model_id")["model_name"])
    named = month.thresholds.assign(model_name=known.fillna("").astype(str))
    return month.with_tables(models=models, thresholds=named)


def ranked(thresholds: pd.DataFrame) -> pd.DataFrame:
    """Sort thresholds: what can be bought first, each verdict by what it earns, then sales.

    What it earns a month; where no such listing was seen of late, what one listing would earn.
    """
    rank = thresholds["verdict"].map(_RANK).fillna(len(_RANK))
    keys = thresholds.assign(_rank=rank, _lot=earnings(thresholds))
    order = ["_rank", "earns_per_month", "_lot", "n_sales"]
    ascending = [True, False, False, False]
    return keys.sort_values(order, ascending=ascending, kind="stable").drop(
        columns=["_rank", "_lot"]
    )


def earnings(thresholds: pd.DataFrame) -> pd.Series:
    """Return what a listing earns on average: the profit of a win times the chance of winning."""
    profit = pd.to_numeric(thresholds["expected_profit"])
    return profit * pd.to_numeric(thresholds["probability_win"]).fillna(0.0)


def main_row(thresholds: pd.DataFrame) -> pd.Series:
    """Return the row a page is about: the best buy, else the best informed one."""
    best = ranked(thresholds)
    if (best["verdict"] == Verdict.BUY).any():
        return best.iloc[0]
    told = best[best["verdict"] != Verdict.CANNOT_SAY]
    rows = told if len(told) else best
    return rows.sort_values("n_sales", ascending=False, kind="stable").iloc[0]


def best_faults(every: pd.DataFrame) -> pd.DataFrame:
    """Return one row a model, of its best fault, of thresholds that are ``ranked``."""
    return every.drop_duplicates(["family_id", "model_id"])


def of_unit(table: pd.DataFrame, unit: pd.Series) -> pd.DataFrame:
    """Return the rows of one model and listed fault."""
    return table[(table[UNIT[0]] == unit[UNIT[0]]) & (table[UNIT[1]] == unit[UNIT[1]])]


def of_part(table: pd.DataFrame, part: tuple[str, str]) -> pd.DataFrame:
    """Return the rows of one part (model_id, part_code)."""
    return table[(table["model_id"] == part[0]) & (table["part_code"] == part[1])]


def most_traded(models: pd.DataFrame, most: int = 3) -> list[str]:
    """Return the models with most sales, in the catalogue's order; at least one sale each."""
    sold = models[models["n_sales"] > 0]
    top = sold.sort_values("n_sales", ascending=False, kind="stable").head(most)
    return [m for m in models["model_id"] if m in set(top["model_id"])]


def main_parts(month: FamilyMonth, unit: pd.Series, most: int = 2) -> list[tuple[str, str]]:
    """Dearest parts quoted for a model, those its main fault needs first."""
    rows = month.part_points[month.part_points["model_id"] == unit["model_id"]]
    if rows.empty:
        return []
    needs = month.states.loc[month.states["listed_fault"] == unit["listed_fault"], "part_codes"]
    needed = {c for codes in needs.dropna() for c in part_codes(codes)}
    price = rows.groupby("part_code")["amount"].median().sort_values(ascending=False)
    order = sorted(price.index, key=lambda code: (code not in needed, -price[code]))
    return [(str(unit["model_id"]), str(code)) for code in order[:most]]


def most_auctioned(month: FamilyMonth) -> pd.Series | None:
    """Return the buyable unit with most hammer prices seen, if any was seen."""
    live = month.thresholds[month.thresholds["verdict"] == Verdict.BUY]
    seen = month.hammers.groupby(UNIT).size()
    counts = seen.reindex(pd.MultiIndex.from_frame(live[UNIT])).fillna(0).to_numpy()
    return live.iloc[int(counts.argmax())] if counts.any() else None
