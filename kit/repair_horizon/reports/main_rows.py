"""Which rows of a family's tables its page shows first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.words import Ahead, fault_words

if TYPE_CHECKING:  # a family's month is worked out with the choice of its main unit
    from repair_horizon.reports.family import FamilyMonth

_RANK = {verdict: rank for rank, verdict in enumerate(Verdict)}


def short_names(names: Sequence[str]) -> list[str]:
    """Leave out the words that all models of a family share, but the last of the first ones.

    ``Brand Series 1 (old)`` and ``Brand Series 2 (old)`` become ``Series 1`` and ``Series 2``;
    names stay as they are where that would leave two alike or one empty.
    """
    words = [n.split() for n in names]
    if len(words) < 2 or not all(words):
        return list(names)
    lead = max(_shared(words) - 1, 0)
    tail = _shared([w[::-1] for w in words])
    short = [" ".join(w[lead : len(w) - tail]) for w in words]
    whole = len(set(short)) == len(short) and all(len(s.split()) > 1 for s in short)
    return short if whole else list(names)


def family_name(names: Sequence[str], family_id: str) -> str:
    """Return a family's name to print: the words its models' names begin with."""
    words = [n.split() for n in names]
    lead = words[0][: _shared(words)] if len(words) > 1 and all(words) else []
    return " ".join(lead) or fault_words(family_id)


def _shared(words: list[list[str]]) -> int:
    """Count the words with which every name begins."""
    columns = list(zip(*words, strict=False))
    return next((i for i, c in enumerate(columns) if len(set(c)) > 1), len(columns))


def for_page(month: FamilyMonth) -> FamilyMonth:
    """Return the family with short model names; the whole ones stay as ``full_name``."""
    models = month.models.assign(full_name=month.models["model_name"])
    models["model_name"] = short_names(models["full_name"].astype(str).tolist())
    names = models.set_index("model_id")["model_name"]
    known = month.thresholds["model_id"].map(names)
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


def most_traded(models: pd.DataFrame, most: int = 3) -> list[str]:
    """Return the models with most sales, in the catalogue's order; at least one sale each."""
    sold = models[models["n_sales"] > 0]
    top = sold.sort_values("n_sales", ascending=False, kind="stable").head(most)
    return [m for m in models["model_id"] if m in set(top["model_id"])]


def of_unit(table: pd.DataFrame, unit: pd.Series) -> pd.DataFrame:
    """Return the rows of one model and listed fault."""
    same = table["model_id"] == unit["model_id"]
    return table[same & (table["listed_fault"] == unit["listed_fault"])]


def one_date(month: FamilyMonth, unit: pd.Series, date_name: str) -> pd.Series:
    """One stop date of a unit; an empty one with a reason if there is none."""
    rows = of_unit(month.stop_dates, unit)
    rows = rows[rows["date_name"] == date_name]
    if rows.empty:
        return pd.Series({"median": None, "lower": None, "upper": None, "reason": "not worked out"})
    return rows.iloc[0]


def main_parts(month: FamilyMonth, unit: pd.Series, most: int = 2) -> list[tuple[str, str]]:
    """Dearest parts quoted for a model, those its main fault needs first."""
    rows = month.part_points[month.part_points["model_id"] == unit["model_id"]]
    if rows.empty:
        return []
    needs = month.states.loc[month.states["listed_fault"] == unit["listed_fault"], "part_codes"]
    needed = {c.strip() for codes in needs.dropna() for c in str(codes).split(";")}
    price = rows.groupby("part_code")["amount"].median().sort_values(ascending=False)
    order = sorted(price.index, key=lambda code: (code not in needed, -price[code]))
    return [(str(unit["model_id"]), str(code)) for code in order[:most]]


def most_auctioned(month: FamilyMonth) -> pd.Series | None:
    """Return the buyable unit with most hammer prices seen, if any was seen."""
    live = month.thresholds[month.thresholds["verdict"] == Verdict.BUY]
    counts = [len(of_unit(month.hammers, row)) for _, row in live.iterrows()]
    return live.iloc[max(range(len(counts)), key=counts.__getitem__)] if any(counts) else None


def ahead_of(month: FamilyMonth) -> Ahead:
    """Return the stretch this page looks ahead."""
    return Ahead(month.month, int(month.bid_path["month"].nunique()), month.level)
