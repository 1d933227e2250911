"""What a unit has been through follows from what was logged of it: bought, repaired, sold.

Nobody types twice that a unit whose sale is logged is sold, or that one that was mended works.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

LOGGED_STATE, LOGGED_STATUS = "logged_state", "logged_status"
WORKING, SOLD = "working", "sold"
MENDED = ("fixed_first_pass", "fixed_after_rework")
GONE = ("sold", "parted", "scrapped", "returned")


def followed(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the stock with states and statuses that repairs and sales have overtaken.

    Parameters
    ----------
    tables
        Typed rows of stock, repairs and sales.

    Returns
    -------
    DataFrame
        A unit sold since it was bought is ``sold``; one mended since is ``working``; one found to
        be in another state is in that one. What stock.csv itself says stays in ``logged_state``
        and ``logged_status``, which are there only if something was overtaken.
    """
    stock = tables["stock"]
    if stock.empty:
        return stock
    if LOGGED_STATE in stock:
        stock = stock.assign(state=stock[LOGGED_STATE], status=stock[LOGGED_STATUS])
        stock = stock.drop(columns=[LOGGED_STATE, LOGGED_STATUS])
    here = ~stock["status"].isin(GONE)
    state = _since(stock, _found(tables["repairs"]), "opened", "state").where(here, "")
    sold = _since(stock, _sold(tables["sales"]), "sale_date", "unit_id").where(here, "") != ""
    moved = (state != "") & (state != stock["state"])
    if not (moved.any() or sold.any()):
        return stock
    return stock.assign(
        **{LOGGED_STATE: stock["state"], LOGGED_STATUS: stock["status"]},
        state=stock["state"].where(~moved, state),
        status=stock["status"].where(~sold, SOLD),
    )


def _found(repairs: pd.DataFrame) -> pd.DataFrame:
    """Return the newest job of each unit that says something: ``state`` it left the unit in."""
    state = repairs["state_found"].where(~repairs["outcome"].isin(MENDED), WORKING)
    return repairs.assign(state=state)[state != ""].sort_values("opened", kind="stable")


def _sold(sales: pd.DataFrame) -> pd.DataFrame:
    rows = sales[(sales["unit_id"] != "") & sales["price_type"].isin(["", "sold"])]
    return rows.sort_values("sale_date", kind="stable")


def _since(stock: pd.DataFrame, rows: pd.DataFrame, day: str, what: str) -> pd.Series:
    """The newest entry of each unit on or after the day it was bought; empty if there is none."""
    last = rows.drop_duplicates("unit_id", keep="last").set_index("unit_id")
    when = last[day].reindex(stock["unit_id"]).set_axis(stock.index)
    if what == "unit_id":
        said = stock["unit_id"]
    else:
        said = last[what].reindex(stock["unit_id"]).set_axis(stock.index)
    return said.where(when >= stock["buy_date"], "").fillna("")
