"""What belongs to the whole shop and is worked out once: what each family starts from.

No price curve is fitted for it, so it costs little beside one family's fit. Every family's own
rows are left out of what it starts from, or count once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import pandas as pd

from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.market_breaks import market_break
from repair_horizon.estimation.owner_guesses import OwnerGuesses, owner_guesses
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.estimation.pooled_curves import PooledCurves, pooled_curves
from repair_horizon.estimation.pooled_effects import UsualEffects, effects_of, rows_by_family
from repair_horizon.estimation.pooled_parts import PooledParts, pooled_parts
from repair_horizon.estimation.pooled_ratios import PooledRatios, pooled_ratios
from repair_horizon.estimation.price_rows import PriceRows
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.months import month_number


@dataclass(frozen=True, eq=False)
class ShopKnowledge:
    """Effects of grade, channel and storage; curves; as-is ratios; guesses; parts; a broken market.

    ``market`` says whether the market broke of late; None where families show no break.
    """

    usual: UsualEffects
    curves: PooledCurves
    broken: PooledRatios
    guesses: OwnerGuesses
    parts: PooledParts
    market: MarketBreak | CannotSay | None = None

    @property
    def broke(self) -> MarketBreak | None:
        """The break that families' prices start from, if there is one."""
        return self.market if isinstance(self.market, MarketBreak) else None


_known: WeakKeyDictionary[Logs, ShopKnowledge] = WeakKeyDictionary()


def shop_knowledge(logs: Logs) -> ShopKnowledge:
    """Work out what the whole shop knows.

    Parameters
    ----------
    logs
        The whole workspace's; they never change, so what was worked out once is kept with them.
    """
    if logs not in _known:
        rows = rows_by_family(logs)
        effects = [effects_of(family, found) for family, found in rows.items()]
        _known[logs] = ShopKnowledge(
            UsualEffects(tuple(e for e in effects if e is not None)),
            pooled_curves(rows, _classes(logs)),
            pooled_ratios(logs),
            owner_guesses(logs),
            pooled_parts(logs, PART_PRIORS),
            broken_market(logs, rows),
        )
    return _known[logs]


def broken_market(
    logs: Logs, rows: Mapping[str, PriceRows] | None = None
) -> MarketBreak | CannotSay | None:
    """Say whether the market broke of late: ``market_break`` of the workspace's logs.

    ``rows`` are ``rows_by_family`` of them, laid out anew if None.
    """
    if pd.isna(logs.newest_day):
        return CannotSay("no sale in any log")
    rows = rows_by_family(logs) if rows is None else rows
    return market_break(rows, _classes(logs), int(month_number([logs.newest_day])[0]))


def _classes(logs: Logs) -> dict[str, str]:
    kinds = logs.tables["catalogue"].drop_duplicates("family_id").set_index("family_id")
    return dict(kinds["device_class"].astype(str))
