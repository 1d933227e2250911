"""The threshold of one unit in one month: the lowest of its targets and limits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from repair_horizon.decisions.costs.money import round_down
from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.costs.tax import ON_MARGIN, tax_fraction
from repair_horizon.decisions.unit.bidding import (
    Asked,
    EndStates,
    ask_margin,
    ask_per_bench_hour,
    ask_profit,
    ask_return_on_cash,
    bid_within,
    break_even_anywhere,
    chance_limit,
    loss_cap_limit,
    maximum_bid_for,
    profit_at,
    winners_curse,
)
from repair_horizon.decisions.unit.lots import lot_bid
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.tables.settings import Settings

Floats = npt.NDArray[np.float64]

NO_PRICE = "do not buy at any price"
TOO_SMALL = "not worth the handling"


@dataclass(frozen=True)
class Bid:
    """The threshold of one unit in one month.

    ``exact`` is unrounded and may be negative; ``amount`` is rounded down, zero if nothing should
    be bid (``reason`` says why). ``assumed`` is the price the expectations below are for: the
    usual hammer price where it is lower, else the threshold itself.
    """

    exact: float
    target: float
    binding: str
    amount: float
    reason: str
    assumed: float
    expected_profit: float
    profit_per_hour: float
    probability_loss: float


def hammer_price(unit: UnitEconomics, month: int) -> tuple[float, float, float]:
    """Lower, median and upper (80 %) usual hammer price in a month; missing if never seen."""
    if unit.hammer_bands is None:
        return (np.nan, np.nan, np.nan)
    lower, middle, upper = unit.hammer_bands[:, month]
    return float(lower), float(middle), float(upper)


_BINS = 128


@dataclass(frozen=True, eq=False)
class Outcomes:
    """What a bid in one month is worked out from, whatever the terms of purchase.

    ``market`` and ``single`` are the end states at the market's mean price and for the one unit
    at hand, ``slots`` the state each of their columns belongs to; ``value_error`` the standard
    error of its expected worth; ``hammer`` the usual price.
    """

    market: EndStates
    single: EndStates
    value_error: float
    hours: float
    parts_cash: float
    wage: float
    hammer: float
    slots: tuple[str, ...]

    def value_at_risk(self, alpha: float) -> float:
        """Worth that the one unit at hand falls short of with a chance of no more than alpha."""
        value, weight, place, whole = self._binned
        at = min(int(np.searchsorted(whole, alpha + 1e-12, side="right")), int(place.max()))
        inside = place == at
        order = np.argsort(value[inside])
        weight = weight[inside][order]
        below = np.cumsum(weight) - weight + (whole[at - 1] if at else 0.0)
        last = np.searchsorted(below, alpha + 1e-12, side="right") - 1
        return float(value[inside][order][last])

    @cached_property
    def _binned(self) -> tuple[Floats, Floats, npt.NDArray[np.int64], Floats]:
        """Worth, weight, the bin each worth lies in, and the weight up to each bin's end.

        Only the bin that holds the answer is put in order: ranking all worths took most of a
        bid's time.
        """
        value, weight = self.single.value.ravel(), self.single.weight.ravel()
        low = value.min()
        scaled, width = value - low, value.max() - low
        if width > 0:
            scaled /= width
            scaled *= _BINS
        place = scaled.astype("int64")
        return value, weight, place, np.cumsum(np.bincount(place, weight, _BINS + 1))


def outcomes(unit: UnitEconomics, month: int) -> Outcomes:
    """Work out a month's end states once; bids on any terms of purchase follow from them."""
    market, single = unit.both_end_states(month)
    return Outcomes(
        market,
        single,
        float(unit.value[:, month].std()),
        unit.hours(month),
        unit.parts_cash(month),
        unit.wage,
        hammer_price(unit, month)[1],
        unit.slot_states(month),
    )


def unit_bid(unit: UnitEconomics, month: int) -> Bid:
    """Threshold of one unit in one month: the lowest of targets and limits."""
    return bid_on_terms(outcomes(unit, month), unit.landing, unit.settings)


