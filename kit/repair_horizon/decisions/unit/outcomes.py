"""One unit bought with a listed fault: its states, their options, and where it may end.

A listed fault turns out to be one of several states; in each the option with the largest
certainty equivalent is taken, chosen once per state and never per draw, since nobody knows which
draw the world is. What remains are end states with weights and values, from which bids follow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.costs.purchase import Landing, Segment
from repair_horizon.decisions.unit.bid_limits import EndStates
from repair_horizon.decisions.unit.certainty_equivalent import Valuation, log_mean_exp, log_risk
from repair_horizon.decisions.unit.options import NO_REPAIR, REPAIR, Option, RepairOption
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.tables.arrays import Floats, quantiles
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import fault_words

# Options this close are told apart by their labour: the one with fewer hours is advised.
CLOSE = 1.0
# States less likely than this are not worth naming for want of a part's price.
RARE = 0.05


@dataclass(frozen=True, eq=False)
class Outcome:
    """Outcomes of an option in one month: chance, worth and gross price, (draws, outcomes) each."""

    chance: Floats
    worth: Floats
    price: Floats

    def taxed(self, theta: float, purchase: float, losses_count: bool) -> Outcome:
        """Return the same after tax on the margin over a purchase price."""
        margin = self.price - purchase
        margin = margin if losses_count else np.maximum(0.0, margin)
        tax = theta * margin * (self.price > 0)
        return Outcome(self.chance, self.worth - tax, self.price)


def outcomes_of(option: Option, month: int) -> Outcome:
    """Outcomes of an option taken in a month: one, or a grade each and failure."""
    if not isinstance(option, RepairOption):
        worth = option.value[:, month, None]
        return Outcome(np.ones_like(worth), worth, option.price[:, month, None])
    return Outcome(
        option.chances,
        np.concatenate([option.by_grade[:, month], option.failed[:, month, None]], axis=1),
        np.concatenate([option.price_by_grade[:, month], option.failed_price[:, month, None]], 1),
    )


@dataclass(frozen=True, eq=False)
class StateOptions:
    """One state of a listed fault: its share per draw, its options, and why others are missing.

    ``kept`` is the share of a price that reaches us, ``luck_sd`` the spread of one sale.
    """

    state: str
    share: Floats
    codes: tuple[str, ...]
    options: Mapping[str, Option]
    missing: Mapping[str, str]
    kept: float
    luck_sd: float
    valuation: Valuation

    @cached_property
    def usual(self) -> float:
        """Mean share."""
        return float(self.share.mean())

    @property
    def repair(self) -> RepairOption | None:
        """Own repair, if it can be costed."""
        option = self.options.get(REPAIR)
        return option if isinstance(option, RepairOption) else None

    @cached_property
    def certainty(self) -> dict[str, Floats]:
        """Certainty equivalent of each option in each month, (months,), given this state."""
        weight = self.share / self.share.sum() if self.share.sum() > 0 else self.share * 0 + 1.0
        weight = weight / weight.sum()
        if self.valuation.neutral:
            return {n: weight @ o.value for n, o in self.options.items()}
        tolerance = self.valuation.tolerance
        return {
            n: -tolerance * log_mean_exp(risk, np.broadcast_to(weight[:, None], risk.shape), 0)
            for n, risk in self.risk.items()
        }

    @cached_property
    def risk(self) -> dict[str, Floats]:
        """Of each option, ln E[exp(-V / R)] over a unit's own luck, (draws, months)."""
        return {n: self._risk(o) for n, o in self.options.items()}

    def _risk(self, option: Option) -> Floats:
        kept, sd, tolerance = self.kept, self.luck_sd, self.valuation.tolerance
        if not isinstance(option, RepairOption):
            return log_risk(option.value, option.price, kept, sd, tolerance)
        logs = np.concatenate(
            [
                log_risk(option.by_grade, option.price_by_grade, kept, sd, tolerance),
                log_risk(option.failed, option.failed_price, kept, sd, tolerance)[..., None],
            ],
            axis=2,
        )
        return log_mean_exp(logs, np.broadcast_to(option.chances[:, None, :], logs.shape), 2)

    def best(self, leave_out: str = "") -> list[str]:
        """Option with the largest certainty equivalent in each month; ties go to the first."""
        names = [n for n in self.options if n != leave_out]
        worth = np.stack([self.certainty[n] for n in names])
        return [names[i] for i in np.where(np.isnan(worth), -np.inf, worth).argmax(axis=0)]

    def advised(self, month: int) -> str:
        """Option to advise: of those within ``CLOSE`` of the best the one with the least labour."""
        worth = {n: float(c[month]) for n, c in self.certainty.items()}
        top = max(worth.values())
        close = [n for n, c in worth.items() if c >= top - CLOSE]
        return min(close, key=lambda n: (self.options[n].hours, -worth[n]))

    def by_draw(self, name: str) -> Floats:
        """Certainty equivalent of an option over a unit's own luck, (draws, months)."""
        if self.valuation.neutral:
            return self.options[name].value
        return -self.valuation.tolerance * self.risk[name]

    def best_alternative(self) -> Floats:
        """Worth of the best option other than own repair, in each draw and month.

        The best is chosen by its certainty equivalent in the month, as at the bench.
        """
        chosen = self.best(leave_out=REPAIR)
        worth = {n: self.by_draw(n) for n in set(chosen)}
        return np.stack([worth[n][:, month] for month, n in enumerate(chosen)], axis=1)


