"""What the maximum bid hangs on: each figure moved over its own interval, all else the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.asking.figure_sources import OWN_SETTING, fall_now, working_now
from repair_horizon.asking.given import Given, PartGiven, with_given
from repair_horizon.decisions.unit.economics import Economics, unit_under
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import fault_words, part_words

MATTER_COLUMNS = ["figure", "low", "high", "bid_low", "bid_high", "swing", "basis"]
TENTH = 0.10
"""How far a figure without a width of its own is moved either way."""


@dataclass(frozen=True)
class Moved:
    """One figure at its low and high end: as figures given, or as settings."""

    figure: str
    low: float
    high: float
    ends: tuple[Given, Given] | tuple[Settings, Settings]
    basis: str


def what_matters(economics: Economics, key: tuple[str, str, str], given: Given) -> pd.DataFrame:
    """Work the unrounded bid out at both ends of each figure, this month.

    Parameters
    ----------
    economics
        With the figures given in place.
    key
        (family_id, model_id, listed_fault).
    given
        The figures given; one that is given, or a setting, is moved by a tenth either way.

    Returns
    -------
    DataFrame
        ``MATTER_COLUMNS``, the widest swing of the bid first.
    """
    near = replace(economics, outlook=replace(economics.outlook, months=1))
    unit = near.unit(*key)
    assert isinstance(unit, UnitEconomics)
    rows = []
    for moved in _figures(near, unit, key, given):
        bids = [_bid(near, unit, key, end) for end in moved.ends]
        swing = abs(bids[1] - bids[0])
        rows.append((moved.figure, moved.low, moved.high, *bids, swing, moved.basis))
    table = pd.DataFrame(rows, columns=MATTER_COLUMNS)
    return table.sort_values("swing", ascending=False, ignore_index=True)


def _bid(
    economics: Economics, unit: UnitEconomics, key: tuple[str, str, str], end: Given | Settings
) -> float:
    if isinstance(end, Settings):
        changed = unit_under(end, unit.family, key[1:], economics.outlook, economics.valuation)
        return changed.exact_bid(0)
    found = with_given(economics, key, end).unit(*key)
    assert not isinstance(found, CannotSay)
    return found.exact_bid(0)


def _figures(
    economics: Economics, unit: UnitEconomics, key: tuple[str, str, str], given: Given
) -> Iterator[Moved]:
    """Figures that can be moved alone; each end holds the one figure, the others are in place."""
    price, fixed = working_now(unit), "given, a tenth either way"
    low, high = _ends(price) if given.resale is None else _tenth(given.resale)
    basis = "80 % interval" if given.resale is None else fixed
    yield Moved("working price now", low, high, (Given(resale=low), Given(resale=high)), basis)
    fall = fall_now(unit)
    low, high = _ends(fall) if given.fall is None else _tenth(given.fall)
    basis = "80 % interval" if given.fall is None else fixed
    yield Moved("fall of it a month", low, high, (Given(fall=low), Given(fall=high)), basis)
    main = unit.main
    for code in main.codes:
        path = unit.planned_parts.get(code)
        if path is None:
            continue
        set_ = code in given.parts or path.words == "given"
        drawn = path.price[:, 0]
        low, high = _tenth(float(drawn.mean())) if set_ else _ends(drawn)
        parts = (_part(code, low, path.shipping), _part(code, high, path.shipping))
        basis = fixed if set_ else "80 % interval"
        yield Moved(f"price of the {part_words(code)}", low, high, parts, basis)
    if main.repair is not None:
        low, high = _ends(main.repair.success)
        if given.success is not None or low == high:
            low, high = max(low - TENTH, 0.0), min(high + TENTH, 1.0)
        ends = (Given(success=low), Given(success=high))
        yield Moved("success of the repair", low, high, ends, "80 % interval")
        low, high = _tenth(main.repair.hours)
        ends = (Given(hours=low), Given(hours=high))
        yield Moved("bench hours", low, high, ends, "a tenth either way")
    for state in unit.states:
        if "sell as is" not in state.options or state.usual < 0.02:
            continue
        drawn = state.options["sell as is"].price[:, 0]
        low, high = _ends(drawn)
        if high - low < 1e-9:
            low, high = _tenth(low)
        ends = (Given(as_is={state.state: low}), Given(as_is={state.state: high}))
        what = f"as-is price if {fault_words(state.state)}"
        yield Moved(what, low, high, ends, "80 % interval")
    yield from _settings(unit.settings)


def _part(code: str, price: float, shipping: float) -> Given:
    return Given(parts={code: PartGiven(price, shipping)})


def _settings(rules: Settings) -> Iterator[Moved]:
    low, high = _tenth(rules.bench.rate_per_hour)
    ends = tuple(replace(rules, bench=replace(rules.bench, rate_per_hour=v)) for v in (low, high))
    yield Moved("wage of a bench hour", low, high, (ends[0], ends[1]), OWN_SETTING)
    low, high = _tenth(rules.delay.selling_days)
    ends = tuple(replace(rules, delay=replace(rules.delay, selling_days=v)) for v in (low, high))
    yield Moved("days until it sells", low, high, (ends[0], ends[1]), OWN_SETTING)


def _ends(drawn: np.ndarray) -> tuple[float, float]:
    low, high = np.quantile(drawn, [0.1, 0.9])
    return float(low), float(high)


def _tenth(value: float) -> tuple[float, float]:
    return value * (1 - TENTH), value * (1 + TENTH)
