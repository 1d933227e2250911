"""``shelf``: what to do with the units owned, from today's view; what they cost is sunk."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.sale import net_sale, reserve_per_unit
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.disposition import (
    ERASE_BEFORE_SALE,
    HOLD_WEEKS,
    TAKE_OFF_SALE,
    AtGate,
    Interlock,
    break_evens,
    held_value,
    interlock,
    offer_floor,
    stop_loss_hours,
)
from repair_horizon.decisions.unit.economics import Economics, bench_of, unit_under
from repair_horizon.decisions.unit.options import REPAIR
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings

SELL = "sell now"
HOLD = {weeks: f"hold {weeks} weeks" for weeks in HOLD_WEEKS}
WORKING = "working"
GONE = ("sold", "parted", "scrapped", "returned")


def shelf(logs: Logs, economics: Economics) -> pd.DataFrame:
    """Advise on every unit in stock.

    Parameters
    ----------
    logs
        Stock, repairs and catalogue.
    economics
        From ``unit_economics``; its first month is now, and three months let the longest hold be
        judged.

    Returns
    -------
    DataFrame
        The declared table ``shelf``, the dearest delay first. ``value`` is the certainty
        equivalent of the advice with this month's charges. A unit that must be cleared first gets
        neither 'repair' nor a way of selling; where we can clear it ourselves, ``if_cleared`` says
        what would be best then, else no figures are given.
    """
    stock = logs.tables["stock"]
    stock = stock[~stock["status"].isin(GONE)]
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    today = month_start(economics.outlook.first_month)
    graded = logs.tables["repairs"].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    rows = []
    for _, unit in stock.iterrows():
        start = {c: unit[c] for c in ("unit_id", "model_id", "state", "status")}
        start["landed_cost"] = unit["amount"]
        start["days_held"] = max((max(today, logs.newest_day) - unit["buy_date"]).days, 0)
        grade = str(graded["grade_out"].get(unit["unit_id"], ""))
        found = at_gate(unit, str(family[unit["model_id"]]), economics, grade)
        rows.append({**start, **_advised(found, interlock(unit))})
    table = OUTPUTS["shelf"].table(rows)
    return table.sort_values("loss_per_week", ascending=False, ignore_index=True)


def _advised(found: AtGate | CannotSay, stop: Interlock | None) -> dict[str, object]:
    if stop is not None and not stop.by_us:
        return {"advice": stop.advice, "caution": stop.caution, "reason": ""}
    if isinstance(found, CannotSay):
        return {
            "advice": stop.advice if stop else "cannot say",
            "caution": stop.caution if stop else "",
            "reason": found.reason,
        }
    delay, paths = found.rules.delay, found.paths
    now = {n: float(p[0]) for n, p in paths.items()}
    held = {w: held_value(paths, w, delay.capital_rate) for w in HOLD_WEEKS}
    values = {**now, **{HOLD[w]: v for w, v in held.items()}}
    best = max(values, key=lambda k: values[k])
    # Waiting has columns of its own; the next best is another thing to do, if there is one.
    others = [n for n in now if n != best] or [n for n in values if n != best]
    second = max(others, key=lambda k: values[k])
    lead = now[REPAIR] - found.alternative if REPAIR in now else np.nan
    terms = found.terms
    out: dict[str, object] = {
        "advice": best,
        "value": values[best],
        "next_best": second,
        "margin": values[best] - values[second],
        "loss_per_week": max(now.values()) - held_value(paths, 1, delay.capital_rate),
        "caution": "",
        "reason": "",
        "if_cleared": "",
        "offer_floor": offer_floor(
            values[best], terms.kept, terms.fixed + terms.carriage_packaging
        ),
        **{f"hold_{w}_weeks": v for w, v in held.items()},
        **break_evens(found),
    }
    if not np.isnan(lead):
        out["stop_loss_hours"] = stop_loss_hours(found.hours, lead, found.rules.bench.rate_per_hour)
        out["stop_loss_money"] = max(lead, 0.0)
    if stop is not None and stop.before_sale:
        # It orders the work and silences no worth: what comes off sale first is said first.
        first = f"{stop.advice}; then " if stop.advice == TAKE_OFF_SALE else ""
        out |= {"advice": f"{first}{best}, {ERASE_BEFORE_SALE}", "caution": stop.caution}
        out |= {"if_cleared": best}
    elif stop is not None:
        out |= {"advice": stop.advice, "caution": stop.caution, "if_cleared": best}
        out |= {"value": np.nan, "margin": np.nan, "next_best": "", "offer_floor": np.nan}
    return out


def owned_rules(rules: Settings, status: str) -> Settings:
    """Settings from where a unit stands: steps behind it cost neither days nor money any more."""
    if status == "in_transit":
        return rules
    queue = 0.0 if status == "awaiting_part" else rules.delay.queue_days
    delay = replace(rules.delay, inbound_days=0.0, queue_days=queue)
    return replace(rules, delay=delay, bench=replace(rules.bench, test_hours=0.0))


def at_gate(
    unit: pd.Series, family_id: str, economics: Economics, grade: str = ""
) -> AtGate | CannotSay:
    """Find what can be done with a unit owned.

    Parameters
    ----------
    unit
        ``model_id``, ``state`` and ``status`` of stock.csv.
    family_id, economics
        Its family, and the draws.
    grade
        Grade of a working unit; the usual mix if unknown.
    """
    model_id, state = str(unit["model_id"]), str(unit["state"])
    usual = bench_of(economics, family_id, model_id)
    if isinstance(usual, CannotSay):
        return usual
    bench = replace(usual, settings=owned_rules(usual.settings, str(unit["status"])))
    family = bench.outlook
    if state == WORKING:
        return _working(bench, grade)
    for fault in family.shares:
        declared = family.estimates.rates.states
        rows = declared[(declared["listed_fault"] == fault) & (declared["state"] == state)]
        if len(rows):
            return _broken(bench, economics, (model_id, fault, state))
    return CannotSay(f"fault_states.csv has no state {state!r} for the family")


def _broken(bench: Bench, economics: Economics, key: tuple[str, str, str]) -> AtGate:
    model_id, fault, state = key
    worked = unit_under(
        bench.settings, bench.outlook, (model_id, fault), economics.outlook, economics.valuation
    )
    options = next(s for s in worked.states if s.state == state)
    paths = dict(options.certainty)
    return AtGate(bench, fault, paths, options)


def _working(bench: Bench, grade: str) -> AtGate:
    """Selling a working unit: net of its reserve, at its grade, listing and selling days on."""
    delay = bench.settings.delay
    price = bench.price_after(delay.listing_days + delay.selling_days)
    factor = _grade_factor(bench.outlook, bench.settings, grade)
    reserve = reserve_per_unit(bench.settings.reserve)
    net = net_sale(price * factor[:, None], bench.terms, reserve)
    days = delay.listing_days + delay.selling_days
    interest = np.maximum(net, 0.0) * delay.capital_rate * days / 365.0
    return AtGate(bench, "", {SELL: (net - interest).mean(axis=0)}, None)


def _grade_factor(family: FamilyOutlook, rules: Settings, grade: str) -> np.ndarray:
    if grade in family.grade:
        return np.asarray(family.grade[grade])
    factors = np.stack([family.grade[g] for g in rules.grade_order], axis=-1)
    return np.einsum("dg,dg->d", factors, family.grade_shares)
