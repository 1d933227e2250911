"""Money on the index: profit against forecast, cash in stock, bench hours, each or a reason."""

from __future__ import annotations

import pandas as pd

from repair_horizon.decisions.month.shelf import GONE
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.decisions.review.results import results
from repair_horizon.decisions.review.scorecard import score_lots, won_lots
from repair_horizon.logs import CannotSay, LogFault, Logs, Settings
from repair_horizon.tables.words import money, month_words, number, percent

_DAYS_A_WEEK = 7.0


def money_lines(logs: Logs, settings: Settings, first_day: pd.Timestamp) -> dict[str, str]:
    """Say how the money stands, one line each.

    Parameters
    ----------
    logs
        The workspace as known for the month.
    settings
        For cash, hours, and the lines of a result.
    first_day
        First day of the report's month.

    Returns
    -------
    dict
        What is said by its heading. The month judged is the newest one with data, which is the
        one before the report's if that is only beginning.
    """
    newest = logs.newest_day
    if pd.isna(newest):
        return {"Money": "cannot say: the logs hold no sale, quote or job"}
    month = min(newest, first_day + pd.offsets.MonthEnd(0)).to_period("M").to_timestamp()
    return {
        f"Profit in {month_words(month)}": _profit(logs, settings, month),
        "Forecasts so far": _forecasts(logs, settings),
        "Cash in stock": _stock(logs, settings, max(newest, first_day)),
        f"Bench in {month_words(month)}": _bench(logs, settings, month),
    }


def _profit(logs: Logs, settings: Settings, month: pd.Timestamp) -> str:
    done = results(logs, settings)
    # Without a single sale the column holds no dates at all.
    day = pd.to_datetime(done["sale_date"])
    inside = (day >= month) & (day < month + pd.DateOffset(months=1))
    sold = done[inside].dropna(subset=["profit"])
    if sold.empty:
        reasons = done["reason"].replace("", None).dropna()
        why = (
            "stock.csv lists no unit"
            if done.empty
            else "no complete record (purchase, repair, sale) ends in it"
        )
        often = f"; most often: {reasons.mode().iloc[0]}" if len(reasons) else ""
        return f"cannot say: {why}{often}"
    earned = money(sold["profit"].sum(), logs.currency)
    units = "1 unit" if len(sold) == 1 else f"{len(sold)} units"
    return f"{earned} from {units} sold; {_against(logs, sold)}"


def _against(logs: Logs, sold: pd.DataFrame) -> str:
    """Compare results with what was forecast when the same units were bought."""
    try:
        lots = won_lots(read_ledger(logs.folder), sold)
    except LogFault as fault:
        return f"against forecast cannot say: {fault.faults[0]}"
    if lots.empty:
        return "no forecast of theirs was noted when they were bought (forecasts.csv)"
    hoped, came = lots["forecast"].sum(), lots["realised"].sum()
    return (
        f"of {len(lots)} with a forecast, {money(came, logs.currency)} came where "
        f"{money(hoped, logs.currency)} was forecast"
    )


def _forecasts(logs: Logs, settings: Settings) -> str:
    try:
        lots = won_lots(read_ledger(logs.folder), results(logs, settings))
    except LogFault as fault:
        return f"cannot say: {fault.faults[0]}"
    found = score_lots(lots, settings.seed)
    if isinstance(found, CannotSay):
        return f"cannot say: {found.reason}"
    bias = money(found.bias, logs.currency)
    return (
        f"{len(found.lots)} lots came out {bias} a unit against forecast on average, "
        f"{percent(found.coverage)} inside the 80 % interval; {found.verdict}"
    )


def _stock(logs: Logs, settings: Settings, today: pd.Timestamp) -> str:
    stock = logs.tables["stock"]
    stock = stock[~stock["status"].isin(GONE)]
    if stock.empty:
        return "no unit is in stock (stock.csv)"
    days = float((today - stock["buy_date"]).dt.days.clip(lower=0).mean())
    tied = money(stock["amount"].sum(), logs.currency)
    cash = settings.limits.working_cash
    of = "" if cash is None else f" of {money(cash, logs.currency)}"
    return f"{tied}{of} in {len(stock)} units, held for {number(days)} days on average"


def _bench(logs: Logs, settings: Settings, month: pd.Timestamp) -> str:
    jobs = logs.tables["repairs"]
    end = month + pd.DateOffset(months=1)
    mine = jobs[(jobs["opened"] >= month) & (jobs["opened"] < end)]
    week = settings.bench.hours_per_week
    there = "" if week is None else number(week * (end - month).days / _DAYS_A_WEEK)
    if mine.empty:
        return "no job was opened (repairs.csv)" + (f"; {there} hours there" if there else "")
    used = number(mine["bench_hours"].sum())
    silent = int(mine["bench_hours"].isna().sum())
    gap = f"; {silent} of them without hours" if silent else ""
    of = f" of {there}" if there else ""
    return f"{used}{of} hours, on {len(mine)} jobs{gap}"
