"""What a unit costs by the time it is paid for: landed cost as a function of the hammer price.

    L(B) = a B + K
    domestic   a = 1 + t_H + b (1 + t_b)     K = lot fee + inbound
    imported   a = (1 + b)(1 + d)(1 + t_I)   K = (lot fee + inbound)(1 + d)(1 + t_I) + clearance

with b the premium rate of the tier the hammer price falls in, t_H and t_b the taxes on hammer and
premium not recovered, d the duty and t_I the import tax not recovered. Cash is tied up for D days
at the yearly rate k, so landing costs L(B)(1 + k D / 365).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from repair_horizon.decisions.costs.money import cents
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.settings import Purchase, Settings, Tier


@dataclass(frozen=True)
class Segment:
    """One premium tier: above ``lower`` up to and with ``upper``, L(B) = a B + K.

    ``margin_a`` and ``margin_k`` give the purchase price a margin scheme counts, A(B);
    ``losses_count`` says that a sale below it gives tax back (a credit taken whole).
    """

    lower: float
    upper: float
    a: float
    K: float
    margin_a: float
    margin_k: float
    losses_count: bool = False


@dataclass(frozen=True)
class Landing:
    """The landed cost of a purchase: its premium tiers and the cost of the cash.

    ``scarce`` is the part of ``kappa`` that is opportunity cost: nobody is paid it.
    """

    segments: tuple[Segment, ...]
    kappa: float
    scarce: float = 0.0

    @property
    def money(self) -> Landing:
        """The same without opportunity cost: what a purchase costs in money."""
        return Landing(self.segments, self.kappa - self.scarce) if self.scarce else self

    def segment(self, bid: float) -> Segment:
        """Tier a hammer price falls in; a price at a step belongs below it."""
        return next(s for s in reversed(self.segments) if bid > s.lower or s.lower == 0)

    def landed(self, bid: float) -> float:
        """Landed cost of one unit at a hammer price, without the cost of cash."""
        segment = self.segment(bid)
        return segment.a * bid + segment.K

    def landed_each(self, prices: Floats) -> Floats:
        """Landed cost at each of many hammer prices, without the cost of cash."""
        out: Floats = np.zeros_like(prices)
        for segment in self.segments:
            cost = segment.a * prices + segment.K
            # The first tier holds below nothing too.
            out = np.where(prices > segment.lower, cost, out) if segment.lower > 0 else cost
        return out

    def bid_for(self, worth: npt.ArrayLike) -> Floats:
        """Hammer price at which the landed cost with its cash equals a worth; elementwise.

        Negative where not even nothing can be paid; the tier's step where no tier holds the price.
        """
        paid = np.asarray(worth, dtype="float64") / (1 + self.kappa)
        bids = (paid - self.segments[-1].K) / self.segments[-1].a
        for segment, higher in zip(self.segments[-2::-1], self.segments[:0:-1], strict=True):
            here = (paid - segment.K) / segment.a
            bids = np.where(here <= segment.upper, here, np.maximum(bids, higher.lower))
        return np.asarray(bids)

    def solve(self, in_segment: Callable[[Segment], float]) -> float:
        """Bid at which something falling in the bid comes true, ``in_segment`` solving one tier.

        The first tier whose own solution lies within it has the answer; one that would lie
        below its tier stands at the step.
        """
        for segment in self.segments:
            bid = in_segment(segment)
            if bid <= segment.upper:
                return max(bid, segment.lower) if segment.lower > 0 else bid
        return bid


def landing(
    purchase: Purchase,
    capital_rate: float,
    days: float,
    premium_in_margin: bool,
    whole_credit_to: float | None = None,
) -> Landing:
    """Lay out the landed cost of a unit.

    Parameters
    ----------
    purchase
        Premium tiers, fees, freight, duty and taxes.
    capital_rate
        Yearly cost of cash.
    days
        Days from paying for the unit to being paid for it.
    premium_in_margin
        Whether a margin scheme counts the premium as part of the purchase price.
    whole_credit_to
        Purchase price up to which a tax credit is taken whole, loss or not; None if never.
    """
    tiers = sorted(purchase.premium, key=lambda t: t.above)
    if not tiers or tiers[0].above > 0:
        tiers = [Tier(0.0, 0.0), *tiers] if tiers else []
    lowers = [t.above for t in tiers] or [0.0]
    rates = [t.rate for t in tiers] or [0.0]
    uppers = [*lowers[1:], np.inf]
    segments, paid = [], 0.0
    for lower, upper, rate in zip(lowers, uppers, rates, strict=True):
        offset = paid - rate * lower
        segments.append(_segment(purchase, lower, upper, rate, offset, premium_in_margin))
        paid += rate * (upper - lower) if np.isfinite(upper) else 0.0
    if whole_credit_to is not None:
        segments = [part for s in segments for part in _split(s, whole_credit_to)]
    return Landing(tuple(segments), capital_rate * days / 365.0)


def landing_under(rules: Settings, days: float, cash_day: float = 0.0) -> Landing:
    """Landed cost under the settings of one device class.

    Parameters
    ----------
    rules
        Terms of purchase, tax scheme and capital rate.
    days
        Days from paying for the unit to being paid for it.
    cash_day
        Opportunity cost of one unit of money for a day, above the capital rate.
    """
    tax = rules.tax
    whole = tax.credit_threshold if tax.scheme == "special_credit" else None
    paid = landing(rules.purchase, rules.delay.capital_rate, days, tax.premium_in_margin, whole)
    return Landing(paid.segments, paid.kappa + cash_day * days, cash_day * days)


def purchase_on(purchase: Purchase, day: str) -> Purchase:
    """Terms of purchase with the customs rates in force on a day, YYYY-MM-DD.

    Before the first dated rate the undated ones hold.
    """
    dated = [d for d in purchase.duties if d.valid_from <= day]
    if not dated:
        return purchase
    now = max(dated, key=lambda d: d.valid_from)
    return replace(
        purchase,
        duty_rate=now.duty_rate,
        import_tax_rate=now.import_tax_rate,
        clearance_fee=now.clearance_fee,
    )


def _split(segment: Segment, whole_credit_to: float) -> list[Segment]:
    """Cut a tier where the purchase price reaches the highest one credited whole."""
    at = (whole_credit_to - segment.margin_k) / segment.margin_a
    if at >= segment.upper:
        return [replace(segment, losses_count=True)]
    if at <= segment.lower:
        return [segment]
    return [replace(segment, upper=at, losses_count=True), replace(segment, lower=at)]


def _segment(
    purchase: Purchase, lower: float, upper: float, rate: float, offset: float, in_margin: bool
) -> Segment:
    """One tier: the premium is ``rate`` times the hammer price plus ``offset``."""
    fixed = purchase.lot_fee + purchase.inbound
    if purchase.imported:
        up = (1 + purchase.duty_rate) * (1 + purchase.import_tax_rate)
        a, k = (1 + rate) * up, (fixed + offset) * up + purchase.clearance_fee
    else:
        taxed = 1 + purchase.premium_tax_rate
        a, k = 1 + purchase.hammer_tax_rate + rate * taxed, fixed + offset * taxed
    margin_a, margin_k = (1 + rate, offset) if in_margin else (1.0, 0.0)
    return Segment(lower, upper, a, k, margin_a, margin_k)


def purchase_lines(purchase: Purchase, bid: float) -> dict[str, float]:
    """Spell the landed cost of a domestic purchase out line by line, each rounded to cents."""
    premium = sum(
        t.rate * max(0.0, min(bid, upper) - t.above)
        for t, upper in zip(
            purchase.premium, [*(t.above for t in purchase.premium[1:]), np.inf], strict=True
        )
    )
    return {
        "hammer price": float(cents(bid)),
        "premium": float(cents(premium)),
        "tax on premium": float(cents(premium * purchase.premium_tax_rate)),
        "tax on hammer": float(cents(bid * purchase.hammer_tax_rate)),
        "lot fee": float(cents(purchase.lot_fee)),
        "inbound carriage": float(cents(purchase.inbound)),
    }
