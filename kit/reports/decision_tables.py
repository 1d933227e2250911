"""Tables of what to do: bids, dates, options, end states, and where the money goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.decisions.bidding import break_even_bids
from kit.decisions.options import AS_IS, MAKER, PART_OUT, REPAIR
from kit.decisions.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    REPAIR_STOP,
    STOP_COLUMNS,
    chance_table,
    date_rows,
    unit_stops,
)
from kit.decisions.thresholds import BID_COLUMNS, bid_row
from kit.decisions.unit import UnitEconomics
from kit.decisions.unit_bid import hammer_price, margin_fraction, unit_bid
from kit.logs.months import month_start
from kit.reports.waterfall_table import COLUMNS as WATERFALL_COLUMNS
from kit.reports.waterfall_table import waterfall_table
from kit.reports.worked import Worked

BUY, CAP, OWN_STOCK, STOP, SILENT = "buy", "cap", "own stock only", "stop", "cannot say"
THRESHOLD_COLUMNS = [
    "family_id",
    "model_id",
    "listed_fault",
    "max_bid",
    "binding_limit",
    "expected_profit",
    "probability_loss",
    "bid_next_month",
    "buy_stop_lower",
    "buy_stop_median",
    "buy_stop_upper",
    "repair_stop_lower",
    "repair_stop_median",
    "repair_stop_upper",
    "n_sales",
    "confidence",
    "reason",
]
_EXTRA = ["model_name", "verdict", "assumed_price", "profit_per_hour", "hammer", "main_state"]
_UNIT = ["model_id", "listed_fault"]
UNIT_COLUMNS = {
    "bid_path": BID_COLUMNS,
    "stop_chances": [*_UNIT, "date_name", "month", "probability"],
    "options": [*_UNIT, "state", "month", "option", "value", "lower", "upper"],
    "end_states": [*_UNIT, "state", "action", "share", "value", "break_even_bid"],
    "waterfall": WATERFALL_COLUMNS,
}
_SINGLE_LOT_Z = 1.2816


@dataclass(frozen=True, eq=False)
class UnitTables:
    """Rows of every decision table for one model and listed fault."""

    bid_path: pd.DataFrame
    stop_chances: pd.DataFrame
    dates: list[dict[str, object]]
    threshold: dict[str, object]
    options: pd.DataFrame
    end_states: pd.DataFrame
    waterfall: pd.DataFrame


def unit_tables(worked: Worked, unit: UnitEconomics, model: pd.Series) -> UnitTables:
    """Work out one unit; the unit itself, large with its draws, can then be let go."""
    bids = bid_table(worked, unit)
    exact = bids["exact_bid"].to_numpy(float)
    stops = unit_stops(unit, exact)
    dates = date_rows(unit, stops, worked.level, worked.first_month)
    return UnitTables(
        bids,
        _named(unit, chance_table(stops, worked.first_month)),
        dates,
        _threshold(unit, (bids, dates), model),
        option_table(worked, unit),
        end_state_table(unit),
        waterfall_table(unit, float(exact[0])),
    )


def bid_table(worked: Worked, unit: UnitEconomics) -> pd.DataFrame:
    """Thresholds by month; see ``kit.decisions.thresholds``."""
    start = {"family_id": worked.family_id}
    start |= {"model_id": unit.model_id, "listed_fault": unit.listed_fault}
    rows = [
        {
            **start,
            "month": month_start(worked.first_month + h),
            **bid_row(unit_bid(unit, h), hammer_price(unit, h)),
        }
        for h in range(unit.months)
    ]
    return pd.DataFrame(rows, columns=BID_COLUMNS)


def date_table(worked: Worked, rows: list[dict[str, object]]) -> pd.DataFrame:
    """Four stop dates by model and fault or part; see ``kit.decisions.stop_dates``."""
    for model_id, fault, why in worked.unsaid:
        for name in (BUY_STOP, BID_ZERO, REPAIR_STOP):
            row = {"model_id": model_id, "listed_fault": fault, "part_code": ""}
            rows.append({**row, "date_name": name, "reason": why.reason})
    table = pd.DataFrame(rows, columns=STOP_COLUMNS).assign(family_id=worked.family_id)
    for name in ("median", "lower", "upper"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[s]")
    return table


def threshold_table(
    worked: Worked, rows: list[dict[str, object]], models: pd.DataFrame
) -> pd.DataFrame:
    """One row per model and listed fault: this month's threshold, its verdict and dates."""
    about = models.set_index("model_id")
    for model_id, fault, why in worked.unsaid:
        model = about.loc[model_id]
        rows.append(
            {
                "model_id": model_id,
                "listed_fault": fault,
                "n_sales": model["n_sales"],
                "confidence": SILENT,
                "reason": why.reason,
                "model_name": model["model_name"],
                "verdict": SILENT,
            }
        )
    table = pd.DataFrame(rows, columns=THRESHOLD_COLUMNS + _EXTRA)
    for name in [c for c in THRESHOLD_COLUMNS if "_stop_" in c]:
        table[name] = pd.to_datetime(table[name]).astype("datetime64[s]")
    return table.assign(family_id=worked.family_id)


