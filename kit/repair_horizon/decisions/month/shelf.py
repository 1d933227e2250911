"""Units owned: ``shelf``, what to do with them, and ``asking``, what to ask for those on sale.

Of a listed unit it is told what to ask, when to mark it down, and in which channel it sells best.
Fortnight by fortnight the price is chosen that is worth most from there on, waiting included:

    V_k = max over a of  p_k(a) net(a X_k) + (1 - p_k(a)) (1 - w) V_(k+1)

with X_k the level of such a unit then, p_k(a) the chance that it sells within the fortnight when
asked at a times the level (``estimation.time_on_market``), w what a fortnight's waiting costs in
interest and in cash that is short this month. The ratio a stays within what was asked so far:
beyond it nobody knows what buyers do. After the last fortnight the unit goes at the lowest ratio.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.sale import SaleTerms, net_sale, reserve_per_unit, sale_terms
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
from repair_horizon.estimation.time_on_market import TimeOnMarket
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.consequences import GONE as GONE
from repair_horizon.logs.consequences import WORKING
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Action
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings

SELL = "sell now"
HOLD = {weeks: f"hold {weeks} weeks" for weeks in HOLD_WEEKS}


def shelf(logs: Logs, economics: Economics) -> pd.DataFrame:
    """Advise on every unit in stock.

    Parameters
    ----------
    logs
        Stock, repairs and catalogue.
    economics
        Of the families; its first month is now, and three months let the longest hold be
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
    today = month_start(economics.outlook.first_month)
    graded = logs.tables["repairs"].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    rows = []
    for _, unit in stock.iterrows():
        start = {c: unit[c] for c in ("unit_id", "model_id", "state", "status")}
        start["landed_cost"] = unit["amount"]
        start["days_held"] = max((max(today, logs.newest_day) - unit["buy_date"]).days, 0)
        grade = str(graded["grade_out"].get(unit["unit_id"], ""))
        found = at_gate(unit, logs.family_of[unit["model_id"]], economics, grade)
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
        out |= {
            "advice": f"{first}{Action.worded(best)}, {ERASE_BEFORE_SALE}",
            "caution": stop.caution,
        }
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


def workable(logs: Logs, economics: Economics) -> Iterator[tuple[pd.Series, str, AtGate]]:
    """Units owned that work may go on with, each with its family and what can be done with it."""
    stock = logs.tables["stock"]
    for _, unit in stock[~stock["status"].isin(GONE)].iterrows():
        stop, family_id = interlock(unit), logs.family_of[unit["model_id"]]
        if stop is None or stop.before_sale:
            found = at_gate(unit, family_id, economics)
            if not isinstance(found, CannotSay):
                yield unit, family_id, found


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
    price = bench.price_after(delay.ready_days)
    factor = np.asarray(bench.outlook.grade.get(grade, bench.usual_grade))
    reserve = reserve_per_unit(bench.settings.reserve)
    net = net_sale(price * factor[:, None], bench.terms, reserve)
    interest = np.maximum(net, 0.0) * delay.capital_rate * delay.ready_days / 365.0
    return AtGate(bench, "", {SELL: (net - interest).mean(axis=0)}, None)


PERIOD_DAYS, PERIODS, RATIOS = 14, 9, 61
LEAST_STEP = 0.03
LISTED = "listed"


@dataclass(frozen=True, eq=False)
class AskPath:
    """Prices to ask by fortnight, (PERIODS,), the worth of asking them, and days to sale."""

    asks: Floats
    worth: float
    days: float

    def mark_downs(self) -> str:
        """Say when the price falls, and to what, in words; empty where it stays."""
        told, last = [], float(self.asks[0])
        for k, ask in enumerate(self.asks[1:], 1):
            if ask <= last * (1.0 - LEAST_STEP):
                told.append(f"to {ask:.0f} after {k * PERIOD_DAYS} days")
                last = float(ask)
        return "; ".join(told)


