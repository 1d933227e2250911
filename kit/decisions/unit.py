"""One unit bought with a listed fault: its states, their options, and where it may end.

A listed fault turns out to be one of several states; at the bench the best option for that state
is taken (the gate), judged on its mean over all worlds, since nobody knows which world it is.
What remains are end states with weights and values, from which every bid follows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from kit.decisions.acquisition import Landing
from kit.decisions.bidding import EndStates
from kit.decisions.options import REPAIR, Option, RepairOption
from kit.estimation.forecast import FamilyOutlook
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

    @cached_property
    def hammer_paths(self) -> Floats | None:
        """Price such units hammer at, per draw and month; None where none were seen."""
        ratio = self.family.hammer.get(self.listed_fault)
        if ratio is None:
            return None
        at = self.family.models.index(self.model_id)
        out: Floats = self.family.level[:, at, : self.months] * ratio[:, None]
        return out

    @cached_property
    def hammer_bands(self) -> Floats | None:
        """Lower, median and upper (80 %) usual hammer price by month, (3, months)."""
        paths = self.hammer_paths
        return None if paths is None else np.quantile(paths, [0.1, 0.5, 0.9], axis=0)

    def end_states(self, month: int) -> EndStates:
        """End states of a unit bought in a month, at the market's mean price, (draws, slots)."""
        return self.both_end_states(month)[0]

    def unit_end_states(self, month: int) -> EndStates:
        """The same for the one unit at hand: its own luck in price is in the draws."""
        return self.both_end_states(month)[1]

    def both_end_states(self, month: int) -> tuple[EndStates, EndStates]:
        """Return the end states at the market's mean price, and those of the one unit at hand."""
        weight, value, price, _ = self._slots(month)
        weight, luck = weight / len(weight), self.family.unit_noise[:, None]
        own = EndStates(weight, value + self.kept * price * (luck - 1), price * luck)
        return EndStates(weight, value, price), own

    def labels(self, month: int) -> list[tuple[str, str]]:
        """State and outcome of each slot."""
        return self._slots(month)[3]

    def slot_states(self, month: int) -> tuple[str, ...]:
        """State each slot belongs to, without working the slots out."""
        names: list[str] = []
        for state, chosen in zip(self.states, self.actions, strict=True):
            mended = isinstance(state.options[chosen[month]], RepairOption)
            names += [state.state] * (len(self.settings.grade_order) + 1 if mended else 1)
        return tuple(names)

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
        return _columns(weight), _columns(value), _columns(price), labels

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


def _columns(parts: list[Floats]) -> Floats:
    """Put columns side by side, (draws, slots): ``numpy.stack`` takes several times as long."""
    out = np.empty((len(parts[0]), len(parts)))
    for at, part in enumerate(parts):
        out[:, at] = part
    return out
