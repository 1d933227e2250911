"""The decisions the two partners sign: at most three, the dearest to put off first."""

from __future__ import annotations

import pandas as pd

from kit.reports.family_month import HORIZON, LEVEL
from kit.reports.shelf_sections import advice_words, loss_words, worst_units
from kit.reports.wording import Ahead, fault_words, listing, missing, money, stop_words

MOST = 3
_SOON_MONTHS = 3


def decisions(
    rows: pd.DataFrame, shelf: pd.DataFrame, currency: str, first_day: pd.Timestamp
) -> list[str]:
    """Return what must be decided this month, a sentence each.

    Parameters
    ----------
    rows
        The main row of each family.
    shelf
        Every family's shelf.
    currency
        Of the amounts.
    first_day
        First day of the month.

    Returns
    -------
    list of str
        At most ``MOST``: the bids to adopt, the families to leave, the shelf to clear.
    """
    found = [_bids(rows, currency), _stops(rows, first_day), _shelf(shelf, currency)]
    return [f for f in found if f][:MOST]


def _bids(rows: pd.DataFrame, currency: str) -> str:
    live = rows[rows["verdict"].isin(["buy", "cap"])] if len(rows) else rows
    if live.empty:
        return ""
    live = live.sort_values("expected_profit", ascending=False, kind="stable")
    named = [
        f"{fault_words(r['family_id'])} {money(r['max_bid'], currency)}" for _, r in live.iterrows()
    ]
    return f"Adopt this month's highest bids: {listing(named, 8)}."


def _stops(rows: pd.DataFrame, first_day: pd.Timestamp) -> str:
    if rows.empty:
        return ""
    said = []
    stopped = rows[rows["verdict"].isin(["own stock only", "stop"])]
    if len(stopped):
        names = listing([fault_words(f) for f in stopped["family_id"]], 6)
        said.append(f"Buy no more of {names}")
    live = rows[rows["verdict"].isin(["buy", "cap"])]
    near = first_day + pd.DateOffset(months=_SOON_MONTHS)
    ends = [
        f"{fault_words(r['family_id'])}, {_buy_stop(r, first_day)}"
        for _, r in live.iterrows()
        if not missing(r["buy_stop_median"])
        and r["buy_stop_median"] <= near
        # A capped family is past that month already; its bid above says what is left to take.
        and not (r["verdict"] == "cap" and r["buy_stop_median"] <= first_day)
    ]
    if ends:
        said.append(f"say how many more to take where buying soon stops paying: {listing(ends)}")
    whole = "; ".join(said)
    return f"{whole[0].upper()}{whole[1:]}." if said else ""


def _buy_stop(row: pd.Series, first_day: pd.Timestamp) -> str:
    date = pd.Series({k: row[f"buy_stop_{k}"] for k in ("median", "lower", "upper")})
    return stop_words(date, Ahead(first_day, HORIZON, LEVEL), short=True)


def _shelf(shelf: pd.DataFrame, currency: str) -> str:
    worst = worst_units(shelf)
    if worst.empty:
        return ""
    named = [f"{u['unit_id']} {advice_words(u)}" for _, u in worst.iterrows()]
    return f"Act on the shelf, which loses {loss_words(shelf, currency)}: {'; '.join(named)}."
