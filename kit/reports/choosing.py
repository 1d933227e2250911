"""Which rows of a family's tables its page shows first."""

from __future__ import annotations

import pandas as pd

from kit.reports.family_month import FamilyMonth
from kit.reports.wording import Ahead

_RANK = {"buy": 0, "cap": 1, "own stock only": 2, "stop": 3, "cannot say": 4}


def ranked(thresholds: pd.DataFrame) -> pd.DataFrame:
    """Sort thresholds: what can be bought first, each verdict by expected profit then sales."""
    rank = thresholds["verdict"].map(_RANK).fillna(len(_RANK))
    keys = thresholds.assign(_rank=rank)
    order = ["_rank", "expected_profit", "n_sales"]
    return keys.sort_values(order, ascending=[True, False, False], kind="stable").drop(
        columns="_rank"
    )


def main_row(thresholds: pd.DataFrame) -> pd.Series:
    """Return the row a page is about: the best buy, else the best informed one."""
    best = ranked(thresholds)
    if best["verdict"].isin(["buy", "cap"]).any():
        return best.iloc[0]
    told = best[best["verdict"] != "cannot say"]
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


def ahead_of(month: FamilyMonth) -> Ahead:
    """Return the stretch this page looks ahead."""
    return Ahead(month.month, int(month.bid_path["month"].nunique()), month.level)
