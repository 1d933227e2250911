"""``candidates``: open listings scored for bidding now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from kit.decisions.acquisition import landing
from kit.decisions.bidding import profit_at
from kit.decisions.economics import Economics
from kit.decisions.unit import UnitEconomics
from kit.decisions.unit_bid import margin_fraction, unit_bid
from kit.logs import CannotSay, Logs
from kit.logs.settings import Tier

COLUMNS = [
    "listing_id",
    "family_id",
    "model_id",
    "listed_fault",
    "end_time",
    "current_bid",
    "max_bid",
    "room",
    "advice",
    "expected_profit",
    "profit_per_hour",
    "probability_loss",
    "binding_limit",
    "reason",
]


def open_listings(listings: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Rows still to be decided: no result yet, and not ended before ``day``."""
    return listings[(listings["result"] == "") & (listings["end_time"] >= day.normalize())]


def score(listings: pd.DataFrame, logs: Logs, economics: Economics) -> pd.DataFrame:
    """Score candidate listings at this month's figures.

    Parameters
    ----------
    listings
        Rows of listings.csv.
    logs
        For the families of the models.
    economics
        From ``unit_economics``; its first month is the month of bidding.

    Returns
    -------
    DataFrame
        ``COLUMNS``, the best expected profit per bench hour first. ``expected_profit``,
        ``profit_per_hour`` and ``probability_loss`` are for buying at the current bid (at the
        threshold where no bid is known); ``room`` is threshold less current bid.
    """
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    rows: list[dict[str, object]] = []
    for (model_id, fault), group in listings.groupby(["model_id", "listed_fault"], sort=True):
        family_id = str(family[model_id])
        unit = _unit(economics, family_id, str(model_id), str(fault))
        for row in group.itertuples():
            start = {c: getattr(row, c) for c in COLUMNS[:6] if c != "family_id"}
            rows.append({**start, "family_id": family_id, **_scored(unit, row)})
    table = pd.DataFrame(rows, columns=COLUMNS)
    order = {"bid": 0, "pass": 1, "cannot say": 2}
    table["_rank"] = table["advice"].map(order)
    table = table.sort_values(["_rank", "profit_per_hour"], ascending=[True, False])
    return table.drop(columns="_rank").reset_index(drop=True)


def _unit(
    economics: Economics, family_id: str, model_id: str, fault: str
) -> UnitEconomics | CannotSay:
    known = economics.keys(family_id)
    if known and (model_id, fault) not in known:
        return CannotSay(f"fault_states.csv has no fault {fault!r} for the family")
    return economics.unit(family_id, model_id, fault)


def _scored(unit: UnitEconomics | CannotSay, row: object) -> dict[str, object]:
    if isinstance(unit, CannotSay):
        return {"advice": "cannot say", "reason": unit.reason}
    unit = _with_terms(unit, float(row.shipping), float(row.premium_rate))  # type: ignore[attr-defined]
    bid = unit_bid(unit, 0)
    now = float(row.current_bid)  # type: ignore[attr-defined]
    price = bid.amount if np.isnan(now) else now
    states, single = unit.end_states(0), unit.unit_end_states(0)
    theta = margin_fraction(unit.settings)
    profit = float(np.sum(states.weight * profit_at(states, unit.landing, price, theta)))
    loses = profit_at(single, unit.landing, price, theta) < 0
    room = bid.amount - (0.0 if np.isnan(now) else now)
    buys = bid.amount > 0 and room > 0
    reason = bid.reason or ("" if buys else "the bid has passed the threshold")
    return {
        "max_bid": bid.amount,
        "room": room,
        "advice": "bid" if buys else "pass",
        "expected_profit": profit,
        "profit_per_hour": profit / unit.hours(0),
        "probability_loss": float(np.sum(single.weight * loses)),
        "binding_limit": bid.binding,
        "reason": reason,
    }


def _with_terms(unit: UnitEconomics, shipping: float, premium: float) -> UnitEconomics:
    """The unit at the listing's own carriage and premium, where it names them."""
    purchase = unit.settings.purchase
    if not np.isnan(shipping):
        purchase = replace(purchase, inbound=shipping)
    if not np.isnan(premium):
        purchase = replace(purchase, premium=[Tier(0.0, premium)])
    rules = replace(unit.settings, purchase=purchase)
    land = landing(purchase, rules.delay.capital_rate, unit.days, rules.tax.premium_in_margin)
    return replace(unit, settings=rules, landing=land)


def families_of(listings: pd.DataFrame, logs: Logs) -> Iterator[str]:
    """Families the listings touch, in the catalogue's order."""
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    touched = set(family.reindex(listings["model_id"].unique()).dropna())
    return (f for f in logs.families if f in touched)
