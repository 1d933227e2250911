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

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bidding import EndStates
from repair_horizon.decisions.unit.options import REPAIR, Option, RepairOption
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.tables.settings import Settings

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StateOptions:
    """One state of a listed fault: its share per draw, its options, and why others are missing."""

    state: str
    share: Floats
    codes: tuple[str, ...]
    options: Mapping[str, Option]
    missing: Mapping[str, str]

    @cached_property
    def usual(self) -> float:
        """Mean share."""
        return float(self.share.mean())

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
        return max(able, key=lambda s: s.usual)

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
        taken = [s.options[a[month]] for s, a in zip(self.states, self.actions, strict=True)]
        weight = self._weight(tuple(a[month] for a in self.actions))
        value = np.concatenate([v for o in taken for v in _worth(o, month)], axis=1)
        price = np.concatenate([p for o in taken for p in _gross(o, month)], axis=1)
        luck = self.family.unit_noise[:, None]
        own = EndStates(weight, value + self.kept * price * (luck - 1), price * luck)
        return EndStates(weight, value, price), own

    def labels(self, month: int) -> list[tuple[str, str]]:
        """State and outcome of each slot."""
        names: list[tuple[str, str]] = []
        grades = [f"repaired, grade {g}" for g in self.settings.grade_order]
        for state, chosen in zip(self.states, self.actions, strict=True):
            mended = isinstance(state.options[chosen[month]], RepairOption)
            ends = [*grades, "repair failed"] if mended else [chosen[month]]
            names += [(state.state, end) for end in ends]
        return names

    def slot_states(self, month: int) -> tuple[str, ...]:
        """State each slot belongs to, without working the slots out."""
        return tuple(state for state, _ in self.labels(month))

    def _weight(self, chosen: tuple[str, ...]) -> Floats:
        """Weight of each slot under these actions, kept: most months take the same ones."""
        if chosen not in self._weights:
            named = zip(self.states, chosen, strict=True)
            taken = [(s.share, s.options[name]) for s, name in named]
            slots = np.concatenate([w for share, o in taken for w in _chances(share, o)], axis=1)
            self._weights[chosen] = slots / len(slots)
        return self._weights[chosen]

    @cached_property
    def _weights(self) -> dict[tuple[str, ...], Floats]:
        return {}

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
        shares = [s.usual for s in self.states]
        return self.test_hours + float(np.dot(shares, chosen))

    def parts_cash(self, month: int) -> float:
        """Expected cash spent on parts for a unit bought in a month."""
        total = 0.0
        for state, chosen in zip(self.states, self.actions, strict=True):
            cash = np.asarray(state.options[chosen[month]].parts_cash)
            spent = cash if cash.ndim < 2 else cash[:, month].mean()
            total += state.usual * float(spent)
        return total


def _chances(share: Floats, option: Option) -> list[Floats]:
    """Weights of an option's outcomes side by side, (draws, outcomes) in all."""
    if not isinstance(option, RepairOption):
        return [share[:, None]]
    good, bad = share * option.success, share * (1 - option.success)
    return [good[:, None] * option.grade_shares, bad[:, None]]


def _worth(option: Option, month: int) -> list[Floats]:
    if not isinstance(option, RepairOption):
        return [option.value[:, month, None]]
    return [option.by_grade[:, month], option.failed[:, month, None]]


def _gross(option: Option, month: int) -> list[Floats]:
    if not isinstance(option, RepairOption):
        return [option.price[:, month, None]]
    return [option.price_by_grade[:, month], option.failed_price[:, month, None]]
