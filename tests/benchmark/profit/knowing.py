"""Policies that know the truth: the oracle its averages, the clairvoyant all luck."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from .advice import Advice, Answer, answers, asked
from .lots import (
    ASK_HIGH,
    ASK_LOW,
    COMMON_SD,
    EAGERNESS,
    RESERVE,
    RESERVE_SD,
    Lots,
    common_value,
)
from .replay import Outcomes, outcomes, play
from .world import YEAR, World
from .worth import Worth

Floats = npt.NDArray[np.float64]

PER_HOUR = (0.0, 3.0, 6.0, 10.0, 15.0, 22.0, 32.0)
PER_CASH_YEAR = (0.0, 0.3, 0.6, 1.0, 1.5, 2.2, 3.2)
SHADES = np.linspace(0.2, 1.0, 41)


def advice_of(belief: Worth, per_hour: float = 0.0, per_cash_year: float = 0.0) -> Advice:
    """Break-even bids and best options of who believes a world to be so."""
    world = belief.world
    months = slice(world.history, world.history + YEAR)
    bids, best = belief.charged(per_hour, per_cash_year)
    model = np.array([m for m, _ in world.units])
    choice = best[model][:, :, months]
    told = np.take_along_axis(belief.table[0], best[:, :, None], axis=2)[:, :, 0]
    limit = np.maximum(bids[:, months], 0.0)
    limit = np.where(limit < 5.0, 0.0, limit)
    blank = np.full(limit.shape, np.nan)
    offer = world.costs.direct(limit)[None]
    return Advice(limit, offer, choice, told[model][:, :, months], blank)


def oracle(worth: Worth, trials: Sequence[Lots]) -> Advice:
    """True break-even bids; charges for bench and cash are those that earn most in other years.

    Where neither ever binds there is nothing to charge for, and nothing is tried.
    """
    costs = worth.world.costs
    known = [outcomes(worth, lots) for lots in trials]
    best = (-np.inf, 0.0, 0.0)
    for per_hour in PER_HOUR:
        for per_cash in PER_CASH_YEAR:
            advice = shaded(worth, advice_of(worth, per_hour, per_cash))
            played = [
                play(costs, lots, k, answers(advice, worth.world, lots))
                for lots, k in zip(trials, known, strict=True)
            ]
            earned = float(sum(p.expected.sum() for p in played))
            best = max(best, (earned, -per_hour, -per_cash))
            if not (per_hour or per_cash or any(p.held_back or p.waited for p in played)):
                return advice
    return shaded(worth, advice_of(worth, -best[1], -best[2]))


def shaded(worth: Worth, advice: Advice) -> Advice:
    """Offers to private sellers that earn most at what they ask.

    Known are how least prices are spread and how far above them sellers ask.
    """
    world = worth.world
    units = np.arange(len(world.units))
    months = np.arange(world.history, world.history + YEAR)
    u, t = (x.ravel() for x in np.meshgrid(units, months, indexing="ij"))
    middle = common_value(world, worth, u, t).reshape(units.size, -1) * RESERVE / EAGERNESS
    spread = float(np.hypot(RESERVE_SD, COMMON_SD))
    bids = advice.offer * SHADES[:, None, None]
    above = np.linspace(ASK_LOW, ASK_HIGH, 15)[:, None, None]
    offers = []
    for ask in asked(world, months):
        weight = norm.pdf((np.log(ask / middle) - above) / spread)
        weight /= weight.sum(axis=0)
        paid = np.minimum(bids, ask)
        least = np.log(ask) - above
        taken = sum(
            w * (np.log(np.maximum(paid, 1e-9)) >= r) for w, r in zip(weight, least, strict=True)
        )
        at = ((advice.offer - paid) * taken).argmax(axis=0)
        offers.append(np.take_along_axis(bids, at[None], axis=0)[0])
    offer = np.stack(offers)
    return Advice(advice.limit, offer, advice.choice, advice.told, advice.promised)


def clairvoyant(world: World, lots: Lots, known: Outcomes) -> Answer:
    """Knows all luck: buys what will pay at the price it costs, and takes the best option."""
    costs = world.costs
    worth, days = known.worth[0], known.days[0]
    rate = costs.capital_rate / 365.0 * days
    bids = costs.break_even(worth, rate)
    option = bids.argmax(axis=0)
    limit = np.maximum(bids[option, np.arange(option.size)], 0.0)
    offer = np.where(lots.reserve <= costs.direct(limit), lots.reserve, 0.0)
    blank = np.full(limit.shape, np.nan)
    return Answer(limit, np.nan_to_num(offer), option, blank, blank)


def nothing(lots: Lots) -> Answer:
    """Bid nothing on any lot."""
    zero = np.zeros(lots.unit.size)
    return Answer(zero, zero, zero.astype("int64"), zero, zero)
