"""What a policy says before the lots come, and what it does with each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .lots import Lots
from .world import World

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Advice:
    """Thresholds of the year, by unit of ``World.units`` and month of the replay.

    ``limit`` (units, months) is the highest hammer price, zero where nothing is to be bid;
    ``offer`` the offer to a private seller; ``choice`` (units, states, months) the number of
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
        advice.offer[at],
        advice.choice[state],
        advice.told[state],
        advice.promised[at],
    )
