"""Job lots: several units under one bid.

What the units share (price level, parts, rates) moves together, each one's own luck is its own.
With c_i the certainty equivalent of one unit over its own luck in a draw,

    CE(lot) = -R ln E[ exp(-sum_i q_i c_i / R) ]

within a family, where draws are shared; families are independent, so theirs add. Premium tiers
fall on the price of the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.certainty_equivalent import certainty_equivalent
from repair_horizon.decisions.unit.winning import HighestRival, WonLot

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class JointLot:
    """A lot: its exact bid, its mean worth and own spread by draw, the rival for the whole.

    ``worth`` is in money; ``charge`` is what its hours could earn on other units.
    """

    exact: float
    worth: Floats
    own_sd: Floats
    hours: float
    landing: Landing
    rival: HighestRival | None
    shortfall: float = 0.0
    charge: float = 0.0

    def expected(self, bid: float, floor: float = 0.0) -> WonLot:
        """Say what bidding up to a price promises for the whole lot."""
        if self.rival is None:
            prices, part, chance = np.full((len(self.worth), 1), bid), None, float("nan")
        else:
            rival = HighestRival(self.rival.log_median, self.rival.spread, floor)
            wins = rival.wins(bid)
            if bid <= floor or wins.sum() <= 0:
                return WonLot(0.0, float("nan"), float("nan"), float("nan"))
            prices, part, chance = rival.prices_below(bid), wins / wins.sum(), rival.chance(bid)
        weight = np.full(len(self.worth), 1.0 / len(self.worth)) if part is None else part
        paid = self.landing.landed_each(prices) * (1 + self.landing.money.kappa)
        profit = self.worth[:, None] - paid
        loss = ndtr(-profit / np.maximum(self.own_sd[:, None], 1e-9))
        over = prices.shape[1]
        price = float(weight @ prices.sum(axis=1)) / over
        return WonLot(
            chance,
            float(weight @ profit.sum(axis=1)) / over - self.shortfall,
            float(weight @ loss.sum(axis=1)) / over,
            price,
            self.charge + self.landing.scarce * self.landing.landed(price),
        )


def joint_lot(units: Sequence[Outcomes], quantity: Sequence[int], landing: Landing) -> JointLot:
    """Put units together under one bid.

    Parameters
    ----------
    units
        Outcomes of each model and fault in the lot, of one month.
    quantity
        Units of each.
    landing
        Landed cost of the whole lot.

    Notes
    -----
    Under a scheme that taxes the margin the bid is the sum of the units' own, since each unit's
    purchase price must be known apart.
    """
    month, valuation = units[0].month, units[0].unit.valuation
    taxed = bool(margin_fraction(units[0].unit.settings))
    families: dict[str, Floats] = {}
    worth, variance, charge = np.zeros(1), np.zeros(1), 0.0
    for known, count in zip(units, quantity, strict=True):
        unit = known.unit
        name = unit.family.estimates.family_id
        sure = unit.certainty_by_draw[:, month] * count
        families[name] = families[name] + sure if name in families else sure
        single = known.single.money
        worth = worth + known.market.money.value_in_draw * count
        charge += known.market.expected_charge * count
        away = single.value - single.value_in_draw[:, None]
        variance = variance + count * np.sum(single.share_in_draw * away**2, axis=1)
    if taxed:
        exact = sum(k.unit.exact_bid(month) * q for k, q in zip(units, quantity, strict=True))
    else:
        each = [certainty_equivalent(v, None, valuation.tolerance) for v in families.values()]
        exact = float(landing.bid_for(sum(each)))
    hours = sum(k.hours * q for k, q in zip(units, quantity, strict=True))
    short = sum(k.shortfall * q for k, q in zip(units, quantity, strict=True))
    return JointLot(
        exact, worth, np.sqrt(variance), hours, landing, rival_of(units, quantity), short, charge
    )


def rival_of(units: Sequence[Outcomes], quantity: Sequence[int]) -> HighestRival | None:
    """Highest rival for the whole: the sum of what each unit would fetch, at their mean spread."""
    rivals = [k.rival for k in units]
    if any(r is None for r in rivals):
        return None
    known = [r for r in rivals if r is not None]
    paid = [q * np.exp(r.log_median) for r, q in zip(known, quantity, strict=True)]
    total: Floats = np.sum(paid, axis=0)
    return HighestRival(np.log(total), float(np.mean([r.spread for r in known])))
