"""Where a bought unit may end, and the bid that an owner's target or limit allows.

A unit bought at hammer price B ends in one of its end states s, worth V_s before acquisition.
Expected profit is linear in B between the points where a premium tier or a taxed state changes:

    profit(B) = E[V] - theta sum_taxed pi_s (X_s - A(B)) - (a B + K)(1 + kappa)

and the bid is the B at which it equals what is asked, G0 + G1 B. A lot of n units
loses with chance alpha at the bid where

    E[profit] = z_{1-alpha} sqrt(own^2 / n + common^2)

``own`` is the spread of one unit around what is expected in its world (states, outcomes, its own
luck in price) and averages out; ``common`` is the spread of that expectation between worlds (the
price level, shares and success rates not known better) and does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtri

from repair_horizon.decisions.costs.purchase import Landing, Segment
from repair_horizon.estimation.rival_prices import order_gap
from repair_horizon.tables.arrays import Floats


@dataclass(frozen=True, eq=False)
class EndStates:
    """Where a bought unit may end, all arrays of one shape (...,).

    ``weight`` sums to one; ``value`` is worth before acquisition; ``price`` the gross price of
    the unit in that state (0 if not sold), which a margin scheme taxes. ``charge`` is the
    opportunity cost of hours and cash within ``value``, of a shape that broadcasts.
    """

    weight: Floats
    value: Floats
    price: Floats
    charge: Floats | float = 0.0

    @cached_property
    def money(self) -> EndStates:
        """The same with worth in money: what hours and cash might earn elsewhere is nobody's."""
        if not np.any(self.charge):
            return self
        return EndStates(self.weight, self.value + self.charge, self.price)

    @cached_property
    def expected_charge(self) -> float:
        """Expected opportunity cost within E[V]."""
        return float(np.sum(self.weight * self.charge))

    @cached_property
    def expected(self) -> float:
        """E[V]."""
        return float(np.sum(self.weight * self.value))

    @cached_property
    def revenue(self) -> float:
        """Expected gross price."""
        return float(np.sum(self.weight * self.price))

    @cached_property
    def share_in_draw(self) -> Floats:
        """Weight of each end state given the draw, (draws, slots)."""
        out: Floats = self.weight / self.weight.sum(axis=1, keepdims=True)
        return out

    @cached_property
    def value_in_draw(self) -> Floats:
        """E[V] given the draw, (draws,)."""
        out: Floats = np.sum(self.share_in_draw * self.value, axis=1)
        return out

    def weighted(self, draws: Floats) -> EndStates:
        """The same with each draw counting so much, (draws,); their mean is one."""
        return EndStates(self.weight * draws[:, None], self.value, self.price, self.charge)

    @property
    def spread(self) -> float:
        """Standard deviation of V."""
        return float(np.sqrt(np.sum(self.weight * (self.value - self.expected) ** 2)))


@dataclass(frozen=True)
class Asked:
    """What must be earned: G0 + G1 B, and labour to add back where hours are paid by the target."""

    fixed: float = 0.0
    per_bid: float = 0.0
    labour: float = 0.0


def ask_profit(profit: float) -> Asked:
    """Fixed profit per unit."""
    return Asked(profit)


def ask_margin(share: float, revenue: float) -> Asked:
    """Profit as a share of expected revenue."""
    return Asked(share * revenue)


def ask_return_on_cash(share: float, parts_cash: float, segment: Segment) -> Asked:
    """Profit as a share of the cash put in, landed cost and parts."""
    return Asked(share * (parts_cash + segment.K), share * segment.a)


def ask_per_bench_hour(rate: float, hours: float, wage: float) -> Asked:
    """Profit before wages per bench hour; wages are added back so hours are not paid twice."""
    return Asked(rate * hours, labour=wage * hours)


def maximum_bid_for(states: EndStates, landing: Landing, asked: Asked, theta: float = 0.0) -> float:
    """Largest hammer price at which the unit still earns what is asked.

    Parameters
    ----------
    states
        End states of the unit.
    landing
        Landed cost.
    asked
        Target; ``ask_return_on_cash`` must have been built for the same premium tier.
    theta
        Tax fraction of the margin; 0 without a margin scheme.

    Returns
    -------
    float
        The bid, unrounded; negative where nothing can be paid.
    """
    return landing.solve(lambda s: bid_within(states, s, landing.kappa, (asked, theta)))


def bid_within(
    states: EndStates, segment: Segment, kappa: float, wanted: tuple[Asked, float]
) -> float:
    """Solve one tier: tax every sold state, then those the bid leaves a margin, and repeat.

    Profit is concave in the bid, so this is Newton's method on a broken line: after the first
    pass bids only fall and the taxed states only grow, until none changes. Where losses count
    every sold state stays taxed. ``wanted`` is (what is asked, tax fraction).
    """
    asked, theta = wanted
    den, k = segment.a * (1 + kappa) + asked.per_bid, segment.K * (1 + kappa)
    start = states.expected + asked.labour - k - asked.fixed
    bid = start / den
    if not theta:
        return bid
    taxed = states.price > 0
    for _ in range(states.price.size + 1):
        share = float(states.weight[taxed].sum())
        tax = theta * (states.weight[taxed] @ states.price[taxed] - share * segment.margin_k)
        bid = float((start - tax) / (den - theta * share * segment.margin_a))
        left = np.maximum(0.0, segment.margin_a * bid + segment.margin_k)
        still = states.price > left
        if segment.losses_count or bool((still == taxed).all()):
            return bid
        taxed = still
    return bid


