"""Rules that need more than one row or more than one table.

Each rule takes typed rows and returns a mask and a reason; ``check_sales`` applies them in
order, so every row is set aside or held for the first rule that names it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from kit.logs.ledger import HELD, SET_ASIDE, exception_rows
from kit.logs.tables import TABLES

Rule = Callable[[pd.DataFrame, Mapping[str, pd.DataFrame]], pd.Series]
_REPOST_DAYS = 14
_FAR_OFF = 20.0
_PLACEHOLDER = r"(?:9{4,}|1{4,}|8{4,}|1234567*8?9?|0*1)(?:\.0+)?"


def check_keys(name: str, rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Keep the first of rows with one key; a different row under the same key is held."""
    key = TABLES[name].key
    if not key or rows.empty:
        return []
    repeat = rows.duplicated(key, keep="first")
    if not repeat.any():
        return []
    same = rows.drop(columns=["line", "row_id"]).duplicated(keep="first")
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
    return rows["sale_date"] < rows["model_id"].map(launch)


def _far_off(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    return _ratio_to_usual(rows) > _FAR_OFF


def _placeholder(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Amounts such as 99999 that stand for 'make an offer': odd digits and far from the usual."""
    digits = rows["gross_amount"].map(lambda v: f"{v:.2f}").str.fullmatch(_PLACEHOLDER)
    return digits & (_ratio_to_usual(rows) > 1.6)


def _ratio_to_usual(rows: pd.DataFrame) -> pd.Series:
    """How many times above or below the usual an amount lies.

    The usual price is the median of its model, currency and condition in the same year, since
    prices fall; in years with fewer than five sales, the median of all years.
    """
    amount = rows["gross_amount"].where(rows["gross_amount"] > 0)
    by = [rows["model_id"], rows["currency"], rows["condition"] == "as_is"]
    overall = amount.groupby(by).transform("median")
    yearly = amount.groupby([*by, rows["sale_date"].dt.year])
    usual = yearly.transform("median").where(yearly.transform("size") >= 5, overall)
    return pd.Series(np.exp(np.abs(np.log(amount / usual))), index=rows.index).fillna(1.0)


def _repost(rows: pd.DataFrame, _: Mapping[str, pd.DataFrame]) -> pd.Series:
    """Mark an asking price repeated within 14 days at the same amount: one offer seen twice."""
    same = ["model_id", "gross_amount", "currency", "grade", "storage_gb", "channel"]
    asking = rows[rows["price_type"] == "asking"].sort_values(["sale_date", "line"])
    before = asking.groupby(same, dropna=False)["sale_date"].shift()
    soon = (asking["sale_date"] - before).dt.days <= _REPOST_DAYS
    return soon.reindex(rows.index, fill_value=False)


SALES_RULES: tuple[tuple[Rule, str, str], ...] = (
    (_undone, SET_ASIDE, "sale refunded in full, cancelled or charged back"),
    (_not_a_sale, SET_ASIDE, "a refund or cancellation record, not a sale"),
    (_lot, SET_ASIDE, "several pieces in one price"),
    (_offer, SET_ASIDE, "an offer, not a price"),
    (_not_positive, HELD, "amount is zero or negative"),
    (_before_launch, SET_ASIDE, "sold before the model's launch date"),
    (_placeholder, SET_ASIDE, "placeholder amount"),
    (_far_off, SET_ASIDE, "more than 20 times off the model's usual price"),
    (_repost, SET_ASIDE, "the same offer again within 14 days"),
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
    left = _net_of_partial_refunds(rows)
    taken = []
    for rule, status, reason in SALES_RULES:
        hit = rule(left, tables).astype(bool)
        if hit.any():
            taken.append(exception_rows("sales", left[hit], status, reason))
            left = left[~hit]
    return left, taken


def _net_of_partial_refunds(rows: pd.DataFrame) -> pd.DataFrame:
    part = rows[rows["record_type"] == "partial_refund"]
    back = part["gross_amount"].abs().groupby(part["refers_to_sale_id"]).sum()
    net = rows["gross_amount"] - rows["sale_id"].map(back).astype("float64").fillna(0.0)
    is_sale = rows["record_type"].isin(["", "sale"])
    return rows.assign(gross_amount=net.where(is_sale, rows["gross_amount"]))
