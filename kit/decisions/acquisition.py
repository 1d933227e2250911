"""What a unit costs by the time it is paid for: landed cost as a function of the hammer price.

    L(B) = a B + K
    domestic   a = 1 + t_H + b (1 + t_b)     K = lot fee + inbound
    imported   a = (1 + b)(1 + d)(1 + t_I)   K = (lot fee + inbound)(1 + d)(1 + t_I) + clearance

with b the premium rate of the tier the hammer price falls in, t_H and t_b the taxes on hammer and
premium not recovered, d the duty and t_I the import tax not recovered. Cash is tied up for D days
at the yearly rate k, so landing costs L(B)(1 + k D / 365).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.decisions.money import cents
from kit.logs.settings import Purchase

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Segment:
    """One premium tier: between hammer prices ``lower`` and ``upper``, L(B) = a B + K.

    ``margin_a`` and ``margin_k`` give the purchase price a margin scheme counts, A(B).
    """

    lower: float
    upper: float
    a: float
    K: float
    margin_a: float
    margin_k: float


@dataclass(frozen=True)
class Landing:
    """The landed cost of a purchase: its premium tiers and the cost of the cash."""

    segments: tuple[Segment, ...]
    kappa: float

    def segment(self, bid: float) -> Segment:
        """Tier a hammer price falls in."""
        return next(s for s in reversed(self.segments) if bid >= s.lower or s.lower == 0)

    def landed(self, bid: float) -> float:
        """Landed cost of one unit at a hammer price, without the cost of cash."""
        segment = self.segment(bid)
        return segment.a * bid + segment.K


def landing(
    purchase: Purchase, capital_rate: float, days: float, premium_in_margin: bool
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
    """
    tiers = sorted(purchase.premium, key=lambda t: t.above)
    if not tiers or tiers[0].above > 0:
        tiers = [type(purchase.premium[0])(0.0, 0.0), *tiers] if tiers else []
    lowers = [t.above for t in tiers] or [0.0]
    rates = [t.rate for t in tiers] or [0.0]
    uppers = [*lowers[1:], np.inf]
    segments, paid = [], 0.0
    for lower, upper, rate in zip(lowers, uppers, rates, strict=True):
        segments.append(_segment(purchase, (lower, upper), rate, (paid, premium_in_margin)))
        paid += rate * (upper - lower) if np.isfinite(upper) else 0.0
    return Landing(tuple(segments), capital_rate * days / 365.0)


def _segment(
    purchase: Purchase, span: tuple[float, float], rate: float, premium: tuple[float, bool]
) -> Segment:
    """One tier; ``premium`` is (premium paid below the tier, counts in a margin scheme)."""
    below, in_margin = premium
    fixed = purchase.lot_fee + purchase.inbound
    offset = below - rate * span[0]
    if purchase.imported:
        up = (1 + purchase.duty_rate) * (1 + purchase.import_tax_rate)
        a, k = (1 + rate) * up, (fixed + offset) * up + purchase.clearance_fee
    else:
        taxed = 1 + purchase.premium_tax_rate
        a, k = 1 + purchase.hammer_tax_rate + rate * taxed, fixed + offset * taxed
    margin_a, margin_k = (1 + rate, offset) if in_margin else (1.0, 0.0)
    return Segment(span[0], span[1], a, k, margin_a, margin_k)


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
