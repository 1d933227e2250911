"""Rules that need more than one row or more than one table.

Each rule takes typed rows and returns a mask and a reason; ``check_sales`` applies them in
order, so every row is set aside or held for the first rule that names it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.row_accounts import HELD, SET_ASIDE, exception_rows

Rule = Callable[[pd.DataFrame, Mapping[str, pd.DataFrame]], pd.Series]
_REPOST_DAYS = 14
# One zero too many makes a price ten times too high; a unit sold for its parts is easily ten times
# too low, so below the usual more is let through to the robust fit.
_TOO_HIGH, _TOO_LOW = 8.0, 1 / 12.0
_WINDOW, _ENOUGH = "180D", 8
_APART = np.timedelta64(400, "D").astype("timedelta64[s]")
_PLACEHOLDER = r"(?:9{4,}|1{4,}|8{4,}|12345(?:6(?:7(?:89?)?)?)?|1)(?:\.0+)?"


def check_keys(name: str, rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Keep the first of rows with one key; a different row under the same key is held."""
    key = TABLES[name].key
    if not key or rows.empty:
        return []
    code = pd.Series(pd.factorize(rows[key])[0], index=rows.index)
    repeat = code.duplicated(keep="first")
    if not repeat.any():
        return []
    # A row can only equal one of its own key, so the others need not be compared.
    alike = rows[code.duplicated(keep=False)].drop(columns=["line", "row_id"])
    same = alike.duplicated(keep="first").reindex(rows.index, fill_value=False)
    return [
        exception_rows(name, rows[repeat & same], SET_ASIDE, f"the same row again ({key})"),
        exception_rows(name, rows[repeat & ~same], HELD, f"another row has this {key}"),
    ]


def check_models(name: str, rows: pd.DataFrame, models: pd.Series) -> list[pd.DataFrame]:
    """Hold rows of models the catalogue does not name."""
    unknown = ~rows["model_id"].isin(models)
    return [exception_rows(name, rows[unknown], HELD, "model_id is not in catalogue.csv")]