def ask_path(
    level: Floats,
    market: TimeOnMarket,
    log_hazard: float,
    since: int,
    terms: SaleTerms,
    reserve: float,
    waiting: float,
) -> AskPath:
    """Choose the price of every fortnight.

    Parameters
    ----------
    level
        Level of the unit by fortnight from now, one more than there are, money.
    market
        Days to sale.
    log_hazard
        Log hazard of the unit's channel and class.
    since
        Days it has been listed already.
    terms, reserve
        Costs of the channel; returns and warranty put aside.
    waiting
        Share of the worth that a day of waiting costs.

    Returns
    -------
    AskPath
        Asks never rise; rounded to whole money above 20.
    """
    ratios = np.linspace(market.lowest, market.highest, RATIOS)
    # Slope and channel act alike on every day, so one baseline serves all ratios.
    risk = np.exp(log_hazard + ratios * market.mean[0])
    edges = since + PERIOD_DAYS * np.arange(PERIODS + 1)
    steps = np.diff(market.cumulative(edges))
    sells = 1.0 - np.exp(-steps[:, None] * risk[None, :])
    net = net_sale(level[:PERIODS, None] * np.exp(ratios) * market.reached, terms, reserve)
    # Sold in mid-fortnight on average.
    net = net * (1.0 - waiting * PERIOD_DAYS / 2)
    last = float(net_sale(level[-1:] * np.exp(market.lowest) * market.reached, terms, reserve)[0])
    value, best = np.empty(PERIODS + 1), np.empty(PERIODS, dtype="int64")
    value[-1] = last
    for k in reversed(range(PERIODS)):
        later = value[k + 1] * (1.0 - waiting * PERIOD_DAYS)
        worth = sells[k] * net[k] + (1.0 - sells[k]) * later
        best[k] = int(np.argmax(worth))
        value[k] = worth[best[k]]
    asks = np.minimum.accumulate(level[:PERIODS] * np.exp(ratios[best]))
    chance = sells[np.arange(PERIODS), best]
    left = np.concatenate([[1.0], np.cumprod(1.0 - chance)])
    days = PERIOD_DAYS * float(np.sum((left[1:] + left[:-1]) / 2)) + left[-1] * PERIOD_DAYS
    whole = np.where(asks > 20, np.round(asks), np.round(asks, 2))
    return AskPath(whole, float(value[0]), days)


def asking(logs: Logs, economics: Economics, market: TimeOnMarket) -> pd.DataFrame:
    """Ask price, markdown path and best channel of every listed unit.

    Parameters
    ----------
    logs
        stock.csv: units that are listed; repairs.csv names their grades.
    economics
        Of the families; three months or more.
    market
        Days to sale.

    Returns
    -------
    DataFrame
        The declared table ``asking_prices``, in stock's order. A unit that must come off sale
        first still gets its price.
    """
    stock = logs.tables["stock"]
    stock = stock[stock["status"] == LISTED]
    graded = logs.tables["repairs"].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    rows = []
    for unit in stock.to_dict("records"):
        since = unit["listed_date"]
        days = 0 if pd.isna(since) else max((logs.newest_day - since).days, 0)
        start = {c: unit[c] for c in ("unit_id", "model_id", "state")}
        start |= {"asked_now": unit["asking_amount"], "days_listed": days}
        bench = bench_of(economics, logs.family_of[unit["model_id"]], str(unit["model_id"]))
        if isinstance(bench, CannotSay):
            rows.append({**start, "reason": bench.reason})
            continue
        grade = str(graded["grade_out"].get(unit["unit_id"], ""))
        day = f"{month_start(economics.outlook.first_month):%Y-%m-%d}"
        rows.append({**start, **_best_channel(bench, market, str(unit["state"]), grade, days, day)})
    return OUTPUTS["asking_prices"].table(rows)


def _best_channel(
    bench: Bench, market: TimeOnMarket, state: str, grade: str, days: int, day: str
) -> dict[str, object]:
    """Compare the channels the settings name and prices are known for."""
    family, rules = bench.outlook, bench.settings
    if state != WORKING and state not in family.as_is:
        return {"reason": f"no price is known of a unit with {state}"}
    level, kind = _level(bench, state, grade), family.estimates.device_class
    names = list(dict.fromkeys(c.name for c in rules.channels)) or [""]
    reserve = reserve_per_unit(rules.reserve) if state == WORKING else 0.0
    waiting = rules.delay.capital_rate / 365.0 + bench.valuation.cash_day
    found: dict[str, AskPath] = {}
    for name in names:
        if name not in family.channel and name != rules.planned_channel:
            continue
        factor = float(family.channel[name].mean()) if name in family.channel else 1.0
        terms = sale_terms(replace(rules, sale=replace(rules.sale, channel=name)), day)
        hazard = float(market.log_hazard(0.0, name, kind))
        found[name] = ask_path(level * factor, market, hazard, days, terms, reserve, waiting)
    if not found:
        return {"reason": "no channel of settings.toml has a price"}
    order = sorted(found, key=lambda n: -found[n].worth)
    best = found[order[0]]
    return {
        "channel": order[0],
        "ask_price": float(best.asks[0]),
        "mark_down": best.mark_downs(),
        "days_expected": best.days,
        "net_expected": best.worth,
        "next_channel": order[1] if len(order) > 1 else "",
        "next_net": found[order[1]].worth if len(order) > 1 else float("nan"),
        "reason": "",
    }


def _level(bench: Bench, state: str, grade: str) -> Floats:
    """Mean level of the unit by fortnight at the usual channel, (PERIODS + 1,), money."""
    family = bench.outlook
    at = family.models.index(bench.model_id)
    months = PERIOD_DAYS * np.arange(PERIODS + 1) / bench.settings.month_days
    path = np.log(family.level[:, at]).mean(axis=0)
    level = np.exp(np.interp(months, np.arange(len(path)), path))
    if state != WORKING:
        return np.asarray(level * float(np.median(family.as_is[state])))
    if grade in family.grade:
        return np.asarray(level * float(np.median(family.grade[grade])))
    return np.asarray(level * bench.grade_mix)
