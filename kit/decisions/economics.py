"""``unit_economics``: what a unit bought with a listed fault is worth, month by month.

A listed fault turns out to be one of several states; at the bench the best option for that state
is taken (the gate), judged on its mean over all worlds, since nobody knows which world it is.
What remains are end states with weights and values, from which every bid follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.decisions.acquisition import Landing, landing
from kit.decisions.bidding import EndStates
from kit.decisions.options import (
    AS_IS,
    MAKER,
    NOT_FOR_SALE,
    PART_OUT,
    REPAIR,
    Bench,
    Option,
    RepairOption,
    as_is,
    days_to_cash,
    maker,
    part_codes,
    part_out,
    repair,
)
from kit.decisions.selling import sale_terms
from kit.estimation.forecast import FamilyOutlook, Outlook
from kit.logs import CannotSay
from kit.logs.months import month_start
from kit.logs.settings import Settings

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StateOptions:
    """One state of a listed fault: its share per draw, its options, and why others are missing."""

    state: str
    share: Floats
    codes: tuple[str, ...]
    options: Mapping[str, Option]
    missing: Mapping[str, str]

    @property
    def repair(self) -> RepairOption | None:
        """Own repair, if it can be costed."""
        option = self.options.get(REPAIR)
        return option if isinstance(option, RepairOption) else None

    def best(self, leave_out: str = "") -> list[str]:
        """Option with the highest mean value in each month; ties go to the first listed."""
        names = [n for n in self.options if n != leave_out]
        means = np.stack([self.options[n].value.mean(axis=0) for n in names])
        return [names[i] for i in np.nan_to_num(means, nan=-np.inf).argmax(axis=0)]

    def best_alternative(self) -> Floats:
        """Value of the best option other than own repair, in each draw and month."""
        names = [n for n in self.options if n != REPAIR]
        out: Floats = np.max([self.options[n].value for n in names], axis=0)
        return out


@dataclass(frozen=True, eq=False)
class UnitEconomics:
    """A model bought with one listed fault."""

    model_id: str
    listed_fault: str
    family: FamilyOutlook
    settings: Settings
    states: tuple[StateOptions, ...]
    landing: Landing
    days: float
    kept: float
    wage: float
    test_hours: float

    @property
    def months(self) -> int:
        """Months looked at."""
        return next(iter(self.states[0].options.values())).value.shape[1]

    @property
    def main(self) -> StateOptions:
        """Most likely state that own repair can mend; the most likely one if there is none."""
        able = [s for s in self.states if s.repair is not None and s.codes] or list(self.states)
        return max(able, key=lambda s: float(s.share.mean()))

    @cached_property
    def actions(self) -> list[list[str]]:
        """Gate decision per state and month."""
        return [s.best() for s in self.states]

    def end_states(self, month: int) -> EndStates:
        """End states of a unit bought in a month, at the market's mean price, (draws, slots)."""
        weight, value, price, _ = self._slots(month)
        return EndStates(weight / len(weight), value, price)

    def unit_end_states(self, month: int) -> EndStates:
        """The same for the one unit at hand: its own luck in price is in the draws."""
        weight, value, price, _ = self._slots(month)
        luck = self.family.unit_noise[:, None]
        return EndStates(weight / len(weight), value + self.kept * price * (luck - 1), price * luck)

    def labels(self, month: int) -> list[tuple[str, str]]:
        """State and outcome of each slot."""
        return self._slots(month)[3]

    def _slots(self, month: int) -> tuple[Floats, Floats, Floats, list[tuple[str, str]]]:
        weight, value, price, labels = [], [], [], []
        for state, chosen in zip(self.states, self.actions, strict=True):
            option = state.options[chosen[month]]
            if not isinstance(option, RepairOption):
                weight.append(state.share)
                value.append(option.value[:, month])
                price.append(option.price[:, month])
                labels.append((state.state, chosen[month]))
                continue
            good = state.share * option.success
            for g, name in enumerate(self.settings.grade_order):
                weight.append(good * option.grade_shares[:, g])
                value.append(option.by_grade[:, month, g])
                price.append(option.price_by_grade[:, month, g])
                labels.append((state.state, f"repaired, grade {name}"))
            weight.append(state.share * (1 - option.success))
            value.append(option.failed[:, month])
            price.append(option.failed_price[:, month])
            labels.append((state.state, "repair failed"))
        return (*(np.stack(a, axis=-1) for a in (weight, value, price)), labels)  # type: ignore[return-value]

    @cached_property
    def value(self) -> Floats:
        """E[V] per draw and month: worth before acquisition under the gate's decisions."""
        return self._expected("value")

    @cached_property
    def revenue(self) -> Floats:
        """Expected gross price per draw and month."""
        return self._expected("price")

    def _expected(self, what: str) -> Floats:
        out = np.zeros_like(next(iter(self.states[0].options.values())).value)
        for state, chosen in zip(self.states, self.actions, strict=True):
            for month, name in enumerate(chosen):
                out[:, month] += state.share * getattr(state.options[name], what)[:, month]
        return out

    def hours(self, month: int) -> float:
        """Expected bench hours of a unit bought in a month, testing included."""
        chosen = [s.options[a[month]].hours for s, a in zip(self.states, self.actions, strict=True)]
        shares = [float(s.share.mean()) for s in self.states]
        return self.test_hours + float(np.dot(shares, chosen))

    def parts_cash(self, month: int) -> float:
        """Expected cash spent on parts for a unit bought in a month."""
        total = 0.0
        for state, chosen in zip(self.states, self.actions, strict=True):
            cash = np.asarray(state.options[chosen[month]].parts_cash)
            spent = cash if cash.ndim < 2 else cash[:, month].mean()
            total += float(state.share.mean()) * float(spent)
        return total


