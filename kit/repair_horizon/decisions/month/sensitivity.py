"""What moves the bid most: one input at a time made worse and better, all else the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.month.questions_asked import dearest_part
from repair_horizon.decisions.unit.economics import Economics, unit_under
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_paths import Key, PartPath, each_changed
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import part_words

MOST = 5
# Steps as large as a season brings them; common practice, no source.
_RESALE, _PART, _SUCCESS, _DAYS, _WAGE, _FEE, _RETURNS = 0.05, 0.20, 0.10, 7.0, 0.20, 0.02, 0.50

# What the rules and draws become one step the worse way (1) or the better (-1).
_Moved = Callable[[int], tuple[Settings, FamilyOutlook]]


def sensitivity(economics: Economics, unit: UnitEconomics) -> pd.DataFrame:
    """Work out by how much the unrounded bid moves with each input.

    Parameters
    ----------
    economics
        Draws and settings.
    unit
        One model and listed fault.

    Returns
    -------
    DataFrame
        The table ``moves``, the ``MOST`` inputs that move the bid most, the largest first.
        ``bid_worse`` and ``bid_better`` are changes in money; ``worse`` and ``better`` say the
        step in words.
    """
    key, now = (unit.model_id, unit.listed_fault), unit.exact_bid(0)

    def by(rules: Settings, family: FamilyOutlook) -> float:
        changed = unit_under(rules, family, key, economics.outlook, economics.valuation)
        return changed.exact_bid(0) - now

    rows = [(*key, *words, by(*moved(1)), by(*moved(-1))) for *words, moved in _trials(unit)]
    table = pd.DataFrame(rows, columns=OUTPUTS["moves"].names)
    reach = table[["bid_worse", "bid_better"]].abs().max(axis=1)
    order = reach.sort_values(ascending=False, kind="stable").index[:MOST]
    return table.loc[order].reset_index(drop=True)


def _trials(unit: UnitEconomics) -> Iterator[tuple[str, str, str, _Moved]]:
    """Each input by name, the worse and the better step in words, and what the step does."""
    rules, family, fault = unit.settings, unit.family, unit.listed_fault
    part, _ = dearest_part(unit)

    def resale(way: int) -> tuple[Settings, FamilyOutlook]:
        return rules, replace(family, level=family.level * (1 - way * _RESALE))

    def parts(way: int) -> tuple[Settings, FamilyOutlook]:
        def dearer(key: Key, path: PartPath) -> PartPath:
            mine = key[:2] == (unit.model_id, part)
            return replace(path, price=path.price * (1 + way * _PART)) if mine else path

        return rules, replace(family, parts=each_changed(family.parts, dearer))

    def success(way: int) -> tuple[Settings, FamilyOutlook]:
        now = family.success[fault]  # what repair cannot mend at all stays so
        moved = np.where(now > 0, np.clip(now - way * _SUCCESS, 0.0, 1.0), now)
        return rules, replace(family, success={**family.success, fault: moved})

    def days(way: int) -> tuple[Settings, FamilyOutlook]:
        longer = max(rules.delay.selling_days + way * _DAYS, 0.0)
        return replace(rules, delay=replace(rules.delay, selling_days=longer)), family

    def wage(way: int) -> tuple[Settings, FamilyOutlook]:
        dearer = rules.bench.rate_per_hour * (1 + way * _WAGE)
        return replace(rules, bench=replace(rules.bench, rate_per_hour=dearer)), family

    def fee(way: int) -> tuple[Settings, FamilyOutlook]:
        shares = [min(max(c.percentage_fee + way * _FEE, 0.0), 1.0) for c in rules.channels]
        pairs = zip(rules.channels, shares, strict=True)
        return replace(rules, channels=[replace(c, percentage_fee=f) for c, f in pairs]), family

    def returns(way: int) -> tuple[Settings, FamilyOutlook]:
        more = min(rules.reserve.return_rate * (1 + way * _RETURNS), 1.0)
        return replace(rules, reserve=replace(rules.reserve, return_rate=more)), family

    yield "resale price", "5 % lower", "5 % higher", resale
    if part:
        yield f"price of the {part_words(part)}", "20 % dearer", "20 % cheaper", parts
    yield "repair success", "10 points lower", "10 points higher", success
    yield "time to sell", "a week longer", "a week shorter", days
    yield "bench hour", "20 % dearer", "20 % cheaper", wage
    yield "selling fee", "2 points higher", "2 points lower", fee
    yield "returns", "half as many again", "half as many", returns
