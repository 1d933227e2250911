"""The businesses the advice is measured in, and the seeds that are for choosing and measuring."""

from __future__ import annotations

from dataclasses import dataclass

from .costs import Costs
from .history import Writing

# Seeds for choosing: anything about the rule may be tried on these.
CHOOSING = 1000
# Seeds kept for the last measurement only: nothing is chosen by looking at them.
MEASURING = 9000


@dataclass(frozen=True)
class Scenario:
    """A kind of business: months of history, what it wrote down, costs, and how lots come.

    ``target`` is the share of the oracle's profit to reach (decisions page, section 3).
    """

    name: str
    history: int
    costs: Costs
    writing: Writing
    lots: float
    private: float
    target: float


_IDLE = Costs()
_BOUND = Costs(hours_per_week=6.0, cash=4_500.0)

SCENARIOS = {
    s.name: s
    for s in (
        Scenario("mature", 36, _IDLE, Writing(), 40.0, 0.0, 0.90),
        Scenario("bound", 36, _BOUND, Writing(lots=60.0), 60.0, 0.0, 0.85),
        Scenario(
            "young",
            8,
            _IDLE,
            Writing(sales=10.0, quotes=2.0, quoted=0.25, bidding=0.5, jobs=20, makers=False),
            40.0,
            0.0,
            0.60,
        ),
        Scenario("sales only", 24, _IDLE, Writing(sales=25.0, only_sales=True), 40.0, 0.0, 0.0),
        Scenario("private", 36, _IDLE, Writing(private=0.5), 40.0, 1.0, 0.75),
    )
}
