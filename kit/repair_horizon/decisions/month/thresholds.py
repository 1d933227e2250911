"""``maximum_bid``: the buy thresholds of a month, and which target or limit binds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from repair_horizon.decisions.unit.bid import (
    Outcomes,
    against,
    bid_on_terms,
    hammer_price,
    highest_bids,
    rounded_bid,
    verdict_of,
)
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Columns, quantiles
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.months import month_start, months_from
from repair_horizon.tables.outputs import OUTPUTS


def maximum_bid(economics: Economics) -> pd.DataFrame:
    """Buy thresholds of every model and listed fault in the first month.

    Returns
    -------
    DataFrame
        The declared table ``maximum_bid``. Profit and loss are of a won lot at the price it is won
        at. A model of which nothing can be said has one row with the reason.
    """
    rows: list[dict[str, object]] = []
    for family_id, family in economics.outlook.families.items():
        if isinstance(family, CannotSay):
            silent = Verdict.CANNOT_SAY.value
            rows.append({"family_id": family_id, "verdict": silent, "reason": family.reason})
        for unit in economics.units(family_id):
            rows.append(_unit_row(family_id, unit, month_start(economics.outlook.first_month)))
    return OUTPUTS["maximum_bid"].table(rows)


def _unit_row(
    family_id: str, unit: UnitEconomics | tuple[str, str, CannotSay], month: pd.Timestamp
) -> dict[str, object]:
    """The bid table's row of one unit; with the reason where nothing can be said."""
    if isinstance(unit, UnitEconomics):
        model_id, fault, told = unit.model_id, unit.listed_fault, bid_row(Outcomes(unit, 0))
    else:
        model_id, fault, why = unit
        told = {"verdict": Verdict.CANNOT_SAY.value, "reason": why.reason}
    about = {"family_id": family_id, "model_id": model_id, "listed_fault": fault, "month": month}
    return {**about, **told}


def bid_row(known: Outcomes) -> dict[str, object]:
    """One model and fault in one month as a row of the bid table."""
    bid, hammer = bid_on_terms(known), hammer_price(known.unit, known.month)
    verdict = verdict_of(known, bid)
    why = (bid.reason or against(bid.won, known.unit.settings), known.unit.uncosted_words)
    part = known.unit.quality
    return {
        "max_bid": bid.amount,
        "target_bid": bid.uncapped,
        "exact_bid": bid.exact,
        "binding_limit": bid.binding,
        "limit_cost": bid.limit_cost,
        "probability_win": bid.won.chance,
        "expected_profit": bid.won.profit,
        "profit_per_hour": bid.profit_per_hour,
        "probability_loss": bid.won.probability_loss,
        "won_price": bid.won.price,
        "hammer": hammer[1],
        "hammer_lower": hammer[0],
        "hammer_upper": hammer[2],
        "then": known.unit.then(known.month),
        "part_quality": "" if part is None else part.words,
        "part_rests_on": "" if part is None else part.rests_on,
        "other_quality_cost": float("nan") if part is None else part.other_cost,
        "verdict": verdict.value,
        "reason": "; ".join(filter(None, why)),
    }


def bid_path(unit: UnitEconomics, first_month: int) -> Columns:
    """Maximum bid of one unit by month, beside usual hammer prices.

    Returns
    -------
    dict
        Columns of the declared table ``bid_path``, each (months,). What a bid promises is told
        of the month it is made in, by ``bid_row``.
    """
    bids, bands = highest_bids(unit), unit.hammer_bands
    lower, middle, upper = np.full((3, len(bids)), np.nan) if bands is None else bands
    return {
        "month": months_from(first_month, len(bids)),
        "max_bid": np.array([rounded_bid(bid.exact, unit.settings)[0] for bid in bids]),
        "exact_bid": np.array([bid.exact for bid in bids]),
        "binding_limit": np.array([bid.binding for bid in bids], dtype=object),
        "hammer": middle,
        "hammer_lower": lower,
        "hammer_upper": upper,
    }


OPTION_COLUMNS = ["month", "value", "lower", "upper", "option", "state"]
DISPOSITION_COLUMNS = [
    "family_id",
    "model_id",
    "listed_fault",
    "state",
    "share",
    "option",
    "value",
    "next_best",
    "gain",
    "hours",
]


def disposition_table(economics: Economics) -> pd.DataFrame:
    """What to do this month with a unit bought with a listed fault, by what it may turn out to be.

    Returns
    -------
    DataFrame
        ``DISPOSITION_COLUMNS``: the advised option, its certainty equivalent with the month's
        charges, the next best option and what the advised one gains over it, money; ``hours`` on
        the bench.
    """
    families = economics.outlook.families
    rows = [
        row
        for family_id in families
        for unit in economics.units(family_id)
        if isinstance(unit, UnitEconomics)
        for row in disposition_rows(family_id, unit)
    ]
    return pd.DataFrame(rows, columns=DISPOSITION_COLUMNS)


def disposition_rows(family_id: str, unit: UnitEconomics) -> Iterator[tuple[object, ...]]:
    """Rows of ``DISPOSITION_COLUMNS`` of one unit, one a state."""
    for state in unit.states:
        worth = {n: float(c[0]) for n, c in state.certainty.items()}
        option = state.advised(0)
        others = {n: w for n, w in worth.items() if n != option}
        second = max(others, key=lambda n: others[n], default="")
        gain = worth[option] - others[second] if second else float("nan")
        about = (family_id, unit.model_id, unit.listed_fault, state.state, state.usual)
        yield (*about, option, worth[option], second, gain, state.options[option].hours)


def option_paths(
    state: StateOptions, options: Sequence[str], first_month: int, level: float
) -> Columns:
    """Worth of options of an owned unit in one state by month, with intervals.

    Returns
    -------
    dict
        Columns ``month, value, lower, upper, option, state``, each (options x months,); ``value``
        is the certainty equivalent.
    """
    if not options:
        return {column: np.array([]) for column in OPTION_COLUMNS}
    tail = (1 - level) / 2
    worth = [state.certainty[name] for name in options]
    ends = [quantiles(state.by_draw(name), [tail, 1 - tail]) for name in options]
    count = len(worth[0])
    lower, upper = np.concatenate(ends, axis=1)
    return {
        "month": np.tile(months_from(first_month, count), len(options)),
        "value": np.concatenate(worth),
        "lower": lower,
        "upper": upper,
        "option": np.repeat(np.array(options, dtype=object), count),
        "state": np.full(count * len(options), state.state, dtype=object),
    }