@dataclass(frozen=True, eq=False)
class Economics:
    """Unit economics of every model and listed fault, worked out one at a time when asked for."""

    outlook: Outlook
    settings: Settings

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
        for model_id, fault in self.keys(family_id):
            unit = self.unit(family_id, model_id, fault)
            yield unit if not isinstance(unit, CannotSay) else (model_id, fault, unit)

    def unit(self, family_id: str, model_id: str, fault: str) -> UnitEconomics | CannotSay:
        """Work out one model bought with one listed fault."""
        family = self.outlook.families[family_id]
        if isinstance(family, CannotSay):
            return family
        at = family.models.index(model_id)
        if not np.isfinite(family.level[:, at, 0]).all():
            return CannotSay(family.reasons.get(model_id, "no forecast for the model"))
        return _unit(family, self.settings, (model_id, fault), self.outlook)


def unit_economics(outlook: Outlook, settings: Settings) -> Economics:
    """Join prices, parts and rates with the business's rules.

    Parameters
    ----------
    outlook
        From ``forecast``.
    settings
        From ``read_settings``; figures for a device class replace the general ones.

    Returns
    -------
    Economics
        Nothing is computed until a model and fault is asked for, so that thousands of models
        need the memory of one.
    """
    return Economics(outlook, settings)


def _unit(
    family: FamilyOutlook, settings: Settings, key: tuple[str, str], outlook: Outlook
) -> UnitEconomics:
    model_id, fault = key
    rules = settings.for_class(family.estimates.device_class)
    day = f"{month_start(outlook.first_month):%Y-%m-%d}"
    bench = Bench(family, rules, sale_terms(rules, day), model_id, outlook.months)
    declared = family.estimates.rates.states
    rows = declared[declared["listed_fault"] == fault].reset_index(drop=True)
    likely = rows[rows["prior_success"] > 0].sort_values("share").tail(1)
    main = str(likely["state"].iloc[0]) if len(likely) else ""
    states = []
    for i, row in rows.iterrows():
        at = int(i)
        share, success = family.shares[fault][:, at], family.success[fault][:, at]
        faults = (row["state"], fault) if row["state"] == main else (row["state"],)
        states.append(_state(bench, row, (share, success), (fault, faults)))
    codes = next((s.codes for s in states if s.state == main), ())
    days = days_to_cash(bench, list(codes))
    land = landing(rules.purchase, rules.delay.capital_rate, days, rules.tax.premium_in_margin)
    return UnitEconomics(
        model_id,
        fault,
        family,
        rules,
        tuple(states),
        land,
        days,
        bench.terms.kept,
        rules.bench.rate_per_hour,
        rules.bench.test_hours,
    )


def _state(
    bench: Bench,
    row: pd.Series,
    drawn: tuple[Floats, Floats],
    names: tuple[str, tuple[str, ...]],
) -> StateOptions:
    """Cost every option of one state."""
    share, success = drawn
    fault, quoted = names
    state, codes = str(row["state"]), part_codes(row)
    untouched = as_is(bench, state, fault)
    tried = {
        REPAIR: repair(bench, row, success, untouched),
        MAKER: "not accepted in this state"
        if state in NOT_FOR_SALE
        else maker(bench, quoted, untouched),
        PART_OUT: part_out(bench, codes, state),
    }
    options: dict[str, Option] = {n: o for n, o in tried.items() if isinstance(o, Option)}
    options[AS_IS] = untouched
    missing = {n: o for n, o in tried.items() if isinstance(o, str)}
    return StateOptions(state, share, tuple(codes), options, missing)
