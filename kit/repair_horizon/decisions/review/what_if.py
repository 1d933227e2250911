"""What if: joint draws and settings moved as asked, without fitting anything anew.

Every move keeps the draws' places, so a difference between two scenarios is due to the move and
not to chance. Resale moves the price of working units, and with it what broken ones fetch and
hammer at, since those are ratios to it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.estimation.forecast import FamilyOutlook, Outlook, family_outlook
from repair_horizon.estimation.part_paths import PartPath, as_paths
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import month_start
from repair_horizon.tables.settings import Settings


@dataclass(frozen=True)
class Moves:
    """What is assumed to differ; as built, nothing does.

    ``resale`` and ``part_price`` are shares (-0.05 is 5 % lower); ``part_code`` limits the
    latter to one part, all parts if empty. ``delay_days`` are added to the wait for the bench,
    ``failures`` multiplies the chance that a repair fails, ``successor`` is (model_id, number of
    the month its successor comes), ``tax`` (scheme, rate), ``bench_rate`` money per hour.
    """

    resale: float = 0.0
    part_price: float = 0.0
    part_code: str = ""
    delay_days: float = 0.0
    failures: float = 1.0
    successor: tuple[str, int] | None = None
    tax: tuple[str, float] | None = None
    bench_rate: float | None = None


NO_MOVES = Moves()


def scenario(outlook: Outlook, settings: Settings, moves: Moves) -> tuple[Outlook, Settings]:
    """Move the draws of one family and the rules it is judged by.

    Parameters
    ----------
    outlook
        Draws of one family.
    settings
        Rules of the business, with ``settings.seed`` the seed the draws were made from.
    moves
        What is assumed to differ.

    Returns
    -------
    tuple of Outlook and Settings
        Ready for ``Economics``. The settings are those of the family's device class, so
        that a figure of the class cannot hide a move. Without moves both come back as given.

    Raises
    ------
    ValueError
        If the outlook is not of exactly one family, or the successor's model is not in it.
    """
    if len(outlook.families) != 1:
        raise ValueError(f"a scenario is about one family, not {len(outlook.families)}")
    name, family = next(iter(outlook.families.items()))
    if moves == NO_MOVES or isinstance(family, CannotSay):
        return outlook, settings
    rules = moved_rules(settings.for_class(family.estimates.device_class), moves)
    if moves.successor is not None:
        turned = _successor_turn(family, outlook, settings.seed, moves.successor)
        family = replace(family, level=family.level * turned)
    return replace(outlook, families={name: _moved_family(family, moves)}), rules


def moved_rules(rules: Settings, moves: Moves) -> Settings:
    """Return the settings with another wait, tax or bench rate; a wait cannot fall below none."""
    wait = max(rules.delay.queue_days + moves.delay_days, 0.0)
    out = replace(rules, delay=replace(rules.delay, queue_days=wait))
    if moves.tax is not None:
        scheme, rate = moves.tax
        out = replace(out, tax=replace(out.tax, scheme=scheme, rate=rate))
    if moves.bench_rate is not None:
        out = replace(out, bench=replace(out.bench, rate_per_hour=moves.bench_rate))
    return out


def _moved_family(family: FamilyOutlook, moves: Moves) -> FamilyOutlook:
    parts = as_paths(family.parts).changed(lambda key, path: _moved_part(path, key[1], moves))
    success = {f: _failing(family, f, moves.failures) for f in family.success}
    return replace(family, level=family.level * (1.0 + moves.resale), parts=parts, success=success)


def _moved_part(path: PartPath, code: str, moves: Moves) -> PartPath:
    if moves.part_code not in ("", code):
        return path
    return replace(path, price=path.price * (1.0 + moves.part_price))


def _failing(family: FamilyOutlook, fault: str, times: float) -> Floats:
    """Success with the chance of failure multiplied; states without a repair stay without one."""
    drawn = family.success[fault]
    declared = family.estimates.rates.states
    can = declared.loc[declared["listed_fault"] == fault, "prior_success"].to_numpy(float) > 0
    moved = 1.0 - np.clip(times * (1.0 - drawn), 0.0, 1.0)
    out: Floats = np.where(can, moved, drawn)
    return drawn if times == 1.0 else out


def _successor_turn(
    family: FamilyOutlook, outlook: Outlook, seed: int, when: tuple[str, int]
) -> Floats:
    """Ratio of price levels with the successor in that month to those drawn, all else the same.

    Both are drawn from the same seed, (draws, models, months + pad). In a family from which no
    successor's step could be learnt the ratio is one.
    """
    curves = family.estimates.prices
    model_id, month = when
    if model_id not in family.models:
        raise ValueError(f"no model {model_id!r} in the family")
    if isinstance(curves, CannotSay):
        return np.ones_like(family.level)
    models = curves.fit.panel.models
    days = list(models.successor)
    days[family.models.index(model_id)] = month_start(month)
    known = replace(models, successor=pd.DatetimeIndex(days))
    fit = replace(curves.fit, panel=replace(curves.fit.panel, models=known))
    other = replace(family.estimates, prices=replace(curves, fit=fit))
    span = (outlook.first_month, outlook.months)
    levels = []
    for estimates in (other, family.estimates):
        drawn = family_outlook(estimates, span, seed, outlook.draws)
        if isinstance(drawn, CannotSay):
            return np.ones_like(family.level)
        levels.append(drawn.level)
    ratio: Floats = levels[0] / levels[1]
    return ratio


def successor_learnt(family: FamilyOutlook) -> bool:
    """Whether the family's sales say what a successor does to prices."""
    curves = family.estimates.prices
    return not isinstance(curves, CannotSay) and "step" in curves.fit.layout.names
