"""What belongs to the whole shop and is worked out once: what each family starts from.

No price curve is fitted for it, so it costs little beside one family's fit. Every family's own
rows are left out of what it starts from, or count once.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

from repair_horizon.estimation.owner_guesses import OwnerGuesses, owner_guesses
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.estimation.pooled_curves import PooledCurves, pooled_curves
from repair_horizon.estimation.pooled_effects import UsualEffects, effects_of, rows_by_family
from repair_horizon.estimation.pooled_parts import PooledParts, pooled_parts
from repair_horizon.estimation.pooled_ratios import PooledRatios, pooled_ratios
from repair_horizon.logs import Logs


@dataclass(frozen=True, eq=False)
class ShopKnowledge:
    """Effects of grade, channel and storage; curves; as-is ratios; guesses; parts."""

    usual: UsualEffects
    curves: PooledCurves
    broken: PooledRatios
    guesses: OwnerGuesses
    parts: PooledParts


_known: WeakKeyDictionary[Logs, ShopKnowledge] = WeakKeyDictionary()


def shop_knowledge(logs: Logs) -> ShopKnowledge:
    """Work out what the whole shop knows.

    Parameters
    ----------
    logs
        The whole workspace's; they never change, so what was worked out once is kept with them.
    """
    if logs not in _known:
        rows, catalogue = rows_by_family(logs), logs.tables["catalogue"]
        effects = [effects_of(family, found) for family, found in rows.items()]
        kinds = catalogue.drop_duplicates("family_id").set_index("family_id")["device_class"]
        _known[logs] = ShopKnowledge(
            UsualEffects(tuple(e for e in effects if e is not None)),
            pooled_curves(rows, kinds.to_dict()),
            pooled_ratios(logs),
            owner_guesses(logs),
            pooled_parts(logs, PART_PRIORS),
        )
    return _known[logs]
