"""More checks of a price fit on the page, for whom a figure looks odd."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import NOTHING, Column, Fragment, folded, joined, paragraph, table
from repair_horizon.tables.words import (
    fault_words,
    listing,
    number,
    percent,
    short_day,
    short_month,
)

MOST, MONTHS = 10, 12
_n, _n2 = partial(number, decimals=0), partial(number, decimals=2)


def _signed(share: float, decimals: int = 0) -> str:
    """Per cent up or down, such as −3 %."""
    return f"{number(100 * share, decimals)}\u00a0%"


_signed1 = partial(_signed, decimals=1)


def fit_checks(month: FamilyMonth) -> Fragment:
    """Say in a sentence whether a check failed, and keep the tables behind a fold."""
    if month.model_effects.empty:
        return NOTHING
    names = month.models.set_index("model_id")["model_name"]
    tables = [
        _misses(month),
        _models(month, names),
        _market(month),
        *([_robust(month)] if len(month.robust) else []),
        *([_far_off(month, names)] if len(month.far_off) else []),
    ]
    return joined(paragraph(_verdict(month)), folded("More checks of the price fit", *tables))


def _verdict(month: FamilyMonth) -> str:
    """Name what stands out, else say that nothing does."""
    clear = month.misses[month.misses["clear"]]
    groups = [f"{r['what']} {fault_words(r['group'])}" for _, r in clear.iterrows()]
    apart = [fault_words(n) for n in month.robust.loc[month.robust["apart"].astype(bool), "name"]]
    said = []
    if groups:
        said.append(f"sales lie off their curve by more than chance at {listing(groups, 3)}")
    if apart:
        said.append(f"a plain robust regression sees {listing(apart, 3)} otherwise")
    if not said:
        return "No group of sales lies off its curve by more than chance."
    return f"Worth a look: {'; '.join(said)}."


def _misses(month: FamilyMonth) -> Fragment:
    rows = month.misses.assign(
        name=month.misses["what"] + ": " + month.misses["group"].map(fault_words),
        miss=np.expm1(month.misses["miss"]),
    )
    columns = [
        Column("name", "Sales by"),
        Column("n", "Sales", _n, True),
        Column("miss", "Dearer than the curve", _signed1, True),
        Column("std_error", "Standard error", _signed1, True),
        Column("inside", "Within the middle 80 %", percent, True),
    ]
    return table(rows, columns, "Where the curve misses")


def _models(month: FamilyMonth, names: pd.Series) -> Fragment:
    rows = month.model_effects.assign(
        name=month.model_effects["model_id"].map(names).fillna(""),
        level=np.expm1(month.model_effects["level"]),
        slope=np.expm1(month.model_effects["slope"]),
    )
    columns = [
        Column("name", "Model"),
        Column("n_sales", "Sales", _n, True),
        Column("level", "Against the family", _signed, True),
        Column("slope", "Slope per year", _signed, True),
        Column("learned", "Weight of own data", percent, True),
    ]
    return table(rows, columns, "What is the models' own")


def _market(month: FamilyMonth) -> Fragment:
    columns = [
        Column("month", "Month", short_month),
        Column("index", "Market, 1 is no effect", _n2, True),
        Column("lower", "from", _n2, True),
        Column("upper", "to", _n2, True),
    ]
    return table(month.market.tail(MONTHS), columns, "What the market did to all models")


def _robust(month: FamilyMonth) -> Fragment:
    rows = month.robust.assign(
        ours=np.exp(month.robust["ours"].astype(float)),
        robust=np.exp(month.robust["robust"].astype(float)),
        apart=np.where(month.robust["apart"].astype(bool), "yes", ""),
    )
    columns = [
        Column("name", "What differs", fault_words),
        Column("ours", "Price factor here", _n2, True),
        Column("robust", "by plain robust regression", _n2, True),
        Column("apart", "Differs by more than 2 standard errors"),
    ]
    return table(rows, columns, "Cross-check of what moves a price")


def _far_off(month: FamilyMonth, names: pd.Series) -> Fragment:
    rows = month.far_off.head(MOST).assign(name=month.far_off["model_id"].map(names).fillna(""))
    columns = [
        Column("sale_id", "Sale"),
        Column("name", "Model"),
        Column("sale_date", "Day", short_day),
        Column("amount", f"Sold for, {month.currency}", _n, True),
        Column("expected", f"Expected, {month.currency}", _n, True),
        Column("weight", "Weight", percent, True),
    ]
    title = f"Outliers, {min(len(month.far_off), MOST)} of {len(month.far_off)}"
    return table(rows, columns, title)
