"""``candidates``: open listings scored for bidding now."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.purchase import Landing, landing_under
from repair_horizon.decisions.month.questions_asked import (
    BidMoves,
    bid_moves,
    question_at,
    turning_points,
)
from repair_horizon.decisions.unit.bid import (
    NO_PRICE,
    Bid,
    Outcomes,
    bid_on_terms,
    expectation,
    margin_fraction,
    outcomes,
)
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.settings import Settings, Tier

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
    "ask",
    "ask_value",
    "per_resale_percent",
    "per_part_ten",
    "per_week",
    "would_turn",
    "reason",
]


@dataclass(frozen=True, eq=False)
class Scorer:
    """What all listings of one model and fault share, worked out once."""

    economics: Economics
    unit: UnitEconomics
    known: Outcomes

    @cached_property
    def moves(self) -> BidMoves:
        """How far the bid moves with price, part and time, at the usual terms of purchase."""
        return bid_moves(self.economics, self.unit)

    def terms(self, shipping: float, premium: float) -> tuple[Settings, Landing]:
        """Settings and landed cost with the listing's own carriage and premium, where named."""
        purchase = self.unit.settings.purchase
        if not np.isnan(shipping):
            purchase = replace(purchase, inbound=shipping)
        if not np.isnan(premium):
            purchase = replace(purchase, premium=[Tier(0.0, premium)])
        rules = replace(self.unit.settings, purchase=purchase)
        return rules, landing_under(rules, self.unit.days)


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
        threshold where no bid is known); ``room`` is threshold less current bid. ``ask`` is the
        state worth asking the seller about before bidding the threshold and ``ask_value`` what
        the answer is worth, money; ``per_resale_percent``, ``per_part_ten`` and ``per_week`` how
        far the bid moves with 1 % more resale, the main part 10 dearer, a week more;
        ``would_turn`` which change alone would turn the verdict.
    """
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    rows: list[dict[str, object]] = []
    for (model_id, fault), group in listings.groupby(["model_id", "listed_fault"], sort=True):
        family_id = str(family[model_id])
        scorer = scorer_for(economics, family_id, (str(model_id), str(fault)))
        bids: dict[tuple[str, str], tuple[Settings, Landing, Bid]] = {}
        for row in group.itertuples():
            start = {c: getattr(row, c) for c in COLUMNS[:6] if c != "family_id"}
            rows.append({**start, "family_id": family_id, **_scored(scorer, row, bids)})
    table = pd.DataFrame(rows, columns=COLUMNS)
    order = {"bid": 0, "pass": 1, "cannot say": 2}
    table["_rank"] = table["advice"].map(order)
    table = table.sort_values(["_rank", "profit_per_hour"], ascending=[True, False])
    return table.drop(columns="_rank").reset_index(drop=True)


def scorer_for(economics: Economics, family_id: str, key: tuple[str, str]) -> Scorer | CannotSay:
    """Work out what all listings of a model and fault share; ``key`` is (model, fault)."""
    model_id, fault = key
    known = economics.keys(family_id)
    if known and key not in known:
        return CannotSay(f"fault_states.csv has no fault {fault!r} for the family")
    unit = economics.unit(family_id, model_id, fault)
    if isinstance(unit, CannotSay):
        return unit
    return Scorer(economics, unit, outcomes(unit, 0))


def _scored(
    scorer: Scorer | CannotSay,
    row: object,
    bids: dict[tuple[str, str], tuple[Settings, Landing, Bid]],
) -> dict[str, object]:
    """One listing; ``bids`` keeps what was worked out for the same terms of purchase."""
    if isinstance(scorer, CannotSay):
        return {"advice": "cannot say", "reason": scorer.reason}
    named = (float(row.shipping), float(row.premium_rate))  # type: ignore[attr-defined]
    terms = (repr(named[0]), repr(named[1]))
    if terms not in bids:
        rules, land = scorer.terms(*named)
        bids[terms] = (rules, land, bid_on_terms(scorer.known, land, rules))
    rules, land, bid = bids[terms]
    now = float(row.current_bid)  # type: ignore[attr-defined]
    price, current = (bid.amount if np.isnan(now) else now), (0.0 if np.isnan(now) else now)
    theta = margin_fraction(rules)
    profit, chance = expectation(scorer.known, land, price, theta)
    ask = question_at(scorer.known, land, bid.amount or price, theta)
    buys = bid.amount > 0 and bid.amount > current
    return {
        "max_bid": bid.amount,
        "room": bid.amount - current,
        "advice": "bid" if buys else "pass",
        "expected_profit": profit,
        "profit_per_hour": profit / scorer.known.hours if scorer.known.hours else np.nan,
        "probability_loss": chance,
        "binding_limit": bid.binding,
        "ask": ask.state,
        "ask_value": ask.value,
        "per_resale_percent": scorer.moves.resale_percent,
        "per_part_ten": scorer.moves.part_ten,
        "per_week": scorer.moves.week,
        "would_turn": turning_points(current - bid.exact, scorer.moves),
        "reason": "" if buys else pass_reason(scorer.known, land, (bid, current)),
    }


def pass_reason(known: Outcomes, land: Landing, at: tuple[Bid, float]) -> str:
    """Say why a listing is passed; ``at`` is (threshold, current bid)."""
    bid, current = at
    if bid.reason == NO_PRICE:
        fixed = land.segments[0].K * (1 + land.kappa)
        return (
            f"{NO_PRICE}: {bid.binding} leaves {bid.exact:.2f} "
            f"(worth {known.market.expected:.2f} before buying, fees and carriage {fixed:.2f})"
        )
    if bid.reason:
        return f"{bid.reason}: {bid.binding} leaves {bid.exact:.2f}"
    return f"the bid has reached the threshold: {current:.2f} against {bid.amount:.2f}"


def families_of(listings: pd.DataFrame, logs: Logs) -> Iterator[str]:
    """Families the listings touch, in the catalogue's order."""
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    touched = set(family.reindex(listings["model_id"].unique()).dropna())
    return (f for f in logs.families if f in touched)
