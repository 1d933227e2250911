"""A policy goes through the year's lots with its cash and its bench, and what comes of it.

The cash a shop works with is fixed: what is earned is taken out, what is lost is put in, so a bid
is possible while the units unsold leave enough of it. Jobs wait for the bench in the order they
were won; a shop whose bench is more than a month behind does not bid.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .advice import Answer
from .costs import MONTH, Costs
from .lots import Lots
from .worth import AS_IS, OPTIONS, Cash, Worth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WAITS = (0.0, 15.0, 30.0)
LONGEST_WAIT = 30.0


@dataclass(frozen=True, eq=False)
class Outcomes:
    """Every option of each lot, (waits, options, n): as luck has it, and on average."""

    worth: Floats
    days: Floats
    hours: Floats
    parts: Floats
    mean_worth: Floats
    mean_days: Floats


def outcomes(worth: Worth, lots: Lots) -> Outcomes:
    """Work out what each option of each lot brings, for three waits for the bench."""
    real = [[worth.cash(o, lots.place, lots.luck, w) for o in range(len(OPTIONS))] for w in WAITS]
    mean = [[worth.expected(o, lots.place, w) for o in range(len(OPTIONS))] for w in WAITS]

    def laid(of: list[list[Cash]], name: str) -> Floats:
        return np.array([[getattr(c, name) for c in row] for row in of])

    return Outcomes(
        laid(real, "worth"),
        laid(real, "days"),
        laid(real, "hours"),
        laid(real, "parts"),
        laid(mean, "worth"),
        laid(mean, "days"),
    )


@dataclass(frozen=True, eq=False)
class Played:
    """What came of a year: the lots won (numbers), price, option, profit made and expected.

    ``promised`` is the profit the policy said of each; ``months`` count from the first.
    ``held_back`` counts lots not bid for since cash or bench did not allow it, ``waited`` the
    days jobs waited for the bench beyond the usual queue.
    """

    won: Ints
    price: Floats
    option: Ints
    profit: Floats
    expected: Floats
    promised: Floats
    bids: int
    months: Ints
    held_back: int
    waited: float

    def losing(self) -> int:
        """Months whose purchases lost money."""
        return int((np.bincount(self.months, self.profit) < 0).sum())


def play(costs: Costs, lots: Lots, known: Outcomes, answer: Answer) -> Played:
    """Go through the lots in order of time."""
    shop = _Shop(costs)
    rows: list[tuple[int, float, int, float, float]] = []
    bids = held = 0
    when = (lots.month + lots.day) * MONTH
    private = lots.private
    for i in range(lots.unit.size):
        direct = bool(private[i])
        limit = float(answer.offer[i] if direct else answer.limit[i])
        if limit <= 0:
            continue
        if not shop.able(float(when[i]), float(costs.landed(np.asarray(limit), direct))):
            held += 1
            continue
        bids += 1
        price = price_paid(lots, i, limit)
        if price is None:
            continue
        option = int(answer.option[i])
        if not np.isfinite(known.worth[0, option, i]):
            option = AS_IS  # what was advised cannot be done: nobody offers it
        landed = float(costs.landed(np.asarray(price), direct))
        rows.append((i, price, option, *shop.takes(i, landed, option, known)))
    won = np.array([r[0] for r in rows], dtype="int64")
    start = int(lots.month.min()) if lots.month.size else 0
    return Played(
        won,
        np.array([r[1] for r in rows]),
        np.array([r[2] for r in rows], dtype="int64"),
        np.array([r[3] for r in rows]),
        np.array([r[4] for r in rows]),
        answer.promised[won],
        bids,
        lots.month[won] - start,
        held,
        shop.waited,
    )


def together(years: Sequence[Played]) -> Played:
    """Return several years' play as one, months counted on."""
    names = ("won", "price", "option", "profit", "expected", "promised")
    return Played(
        *(np.concatenate([getattr(y, n) for y in years]) for n in names),
        sum(y.bids for y in years),
        np.concatenate([y.months + 12 * i for i, y in enumerate(years)]),
        sum(y.held_back for y in years),
        sum(y.waited for y in years),
    )


def price_paid(lots: Lots, i: int, given: float) -> float | None:
    """What a lot is bought at by a limit or offer; None if it is not.

    At an auction the price is what the keenest rival gave. A private seller gets one offer, at
    most what he asks, and takes it if it is his reserve or more.
    """
    if np.isnan(lots.reserve[i]):
        highest = float(lots.highest[i])
        return highest if given > highest else None
    paid = min(given, float(lots.ask[i]))
    return paid if paid >= lots.reserve[i] else None


class _Shop:
    """Cash tied up and work waiting, as the year goes."""

    def __init__(self, costs: Costs) -> None:
        self.costs = costs
        self.tied = 0.0
        self.until: list[tuple[float, float]] = []
        self.backlog = 0.0
        self.now = 0.0
        self.waited = 0.0

    def able(self, when: float, landed: float) -> bool:
        """Whether there is cash for a landed cost, and the bench not too far behind."""
        while self.until and self.until[0][0] <= when:
            self.tied -= heapq.heappop(self.until)[1]
        worked = (when - self.now) * self.costs.hours_per_day
        self.backlog, self.now = max(self.backlog - worked, 0.0), when
        if self.backlog / self.costs.hours_per_day > LONGEST_WAIT:
            return False
        return self.tied + landed <= self.costs.cash

    def takes(self, i: int, landed: float, option: int, known: Outcomes) -> tuple[float, float]:
        """Buy a lot at a landed cost: profit made and expected."""
        late = self.backlog / self.costs.hours_per_day - self.costs.queue_days
        wait = float(np.clip(late, 0.0, WAITS[-1]))
        self.waited += wait
        at = np.searchsorted(WAITS, wait, side="right") - 1
        at = min(int(at), len(WAITS) - 2)
        part = (wait - WAITS[at]) / (WAITS[at + 1] - WAITS[at])

        def mixed(x: Floats) -> float:
            a, b = x[at, option, i], x[at + 1, option, i]
            return float(a if part == 0 else (1 - part) * a + part * b)

        days, rate = mixed(known.days), self.costs.capital_rate / 365.0
        tied = landed + float(known.parts[0, option, i])
        self.tied += tied
        heapq.heappush(self.until, (self.now + days, tied))
        self.backlog += float(known.hours[0, option, i]) + self.costs.test_hours
        profit = mixed(known.worth) - landed * (1 + rate * days)
        return profit, mixed(known.mean_worth) - landed * (1 + rate * mixed(known.mean_days))