def profit_at(states: EndStates, landing: Landing, bid: float, theta: float = 0.0) -> Floats:
    """Profit in every end state at a hammer price."""
    paid = landing.landed(bid) * (1 + landing.kappa)
    if not theta:
        return np.asarray(states.value - paid)
    segment = landing.segment(bid)
    purchase = segment.margin_a * bid + segment.margin_k
    margin = states.price - purchase
    margin = margin if segment.losses_count else np.maximum(0.0, margin)
    tax = theta * margin * (states.price > 0)
    out: Floats = states.value - tax - paid
    return out


def break_even_bids(
    states: EndStates, segment: Segment, kappa: float, theta: float = 0.0
) -> Floats:
    """Hammer price at which each end state alone breaks even, on the terms of one tier."""
    den, k = segment.a * (1 + kappa), segment.K * (1 + kappa)
    plain = (states.value - k) / den
    if not theta:
        return plain
    taxed = (states.value - k - theta * (states.price - segment.margin_k)) / (
        den - theta * segment.margin_a
    )
    margin = states.price - segment.margin_a * taxed - segment.margin_k
    out: Floats = np.where((states.price > 0) & ((margin > 0) | segment.losses_count), taxed, plain)
    return out


def break_even_anywhere(states: EndStates, landing: Landing, theta: float = 0.0) -> Floats:
    """Hammer price at which each end state alone breaks even, each in the tier it falls in."""
    out = break_even_bids(states, landing.segments[-1], landing.kappa, theta)
    for segment, higher in zip(landing.segments[-2::-1], landing.segments[:0:-1], strict=True):
        here = break_even_bids(states, segment, landing.kappa, theta)
        out = np.where(here <= segment.upper, here, np.maximum(out, higher.lower))
    return out


def chance_limit(break_even: Floats, weight: Floats, alpha: float) -> float:
    """Largest bid whose chance of loss stays within alpha.

    The chance of loss at bid B is the weight of the states that break even below B, so the limit
    is a step of the sorted break-even bids.
    """
    order = np.argsort(break_even, axis=None)
    bids, cumulative = break_even.ravel()[order], np.cumsum(weight.ravel()[order])
    below = cumulative - weight.ravel()[order]
    allowed = np.flatnonzero(below <= alpha + 1e-12)
    return float(bids[allowed[-1]])


def lot_bid(
    market: EndStates, single: EndStates, landing: Landing, lot: tuple[int, float], theta: float
) -> float:
    """Bid per unit at which a lot loses with chance alpha, under any tiers and margin tax.

    Parameters
    ----------
    market
        End states at the market's mean price, (draws, slots).
    single
        The same with one unit's own luck in price.
    landing
        Landed cost of one unit.
    lot
        (units, alpha).
    theta
        Tax fraction of the margin; 0 without a margin scheme.

    Returns
    -------
    float
        Unrounded; negative where no price is low enough.
    """
    n, alpha = lot
    from scipy.optimize import brentq  # slow to import, and most shops set no such limit

    z = float(ndtri(1 - alpha))

    def left(bid: float) -> float:
        mean, own, common = lot_spread(market, single, (landing, theta), bid)
        return mean - z * float(np.sqrt(own**2 / n + common**2))

    worst, best = float(np.min(single.value)), float(np.max(single.value))
    span = abs(worst) + abs(best) + sum(abs(s.K) for s in landing.segments) + 1.0
    return float(brentq(left, -(4.0 + abs(z)) * span, (4.0 + abs(z)) * span, xtol=1e-7))


def lot_spread(
    market: EndStates, single: EndStates, terms: tuple[Landing, float], bid: float
) -> tuple[float, float, float]:
    """Mean profit of a unit at a bid, its own spread, and the spread all units share.

    ``terms`` is (landed cost, tax fraction of the margin).
    """
    landing, theta = terms
    profit = profit_at(single, landing, bid, theta)
    mean = float(np.sum(single.weight * profit))
    total = float(np.sum(single.weight * (profit - mean) ** 2))
    shared = profit_at(market, landing, bid, theta)
    world = np.atleast_2d(market.weight).sum(axis=-1)
    by_world = np.atleast_2d(market.weight * shared).sum(axis=-1) / world
    common = float(np.sum(world * (by_world - np.sum(world * by_world)) ** 2))
    return mean, float(np.sqrt(max(total - common, 0.0))), float(np.sqrt(common))


def loss_cap_limit(worst: float, cap: float, segment: Segment, kappa: float) -> float:
    """Bid at which the worst credible state loses no more than ``cap``."""
    return (worst + cap - segment.K * (1 + kappa)) / (segment.a * (1 + kappa))


def expected_highest(n: int) -> float:
    """Expected maximum of n standard normals (order statistics, Harter 1961)."""
    return order_gap(n).highest if n > 1 else 0.0


def winners_curse(value_error: float, bidders: int) -> float:
    """Deduction from a bid: the expected excess of the highest of n unbiased estimates.

    Parameters
    ----------
    value_error
        Standard error of the own estimate, in units of bid.
    bidders
        Serious bidders, ourselves included; no deduction below two.

    Source: McAfee, Introduction to Economic Analysis, section 20.5.
    """
    return value_error * expected_highest(bidders)
