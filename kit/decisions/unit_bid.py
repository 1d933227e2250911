"""The threshold of one unit in one month: the lowest of its targets and limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.decisions.acquisition import Segment
from kit.decisions.bidding import (
    Asked,
    EndStates,
    ask_margin,
    ask_per_bench_hour,
    ask_profit,
    ask_return_on_cash,
    break_even_bids,
    chance_limit,
    loss_cap_limit,
    maximum_bid_for,
    profit_at,
    winners_curse,
)
from kit.decisions.money import round_down
from kit.decisions.tax import tax_fraction
from kit.decisions.unit import UnitEconomics
from kit.logs.settings import Settings

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


def hammer_paths(unit: UnitEconomics) -> Floats | None:
    """Price such units hammer at, per draw and month; None where none were seen."""
    ratio = unit.family.hammer.get(unit.listed_fault)
    if ratio is None:
        return None
    at = unit.family.models.index(unit.model_id)
    out: Floats = unit.family.level[:, at, : unit.months] * ratio[:, None]
    return out


def hammer_price(unit: UnitEconomics, month: int) -> tuple[float, float, float]:
    """Lower, median and upper (80 %) usual hammer price in a month; missing if never seen."""
    paths = hammer_paths(unit)
    if paths is None:
        return (np.nan, np.nan, np.nan)
    lower, middle, upper = np.quantile(paths[:, month], [0.1, 0.5, 0.9])
    return float(lower), float(middle), float(upper)


def unit_bid(unit: UnitEconomics, month: int) -> Bid:
    """Threshold of one unit in one month: the lowest of targets and limits."""
    rules = unit.settings
    theta = margin_fraction(rules)
    states = unit.end_states(month)
    target, name = _strictest_target(unit, states, month, theta)
    segment = unit.landing.segment(max(target, 0.0))
    error = float(unit.value[:, month].std() / (segment.a * (1 + unit.landing.kappa)))
    shaded = target - winners_curse(error, rules.limits.rivals + 1)
    single = unit.unit_end_states(month)
    limits = {name: shaded, **_limits(unit, single, month, (segment, theta))}
    binding = min(limits, key=lambda k: limits[k])
    exact = limits[binding]
    amount, reason = _rounded(exact, rules)
    hammer = hammer_price(unit, month)[1]
    assumed = amount if np.isnan(hammer) else min(amount, float(hammer))
    if reason:
        return Bid(exact, target, binding, 0.0, reason, np.nan, np.nan, np.nan, np.nan)
    profit = profit_at(states, unit.landing, assumed, theta)
    expected = float(np.sum(states.weight * profit))
    loses = profit_at(single, unit.landing, assumed, theta) < 0
    return Bid(
        exact,
        target,
        binding,
        amount,
        reason,
        assumed,
        expected,
        expected / unit.hours(month),
        float(np.sum(single.weight * loses)),
    )


def margin_fraction(rules: Settings) -> float:
    """Tax fraction of the margin; zero unless the margin scheme applies."""
    return tax_fraction(rules.tax.rate) if rules.tax.scheme == "margin" else 0.0


def _strictest_target(
    unit: UnitEconomics, states: EndStates, month: int, theta: float
) -> tuple[float, str]:
    """Lowest bid over the targets that are set; break-even if none is."""
    targets, bids = unit.settings.targets, {}
    if targets.profit is not None:
        bids["profit target"] = _solve(unit, states, ask_profit(targets.profit), theta)
    if targets.margin is not None:
        asked = ask_margin(targets.margin, states.revenue)
        bids["margin target"] = _solve(unit, states, asked, theta)
    if targets.profit_per_bench_hour is not None:
        asked = ask_per_bench_hour(targets.profit_per_bench_hour, unit.hours(month), unit.wage)
        bids["bench-hour target"] = _solve(unit, states, asked, theta)
    if targets.return_on_cash is not None:
        share, parts = targets.return_on_cash, unit.parts_cash(month)
        solved = [
            (s, _solve(unit, states, ask_return_on_cash(share, parts, s), theta))
            for s in unit.landing.segments
        ]
        bids["return on cash"] = next((b for s, b in solved if b <= s.upper), solved[-1][1])
    if not bids:
        bids["break-even"] = _solve(unit, states, ask_profit(0.0), theta)
    name = min(bids, key=lambda k: bids[k])
    return bids[name], name


def _solve(unit: UnitEconomics, states: EndStates, asked: Asked, theta: float) -> float:
    return maximum_bid_for(states, unit.landing, asked, theta)


def _limits(
    unit: UnitEconomics, single: EndStates, month: int, at: tuple[Segment, float]
) -> dict[str, float]:
    """Bids that risk and cash allow."""
    segment, theta = at
    rules, kappa, out = unit.settings.limits, unit.landing.kappa, {}
    if rules.probability_loss is not None:
        even = break_even_bids(single, segment, kappa, theta)
        out["chance of loss"] = chance_limit(even, single.weight, rules.probability_loss)
    if rules.loss_cap_share is not None:
        shares, values = single.weight.sum(axis=0), (single.weight * single.value).sum(axis=0)
        likely = shares >= 0.01
        worst = float((values[likely] / shares[likely]).min())
        cap = rules.loss_cap_share * rules.working_cash
        out["loss cap"] = loss_cap_limit(worst, cap, segment, kappa)
    left = rules.working_cash - unit.parts_cash(month) - segment.K
    out["working cash"] = left / segment.a
    return out


def _rounded(exact: float, rules: Settings) -> tuple[float, str]:
    if exact < 0:
        return 0.0, NO_PRICE
    amount = float(round_down(exact, rules.limits.bid_increment))
    if amount < rules.limits.lowest_lot_cost:
        return 0.0, TOO_SMALL
    return amount, ""
