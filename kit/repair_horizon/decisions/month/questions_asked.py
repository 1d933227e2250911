"""What to ask the seller, what would change the verdict, and what moves the bid most.

Knowing something before bidding is worth what it saves: one walks away where it is bad news.

    value of knowing = sum_s pi_s max(0, profit_s) - max(0, sum_s pi_s profit_s)

with profit_s what is expected in state s at the price in mind. A question to the seller is a
yes or no ("is it this state?"), so the same formula holds with two groups of states.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.bid_limits import profit_at
from repair_horizon.decisions.unit.economics import Economics, unit_under
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_paths import Key, PartPath, as_paths
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import part_words

MORE_RESALE, DEARER_PART, MORE_DAYS = 0.01, 10.0, 7.0


@dataclass(frozen=True)
class Question:
    """The yes-or-no question worth most: is it ``state``? ``value`` is money per listing."""

    state: str
    value: float
    knowing_all: float


@dataclass(frozen=True)
class BidMoves:
    """How far the unrounded bid moves, money: by 1 % more resale, a part 10 dearer, a week more.

    ``part_code`` is the dearest part of the likeliest state and ``part_price`` its price; empty
    and zero if none is needed.
    """

    resale_percent: float
    part_ten: float
    week: float
    part_code: str
    part_price: float


def value_of_knowing(weight: npt.ArrayLike, profit: npt.ArrayLike) -> float:
    """Worth of knowing the state before buying, walking away where it loses.

    Parameters
    ----------
    weight, profit
        Weight and expected profit of each state at the price in mind; weights sum to one.
    """
    w, p = np.asarray(weight, dtype="float64"), np.asarray(profit, dtype="float64")
    return float(w @ np.maximum(p, 0.0) - max(0.0, float(w @ p)))


def best_question(weight: Mapping[str, float], profit: Mapping[str, float]) -> Question:
    """Find the yes-or-no question about a state that is worth most.

    Parameters
    ----------
    weight, profit
        Weight and expected profit of each state, by name.

    Returns
    -------
    Question
        With an empty state where no answer would change the decision. Of equal ones the first.
    """
    w = np.array(list(weight.values()))
    p = np.array([profit[s] for s in weight])
    best = Question("", 0.0, value_of_knowing(w, p))
    whole = float(w @ p)
    for i, state in enumerate(weight):
        split = (w[i] * p[i], whole - w[i] * p[i])
        worth = max(0.0, split[0]) + max(0.0, split[1]) - max(0.0, whole)
        if worth > best.value + 1e-9:
            best = replace(best, state=state, value=float(worth))
    return best


def question_at(known: Outcomes, landing: Landing, price: float, theta: float) -> Question:
    """Return the question worth most before buying at a price."""
    return best_question(*by_state(known, landing, price, theta))


def by_state(
    known: Outcomes, landing: Landing, price: float, theta: float
) -> tuple[dict[str, float], dict[str, float]]:
    """Weight and expected profit of each state of the listed fault, bought at a price."""
    earned = known.market.weight * profit_at(known.market, landing, price, theta)
    slots = (known.market.weight.sum(axis=0), earned.sum(axis=0))
    weight: dict[str, float] = {}
    total: dict[str, float] = {}
    for state, w, e in zip(known.slots, *slots, strict=True):
        weight[state] = weight.get(state, 0.0) + float(w)
        total[state] = total.get(state, 0.0) + float(e)
    return weight, {s: total[s] / weight[s] if weight[s] else 0.0 for s in weight}


def bid_moves(economics: Economics, unit: UnitEconomics) -> BidMoves:
    """How far this month's unrounded bid moves with price, part and time, all else the same.

    Each is worked out anew with the same draws, so a limit that takes over is noticed.
    """
    moved, family, rules = _moved(economics, unit), unit.family, unit.settings
    part, price = dearest_part(unit)
    higher = replace(family, level=family.level * (1.0 + MORE_RESALE))
    days = rules.delay.queue_days + MORE_DAYS
    later = replace(rules, delay=replace(rules.delay, queue_days=days))
    dearer = moved(rules, _with_part(unit, part, lambda p: p + DEARER_PART)) if part else 0.0
    return BidMoves(moved(rules, higher), dearer, moved(later, family), part, price)


def _moved(economics: Economics, unit: UnitEconomics) -> Callable[[Settings, FamilyOutlook], float]:
    """Return how far the unrounded bid moves under other rules and draws."""
    key, now = (unit.model_id, unit.listed_fault), unit.exact_bid(0)

    def by(rules: Settings, family: FamilyOutlook) -> float:
        changed = unit_under(rules, family, key, economics.outlook, economics.valuation)
        return changed.exact_bid(0) - now

    return by


def _with_part(unit: UnitEconomics, code: str, change: Callable[[Floats], Floats]) -> FamilyOutlook:
    """Draws with another price of one part of the unit's model."""

    def changed(key: Key, path: PartPath) -> PartPath:
        mine = key[:2] == (unit.model_id, code)
        return replace(path, price=change(path.price)) if mine else path

    return replace(unit.family, parts=as_paths(unit.family.parts).changed(changed))


