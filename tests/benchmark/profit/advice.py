"""What a policy says before the lots come, and what it does with each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .lots import Lots
from .world import World

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ASKS = np.geomspace(0.02, 1.2, 18)
"""Prices asked that policies are asked about, as shares of the working price."""


@dataclass(frozen=True, eq=False)
class Advice:
    """Thresholds of the year, by unit of ``World.units`` and month of the replay.

    ``limit`` (units, months) is the highest hammer price, zero where nothing is to be bid;
    ``offer`` (asks, units, months) is the offer to a private seller at each price of ``asked``,
    or (1, units, months) whatever he asks; ``choice`` (units, states, months) the number of
    the option to take; ``told`` the value said of it, missing where not said; ``promised``
    (units, months) the profit said of a won lot.
    """

    limit: Floats
    offer: Floats
    choice: Ints
    told: Floats
    promised: Floats


@dataclass(frozen=True, eq=False)
class Answer:
    """What a policy does with each lot, (n,): limit, first offer, option once the state is seen."""

    limit: Floats
    offer: Floats
    option: Ints
    told: Floats
    promised: Floats


def answers(advice: Advice, world: World, lots: Lots) -> Answer:
    """Look each lot up in the thresholds."""
    month = lots.month - world.history
    at = (lots.unit, month)
    state = (lots.unit, lots.state, month)
    return Answer(
        advice.limit[at],
        _offered(advice, world, lots),
        advice.choice[state],
        advice.told[state],
        advice.promised[at],
    )


def asked(world: World, months: Ints) -> Floats:
    """Prices asked that policies are asked about, (asks, units, months)."""
    model = np.array([m for m, _ in world.units])
    return np.asarray(ASKS[:, None, None] * np.exp(world.level[model][:, months]))


def _offered(advice: Advice, world: World, lots: Lots) -> Floats:
    """Offer at what each lot's seller asks, between those at ``ASKS``; zero at auctions."""
    offers = advice.offer[:, lots.unit, lots.month - world.history]
    if len(offers) > 1:
        share = lots.ask / np.exp(world.level[lots.model, lots.month])
        share = np.where(lots.private, share, ASKS[0])
        place = np.interp(np.log(share), np.log(ASKS), np.arange(len(ASKS)))
        low = np.minimum(place.astype("int64"), len(ASKS) - 2)
        each, part = np.arange(len(low)), place - low
        offers = ((1 - part) * offers[low, each] + part * offers[low + 1, each])[None]
    return np.asarray(np.where(lots.private, offers[0], 0.0))