def _threshold(
    unit: UnitEconomics, tables: tuple[pd.DataFrame, list[dict[str, object]]], model: pd.Series
) -> dict[str, object]:
    bids, dates = tables
    now, following = bids.iloc[0], bids.iloc[min(1, len(bids) - 1)]
    out: dict[str, object] = {
        c: now[c] for c in bids.columns if c in THRESHOLD_COLUMNS or c in _EXTRA
    }
    by = {str(d["date_name"]): d for d in dates}
    for name, date in (("buy_stop", BUY_STOP), ("repair_stop", REPAIR_STOP)):
        for end in ("lower", "median", "upper"):
            out[f"{name}_{end}"] = by[date][end]
    stopped = float(by[REPAIR_STOP].get("probability_now", 1.0)) > 0.5  # type: ignore[arg-type]
    return out | {
        "bid_next_month": following["max_bid"],
        "n_sales": model["n_sales"],
        "confidence": model["confidence"],
        "model_name": model["model_name"],
        "verdict": _verdict(unit, float(now["max_bid"]), stopped),
        "main_state": unit.main.state,
    }


def _verdict(unit: UnitEconomics, bid: float, repair_stopped: bool) -> str:
    """Buy at the usual price, cap below it, mend only what is owned, or stop.

    'cap' needs about one lot in ten to go below the threshold, judged by how widely single
    hammer prices spread.
    """
    usual = hammer_price(unit, 0)[1]
    if bid > 0 and (np.isnan(usual) or bid >= usual):
        return BUY
    spread = unit.family.estimates.hammer
    noise = float(spread["noise"].iloc[0]) if len(spread) else 0.0
    if bid > 0 and bid >= usual * np.exp(-_SINGLE_LOT_Z * noise):
        return CAP
    return STOP if repair_stopped else OWN_STOCK


def hammer_table(worked: Worked) -> pd.DataFrame:
    """Hammer prices seen, with what became of the lots."""
    listings = worked.logs.family(worked.family_id).tables["listings"]
    seen = listings[listings["final_price"] > 0]
    columns = ["model_id", "listed_fault", "end_time", "final_price", "result"]
    return seen[columns].sort_values("end_time", ignore_index=True)


def option_table(worked: Worked, unit: UnitEconomics) -> pd.DataFrame:
    """Value of every option for a unit owned in its main state, by month, with an interval."""
    tail = (1 - worked.level) / 2
    months = pd.DatetimeIndex([month_start(worked.first_month + h) for h in range(unit.months)])
    options = unit.main.options
    names = [n for n in (REPAIR, AS_IS, PART_OUT, MAKER) if n in options]
    bands = [np.quantile(options[n].value, [tail, 1 - tail], axis=0) for n in names]
    return pd.DataFrame(
        {
            "model_id": unit.model_id,
            "listed_fault": unit.listed_fault,
            "month": np.tile(months.to_numpy(), len(names)),
            "value": np.concatenate([options[n].value.mean(axis=0) for n in names]),
            "lower": np.concatenate([b[0] for b in bands]),
            "upper": np.concatenate([b[1] for b in bands]),
            "option": np.repeat(names, unit.months),
            "state": unit.main.state,
        }
    )


def _named(unit: UnitEconomics, table: pd.DataFrame) -> pd.DataFrame:
    table.insert(0, "model_id", unit.model_id)
    table.insert(1, "listed_fault", unit.listed_fault)
    return table


def end_state_table(unit: UnitEconomics) -> pd.DataFrame:
    """Where a unit bought this month may end: share, value, and the bid that breaks even."""
    states = unit.end_states(0)
    share = states.weight.sum(axis=0)
    safe = np.maximum(share, 1e-12)
    even = break_even_bids(
        states, unit.landing.segments[0], unit.landing.kappa, margin_fraction(unit.settings)
    )
    table = pd.DataFrame(unit.labels(0), columns=["state", "action"])
    return _named(
        unit,
        table.assign(
            share=share,
            value=(states.weight * states.value).sum(axis=0) / safe,
            break_even_bid=(states.weight * even).sum(axis=0) / safe,
        ),
    )