def _not_a_sale(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    return ~rows["record_type"].isin(["", "sale"])


def _undone(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    ends = rows["record_type"].isin(["refund", "cancelled", "chargeback"])
    return rows["sale_id"].isin(rows.loc[ends, "refers_to_sale_id"])


def _lot(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    return rows["quantity"] > 1


def _offer(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    return rows["price_type"] == "offer"


def _not_positive(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    return rows["gross_amount"] <= 0


def _before_launch(rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.Series:
    launch = tables["catalogue"].set_index("model_id")["launch_date"]
    code, models = pd.factorize(rows["model_id"])
    return rows["sale_date"] < launch.reindex(models).take(code).set_axis(rows.index)


def _far_off(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    ratio = _ratio_to_usual(rows)
    return (ratio > _TOO_HIGH) | (ratio < _TOO_LOW)


def _placeholder(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Amounts such as 99999 that stand for 'make an offer': odd digits and far from the usual."""
    ratio = _ratio_to_usual(rows)
    far = (ratio > 1.6) | (ratio < 1 / 1.6)
    digits = rows.loc[far, "gross_amount"].map(lambda v: f"{v:.2f}").astype("str")
    return digits.str.fullmatch(_PLACEHOLDER).reindex(rows.index, fill_value=False)


def _ratio_to_usual(rows: pd.DataFrame) -> pd.Series:
    """How many times the usual price an amount is.

    The usual price is the median of its model, currency and condition within 90 days either way,
    since prices fall; where fewer than eight stand there, the median of all days.
    """
    amount = rows["gross_amount"].where(rows["gross_amount"] > 0)
    by = np.zeros(len(rows), dtype="int64")
    for name in ("model_id", "currency", "condition"):
        code, words = pd.factorize(rows[name])
        by = by * len(words) + code
    overall = amount.groupby(by).transform("median")
    day = rows["sale_date"].to_numpy().astype("datetime64[s]")
    # Groups stand one after the other on one line of time, too far apart to share a window.
    apart = (day.max() - day.min() + _APART) if len(day) else _APART
    placed = day + by * apart
    order = np.argsort(placed, kind="stable")
    line = pd.Series(amount.to_numpy()[order], index=pd.DatetimeIndex(placed[order]))
    near = np.empty(len(rows))
    near[order] = line.rolling(_WINDOW, center=True, min_periods=_ENOUGH).median().to_numpy()
    usual = overall.where(np.isnan(near), near)
    return (amount / usual).fillna(1.0)


def _repost(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Mark an offer seen again within 14 days: same model and amount, and something that tells.

    Equal round amounts are mostly coincidence (of the published camera offers, about nine in ten
    such pairs), so either the source reference repeats or the amount has four figures that are
    not zero at the end.
    """
    asking = rows[rows["price_type"] == "asking"]
    digits = asking["gross_amount"].map(lambda v: f"{v:.2f}".replace(".", "").strip("0-"))
    telling = (asking["source_ref"] != "") | (digits.astype("str").str.len() >= 4)
    asking = asking[telling].sort_values(["sale_date", "line"])
    before = asking.groupby(list(_OFFERED), dropna=False)["sale_date"].shift()
    soon = (asking["sale_date"] - before).dt.days <= _REPOST_DAYS
    return soon.reindex(rows.index, fill_value=False)


_USUAL = ("model_id", "sale_date", "gross_amount", "currency", "condition")
_OFFERED = ("model_id", "gross_amount", "currency", "grade", "storage_gb", "channel", "source_ref")

# Each rule with the columns it looks at: the rows left are handed on without their other columns.
SALES_RULES: tuple[tuple[Rule, tuple[str, ...], str, str], ...] = (
    (
        _undone,
        ("sale_id", "record_type", "refers_to_sale_id"),
        SET_ASIDE,
        "sale refunded in full, cancelled or charged back",
    ),
    (_not_a_sale, ("record_type",), SET_ASIDE, "a refund or cancellation record, not a sale"),
    (_lot, ("quantity",), SET_ASIDE, "several pieces in one price"),
    (_offer, ("price_type",), SET_ASIDE, "an offer, not a price"),
    (_not_positive, ("gross_amount",), HELD, "amount is zero or negative"),
    (
        _before_launch,
        ("model_id", "sale_date"),
        SET_ASIDE,
        "sold before the model's launch date",
    ),
    (_placeholder, _USUAL, SET_ASIDE, "placeholder amount"),
    (
        _far_off,
        _USUAL,
        SET_ASIDE,
        "far off the model's usual price (above 8 or below 1/12)",
    ),
    (
        _repost,
        (*_OFFERED, "sale_date", "price_type", "line"),
        SET_ASIDE,
        "the same offer again within 14 days",
    ),
)


def check_sales(
    rows: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Apply the rules for sales.

    Partial refunds first lower the amount of the sale they refer to, so that the price kept is
    what the buyer finally paid.

    Returns
    -------
    tuple
        The rows used, and the rows not used as ledger lines.
    """
    if rows.empty:
        return rows, []
    rows = _net_of_partial_refunds(rows)
    left = np.ones(len(rows), dtype=bool)
    taken = []
    for rule, columns, status, reason in SALES_RULES:
        seen = rows[list(columns)]
        hit = rule(seen if left.all() else seen[left], tables).to_numpy(dtype=bool)
        if hit.any():
            at = np.flatnonzero(left)[hit]
            taken.append(exception_rows("sales", rows.iloc[at], status, reason))
            left[at] = False
    return rows if left.all() else rows[left], taken


def _net_of_partial_refunds(rows: pd.DataFrame) -> pd.DataFrame:
    part = rows[rows["record_type"] == "partial_refund"]
    back = part["gross_amount"].abs().groupby(part["refers_to_sale_id"]).sum()
    lowered = rows["sale_id"].isin(back.index) & rows["record_type"].isin(["", "sale"])
    amount = rows["gross_amount"].copy()
    amount[lowered] -= rows.loc[lowered, "sale_id"].map(back).astype("float64")
    return rows.assign(gross_amount=amount)
