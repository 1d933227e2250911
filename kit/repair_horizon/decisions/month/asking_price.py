"""What to ask for a listed unit, when to mark it down, and in which channel it sells best.

Fortnight by fortnight the price is chosen that is worth most from there on, waiting included:

    V_k = max over a of  p_k(a) net(a X_k) + (1 - p_k(a)) (1 - w) V_(k+1)

with X_k the level of such a unit then, p_k(a) the chance that it sells within the fortnight when
asked at a times the level (``estimation.time_on_market``), w what a fortnight's waiting costs in
interest and in cash that is short this month. The ratio a stays within what was asked so far:
beyond it nobody knows what buyers do. After the last fortnight the unit goes at the lowest ratio.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.costs.sale import SaleTerms, net_sale, reserve_per_unit, sale_terms
from repair_horizon.decisions.month.shelf import WORKING
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.estimation.time_on_market import TimeOnMarket
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS

Floats = npt.NDArray[np.float64]

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
        From ``unit_economics``; three months or more.
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
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    graded = logs.tables["repairs"].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    rows = []
    for unit in stock.to_dict("records"):
        since = unit["listed_date"]
        days = 0 if pd.isna(since) else max((logs.newest_day - since).days, 0)
        start = {c: unit[c] for c in ("unit_id", "model_id", "state")}
        start |= {"asked_now": unit["asking_amount"], "days_listed": days}
        bench = bench_of(economics, str(family[unit["model_id"]]), str(unit["model_id"]))
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
    names = list(dict.fromkeys(c.name for c in rules.channels)) or [rules.sale.channel]
    reserve = reserve_per_unit(rules.reserve) if state == WORKING else 0.0
    waiting = rules.delay.capital_rate / 365.0 + bench.valuation.cash_day
    found: dict[str, AskPath] = {}
    for name in names:
        if name not in family.channel and name != rules.sale.channel:
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
