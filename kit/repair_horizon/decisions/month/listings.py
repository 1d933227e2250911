"""``score``: open listings scored for bidding: auctions, fixed prices, private sellers, lots."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.costs.purchase import Landing, landing_under
from repair_horizon.decisions.month.questions_asked import (
    BidMoves,
    Question,
    bid_moves,
    question_at,
    turning_points,
)
from repair_horizon.decisions.unit.bid import (
    BREAK_EVEN,
    NO_PRICE,
    NOTHING_WON,
    Bid,
    Outcomes,
    against,
    bid_on_terms,
    joint_lot,
    rounded_bid,
    verdict_of,
)
from repair_horizon.decisions.unit.economics import Economics, newest
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import first_offer
from repair_horizon.estimation.rival_prices import PRIVATE
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings, Tier
from repair_horizon.tables.words import WITHIN_LIMIT, percent

MOST_SCORERS = 4
AUCTION, FIXED_PRICE = "auction", "fixed_price"
BID, PASS, CANNOT_SAY = "bid", "pass", "cannot say"
RARELY_TAKEN = "an offer would rarely be taken"


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

    @property
    def usual(self) -> Bid:
        """Maximum bid at the usual terms of purchase: the model's own threshold."""
        return self.bid(None)

    def bid(self, terms: Landing | None, floor: float = 0.0) -> Bid:
        """Maximum bid on terms of purchase where somebody has bid ``floor`` already, money.

        Where no limit of the owner's binds, only the chance of winning depends on the floor.
        """
        plain: Bid = self._once(("bid", terms), lambda: bid_on_terms(self.known, terms))
        if not floor or plain.reason:
            return plain
        if plain.binding != BREAK_EVEN:
            return bid_on_terms(self.known, terms, floor)
        land = terms or self.unit.landing
        return replace(plain, won=self.known.expected(land, plain.amount, floor))

    def question(self, terms: Landing | None, price: float) -> Question:
        """What to ask the seller before buying at a price."""
        land, theta = terms or self.unit.landing, margin_fraction(self.unit.settings)
        work = partial(question_at, self.known, land, price, theta)
        out: Question = self._once(("question", terms, price), work)
        return out

    def terms(self, shipping: float, premium: float, *, direct: bool = False) -> Landing | None:
        """Landed cost with the listing's own carriage and premium; None where the usual one holds.

        A direct purchase, at a fixed price or from a private seller, bears no premium.
        """
        work = partial(self._own_terms, shipping, premium, direct)
        out: Landing | None = self._once(("terms", repr(shipping), repr(premium), direct), work)
        return out

    def _own_terms(self, shipping: float, premium: float, direct: bool) -> Landing | None:
        purchase = self.unit.settings.purchase
        if not np.isnan(shipping):
            purchase = replace(purchase, inbound=shipping)
        if not np.isnan(premium):
            purchase = replace(purchase, premium=[Tier(0.0, premium)])
        elif direct:
            purchase = replace(purchase, premium=[], lot_fee=0.0)
        if purchase == self.unit.settings.purchase:
            return None
        rules = replace(self.unit.settings, purchase=purchase)
        return landing_under(rules, self.unit.days, self.unit.valuation.cash_day)

    def _once(self, key: Hashable, work: Callable[[], Any]) -> Any:
        if key not in self._known:
            self._known[key] = work()
        return self._known[key]

    @cached_property
    def _known(self) -> dict[Hashable, Any]:
        return {}


