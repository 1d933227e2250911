"""``stop_dates``: four dates that must never be merged into one.

- buy stop: from this month on the maximum bid wins fewer lots than are worth bidding for;
- bid zero: from this month on nothing can be bid;
- repair stop: from this month on repair is worth less than the best alternative, for units owned;
- part stop: the last month in which the part is worth holding in stock.

Each is worked out along every drawn path as the first of two months running, because months
belong together: drawn one by one they would cross far too early.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import ndtri

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.unit.bid import highest_prices
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.options import REPAIR
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Bools, Columns, Floats, Ints
from repair_horizon.tables.months import month_start, months_from
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import AS_LIKELY, percent

BUY_STOP, BID_ZERO, REPAIR_STOP, PART_STOP = "buy stop", "bid zero", "repair stop", "part stop"
EVEN = 0.1
"""Chances this near to a half are as likely as not."""


@dataclass(frozen=True, eq=False)
class StopMonths:
    """One date in every draw: months from the first, ``horizon`` meaning not within it."""

    months: Ints
    horizon: int

    @cached_property
    def _come(self) -> Ints:
        """Draws in which it has come by each month, the horizon the last."""
        counted: Ints = np.bincount(self.months, minlength=self.horizon + 1).cumsum()
        return counted

    def quantile(self, p: float) -> int | None:
        """Quantile in whole months, the first by which such a share has come; None beyond."""
        value = int(np.searchsorted(self._come, p * len(self.months)))
        return None if value >= self.horizon else value

    def probability_by(self, month: int) -> float:
        """Chance that the date has come by ``month`` months from the first; missing beyond."""
        return float((self.months <= month).mean()) if month < self.horizon else float("nan")

    def chances(self) -> list[float]:
        """Chance that it has come by each month of the forecast."""
        by_month: list[float] = (self._come[: self.horizon] / len(self.months)).tolist()
        return by_month


def first_of_two(below: Bools) -> Ints:
    """First month that is below and followed by another, per row; the row length if there is none.

    Parameters
    ----------
    below
        (draws, months).
    """
    horizon = below.shape[1]
    both = below[:, :-1] & below[:, 1:]
    months: Ints = np.where(both.any(axis=1), both.argmax(axis=1), horizon).astype("int64")
    return months


def stop_dates(economics: Economics, level: float = 0.8) -> pd.DataFrame:
    """Four stop dates of every model and listed fault.

    Returns
    -------
    DataFrame
        The declared table ``stop_dates``: months as first days, missing where not within the
        forecast; a reason where nothing can be said.
    """
    rows: list[dict[str, object]] = []
    first, horizon = economics.outlook.first_month, economics.outlook.months
    for family_id in economics.outlook.families:
        needed: list[dict[tuple[str, str], Ints]] = []
        own: list[dict[str, object]] = []
        for unit in economics.units(family_id):
            if isinstance(unit, tuple):
                start = {"model_id": unit[0], "listed_fault": unit[1], "reason": unit[2].reason}
                own += [{**start, "date_name": n} for n in (BUY_STOP, BID_ZERO, REPAIR_STOP)]
                continue
            own += date_rows(unit, unit_stops(unit, highest_prices(unit)), level, first)
            needed.append(needed_until(unit))
        own += part_rows(needed, horizon, level, first)
        rows += [{**row, "family_id": family_id} for row in own]
    return OUTPUTS["stop_dates"].table(rows)


Stops = dict[str, StopMonths | CannotSay]


def unit_stops(unit: UnitEconomics, exact_bids: Floats) -> Stops:
    """Buy stop, bid zero and repair stop of one unit; ``exact_bids`` are its bids per month."""
    return {
        BUY_STOP: buy_stop(unit, exact_bids),
        BID_ZERO: StopMonths(first_of_two(bid_paths(unit, exact_bids) < 0), unit.months),
        REPAIR_STOP: repair_stop(unit.main),
    }


def date_rows(
    unit: UnitEconomics, stops: Stops, level: float, first_month: int
) -> list[dict[str, object]]:
    """Dates of one unit as rows of the date table."""
    start = {"model_id": unit.model_id, "listed_fault": unit.listed_fault, "part_code": ""}
    doubt = unsure(unit.main.certainty, stops[REPAIR_STOP])
    return [
        {
            **start,
            "date_name": name,
            **described(stop, level, first_month),
            "unsure": doubt if name == REPAIR_STOP else "",
        }
        for name, stop in stops.items()
    ]


def unsure(worth: Mapping[str, Floats], stop: StopMonths | CannotSay) -> str:
    """Say that repair may pay now or not, where its worth and most of the draws disagree.

    Parameters
    ----------
    worth
        Certainty equivalent of each option by month, (months,) each.
    stop
        The repair stop.

    Returns
    -------
    str
        Empty where the option that is worth most now is the one that most draws speak for.
    """
    if isinstance(stop, CannotSay):
        return ""
    others = [float(path[0]) for name, path in worth.items() if name != REPAIR]
    leads, stopped = float(worth[REPAIR][0]) > max(others), stop.quantile(0.5) == 0
    if leads != stopped:
        return ""
    share = stop.probability_by(0)
    chance = f"{percent(share)} chance that it has stopped"
    if abs(share - 0.5) <= EVEN:
        return f"{AS_LIKELY} ({chance})"
    return f"worth {'more' if leads else 'less'} on average, yet {chance}"


def stop_chances(stops: Stops, first_month: int) -> Columns:
    """Chance that each date has come by each month: columns ``date_name, month, probability``."""
    found = {name: stop for name, stop in stops.items() if isinstance(stop, StopMonths)}
    months = [stop.horizon for stop in found.values()]
    ahead = [months_from(first_month, count) for count in months]
    return {
        "date_name": np.repeat(np.array(list(found), dtype=object), months),
        "month": np.concatenate([months_from(first_month, 0), *ahead]),
        "probability": np.array([p for stop in found.values() for p in stop.chances()]),
    }


def bid_paths(unit: UnitEconomics, exact_bids: Floats) -> Floats:
    """Bid per draw and month, by the certainty equivalent over a unit's own luck in that draw.

    Parameters
    ----------
    unit
        A model with a listed fault.
    exact_bids
        Unrounded maximum bids by month, (months,); what an owner's limit takes off them is taken
        off every draw's.
    """
    taken_off = exact_bids - unit.exact_bids()
    if not margin_fraction(unit.settings):
        out: Floats = unit.landing.bid_for(unit.certainty_by_draw) + taken_off
        return out
    # Under a tax on the margin the bid moves with worth by its slope around the month's bid.
    worth = unit.value - margin_fraction(unit.settings) * unit.revenue
    slopes = [unit.landing.segment(max(b, 0.0)).a * (1 + unit.landing.kappa) for b in exact_bids]
    moved: Floats = exact_bids + (worth - worth.mean(axis=0)) / np.array(slopes)
    return moved


def buy_stop(unit: UnitEconomics, exact_bids: Floats) -> StopMonths | CannotSay:
    """When the bid wins too rarely: its chance of winning is below ``limits.least_win_chance``."""
    rival = unit.family.rivals.get(unit.listed_fault)
    if rival is None:
        return CannotSay("nothing is known of what others bid for such units")
    at, least = unit.family.models.index(unit.model_id), unit.settings.limits.least_win_chance
    level = unit.family.level[:, at, : unit.months]
    # P(highest rival < bid) < least  <=>  bid < the rival's quantile at that chance.
    least_rival = (rival.log_ratio + rival.spread * float(ndtri(least)))[:, None]
    needed = level * np.exp(least_rival + unit.family.dearer(np.log(level)))
    return StopMonths(first_of_two(bid_paths(unit, exact_bids) < needed), unit.months)


def repair_stop(state: StateOptions) -> StopMonths | CannotSay:
    """When own repair falls below the best alternative for a unit owned in this state."""
    if state.repair is None:
        return CannotSay(state.missing.get("repair", "no repair can be costed"))
    below = state.by_draw(REPAIR) < state.best_alternative()
    return StopMonths(first_of_two(below), below.shape[1])


def needed_until(unit: UnitEconomics) -> dict[tuple[str, str], Ints]:
    """Month in which the last repair needing each part of a unit's model stops, per draw."""
    last: dict[tuple[str, str], Ints] = {}
    for state in unit.states:
        stop = repair_stop(state)
        if isinstance(stop, CannotSay):
            continue
        for code in state.codes:
            key = (unit.model_id, code)
            last[key] = np.maximum(last.get(key, stop.months), stop.months)
    return last