@dataclass(frozen=True)
class PlannedQuality:
    """Quality of a part that is planned with, and what the next best would cost more, in all.

    ``other_cost`` counts price, wait, parts dead on arrival, returns and resale; below zero where
    the owner's order takes a dearer one; missing where no other quality has a price. ``rests_on``
    is what the price planned with rests on.
    """

    part_code: str
    quality: str
    other: str
    other_cost: float
    rests_on: str = ""

    @property
    def words(self) -> str:
        """Part and quality."""
        return f"{self.part_code} {self.quality}"


@dataclass(frozen=True, eq=False)
class UnitEconomics:
    """A model bought with one listed fault.

    ``planned_parts`` maps each part code a state needs to the path of the quality planned with;
    ``quality`` is that of the dearest part of the commonest state that can be mended.
    """

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
    valuation: Valuation
    planned_parts: Mapping[str, PartPath]
    quality: PlannedQuality | None = None

    @property
    def months(self) -> int:
        """Months looked at."""
        return next(iter(self.states[0].options.values())).value.shape[1]

    @property
    def main(self) -> StateOptions:
        """Most likely state that own repair can mend; the most likely one if there is none."""
        able = [s for s in self.states if s.repair is not None and s.codes] or list(self.states)
        return max(able, key=lambda s: s.usual)

    @property
    def commonest(self) -> StateOptions:
        """Most likely state, mended or not."""
        return max(self.states, key=lambda s: s.usual)

    def then(self, month: int) -> str:
        """Option advised in a month where the unit is in its most likely state.

        Under a tax on the margin it is what the bid counts with, taxed at that bid.
        """
        if margin_fraction(self.settings):
            return self.actions[self.states.index(self.commonest)][month]
        return self.commonest.advised(month)

    @property
    def uncosted(self) -> StateOptions | None:
        """Most likely state with a repair that cannot be costed; None where all can, or rare."""
        short = [s for s in self.states if s.missing.get(REPAIR, NO_REPAIR) != NO_REPAIR]
        found = max(short, key=lambda s: s.usual, default=None)
        return None if found is None or found.usual < RARE else found

    @property
    def uncosted_words(self) -> str:
        """Why own repair cannot be costed; empty where it can."""
        found = self.uncosted
        if found is None:
            return ""
        which = "" if found is self.commonest else f" if it is {fault_words(found.state)}"
        return f"own repair cannot be costed{which}: {found.missing[REPAIR]}"

    @cached_property
    def actions(self) -> list[list[str]]:
        """Disposition per state and month."""
        if not margin_fraction(self.settings):
            return [s.best() for s in self.states]
        chosen = [self._solved(month)[1] for month in range(self.months)]
        return [list(by_month) for by_month in zip(*chosen, strict=True)]

    @cached_property
    def certainty(self) -> Floats:
        """Certainty equivalent of the unit before acquisition, by month, (months,)."""
        if margin_fraction(self.settings):
            bids = [self._solved(month)[0] for month in range(self.months)]
            paid = np.array([self.landing.landed(b) for b in bids])
            return paid * (1 + self.landing.kappa)
        if self.valuation.neutral:
            out: Floats = self.value.mean(axis=0)
            return out
        risk = self._by_draw()
        whole = log_mean_exp(risk, np.full_like(risk, 1.0 / len(risk)), 0)
        return -self.valuation.tolerance * whole

    @cached_property
    def certainty_by_draw(self) -> Floats:
        """Certainty equivalent over a unit's own luck in each draw, (draws, months)."""
        if self.valuation.neutral or margin_fraction(self.settings):
            return self.value
        return -self.valuation.tolerance * self._by_draw()

    def exact_bid(self, month: int, landing: Landing | None = None) -> float:
        """Highest hammer price at which the certainty equivalent covers the landed cost.

        Unrounded; negative where nothing can be paid.
        """
        if margin_fraction(self.settings):
            return self._solved(month)[0] if landing is None else self._solve(month, landing)[0]
        if landing is None:
            return float(self._untaxed_bids[month])
        return float(landing.bid_for(self.certainty[month]))

    def exact_bids(self) -> Floats:
        """Unrounded bid of every month at the usual terms, (months,)."""
        if not margin_fraction(self.settings):
            return self._untaxed_bids
        return np.array([self.exact_bid(month) for month in range(self.months)])

    @cached_property
    def _untaxed_bids(self) -> Floats:
        return self.landing.bid_for(self.certainty)

    def _solved(self, month: int) -> tuple[float, tuple[str, ...]]:
        if month not in self._kept_solutions:
            self._kept_solutions[month] = self._solve(month, self.landing)
        return self._kept_solutions[month]

    @cached_property
    def _kept_solutions(self) -> dict[int, tuple[float, tuple[str, ...]]]:
        return {}

    def _solve(self, month: int, landing: Landing) -> tuple[float, tuple[str, ...]]:
        """Bid and disposition under a scheme that taxes the margin over the purchase price.

        The worth left of a unit rises with the price paid by less than the landed cost does, so
        the bid is the one root of CE(V(B)) - L(B), found by a bracket.
        """
        from scipy.optimize import brentq

        def left(bid: float) -> float:
            worth, _ = self._taxed(month, bid, landing.segment(max(bid, 0.0)))
            return worth - landing.landed(bid) * (1 + landing.kappa)

        free = float(landing.bid_for(self._taxed(month, np.inf, landing.segments[-1])[0]))
        low = min(free, 0.0) - 1.0
        while left(low) < 0:
            low = 2.0 * low - 1.0
        high = max(free, 0.0) + 1.0
        while left(high) > 0:  # a credit taken whole may be worth more than no tax at all
            high = 2.0 * high
        bid = float(brentq(left, low, high, xtol=1e-9))
        return bid, self._taxed(month, bid, landing.segment(max(bid, 0.0)))[1]

    def _taxed(self, month: int, bid: float, segment: Segment) -> tuple[float, tuple[str, ...]]:
        """Certainty equivalent at a hammer price paid, and the option taken in each state."""
        theta = margin_fraction(self.settings)
        purchase = segment.margin_a * bid + segment.margin_k if np.isfinite(bid) else np.inf
        purchase = purchase if segment.losses_count else max(purchase, 0.0)
        chosen, parts = [], []
        for state in self.states:
            found = {}
            for name, option in state.options.items():
                got = outcomes_of(option, month)
                got = (
                    got if np.isinf(purchase) else got.taxed(theta, purchase, segment.losses_count)
                )
                by_draw = self._certain(got, state)
                weight = state.share / max(float(state.share.sum()), 1e-300)
                found[name] = (self._over(by_draw, weight), by_draw)
            name = max(found, key=lambda n: found[n][0])
            chosen.append(name)
            parts.append((state.share, found[name][1]))
        if self.valuation.neutral:
            worth = float(np.mean(sum(share * value for share, value in parts)))
        else:
            tolerance = self.valuation.tolerance
            logs = np.stack([-value / tolerance for _, value in parts], axis=1)
            shares = np.stack([share for share, _ in parts], axis=1) / len(logs)
            worth = -tolerance * float(log_mean_exp(logs.ravel(), shares.ravel(), 0))
        return worth, tuple(chosen)

    def _certain(self, got: Outcome, state: StateOptions) -> Floats:
        """Certainty equivalent over a unit's own luck, by draw."""
        if self.valuation.neutral:
            out: Floats = np.sum(got.chance * got.worth, axis=1)
            return out
        tolerance = self.valuation.tolerance
        logs = log_risk(got.worth, got.price, self.kept, state.luck_sd, tolerance)
        return -tolerance * log_mean_exp(logs, got.chance, 1)

    def _over(self, by_draw: Floats, weight: Floats) -> float:
        if self.valuation.neutral:
            return float(weight @ by_draw)
        tolerance = self.valuation.tolerance
        return -tolerance * float(log_mean_exp(-by_draw / tolerance, weight, 0))

    def _by_draw(self) -> Floats:
        """Mix of the chosen options' log risks over states, (draws, months)."""
        total = np.zeros((len(self.states[0].share), self.months))
        top = np.full_like(total, -np.inf)
        logs = []
        for state, chosen in zip(self.states, self.actions, strict=True):
            mine = np.stack([state.risk[n][:, m] for m, n in enumerate(chosen)], axis=1)
            logs.append(mine)
            top = np.maximum(top, mine)
        for state, mine in zip(self.states, logs, strict=True):
            total += state.share[:, None] * np.exp(mine - top)
        out: Floats = np.log(total) + top
        return out

    @cached_property
    def hammer_paths(self) -> Floats | None:
        """Usual hammer price per draw and month, as seen; None where none can be said."""
        ratio = self.family.hammer.get(self.listed_fault)
        if ratio is None:
            return None
        at = self.family.models.index(self.model_id)
        level = self.family.level[:, at, : self.months]
        out: Floats = level * ratio[:, None] * np.exp(self.family.dearer(np.log(level)))
        return out

    @cached_property
    def hammer_bands(self) -> Floats | None:
        """Lower, median and upper (80 %) usual hammer price by month, (3, months)."""
        paths = self.hammer_paths
        return None if paths is None else quantiles(paths, [0.1, 0.5, 0.9])

    def end_states(self, month: int) -> EndStates:
        """End states of a unit bought in a month, at the market's mean price, (draws, slots)."""
        return self.both_end_states(month)[0]

    def both_end_states(self, month: int) -> tuple[EndStates, EndStates]:
        """Return the end states at the market's mean price, and those of the one unit at hand."""
        taken = [
            (s, outcomes_of(s.options[a[month]], month))
            for s, a in zip(self.states, self.actions, strict=True)
        ]
        draws = len(self.states[0].share)
        weight = np.concatenate([s.share[:, None] * o.chance for s, o in taken], axis=1) / draws
        value = np.concatenate([o.worth for _, o in taken], axis=1)
        price = np.concatenate([o.price for _, o in taken], axis=1)
        charge = self._charges(month, [o.chance.shape[1] for _, o in taken])
        luck = self.family.unit_noise[:, None]
        own = EndStates(weight, value + self.kept * price * (luck - 1), price * luck, charge)
        return EndStates(weight, value, price, charge), own

    def _charges(self, month: int, slots: list[int]) -> Floats | float:
        """Opportunity cost within each end state's value, (draws, slots); 0 if there is none."""
        if not (self.valuation.hour or self.valuation.cash_day):
            return 0.0
        draws, columns = len(self.states[0].share), []
        for state, chosen, count in zip(self.states, self.actions, slots, strict=True):
            charge = np.asarray(state.options[chosen[month]].charge)
            mine = np.broadcast_to(charge[:, month] if charge.ndim == 2 else charge, draws)
            columns += [mine] * count
        return np.stack(columns, axis=1)

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

    @cached_property
    def value(self) -> Floats:
        """E[V] per draw and month: worth before acquisition under the disposition taken."""
        return self._expected("value")

    @cached_property
    def revenue(self) -> Floats:
        """Expected gross price per draw and month."""
        return self._expected("price")

    def _expected(self, what: str) -> Floats:
        out: Floats = np.zeros_like(next(iter(self.states[0].options.values())).value)
        for state, chosen in zip(self.states, self.actions, strict=True):
            for name in dict.fromkeys(chosen):
                months = np.flatnonzero([c == name for c in chosen])
                of_draw = getattr(state.options[name], what)[:, months]
                out[:, months] += state.share[:, None] * of_draw
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
