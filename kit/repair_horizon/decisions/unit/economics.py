"""``Economics``: what units bought with a listed fault are worth, month by month."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from repair_horizon.decisions.costs.purchase import landing_under, purchase_on
from repair_horizon.decisions.costs.sale import sale_terms
from repair_horizon.decisions.unit.bench import Bench, days_to_cash
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.options import (
    MAKER,
    NOT_FOR_SALE,
    PART_OUT,
    REPAIR,
    Option,
    as_is,
    maker,
    part_out,
    repair,
    untouched_name,
)
from repair_horizon.decisions.unit.outcomes import PlannedQuality, StateOptions, UnitEconomics
from repair_horizon.estimation.forecast import FamilyOutlook, Outlook
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import month_start
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import part_codes

K = TypeVar("K")
T = TypeVar("T")

MOST_MONTHS = 24
"""Units kept at a time, times the months each looks ahead: some 25 MB at 1,000 draws."""


@dataclass(frozen=True, eq=False)
class Economics:
    """Prices, parts and rates joined with the business's rules: every model and listed fault.

    Nothing is computed until a model and fault is asked for, so that thousands of models need the
    memory of one.

    Parameters
    ----------
    outlook
        From ``forecast``.
    settings
        From ``read_settings``; figures for a device class replace the general ones.
    valuation
        What hours, cash and risk cost this month.
    """

    outlook: Outlook
    settings: Settings
    valuation: Valuation = NO_CHARGES

    def __repr__(self) -> str:
        """Say what it is about."""
        return f"Economics({self.outlook!r})"

    def keys(self, family_id: str) -> list[tuple[str, str]]:
        """Models and listed faults of a family."""
        family = self.outlook.families[family_id]
        if isinstance(family, CannotSay):
            return []
        return [(m, f) for m in family.models for f in family.shares]

    def units(self, family_id: str) -> Iterator[UnitEconomics | tuple[str, str, CannotSay]]:
        """Each model and fault of a family, or (model, fault, reason)."""
        family = self.outlook.families[family_id]
        if isinstance(family, CannotSay):
            return
        for model_id in family.models:
            bench = bench_of(self, family_id, model_id)
            for fault in family.shares:
                if isinstance(bench, CannotSay):
                    yield model_id, fault, bench
                else:
                    yield unit_on(bench, fault)

    def unit(self, family_id: str, model_id: str, fault: str) -> UnitEconomics | CannotSay:
        """Work out one model bought with one listed fault."""
        key = (family_id, model_id, fault)

        def work() -> UnitEconomics | CannotSay:
            bench = bench_of(self, family_id, model_id)
            return bench if isinstance(bench, CannotSay) else unit_on(bench, fault)

        return newest(self._units, key, work, MOST_MONTHS // self.outlook.months)

    @cached_property
    def _units(self) -> dict[tuple[str, str, str], UnitEconomics | CannotSay]:
        return {}

    @cached_property
    def _benches(self) -> dict[tuple[str, str], Bench | CannotSay]:
        return {}


def newest(kept: dict[K, T], key: K, work: Callable[[], T], most: int) -> T:
    """Return what is kept under a key or work it out; only the newest are kept, so many."""
    kept[key] = kept.pop(key) if key in kept else work()
    while len(kept) > max(most, 1):
        kept.pop(next(iter(kept)))
    return kept[key]


def bench_of(economics: Economics, family_id: str, model_id: str) -> Bench | CannotSay:
    """Return a model's prices ahead with its terms of sale; what its faults share is kept."""
    key = (family_id, model_id)
    return newest(economics._benches, key, lambda: _bench_of(economics, *key), 2)


def _bench_of(economics: Economics, family_id: str, model_id: str) -> Bench | CannotSay:
    family = economics.outlook.families[family_id]
    if isinstance(family, CannotSay):
        return family
    at = family.models.index(model_id)
    if not np.isfinite(family.level[:, at, 0]).all():
        return CannotSay(family.reasons.get(model_id, "no forecast for the model"))
    rules = economics.settings.for_class(family.estimates.device_class)
    return _bench(rules, family, model_id, economics.outlook, economics.valuation)


