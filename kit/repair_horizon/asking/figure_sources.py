"""Where each figure of an answer comes from, and what the maximum bid hangs on.

A figure is given, own data, the family's, the class's or a setting. What the bid hangs on is told
by moving each figure over its own interval, all else the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.asking.given import ANY, GIVEN, Given, PartGiven, with_given
from repair_horizon.classes import class_knowledge
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.economics import Economics, bench_of, unit_under
from repair_horizon.decisions.unit.options import AS_IS
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import day_words, fault_words, part_words

SOURCE_COLUMNS = ["figure", "value", "lower", "upper", "unit", "basis", "rests_on"]
OWN_SETTING, INTERVAL = "a setting, a tenth either way", "80 % interval"
PART_PRICE = "price of the"
FALL_MONTHS = 3
"""Months over which the fall of the price is told."""


def working_now(unit: UnitEconomics) -> Floats:
    """Mean working price now at the base grade and the planning channel, (draws,)."""
    at = unit.family.models.index(unit.model_id)
    channel = unit.family.channel.get(unit.settings.planned_channel, np.ones(1))
    out: Floats = unit.family.level[:, at, 0] * unit.family.mean_factor * channel
    return out


def fall_now(unit: UnitEconomics) -> Floats:
    """Share the price falls by in a month over the next ``FALL_MONTHS``, (draws,)."""
    at = unit.family.models.index(unit.model_id)
    level = unit.family.level[:, at]
    out: Floats = 1.0 - (level[:, FALL_MONTHS] / level[:, 0]) ** (1.0 / FALL_MONTHS)
    return out


def source_rows(economics: Economics, key: tuple[str, str, str], given: Given) -> pd.DataFrame:
    """List every figure behind an answer.

    Returns ``SOURCE_COLUMNS``: mean, 80 % interval, unit, basis ('given', 'own data', 'family
    average', 'class average', 'setting' or 'usual cost') and what that rests on.
    """
    unit = economics.unit(*key)
    assert isinstance(unit, UnitEconomics)
    bench = bench_of(economics, *key[:2])
    assert not isinstance(bench, CannotSay)
    rows = [*_prices(unit, bench, given), _grade(bench, given), *_states(unit, key[2], given)]
    rows += list(_settings(unit.settings))
    return pd.DataFrame(rows, columns=SOURCE_COLUMNS)


def _row(figure: str, drawn: Floats, unit: str, basis: str, words: str) -> tuple[Any, ...]:
    values = np.asarray(drawn, dtype="float64")
    lower, upper = np.quantile(values, [0.1, 0.9])
    return (figure, float(values.mean()), float(lower), float(upper), unit, basis, words)


def _prices(unit: UnitEconomics, bench: Bench, given: Given) -> Iterator[tuple[Any, ...]]:
    basis, words = price_basis(unit)
    told = (GIVEN, GIVEN) if given.resale is not None else (basis, words)
    yield _row("working price now", working_now(unit), "money", *told)
    told = (GIVEN, GIVEN) if given.fall is not None else (basis, words)
    yield _row("fall of it a month", fall_now(unit), "share", *told)
    for code, path in unit.planned_parts.items():
        what, told = f"{PART_PRICE} {part_words(code)}", (GIVEN, GIVEN)
        if path.words != GIVEN:
            what, told = _planned(bench, code, path, what)
        yield _row(what, path.price[:, 0], "money", *told)
    rival = unit.family.rivals.get(unit.listed_fault)
    if rival is not None:
        at = unit.family.models.index(unit.model_id)
        level = unit.family.level[:, at, 0]
        price = level * np.exp(rival.log_ratio + unit.family.dearer(np.log(level)))
        yield _row("highest rival's bid", price, "money", rival.basis.words, rival.words)


def _grade(bench: Bench, given: Given) -> tuple[Any, ...]:
    """What the grades after repair make of the price, and what tells how often each comes."""
    grades = bench.outlook.estimates.rates.grades
    tried = int(grades["n"].sum()) if "n" in grades else 0
    told = Basis.CLASS.words, "no own repair notes a grade: those sold and the class's repairs"
    if tried:
        told = Basis.OWN.words, f"{tried} {'repair' if tried == 1 else 'repairs'} of its family"
    told = (GIVEN, GIVEN) if given.grades else told
    return _row("grades after repair, times the price", bench.usual_grade, "share", *told)


def _planned(bench: Bench, code: str, path: PartPath, what: str) -> tuple[str, tuple[str, str]]:
    """Name the quality planned with, what its price rests on, and own quotes of another one."""
    chosen = bench.offer(code)
    quality = "" if chosen is None else chosen.quality
    others = [o for o in bench.offers(code) if o.quality != quality and o.now.basis is Basis.OWN]
    own = [
        f"own quote of {day_words(o.now.newest)}: {fault_words(o.quality)}, now about {o.price:.0f}"
        for o in others
        if path.basis is not Basis.OWN and o.now.words != GIVEN
    ]
    words = "; ".join([path.words, *own])
    return f"{what}, {fault_words(quality)}", (path.basis.words, words)


def price_basis(unit: UnitEconomics) -> tuple[str, str]:
    """Basis of the working price, in a word and with the sales behind it."""
    curves = unit.family.estimates.prices
    basis = unit.family.level_basis.get(unit.model_id, Basis.CLASS)
    if isinstance(curves, CannotSay) or basis is Basis.CLASS:
        known = class_knowledge(unit.family.estimates.device_class)
        return Basis.CLASS.words, f"launch price by age; {known.share_of_launch(12.0).words()}"
    sold = curves.fit.panel.sales_by_model
    own = int(sold[unit.family.models.index(unit.model_id)])
    if basis is Basis.OWN:
        return Basis.OWN.words, f"{own} {'sale' if own == 1 else 'sales'} of the model"
    return basis.words, f"{int(sold.sum())} sales of its family"


def _states(unit: UnitEconomics, fault: str, given: Given) -> Iterator[tuple[Any, ...]]:
    rows = unit.family.estimates.rates.by_fault[fault]
    for state, row in zip(unit.states, rows, strict=True):
        basis, words = _basis(row)
        what = fault_words(state.state)
        yield _row(f"chance that it is {what}", state.share, "share", basis, words)
        if state.repair is None:
            continue
        mine = given.success is not None and state is unit.main
        told = (GIVEN, GIVEN) if mine else (basis, words)
        yield _row(f"success of mending {what}", state.repair.success, "share", *told)
        mine = given.hours is not None and state is unit.main
        told = (GIVEN, GIVEN) if mine else (basis, words)
        yield _row(f"hours of mending {what}", np.array([state.repair.hours]), "h", *told)
    for state in unit.states:
        if AS_IS in state.options:
            price = state.options[AS_IS].price[:, 0]
            told = _as_is_basis(unit, state, fault, given)
            yield _row(f"as-is price if {fault_words(state.state)}", price, "money", *told)


def _basis(row: Any) -> tuple[str, str]:
    words = str(row.get("words", GIVEN))
    if words == GIVEN:
        return GIVEN, GIVEN
    return Basis(row["basis"]).words, words


def _as_is_basis(
    unit: UnitEconomics, state: StateOptions, fault: str, given: Given
) -> tuple[str, str]:
    if state.state in given.as_is or ANY in given.as_is:
        return GIVEN, GIVEN
    table = unit.family.estimates.as_is
    if "basis" not in table:
        return GIVEN, GIVEN
    for name in (state.state, fault):
        mine = table[table["fault"] == name]
        if len(mine):
            return Basis(mine["basis"].iloc[0]).words, str(mine["words"].iloc[0])
    return Basis.CLASS.words, "from the class, wide"


def _settings(rules: Settings) -> Iterator[tuple[Any, ...]]:
    usual = Settings()
    for figure, unit, value, default in (
        ("wage of a bench hour", "money/h", rules.bench.rate_per_hour, usual.bench.rate_per_hour),
        ("hours to test", "h", rules.bench.test_hours, usual.bench.test_hours),
        ("days until it sells", "days", rules.delay.selling_days, usual.delay.selling_days),
        ("inbound carriage", "money", rules.purchase.inbound, usual.purchase.inbound),
        ("carriage to the buyer", "money", rules.sale.carriage, usual.sale.carriage),
    ):
        told = "usual cost" if value == default else "setting"
        words = "common practice, no source" if value == default else "settings.toml"
        yield _row(figure, np.array([value]), unit, told, words)


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
    for moved in _figures(unit, given):
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


def _figures(unit: UnitEconomics, given: Given) -> Iterator[Moved]:
    """Figures that can be moved alone; each end holds the one figure, the others are in place."""
    price, fixed = working_now(unit), "given, a tenth either way"
    low, high = _ends(price) if given.resale is None else _tenth(given.resale)
    basis = INTERVAL if given.resale is None else fixed
    yield Moved("working price now", low, high, (Given(resale=low), Given(resale=high)), basis)
    fall = fall_now(unit)
    low, high = _ends(fall) if given.fall is None else _tenth(given.fall)
    basis = INTERVAL if given.fall is None else fixed
    yield Moved("fall of it a month", low, high, (Given(fall=low), Given(fall=high)), basis)
    main = unit.main
    for code in main.codes:
        path = unit.planned_parts.get(code)
        if path is None:
            continue
        set_ = code in given.parts or path.words == GIVEN
        drawn = path.price[:, 0]
        low, high = _tenth(float(drawn.mean())) if set_ else _ends(drawn)
        parts = (_part(code, low, path.shipping), _part(code, high, path.shipping))
        basis = fixed if set_ else INTERVAL
        yield Moved(f"price of the {part_words(code)}", low, high, parts, basis)
    if main.repair is not None:
        low, high = _ends(main.repair.success)
        if given.success is not None or low == high:
            low, high = max(low - TENTH, 0.0), min(high + TENTH, 1.0)
        ends = (Given(success=low), Given(success=high))
        yield Moved("success of the repair", low, high, ends, INTERVAL)
        low, high = _tenth(main.repair.hours)
        ends = (Given(hours=low), Given(hours=high))
        yield Moved("bench hours", low, high, ends, "a tenth either way")
    for state in unit.states:
        if AS_IS not in state.options or state.usual < 0.02:
            continue
        drawn = state.options[AS_IS].price[:, 0]
        low, high = _ends(drawn)
        if high - low < 1e-9:
            low, high = _tenth(low)
        ends = (Given(as_is={state.state: low}), Given(as_is={state.state: high}))
        what = f"as-is price if {fault_words(state.state)}"
        yield Moved(what, low, high, ends, INTERVAL)
    yield from _rules(unit.settings)


def _part(code: str, price: float, shipping: float) -> Given:
    return Given(parts={code: PartGiven(price, shipping)})


def _rules(rules: Settings) -> Iterator[Moved]:
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
