"""What to do, as a family's tables: bids, dates, options, end states, where the money goes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.month.opportunity_cost import listings_per_month
from repair_horizon.decisions.month.questions_asked import bid_moves, turning_points
from repair_horizon.decisions.month.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    REPAIR_STOP,
    chance_table,
    date_rows,
    needed_until,
    part_rows,
    unit_stops,
)
from repair_horizon.decisions.month.thresholds import bid_rows, option_paths
from repair_horizon.decisions.unit.bid import hammer_price
from repair_horizon.decisions.unit.bid_limits import break_even_bids
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.options import AS_IS, MAKER, PART_OUT, REPAIR
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.reports.month_tables import LEVEL, UNIT, earnings, stacked
from repair_horizon.reports.worked import Worked
from repair_horizon.tables.codes import Confidence, Verdict
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import part_words


@dataclass(frozen=True, eq=False)
class _Decided:
    """One model and listed fault: its tables, and its rows of stop_dates and thresholds."""

    tables: dict[str, pd.DataFrame]
    dates: list[dict[str, object]]
    threshold: dict[str, object]


def tables(worked: Worked, models: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Work the units out one after the other, keeping their tables and not their draws."""
    economics = worked.shop.economics(worked.family_id, worked.first_month)
    about = models.set_index("model_id")
    done, needed, unsaid = [], [], []
    for unit in economics.units(worked.family_id):
        if isinstance(unit, UnitEconomics):
            done.append(_decided(worked, unit, about.loc[unit.model_id]))
            needed.append(needed_until(unit))
        else:
            unsaid.append(unit)
    if not done and not unsaid:
        why = CannotSay("fault_states.csv names no fault for the family")
        why = worked.family if isinstance(worked.family, CannotSay) else why
        unsaid = [(str(m), "", why) for m in models["model_id"]]
    dates = [row for d in done for row in d.dates]
    dates += part_rows(needed, economics.outlook.months, LEVEL, worked.first_month)
    rows = [d.threshold for d in done]
    for model_id, fault, why in unsaid:
        row = {"model_id": model_id, "listed_fault": fault, "reason": why.reason}
        stops = (BUY_STOP, BID_ZERO, REPAIR_STOP)
        dates += [{**row, "part_code": "", "date_name": name} for name in stops]
        verdict = {"confidence": Confidence.CANNOT_SAY, "verdict": Verdict.CANNOT_SAY}
        rows.append({**row, **verdict, **about.loc[model_id, ["n_sales", "model_name"]]})
    names = ("bid_path", "stop_chances", "options", "end_states", "waterfall")
    return {
        **{name: stacked([d.tables[name] for d in done], name) for name in names},
        "stop_dates": OUTPUTS["stop_dates"].table(dates).assign(family_id=worked.family_id),
        "thresholds": _with_earnings(OUTPUTS["thresholds"].table(rows), worked),
    }


def _decided(worked: Worked, unit: UnitEconomics, model: pd.Series) -> _Decided:
    """Work out one unit; the unit itself, large with its draws, can then be let go."""
    rows = bid_rows(worked.family_id, unit, worked.first_month, None)
    bids = OUTPUTS["bid_path"].table(rows)
    exact = bids["exact_bid"].to_numpy(float)
    stops = unit_stops(unit, exact)
    dates = date_rows(unit, stops, LEVEL, worked.first_month)
    by_unit = {
        "stop_chances": chance_table(stops, worked.first_month),
        "options": _options(worked, unit),
        "end_states": _end_states(unit),
        "waterfall": _waterfall(unit, float(exact[0])),
    }
    key = {"model_id": unit.model_id, "listed_fault": unit.listed_fault}
    named = {name: table.assign(**key) for name, table in by_unit.items()}
    columns = OUTPUTS["thresholds"].names
    threshold = {c: v for c, v in bids.iloc[0].items() if c in columns}
    by_date = {str(d["date_name"]): d for d in dates}
    for name, date in (("buy_stop", BUY_STOP), ("repair_stop", REPAIR_STOP)):
        threshold |= {f"{name}_{end}": by_date[date][end] for end in ("lower", "median", "upper")}
    threshold |= {
        "bid_next_month": bids["max_bid"].iloc[min(1, len(bids) - 1)],
        "main_state": unit.main.state,
        **model[["n_sales", "confidence", "model_name"]],
    }
    return _Decided({"bid_path": bids, **named}, dates, threshold)