def bid_on_terms(known: Outcomes, landing: Landing, rules: Settings) -> Bid:
    """Threshold at a landed cost and under the settings of one device class."""
    theta = margin_fraction(rules)
    target, name = _strictest_target(known, landing, rules)
    segment = landing.segment(max(target, 0.0))
    error = known.value_error / (segment.a * (1 + landing.kappa))
    shaded = target - winners_curse(error, rules.limits.rivals + 1)
    limits = {name: shaded, **_limits(known, landing, rules)}
    binding = min(limits, key=lambda k: limits[k])
    exact = limits[binding]
    amount, reason = _rounded(exact, rules)
    if reason:
        return Bid(exact, target, binding, 0.0, reason, np.nan, np.nan, np.nan, np.nan)
    assumed = amount if np.isnan(known.hammer) else min(amount, float(known.hammer))
    expected, chance = expectation(known, landing, assumed, theta)
    per_hour = expected / known.hours if known.hours else np.nan
    return Bid(exact, target, binding, amount, reason, assumed, expected, per_hour, chance)


def expectation(
    known: Outcomes, landing: Landing, price: float, theta: float
) -> tuple[float, float]:
    """Return the expected profit and the chance of loss of buying at a price."""
    profit = profit_at(known.market, landing, price, theta)
    loses = profit_at(known.single, landing, price, theta) < 0
    return float(np.sum(known.market.weight * profit)), float(np.sum(known.single.weight * loses))


def margin_fraction(rules: Settings) -> float:
    """Tax fraction of the margin; zero unless a scheme taxes the margin."""
    return tax_fraction(rules.tax.rate) if rules.tax.scheme in ON_MARGIN else 0.0


def _strictest_target(known: Outcomes, landing: Landing, rules: Settings) -> tuple[float, str]:
    """Lowest bid over the targets that are set; break-even if none is."""
    targets, states, theta = rules.targets, known.market, margin_fraction(rules)
    wanted: dict[str, Asked] = {}
    if targets.profit is not None:
        wanted["profit target"] = ask_profit(targets.profit)
    if targets.margin is not None:
        wanted["margin target"] = ask_margin(targets.margin, states.revenue)
    if targets.profit_per_bench_hour is not None:
        rate = targets.profit_per_bench_hour
        wanted["bench-hour target"] = ask_per_bench_hour(rate, known.hours, known.wage)
    if not wanted and targets.return_on_cash is None:
        wanted["break-even"] = ask_profit(0.0)
    bids = {n: maximum_bid_for(states, landing, asked, theta) for n, asked in wanted.items()}
    if targets.return_on_cash is not None:
        share, parts = targets.return_on_cash, known.parts_cash
        bids["return on cash"] = landing.solve(
            lambda s: bid_within(
                states, s, landing.kappa, (ask_return_on_cash(share, parts, s), theta)
            )
        )
    name = min(bids, key=lambda k: bids[k])
    return bids[name], name


def _limits(known: Outcomes, landing: Landing, rules: Settings) -> dict[str, float]:
    """Bids that risk and cash allow."""
    limits, kappa, theta, out = rules.limits, landing.kappa, margin_fraction(rules), {}
    single, alpha = known.single, limits.probability_loss
    if alpha is not None and limits.lot_size > 1:
        lot = (limits.lot_size, alpha)
        out["chance of loss, lot"] = lot_bid(known.market, single, landing, lot, theta)
    elif alpha is not None and not theta:
        worth = known.value_at_risk(alpha)
        out["chance of loss"] = landing.solve(lambda s: loss_cap_limit(worth, 0.0, s, kappa))
    elif alpha is not None:
        even = break_even_anywhere(single, landing, theta)
        out["chance of loss"] = chance_limit(even, single.weight, alpha)
    if limits.loss_cap_share is not None:
        shares, values = single.weight.sum(axis=0), (single.weight * single.value).sum(axis=0)
        likely = shares >= 0.01
        worst = float((values[likely] / shares[likely]).min())
        cap = limits.loss_cap_share * limits.working_cash
        out["loss cap"] = landing.solve(lambda s: loss_cap_limit(worst, cap, s, kappa))
    left = limits.working_cash - known.parts_cash
    out["working cash"] = landing.solve(lambda s: (left - s.K) / s.a)
    return out


def _rounded(exact: float, rules: Settings) -> tuple[float, str]:
    if exact < 0:
        return 0.0, NO_PRICE
    amount = float(round_down(exact, rules.limits.bid_increment))
    if amount < rules.limits.lowest_lot_cost:
        return 0.0, TOO_SMALL
    return amount, ""