def part_rows(
    needed: Sequence[dict[tuple[str, str], Ints]], horizon: int, level: float, first_month: int
) -> list[dict[str, object]]:
    """Part stop per model and part: the month before the last repair that needs it stops."""
    last: dict[tuple[str, str], Ints] = {}
    for unit in needed:
        for key, months in unit.items():
            last[key] = np.maximum(last.get(key, months), months)
    rows: list[dict[str, object]] = []
    for (model_id, code), months in sorted(last.items()):
        before = np.where(months >= horizon, horizon, np.maximum(months - 1, 0))
        start = {"model_id": model_id, "listed_fault": "", "part_code": code}
        told = described(StopMonths(before, horizon), level, first_month)
        told["probability_now"] = float((months == 0).mean())
        rows.append({**start, "date_name": PART_STOP, **told})
    return rows


def described(stop: StopMonths | CannotSay, level: float, first_month: int) -> dict[str, object]:
    """One date as table entries."""
    if isinstance(stop, CannotSay):
        return {"median": pd.NaT, "lower": pd.NaT, "upper": pd.NaT, "reason": stop.reason}
    tail = (1 - level) / 2
    out: dict[str, object] = {}
    for name, p in (("median", 0.5), ("lower", tail), ("upper", 1 - tail)):
        at = stop.quantile(p)
        out[name] = pd.NaT if at is None else month_start(first_month + at)
    for name, month in (("now", 0), ("3", 3), ("6", 6), ("12", 12)):
        out[f"probability_{name}"] = stop.probability_by(month)
    beyond = out["median"] is pd.NaT
    out["reason"] = f"not within the {stop.horizon} months forecast" if beyond else ""
    return out