def open_listings(listings: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Rows still to be decided: no result yet, and not ended before ``day``."""
    return listings[(listings["result"] == "") & (listings["end_time"] >= day.normalize())]


Alike = tuple[tuple[Any, ...], ...]
"""What is said of a lot depends on: ``Offered.key`` of each of its rows."""


def score(
    listings: pd.DataFrame,
    logs: Logs,
    economics: Economics,
    known: dict[Alike, dict[str, object]] | None = None,
) -> pd.DataFrame:
    """Score candidate listings at this month's figures.

    Parameters
    ----------
    listings
        Rows of listings.csv.
    logs
        For the families of the models.
    economics
        Of the families; its first month is the month of bidding.
    known
        What was said of listings alike, from the same figures; what is said anew is added.

    Returns
    -------
    DataFrame
        The declared table ``bids``, the largest expected profit of bidding first. Rows of one
        ``lot_id`` are one bid; ``probability_win`` is missing for a fixed price.
    """
    known = {} if known is None else known
    rows: list[dict[str, object]] = []
    # A model's faults one after the other, since they share its prices.
    for offered in sorted(lots_of(listings, logs, economics), key=lambda lot: lot[0].key[:2]):
        first = offered[0]
        start = {
            "listing_id": first.bid_id,
            "family_id": ";".join(dict.fromkeys(o.family_id for o in offered)),
            "model_id": ";".join(dict.fromkeys(o.model_id for o in offered)),
            "listed_fault": ";".join(dict.fromkeys(o.listed_fault for o in offered)),
            "end_time": first.end_time,
            "current_bid": first.current_bid,
            "terms": first.terms,
            "quantity": sum(o.quantity for o in offered),
        }
        key = alike(offered)
        if key not in known:
            known[key] = plain(_scored(offered))
        rows.append({**start, **known[key]})
    table = OUTPUTS["bids"].table(rows).assign(caution=BEFORE_BUYING)
    order = {BID: 0, PASS: 1, CANNOT_SAY: 2}
    table["_rank"] = table["advice"].map(order)
    win = table["probability_win"].astype("float64").fillna(1.0)
    table["_gain"] = table["expected_profit"].astype("float64") * win
    table = table.sort_values(["_rank", "_gain", "listing_id"], ascending=[True, False, True])
    return table.drop(columns=["_rank", "_gain"]).reset_index(drop=True)


@dataclass(frozen=True, eq=False)
class Offered:
    """One row of a listings file; what its model and fault are worth is worked out when asked."""

    listing_id: str
    lot_id: str
    family_id: str
    model_id: str
    listed_fault: str
    end_time: pd.Timestamp
    current_bid: float
    shipping: float
    premium: float
    terms: str
    quantity: int
    scorers: Scorers

    @classmethod
    def read(cls, row: Any, family_id: str, scorers: Scorers) -> Offered:
        """Take a row of the table apart; columns that are not there mean what they always did."""
        quantity = float(getattr(row, "quantity", 1) or 1)
        return cls(
            str(row.listing_id),
            str(getattr(row, "lot_id", "") or ""),
            family_id,
            str(row.model_id),
            str(row.listed_fault),
            row.end_time,
            float(row.current_bid),
            float(row.shipping),
            float(row.premium_rate),
            str(getattr(row, "terms", "") or AUCTION),
            1 if np.isnan(quantity) else max(int(quantity), 1),
            scorers,
        )

    @property
    def scorer(self) -> Scorer | CannotSay:
        """What all listings of its model and fault share."""
        return self.scorers.of(self.family_id, (self.model_id, self.listed_fault))

    @property
    def bid_id(self) -> str:
        """What is bid on: the lot, or the listing."""
        return self.lot_id or self.listing_id

    @property
    def current(self) -> float:
        """Price already bid or asked, money; 0 for none."""
        return float(np.nan_to_num(self.current_bid))

    def terms_at(self, scorer: Scorer) -> Landing | None:
        """Landed cost where the listing's own terms differ from the usual ones."""
        return scorer.terms(self.shipping, self.premium, direct=self.direct)

    @property
    def key(self) -> tuple[object, ...]:
        """What the score depends on: listings alike in it are worked out once."""
        money = (repr(self.current_bid), repr(self.shipping), repr(self.premium))
        return (self.model_id, self.listed_fault, self.terms, self.quantity, *money)

    @property
    def direct(self) -> bool:
        """Whether it is bought at a price asked, not in an auction."""
        return self.terms in (FIXED_PRICE, PRIVATE)


def alike(offered: list[Offered]) -> Alike:
    """What all that is said of a lot depends on."""
    return tuple(one.key for one in offered)


def plain(row: dict[str, object]) -> dict[str, object]:
    """The same values as Python's own, which can be kept."""
    return {k: v.item() if isinstance(v, np.generic) else v for k, v in row.items()}


@dataclass(frozen=True, eq=False)
class Scorers:
    """Scorers of models and faults; the newest few are kept, since each holds megabytes."""

    economics: Economics

    def of(self, family_id: str, key: tuple[str, str]) -> Scorer | CannotSay:
        """Scorer of a (model, fault)."""
        work = partial(scorer_for, self.economics, family_id, key)
        return newest(self._kept, key, work, MOST_SCORERS)

    @cached_property
    def _kept(self) -> dict[tuple[str, str], Scorer | CannotSay]:
        return {}


def lots_of(listings: pd.DataFrame, logs: Logs, economics: Economics) -> list[list[Offered]]:
    """Rows that are bid on together: each of one ``lot_id``, every other row alone."""
    scorers = Scorers(economics)
    lots: dict[object, list[Offered]] = {}
    for at, row in enumerate(listings.itertuples()):
        one = Offered.read(row, logs.family_of[str(row.model_id)], scorers)
        lots.setdefault(one.lot_id or at, []).append(one)
    return list(lots.values())


def scorer_for(economics: Economics, family_id: str, key: tuple[str, str]) -> Scorer | CannotSay:
    """Work out what all listings of a model and fault share; ``key`` is (model, fault)."""
    model_id, fault = key
    known = economics.keys(family_id)
    if known and key not in known:
        return CannotSay(f"no listed fault {fault!r} is known for the family")
    unit = economics.unit(family_id, model_id, fault)
    if isinstance(unit, CannotSay):
        return unit
    return Scorer(economics, unit, Outcomes(unit, 0))


def _scored(offered: list[Offered]) -> dict[str, object]:
    """Score one listing, or the rows of one lot together."""
    scorers = [o.scorer for o in offered]
    unknown = [s for s in scorers if isinstance(s, CannotSay)]
    if unknown:
        verdict = Verdict.CANNOT_SAY.value
        return {"advice": CANNOT_SAY, "verdict": verdict, "reason": unknown[0].reason}
    known = [s for s in scorers if isinstance(s, Scorer)]
    if len(offered) > 1 or offered[0].quantity > 1:
        return _scored_lot(offered, known)
    row, scorer = offered[0], known[0]
    terms, current = row.terms_at(scorer), row.current
    land = terms or scorer.unit.landing
    bid = scorer.bid(terms, 0.0 if row.direct else current)
    bid, offer = _on_the_table(row, scorer, bid, land, current)
    ask = scorer.question(terms, bid.amount or current)
    objection = _objection(row, scorer.unit.settings, bid)
    buys = bid.amount > 0 and _within(row, bid, current) and not objection
    why = ("" if buys else pass_reason(row, scorer, bid, land), scorer.unit.uncosted_words)
    return {
        **_shown(bid, current, scorer.usual, buys, Verdict(verdict_of(scorer.known, bid))),
        "offer": offer,
        "then": scorer.unit.then(0),
        **_part(scorer),
        "ask": ask.state,
        "ask_value": ask.value,
        "per_resale_percent": scorer.moves.resale_percent,
        "per_part_ten": scorer.moves.part_ten,
        "per_week": scorer.moves.week,
        "would_turn": turning_points(current - bid.exact, scorer.moves),
        "reason": "; ".join(filter(None, why)),
    }


def _part(scorer: Scorer) -> dict[str, object]:
    """Quality planned with for the main part, and what the next best would cost more."""
    part = scorer.unit.quality
    if part is None:
        return {"part_quality": "", "part_rests_on": "", "other_quality_cost": np.nan}
    return {
        "part_quality": part.words,
        "part_rests_on": part.rests_on,
        "other_quality_cost": part.other_cost,
    }


def _within(row: Offered, bid: Bid, current: float) -> bool:
    """Whether the price reached leaves room: a price asked may be paid, a bid must be topped.

    A private seller's price is where talking starts, so it need not be met.
    """
    if row.terms == PRIVATE:
        return True
    return bid.amount >= current if row.terms == FIXED_PRICE else bid.amount > current


def _objection(row: Offered, rules: Settings, bid: Bid) -> str:
    """Say what speaks against it although it may be bid, by the same rules however it is sold.

    A price asked needs no chance; that of a private seller is the one that the offer is taken.
    """
    won = replace(bid.won, chance=np.nan) if row.terms == FIXED_PRICE else bid.won
    if row.terms == PRIVATE and won.chance < rules.limits.least_win_chance:
        return f"{RARELY_TAKEN}: {percent(won.chance)} of sellers"
    return against(won, rules)


def _on_the_table(
    row: Offered, scorer: Scorer, bid: Bid, land: Landing, current: float
) -> tuple[Bid, float]:
    """Bid with the promise of this listing's own terms, and the first offer to a private seller."""
    if bid.amount <= 0:
        return bid, np.nan
    if row.terms == FIXED_PRICE:
        price = current or bid.amount
        bought = scorer.known.bought(land, min(price, bid.amount))
        return replace(bid, won=replace(bought, chance=np.nan)), np.nan
    if row.terms == PRIVATE:
        offer, taken = private_offer(scorer, land, bid, current)
        return replace(bid, won=replace(scorer.known.bought(land, offer), chance=taken)), offer
    return bid, np.nan


def private_offer(scorer: Scorer, land: Landing, bid: Bid, asked: float) -> tuple[float, float]:
    """First offer and the chance that it is taken; a price asked is never exceeded."""
    rival = scorer.known.seller(asked)
    if rival is None:
        offer = min(bid.amount, asked or bid.amount)
        return offer, np.nan
    worth = land.landed(bid.exact) * (1 + land.kappa)
    increment = scorer.unit.settings.limits.bid_increment
    offer, taken = first_offer(worth, land, bid.amount, rival, increment)
    return (asked, 1.0) if asked and offer >= asked else (offer, taken)


def _shown(bid: Bid, current: float, usual: Bid, buys: bool, verdict: Verdict) -> dict[str, object]:
    """Columns that a bid fills, whatever is being bought."""
    return {
        "max_bid": bid.amount,
        "probability_win": bid.won.chance,
        "room": bid.amount - current,
        "advice": BID if buys else PASS,
        "verdict": verdict.value,
        "expected_profit": bid.won.profit,
        "profit_per_hour": bid.profit_per_hour,
        "probability_loss": bid.won.probability_loss,
        "binding_limit": bid.binding,
        "model_bid": usual.amount,
        "own_terms": bid.amount - usual.amount,
    }


def _scored_lot(offered: list[Offered], scorers: list[Scorer]) -> dict[str, object]:
    """Several units under one bid: what they share together, each one's own luck apart."""
    first, current = offered[0], offered[0].current
    land = first.terms_at(scorers[0]) or scorers[0].unit.landing
    lot = joint_lot([s.known for s in scorers], [o.quantity for o in offered], land)
    rules = scorers[0].unit.settings
    amount, reason = rounded_bid(lot.exact, rules)
    won = NOTHING_WON if reason else lot.expected(amount, current)
    bid = Bid(lot.exact, lot.exact, "break-even", amount, reason, won, lot.hours, 0.0)
    objection = "" if reason else _objection(first, rules, bid)
    buys = amount > 0 and _within(first, bid, current) and not objection
    apart = float(sum(s.usual.amount * o.quantity for s, o in zip(scorers, offered, strict=True)))
    verdict = Verdict.BUY if amount > 0 and not objection else Verdict.STOP
    usual = replace(bid, amount=apart)
    said = f"one bid for {sum(o.quantity for o in offered)} units"
    why = reason or objection or "the price has passed the maximum bid"
    return {
        **_shown(bid, current, usual, buys, verdict),
        "then": ";".join(dict.fromkeys(s.unit.then(0) for s in scorers)),
        "reason": said if buys else f"{said}; {why}",
    }


def winning_told(rows: pd.DataFrame) -> pd.Series:
    """Chances of winning to be told, of listings in ``bids`` or ``plan``.

    A price asked that the limit allows needs no luck: words stand in place of its chance.
    """
    win, open_to = rows["probability_win"], rows.get("room", pd.Series(0.0, rows.index)) >= 0
    sure = ((rows["terms"] == PRIVATE) & (win == 1.0)) | ((rows["terms"] == FIXED_PRICE) & open_to)
    return win.astype("object").mask(sure, WITHIN_LIMIT)


def pass_reason(row: Offered, scorer: Scorer, bid: Bid, land: Landing) -> str:
    """Say why a listing is passed."""
    if bid.reason == NO_PRICE:
        fixed, worth = land.segments[0].K * (1 + land.kappa), scorer.known.market.expected
        return (
            f"{NO_PRICE}: {bid.binding} leaves {bid.exact:.2f} "
            f"(worth {worth:.2f} before buying, fees and carriage {fixed:.2f})"
        )
    if bid.reason:
        return f"{bid.reason}: {bid.binding} leaves {bid.exact:.2f}"
    if not _within(row, bid, row.current):
        return f"the bid has reached the maximum bid: {row.current:.2f} against {bid.amount:.2f}"
    return _objection(row, scorer.unit.settings, bid)


def families_of(listings: pd.DataFrame, logs: Logs) -> Iterator[str]:
    """Families the listings touch, in the catalogue's order."""
    touched = {logs.family_of.get(m) for m in listings["model_id"].unique()}
    return (f for f in logs.families if f in touched)
