"""What the explorer answers about one listing: tables worked out anew after every move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.month.questions_asked import question_at
from repair_horizon.decisions.month.stop_dates import (
    date_rows,
    needed_until,
    part_rows,
    unit_stops,
)
from repair_horizon.decisions.month.thresholds import bid_row
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves
from repair_horizon.decisions.unit.bid import bid_on_terms, outcomes, unit_bid, verdict_of
from repair_horizon.decisions.unit.disposition import HOLD_WEEKS, AtGate, break_evens, held_value
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.reports.month_tables import LEVEL
from repair_horizon.reports.worked import Key, Worked, unit_of
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS

KEEP = "keep "


@dataclass(frozen=True)
class Headline:
    """The month's threshold and what buying at ``price`` brings; money and shares.

    ``verdict`` is the one every other face tells. ``price`` is the price asked about, or the mean
    price at which the maximum bid wins, which it does with ``probability_win``. ``ask`` is the
    state worth asking the seller about, empty if no answer would change anything, and
    ``ask_value`` what the answer is worth.
    """

    max_bid: float
    verdict: Verdict
    binding_limit: str
    reason: str
    price: float
    probability_win: float
    expected_profit: float
    profit_per_hour: float
    probability_loss: float
    ask: str
    ask_value: float


@dataclass(frozen=True, eq=False)
class Answers:
    """Everything the explorer shows of one listing.

    - ``now``, ``before``: headlines with and without the moves.
    - ``bid_path``: month, max_bid, bid_before, binding_limit, hammer, hammer_lower, hammer_upper.
    - ``options``: state, share, option, value, lower, upper, best, margin (over the next best
      other than waiting, on the best row only): an owned unit in that state this month, future
      cash only.
    - ``stops``: the columns of ``stop_dates``, for this unit and the parts it needs.
    - ``limits``: what (success rate, part price, maker's quote), now, until: how far each may
      worsen before own repair of the main state stops paying.
    """

    key: Key
    main_state: str
    now: Headline
    before: Headline
    bid_path: pd.DataFrame
    options: pd.DataFrame
    stops: pd.DataFrame
    limits: pd.DataFrame


def answers(
    worked: Worked, key: Key, moves: Moves = NO_MOVES, price: float | None = None
) -> Answers | CannotSay:
    """Answer for one listing under changed assumptions.

    Parameters
    ----------
    worked
        From ``worked_out``.
    key
        (model_id, listed_fault).
    moves
        What is assumed to differ.
    price
        Price in mind, money; the threshold's own if None.

    Returns
    -------
    Answers or CannotSay
    """
    economics = worked.economics(moves)
    unit = unit_of(economics, worked.family_id, key)
    plain = unit_of(worked.economics(NO_MOVES), worked.family_id, key)
    if isinstance(unit, CannotSay) or isinstance(plain, CannotSay):
        return unit if isinstance(unit, CannotSay) else plain  # type: ignore[return-value]
    return Answers(
        key,
        unit.main.state,
        headline(unit, price),
        headline(plain, price),
        bid_path(unit, plain, worked.outlook.first_month),
        option_table(unit),
        stop_table(unit, worked.outlook.first_month),
        limit_table(economics, worked.family_id, unit),
    )


def headline(unit: UnitEconomics, price: float | None = None) -> Headline:
    """Return the month's threshold, and what buying at a price brings."""
    known = outcomes(unit, 0)
    bid = bid_on_terms(known)
    won = bid.won if price is None else known.bought(unit.landing, price)
    theta = margin_fraction(unit.settings)
    ask = question_at(known, unit.landing, bid.amount if price is None else price, theta)
    return Headline(
        bid.amount,
        verdict_of(known, bid),
        bid.binding,
        bid.reason,
        won.price,
        bid.won.chance,
        won.profit,
        won.profit / known.hours if known.hours else np.nan,
        won.probability_loss,
        ask.state,
        ask.value,
    )


def bid_path(unit: UnitEconomics, plain: UnitEconomics, first_month: int) -> pd.DataFrame:
    """Threshold by month with and without the moves, beside usual hammer prices."""
    rows = [
        {
            "month": month_start(first_month + h),
            **bid_row(outcomes(unit, h)),
            "bid_before": unit_bid(plain, h).amount,
        }
        for h in range(unit.months)
    ]
    return pd.DataFrame(rows)


def option_table(unit: UnitEconomics) -> pd.DataFrame:
    """Worth of every option in every state this month, the winner marked."""
    return pd.concat([_state_options(unit, s) for s in unit.states], ignore_index=True)


def _state_options(unit: UnitEconomics, state: StateOptions) -> pd.DataFrame:
    tail, rows = (1 - LEVEL) / 2, []
    for name in state.options:
        drawn = state.by_draw(name)[:, 0]
        lower, upper = np.quantile(drawn, [tail, 1 - tail])
        rows.append((name, float(state.certainty[name][0]), float(lower), float(upper)))
    paths = dict(state.certainty)
    rate = unit.settings.delay.capital_rate
    rows += [(f"{KEEP}{w} weeks", held_value(paths, w, rate), np.nan, np.nan) for w in HOLD_WEEKS]
    table = pd.DataFrame(rows, columns=["option", "value", "lower", "upper"])
    table = table.sort_values("value", ascending=False, kind="stable", ignore_index=True)
    best = table.index == 0
    # Waiting is the same options later, so it is no rival to the winner.
    rivals = table.loc[~best & ~table["option"].str.startswith(KEEP), "value"]
    lead = float(table["value"].iloc[0] - rivals.iloc[0]) if len(rivals) else np.nan
    about = {"state": state.state, "share": float(state.share.mean()), "best": best}
    return table.assign(**about, margin=np.where(best, lead, np.nan))


def stop_table(unit: UnitEconomics, first_month: int) -> pd.DataFrame:
    """Stop dates of the unit and of the parts its states need."""
    exact = np.array([unit_bid(unit, h).exact for h in range(unit.months)])
    rows = date_rows(unit, unit_stops(unit, exact), LEVEL, first_month)
    rows += part_rows([needed_until(unit)], unit.months, LEVEL, first_month)
    table = OUTPUTS["stop_dates"].table(rows)
    for name in ("median", "lower", "upper"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[s]")
    return table


def limit_table(economics: Economics, family_id: str, unit: UnitEconomics) -> pd.DataFrame:
    """How far success, the main part and the maker's quote may worsen before repair stops."""
    columns = ["what", "now", "until"]
    bench = bench_of(economics, family_id, unit.model_id)
    repair = unit.main.repair
    if isinstance(bench, CannotSay) or repair is None:
        return pd.DataFrame(columns=columns)
    paths = dict(unit.main.certainty)
    found = break_evens(AtGate(bench, unit.listed_fault, paths, unit.main))
    code = str(found["part_code"])
    path = bench.part(code) if code else None
    rows: list[tuple[str, object, object]] = [
        ("success rate", float(repair.success.mean()), found["break_even_success"]),
        ("maker's quote", np.nan, found["break_even_maker_quote"]),
    ]
    if path is not None:
        row = (f"part {code}", float(path.price[:, 0].mean()), found["break_even_part_price"])
        rows.insert(1, row)
    return pd.DataFrame(rows, columns=columns)