def dearest_part(unit: UnitEconomics) -> tuple[str, float]:
    """Code and price of the dearest part the likeliest mendable state needs, as planned with."""
    prices: dict[str, float] = {}
    for code, path in unit.planned_parts.items():
        if code in unit.main.codes:
            prices[code] = float(path.price[:, 0].mean())
    code = max(prices, key=lambda c: prices[c], default="")
    return code, prices.get(code, 0.0)


def turning_points(short: float, moves: BidMoves) -> str:
    """Say what would turn the verdict, each change alone and as if it went on evenly.

    Parameters
    ----------
    short
        Money by which the bid misses the current one; negative where it is above it.
    moves
        From ``bid_moves``.

    Returns
    -------
    str
        Only changes that could happen within a season: resale by 30 %, a part by its own price,
        12 weeks; a part cannot get cheaper than nothing.
    """
    way = ("higher", "cheaper", "sooner") if short > 0 else ("lower", "dearer", "later")
    part = f"{moves.part_code} {{:.2f}} {way[1]}"
    turns: Sequence[tuple[float, float, str]] = (
        (moves.resale_percent, 30.0, f"resale {{:.1f}} % {way[0]}"),
        (-moves.part_ten / DEARER_PART, moves.part_price, part),
        (-moves.week, 12.0, f"{{:.1f}} weeks {way[2]}"),
    )
    words = [
        text.format(abs(short) / slope)
        for slope, reach, text in turns
        if slope > 1e-6 and abs(short) / slope <= reach
    ]
    return " or ".join(words) or "no single change within reach"


MOST = 5
# Steps as large as a season brings them; common practice, no source.
_RESALE, _PART, _SUCCESS, _DAYS, _WAGE, _FEE, _RETURNS = 0.05, 0.20, 0.10, 7.0, 0.20, 0.02, 0.50

# What the rules and draws become one step the worse way (1) or the better (-1).
_Step = Callable[[int], tuple[Settings, FamilyOutlook]]


def sensitivity(economics: Economics, unit: UnitEconomics) -> pd.DataFrame:
    """Work out by how much the unrounded bid moves with each input.

    Parameters
    ----------
    unit
        One model and listed fault.

    Returns
    -------
    DataFrame
        The table ``moves``, the ``MOST`` inputs that move the bid most, the largest first.
        ``bid_worse`` and ``bid_better`` are changes in money; ``worse`` and ``better`` say the
        step in words.
    """
    key, by = (unit.model_id, unit.listed_fault), _moved(economics, unit)
    rows = [(*key, *words, by(*step(1)), by(*step(-1))) for *words, step in _trials(unit)]
    table = pd.DataFrame(rows, columns=OUTPUTS["moves"].names)
    reach = table[["bid_worse", "bid_better"]].abs().max(axis=1)
    order = reach.sort_values(ascending=False, kind="stable").index[:MOST]
    return table.loc[order].reset_index(drop=True)


def _trials(unit: UnitEconomics) -> Iterator[tuple[str, str, str, _Step]]:
    """Each input by name, the worse and the better step in words, and what the step does."""
    rules, family, fault = unit.settings, unit.family, unit.listed_fault
    part, _ = dearest_part(unit)

    def resale(way: int) -> tuple[Settings, FamilyOutlook]:
        return rules, replace(family, level=family.level * (1 - way * _RESALE))

    def parts(way: int) -> tuple[Settings, FamilyOutlook]:
        return rules, _with_part(unit, part, lambda price: price * (1 + way * _PART))

    def success(way: int) -> tuple[Settings, FamilyOutlook]:
        now = family.success[fault]  # what repair cannot mend at all stays so
        moved = np.where(now > 0, np.clip(now - way * _SUCCESS, 0.0, 1.0), now)
        return rules, replace(family, success={**family.success, fault: moved})

    def days(way: int) -> tuple[Settings, FamilyOutlook]:
        longer = max(rules.delay.selling_days + way * _DAYS, 0.0)
        return replace(rules, delay=replace(rules.delay, selling_days=longer)), family

    def wage(way: int) -> tuple[Settings, FamilyOutlook]:
        dearer = rules.bench.rate_per_hour * (1 + way * _WAGE)
        return replace(rules, bench=replace(rules.bench, rate_per_hour=dearer)), family

    def fee(way: int) -> tuple[Settings, FamilyOutlook]:
        shares = [min(max(c.percentage_fee + way * _FEE, 0.0), 1.0) for c in rules.channels]
        pairs = zip(rules.channels, shares, strict=True)
        return replace(rules, channels=[replace(c, percentage_fee=f) for c, f in pairs]), family

    def returns(way: int) -> tuple[Settings, FamilyOutlook]:
        more = min(rules.reserve.return_rate * (1 + way * _RETURNS), 1.0)
        return replace(rules, reserve=replace(rules.reserve, return_rate=more)), family

    yield "resale price", "5 % lower", "5 % higher", resale
    if part:
        yield f"price of the {part_words(part)}", "20 % dearer", "20 % cheaper", parts
    yield "repair success", "10 points lower", "10 points higher", success
    yield "time to sell", "a week longer", "a week shorter", days
    yield "bench hour", "20 % dearer", "20 % cheaper", wage
    yield "selling fee", "2 points higher", "2 points lower", fee
    yield "returns", "half as many again", "half as many", returns
