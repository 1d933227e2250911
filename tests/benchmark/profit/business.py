"""One business of a scenario, and every policy's year in it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from .adapter import columns, kit_advice
from .advice import Advice, Answer, answers
from .history import Own, Promises, Record, write_record, write_workspace
from .kit_belief import kit_belief
from .knowing import advice_of, clairvoyant, nothing, oracle
from .lots import Lots, draw_lots
from .replay import Outcomes, Played, outcomes, play, together
from .rules import RULES, looked_up, rule_advice
from .scenarios import Scenario
from .shrinkage import believed
from .world import YEAR, World, draw_world
from .worth import Worth

Floats = npt.NDArray[np.float64]

ORACLE, CLAIRVOYANT, NOTHING, KIT, SHRINKAGE = (
    "oracle",
    "clairvoyant",
    "nothing",
    "kit",
    "shrinkage",
)
POLICIES = (ORACLE, CLAIRVOYANT, NOTHING, KIT, SHRINKAGE, *RULES)
REFIT = 3
SHADE = 0.78  # of its break-even price plain shrinkage offers a private seller
DRAWS = 200
TRIALS, YEARS = 4, 12


@dataclass(frozen=True, eq=False)
class Business:
    """One business: its truth, what it wrote down, and the year's lots."""

    scenario: Scenario
    seed: int
    refit: int = REFIT
    draws: int = DRAWS
    repeats: int = YEARS

    @cached_property
    def world(self) -> World:
        """The truth."""
        return draw_world(self.seed, self.scenario.history, self.scenario.costs)

    @cached_property
    def worth(self) -> Worth:
        """The truth's accounting."""
        return Worth(self.world)

    def _lots(self, stream: int) -> Lots:
        months = range(self.world.history, self.world.history + YEAR)
        rng = np.random.default_rng([self.seed, stream])
        s = self.scenario
        return draw_lots(self.world, self.worth, months, s.lots, s.private, rng)

    @cached_property
    def years(self) -> list[tuple[Lots, Outcomes]]:
        """The year's lots, the same for every policy, drawn several times over.

        With each what every option of its lots brings. The same advice meets them all, so that
        luck in lots and rivals weighs less in its score.
        """
        drawn = [self._lots(503), *(self._lots(700 + i) for i in range(1, self.repeats))]
        return [(lots, outcomes(self.worth, lots)) for lots in drawn]

    @property
    def lots(self) -> Lots:
        """The first of them, whose auctions enter the logs as they pass."""
        return self.years[0][0]

    @cached_property
    def trials(self) -> list[Lots]:
        """Other lots of the same year, for the oracle to find its charges on."""
        return [self._lots(600 + i) for i in range(TRIALS)]

    @property
    def known(self) -> Outcomes:
        """What each option of each lot of the first year brings."""
        return self.years[0][1]

    @cached_property
    def record(self) -> Record:
        """What the business wrote down."""
        rng = np.random.default_rng([self.seed, 505])
        return write_record(self.world, self.worth, self.scenario.writing, self.lots, rng)

    def tables(self, month: int) -> dict[str, pd.DataFrame]:
        """Tables as they stand at the beginning of a month of the replay."""
        return self.record.at(self.world.history + month)

    @cached_property
    def _costs_text(self) -> str:
        return self.scenario.costs.settings(self.draws, self.seed % 1000 + 1)

    def _looped(self, advise: Callable[[dict[str, pd.DataFrame], int, Promises], Advice]) -> Advice:
        """A policy's year: advised anew every ``refit`` months, with what it bought in the logs.

        Whoever advises puts what its ledger says into the promises.
        """
        parts: list[Advice] = []
        promises: Promises = {}
        for month in range(0, YEAR, self.refit):
            record = self._with_own(joined(parts), promises) if parts else self.record
            parts.append(advise(record.at(self.world.history + month), month, promises))
        return joined(parts)

    def _with_own(self, so_far: Advice, promises: Promises) -> Record:
        """The record with what advice so far bought in the first of the years."""
        lots, known = self.years[0]
        later = lots.month - self.world.history >= so_far.limit.shape[1]
        advice = answers(filled(so_far), self.world, lots)
        advice = replace(advice, limit=np.where(later, 0.0, advice.limit))
        advice = replace(advice, offer=np.where(later, 0.0, advice.offer))
        played = play(self.scenario.costs, lots, known, advice)
        won, price = np.zeros(later.size, dtype=bool), np.zeros(later.size)
        option = advice.option.copy()
        won[played.won], price[played.won] = True, played.price
        option[played.won] = played.option
        bid = np.where(lots.private, advice.offer, advice.limit)
        own = Own(bid, won, price, option, promises)
        return self.record.with_year(self.worth, lots, own)

    @cached_property
    def kit(self) -> Advice:
        """The kit's advice, fitted anew every ``refit`` months."""

        def advise(tables: dict[str, pd.DataFrame], month: int, promises: Promises) -> Advice:
            with tempfile.TemporaryDirectory() as name:
                folder = write_workspace(Path(name), tables, self._costs_text, columns())
                span = min(self.refit, YEAR - month)
                private = self.scenario.private > 0
                return kit_advice(folder, self.world, month, span, private, promises)

        return self._looped(advise)

    def believed(self, month: int) -> World:
        """Return the world as plain shrinkage sees it at the beginning of a month."""
        return believed(self.world, self.tables(month), self.world.history + month)

    def kit_believed(self, month: int) -> World:
        """Return the world as the kit's estimates see it."""
        with tempfile.TemporaryDirectory() as name:
            tables = self.tables(month)
            folder = write_workspace(Path(name), tables, self._costs_text, columns())
            return kit_belief(folder, self.believed(month), month, self.refit)

    @cached_property
    def shrinkage(self) -> Advice:
        """Plain shrinkage, fitted as often as the kit."""

        def advise(tables: dict[str, pd.DataFrame], month: int, promises: Promises) -> Advice:
            now, end = self.world.history, min(month + self.refit, YEAR)
            belief = Worth(believed(self.world, tables, now + month), (now + month, now + end))
            return cut(advice_of(belief), month, end)

        advice = self._looped(advise)
        return Advice(
            advice.limit, SHADE * advice.offer, advice.choice, advice.told, advice.promised
        )

    @cached_property
    def oracle(self) -> Advice:
        """Advice of who knows the averages."""
        return oracle(self.worth, self.trials)

    def answer(self, policy: str, year: int = 0) -> Answer:
        """What a policy does with each lot."""
        lots, known = self.years[year]
        if policy == CLAIRVOYANT:
            return clairvoyant(self.world, lots, known)
        if policy == NOTHING:
            return nothing(lots)
        return answers(self.advice(policy), self.world, lots)

    def advice(self, policy: str) -> Advice:
        """Thresholds of a policy that has any."""
        own: dict[str, Callable[[], Advice]] = {
            ORACLE: lambda: self.oracle,
            KIT: lambda: self.kit,
            SHRINKAGE: lambda: self.shrinkage,
        }
        return own[policy]() if policy in own else self._rules[policy]

    @cached_property
    def _rules(self) -> dict[str, Advice]:
        seen = [looked_up(self.world, self.tables(t), self.world.history + t) for t in range(YEAR)]
        return rule_advice(self.world, seen)

    def played(self, policy: str) -> Played:
        """What comes of a policy, all years together."""
        costs = self.scenario.costs
        return together(
            [play(costs, *year, self.answer(policy, i)) for i, year in enumerate(self.years)]
        )

    def earned(self, advice: Advice) -> float:
        """Profit a year that thresholds earn, on average over the luck of what was bought."""
        costs = self.scenario.costs
        years = [
            play(costs, lots, known, answers(advice, self.world, lots))
            for lots, known in self.years
        ]
        return sum(float(y.expected.sum()) for y in years) / len(years)


def joined(parts: Sequence[Advice]) -> Advice:
    """Advice of consecutive spans of months as one."""
    names = ("limit", "offer", "choice", "told", "promised")
    return Advice(*(np.concatenate([getattr(p, n) for p in parts], axis=-1) for n in names))


def filled(advice: Advice) -> Advice:
    """Advice of the first months with the last month's for the rest of the year."""
    more = YEAR - advice.limit.shape[1]
    names = ("limit", "offer", "choice", "told", "promised")
    whole = [getattr(advice, n) for n in names]
    return Advice(*(np.concatenate([x, *[x[..., -1:]] * more], axis=-1) for x in whole))


def cut(advice: Advice, start: int, end: int) -> Advice:
    """Advice of some of the months."""
    names = ("limit", "offer", "choice", "told", "promised")
    return Advice(*(getattr(advice, n)[..., start:end] for n in names))
