"""What a month needs of each lot worth bidding for: what its units may end as, and its rival."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.month.listings import Alike, Offered, Scorer, alike, lots_of
from repair_horizon.decisions.unit.bid import rival_of
from repair_horizon.decisions.unit.bid_limits import EndStates
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.winning import HighestRival
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.settings import Delay


@dataclass(frozen=True, eq=False)
class LotUnit:
    """One unit of a lot: its end states in money, and the rest that a month needs of it."""

    states: EndStates
    kept: float
    luck: Floats
    shortfall: float
    parts: float
    hours: float


@dataclass(frozen=True, eq=False)
class LotWorth:
    """What a month needs of a lot, without the megabytes it was worked out by."""

    units: tuple[LotUnit, ...]
    landing: Landing
    rival: HighestRival | None
    days: float
    delay: Delay


def lots_worth(
    listings: pd.DataFrame,
    logs: Logs,
    economics: Economics,
    wanted: set[str],
    known: dict[Alike, LotWorth] | None = None,
) -> dict[str, LotWorth]:
    """Work out the lots wanted, by their ``bid_id``; a model's one after the other.

    ``known`` holds lots alike, from the same figures; what is worked out anew is added.
    """
    known, out = {} if known is None else known, {}
    lots = [lot for lot in lots_of(listings, logs, economics) if lot[0].bid_id in wanted]
    for lot in sorted(lots, key=lambda o: o[0].key[:2]):
        key = alike(lot)
        if key not in known:
            known[key] = _lot_worth(lot)
        out[lot[0].bid_id] = known[key]
    return out


def _lot_worth(offered: list[Offered]) -> LotWorth:
    found = [o.scorer for o in offered]
    scorers = [s for s in found if isinstance(s, Scorer)]
    counts, head = [o.quantity for o in offered], scorers[0]
    each = [
        LotUnit(
            s.known.market.money,
            s.unit.kept,
            s.unit.family.unit_noise,
            s.known.shortfall,
            s.known.parts_cash,
            s.known.hours,
        )
        for s in scorers
    ]
    return LotWorth(
        tuple(unit for unit, n in zip(each, counts, strict=True) for _ in range(n)),
        offered[0].terms_at(head) or head.unit.landing,
        rival_of([s.known for s in scorers], counts),
        head.unit.days,
        head.unit.settings.delay,
    )


def drawn_worth(states: EndStates, kept: float, luck: Floats, rng: np.random.Generator) -> Floats:
    """Worth in every draw of one unit that ends in one of its states, state and luck drawn."""
    at, rows = _slot(states.weight, rng), np.arange(len(states.weight))
    own = rng.permutation(luck)
    value: Floats = states.value[rows, at] + kept * states.price[rows, at] * (own - 1.0)
    return value


def _slot(weight: Floats, rng: np.random.Generator) -> Ints:
    """Draw one column per row, by weight."""
    edges = np.cumsum(weight, axis=1)
    u = rng.random(len(weight)) * edges[:, -1]
    out: Ints = (u[:, None] > edges).sum(axis=1).clip(max=weight.shape[1] - 1)
    return out
