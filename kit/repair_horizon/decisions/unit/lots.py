"""Lots: like units bought together, judged together, and what each of them cost.

A lot of n units loses with chance alpha at the bid where

    E[profit] = z_{1-alpha} sqrt(own^2 / n + common^2)

``own`` is the spread of one unit around what is expected in its world (states, outcomes, its own
luck in price) and averages out; ``common`` is the spread of that expectation between worlds (the
price level, shares and success rates not known better) and does not.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtri

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bidding import EndStates, profit_at

Floats = npt.NDArray[np.float64]


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


def apportion(landed: float, worth: Floats) -> Floats:
    """Share the landed cost of a lot among its units by what they are worth, not by count.

    Parameters
    ----------
    landed
        Landed cost of the whole lot, money.
    worth
        Expected value of each unit before acquisition, (units,); a worthless one carries nothing.

    Returns
    -------
    ndarray
        (units,), whole cents that add up to ``landed``; equal shares if nothing is worth anything.
    """
    positive = np.maximum(np.asarray(worth, dtype="float64"), 0.0)
    total = positive.sum()
    share = positive / total if total > 0 else np.full(len(positive), 1.0 / len(positive))
    exact = share * round(landed * 100)
    whole = np.floor(np.round(exact, 6))
    missing = round(landed * 100) - int(whole.sum())
    whole[np.argsort(whole - exact, kind="stable")[:missing]] += 1
    out: Floats = whole / 100.0
    return out
