"""What moves the bid most: one input at a time made worse and better, all else the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.decisions.asking import bid_moves, dearest_part, turning_points
from kit.decisions.economics import Economics, unit_under
from kit.decisions.unit import UnitEconomics
from kit.decisions.unit_bid import hammer_price, unit_bid
from kit.estimation.forecast import FamilyOutlook
from kit.logs.settings import Settings
from kit.reports.wording import part_words

COLUMNS = ["model_id", "listed_fault", "input", "worse", "better", "bid_worse", "bid_better"]
MOST = 5
# Steps as large as a season brings them; common practice, no source.
_RESALE, _PART, _SUCCESS, _DAYS, _WAGE, _FEE, _RETURNS = 0.05, 0.20, 0.10, 7.0, 0.20, 0.02, 0.50


@dataclass(frozen=True, eq=False)
class _Trial:
    """One input, what each way is called, and the rules and draws either way."""

    name: str
    said: tuple[str, str]
    worse: tuple[Settings, FamilyOutlook]
    better: tuple[Settings, FamilyOutlook]


def sensitivity_table(economics: Economics, unit: UnitEconomics) -> pd.DataFrame:
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
        ``COLUMNS``, the ``MOST`` inputs that move the bid most, the largest first. ``bid_worse``
        and ``bid_better`` are changes in money; ``worse`` and ``better`` say the step in words.
    """
    key, now = (unit.model_id, unit.listed_fault), unit_bid(unit, 0).exact

    def moved(way: tuple[Settings, FamilyOutlook]) -> float:
        changed = unit_under(way[0], way[1], key, economics.outlook)
        return float(unit_bid(changed, 0).exact - now)

    rows = [(*key, t.name, *t.said, moved(t.worse), moved(t.better)) for t in _trials(unit)]
    table = pd.DataFrame(rows, columns=COLUMNS)
    reach = table[["bid_worse", "bid_better"]].abs().max(axis=1)
    order = reach.sort_values(ascending=False, kind="stable").index[:MOST]
    return table.loc[order].reset_index(drop=True)


def turning_words(economics: Economics, unit: UnitEconomics) -> str:
    """Say which single change would bring the bid to the usual hammer price; empty if unknown."""
    usual = hammer_price(unit, 0)[1]
    if np.isnan(usual):
        return ""
    moves = bid_moves(economics, unit)
    moves = replace(moves, part_code=part_words(moves.part_code) if moves.part_code else "")
    return turning_points(usual - unit_bid(unit, 0).exact, moves)


def _trials(unit: UnitEconomics) -> Iterator[_Trial]:
    rules, family = unit.settings, unit.family
    part, _ = dearest_part(unit)

    def prices(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, replace(family, level=family.level * (1 + step))

    def parts(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, _parts_at(family, (unit.model_id, part), 1 + step)

    def success(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, _success_by(family, unit.listed_fault, step)

    yield _Trial("resale price", ("5 % lower", "5 % higher"), prices(-_RESALE), prices(_RESALE))
    if part:
        said = ("20 % dearer", "20 % cheaper")
        yield _Trial(f"price of the {part_words(part)}", said, parts(_PART), parts(-_PART))
    said = ("10 points lower", "10 points higher")
    yield _Trial("repair success", said, success(-_SUCCESS), success(_SUCCESS))
    for name, words, worse, better in _rule_trials(rules):
        yield _Trial(name, words, (worse, family), (better, family))


def _rule_trials(
    rules: Settings,
) -> Iterator[tuple[str, tuple[str, str], Settings, Settings]]:
    """Settings made worse and better."""
    days = ("a week longer", "a week shorter")
    yield "time to sell", days, _days_by(rules, _DAYS), _days_by(rules, -_DAYS)
    wage = ("20 % dearer", "20 % cheaper")
    yield "bench hour", wage, _wage_at(rules, 1 + _WAGE), _wage_at(rules, 1 - _WAGE)
    fee = ("2 points higher", "2 points lower")
    yield "selling fee", fee, _fee_by(rules, _FEE), _fee_by(rules, -_FEE)
    back = ("half as many again", "half as many")
    yield "returns", back, _returns_at(rules, 1 + _RETURNS), _returns_at(rules, 1 - _RETURNS)


def _parts_at(family: FamilyOutlook, part: tuple[str, str], factor: float) -> FamilyOutlook:
    paths = {
        k: replace(p, price=p.price * factor) if k[:2] == part else p
        for k, p in family.parts.items()
    }
    return replace(family, parts=paths)


def _success_by(family: FamilyOutlook, fault: str, step: float) -> FamilyOutlook:
    """Move the chance of success of every state that repair can mend at all."""
    now = family.success[fault]
    moved = np.where(now > 0, np.clip(now + step, 0.0, 1.0), now)
    return replace(family, success={**family.success, fault: moved})


def _days_by(rules: Settings, step: float) -> Settings:
    days = max(rules.delay.selling_days + step, 0.0)
    return replace(rules, delay=replace(rules.delay, selling_days=days))


def _wage_at(rules: Settings, factor: float) -> Settings:
    wage = rules.bench.rate_per_hour * factor
    return replace(rules, bench=replace(rules.bench, rate_per_hour=wage))


def _fee_by(rules: Settings, step: float) -> Settings:
    channels = [
        replace(c, percentage_fee=min(max(c.percentage_fee + step, 0.0), 1.0))
        for c in rules.channels
    ]
    return replace(rules, channels=channels)


def _returns_at(rules: Settings, factor: float) -> Settings:
    rate = min(rules.reserve.return_rate * factor, 1.0)
    return replace(rules, reserve=replace(rules.reserve, return_rate=rate))