def _bench(
    rules: Settings, family: FamilyOutlook, model_id: str, outlook: Outlook, valuation: Valuation
) -> Bench:
    """Prices ahead and terms, with the customs rates and fees of the first month."""
    day = f"{month_start(outlook.first_month):%Y-%m-%d}"
    rules = replace(rules, purchase=purchase_on(rules.purchase, day))
    return Bench(family, rules, sale_terms(rules, day), model_id, outlook.months, valuation)


def unit_under(
    rules: Settings,
    family: FamilyOutlook,
    key: tuple[str, str],
    outlook: Outlook,
    valuation: Valuation = NO_CHARGES,
) -> UnitEconomics:
    """Work out one unit under given rules.

    Parameters
    ----------
    rules
        Settings as they hold for the family's device class.
    family
        Draws of the family; the model must have a forecast.
    key
        (model_id, listed_fault).
    outlook
        Tells the first month and how many.
    valuation
        What hours, cash and risk cost.
    """
    return unit_on(_bench(rules, family, key[0], outlook, valuation), key[1])


def unit_on(bench: Bench, fault: str) -> UnitEconomics:
    """Work out a model bought with a listed fault; what its faults share is worked out once."""
    family, rules = bench.outlook, bench.settings
    rows = family.estimates.rates.by_fault[fault]
    able = [(row["share"], at) for at, row in enumerate(rows) if row["prior_success"] > 0]
    main = str(rows[max(able)[1]]["state"]) if able else ""  # of equals the last
    states = []
    for at, row in enumerate(rows):
        share, success = family.shares[fault][:, at], family.success[fault][:, at]
        faults = (row["state"], fault) if row["state"] == main else (row["state"],)
        states.append(_state(bench, row, (share, success), (fault, faults)))
    codes = next((s.codes for s in states if s.state == main), ())
    days = days_to_cash(bench, list(codes))
    land = landing_under(rules, days, bench.valuation.cash_day)
    return UnitEconomics(
        bench.model_id,
        fault,
        family,
        rules,
        tuple(states),
        land,
        days,
        bench.terms.kept,
        rules.bench.rate_per_hour,
        rules.bench.test_hours,
        bench.valuation,
        {c: p for s in states for c in s.codes if (p := bench.part(c)) is not None},
        _planned_quality(bench, codes),
    )


def _planned_quality(bench: Bench, codes: tuple[str, ...]) -> PlannedQuality | None:
    """Quality of the dearest of some parts, and what the next best would cost more."""
    planned = {c: o for c in codes if (o := bench.offer(c)) is not None}
    if not planned:
        return None
    code = max(planned, key=lambda c: planned[c].price)
    mine = planned[code]
    other = next((o for o in bench.offers(code) if o.quality != mine.quality), None)
    if other is None:
        return PlannedQuality(code, mine.quality, "", float("nan"), mine.now.words)
    dearer = other.total - mine.total
    return PlannedQuality(code, mine.quality, other.quality, dearer, mine.now.words)


def _state(
    bench: Bench,
    row: Mapping[str, Any],
    drawn: tuple[Floats, Floats],
    names: tuple[str, tuple[str, ...]],
) -> StateOptions:
    """Cost every option of one state."""
    share, success = drawn
    fault, quoted = names
    state, codes = str(row["state"]), part_codes(row["part_codes"])
    untouched = as_is(bench, state, fault)
    tried = {
        REPAIR: repair(bench, row, success, untouched),
        MAKER: "not accepted in this state"
        if state in NOT_FOR_SALE
        else maker(bench, quoted, untouched),
        PART_OUT: part_out(bench, codes, state),
    }
    options: dict[str, Option] = {n: o for n, o in tried.items() if isinstance(o, Option)}
    options[untouched_name(state)] = untouched
    missing = {n: o for n, o in tried.items() if isinstance(o, str)}
    return StateOptions(
        state,
        share,
        tuple(codes),
        options,
        missing,
        bench.terms.kept,
        float(bench.outlook.unit_noise.std()),
        bench.valuation,
    )