def _with_earnings(table: pd.DataFrame, worked: Worked) -> pd.DataFrame:
    """Add the family, listings a month, and what the model and fault earns on average a month."""
    logs = worked.shop.logs
    rates = listings_per_month(logs.tables["listings"], logs.newest_day)
    keys = pd.MultiIndex.from_frame(table[UNIT].astype(str))
    per_month = rates.reindex(keys).to_numpy(float) if len(rates) else np.nan
    earned = {"listings_per_month": per_month, "earns_per_month": earnings(table) * per_month}
    return table.assign(family_id=worked.family_id, **earned)


def _options(worked: Worked, unit: UnitEconomics) -> pd.DataFrame:
    """Value of every option for a unit owned in its main state, by month, with an interval."""
    known = unit.main.options
    names = [n for n in (REPAIR, AS_IS, PART_OUT, MAKER) if n in known] or list(known)
    return option_paths(unit.main, names, worked.first_month, LEVEL)


def _end_states(unit: UnitEconomics) -> pd.DataFrame:
    """Where a unit bought this month may end: share, value, and the bid that breaks even."""
    states, landing = unit.end_states(0), unit.landing
    share = states.weight.sum(axis=0)
    safe = np.maximum(share, 1e-12)
    theta = margin_fraction(unit.settings)
    even = break_even_bids(states, landing.segments[0], landing.kappa, theta)
    return pd.DataFrame(unit.labels(0), columns=["state", "action"]).assign(
        share=share,
        value=(states.weight * states.value).sum(axis=0) / safe,
        break_even_bid=(states.weight * even).sum(axis=0) / safe,
    )


def _waterfall(unit: UnitEconomics, exact_bid: float) -> pd.DataFrame:
    """Where the money goes, from the resale price of a repaired unit down to the maximum bid.

    For a unit in the main state that repair mends, at its expected grade; the step 'other states
    and failures' is what separates that unit from the expected one, so the lines add up exactly.
    """
    option, columns = unit.main.repair, ["line", "amount", "kind"]
    if option is None:
        return pd.DataFrame(columns=columns)
    shares = option.grade_shares
    price = float((option.price_by_grade[:, 0] * shares).sum(axis=1).mean())
    good = float((option.by_grade[:, 0] * shares).sum(axis=1).mean())
    spent = {k: float(np.mean(v[:, 0] if np.ndim(v) > 1 else v)) for k, v in option.lines.items()}
    testing = unit.test_hours * unit.wage
    charge = unit.valuation.charge(option.hours + unit.test_hours)
    if charge:
        spent["charge for scarce bench hours"] = charge
    worth = float(unit.value[:, 0].mean())
    bid = max(exact_bid, 0.0)
    buying = unit.landing.landed(bid) * (1 + unit.landing.kappa) - bid
    less = {
        "selling and reserves": price - good - sum(spent.values()) - testing,
        **spent,
        "testing": testing,
        "other states and failures": good - worth,
        "premium, carriage, cash tied up": buying,
        "risk, target and tax": worth - buying - bid,
    }
    steps = [("resale price, repaired", price, "start")]
    steps += [(line, -amount, "less") for line, amount in less.items()]
    return pd.DataFrame([*steps, ("maximum bid", bid, "result")], columns=columns)


def turning_words(economics: Economics, unit: UnitEconomics) -> str:
    """Say which single change would bring the bid to the usual hammer price; empty if unknown."""
    usual = hammer_price(unit, 0)[1]
    if np.isnan(usual):
        return ""
    moves = bid_moves(economics, unit)
    moves = replace(moves, part_code=part_words(moves.part_code) if moves.part_code else "")
    return turning_points(usual - unit.exact_bid(0), moves)
