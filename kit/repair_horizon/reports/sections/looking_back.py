"""What came of it: lots won and lost, answers, money, and what is wrong with the data."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from repair_horizon.decisions.month.shelf import GONE
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.decisions.review.scorecard import results, score_lots, won_lots
from repair_horizon.logs import CannotSay, LogFault, Logs, Settings
from repair_horizon.reports.html import NOTHING, Column, Fragment, folded, joined, note, table
from repair_horizon.reports.sections.this_month import named
from repair_horizon.tables.codes import Code
from repair_horizon.tables.faults import HELD, SET_ASIDE
from repair_horizon.tables.words import (
    bare_money,
    day_words,
    fault_words,
    money,
    month_words,
    number,
    percent,
    short_day,
)

_DAYS_A_WEEK = 7.0
_STALE_DAYS = 45
_ASIDE_SHARE = 0.15


class Said(Code):
    """What a partner can answer."""

    AGREE = "agree"
    OTHER_BID = "other_bid", "another bid"
    NO = "no"
    WON = "won"
    LOST = "lost"


def won_and_lost(logs: Logs, names: Mapping[str, str]) -> Fragment:
    """What was won and lost in the last month with data."""
    listings = logs.tables["listings"]
    day = logs.newest_day
    since = day.to_period("M").to_timestamp() if pd.notna(day) else day
    ended = listings[listings["result"].isin(["won", "lost"]) & (listings["end_time"] >= since)]
    if ended.empty:
        return note("No lot won or lost was noted in the newest month (listings.csv).")
    rows = ended.sort_values("end_time", ascending=False)
    rows = rows.assign(unit=named(rows["model_id"], rows["listed_fault"], names))
    won = int((rows["result"] == "won").sum())
    said = f"{won} won, {len(rows) - won} lost since {day_words(since)}."
    columns = [
        Column("unit", "Model, fault"),
        Column("result", "Result"),
        Column("final_price", f"Hammer price, {logs.currency}", bare_money, True),
        Column("end_time", "Ended", short_day),
    ]
    return joined(note(said), folded("Each lot", table(rows, columns, "Won and lost")))


def answers_came(logs: Logs, month: str, names: Mapping[str, str]) -> Fragment:
    """Say what came of the answers given to the newest month before this one (YYYY-MM)."""
    given = logs.tables["answers"]
    told = given.assign(month=pd.to_datetime(given["month"]))
    before = told[told["month"] < pd.Timestamp(f"{month}-01")]
    if before.empty:
        return NOTHING
    last = before[before["month"] == before["month"].max()]
    listings = logs.tables["listings"]
    # A lot of several listings is answered under its own name.
    by_id = pd.concat([listings.assign(listing_id=listings["lot_id"]), listings])
    by_id = by_id[by_id["listing_id"] != ""].drop_duplicates("listing_id").set_index("listing_id")
    known = last["listing_id"].where(last["listing_id"].isin(by_id.index))
    rows = last.assign(
        unit=named(last["model_id"], last["listed_fault"], names),
        result=known.map(by_id["result"]).replace("", None).fillna("not known yet"),
        final_price=known.map(by_id["final_price"]),
    )
    columns = [
        Column("unit", "Model, fault"),
        Column("answer", "Answer", Said.worded),
        Column("amount", f"Amount, {logs.currency}", bare_money, True),
        Column("result", "What came of it"),
        Column("final_price", f"Hammer price, {logs.currency}", bare_money, True),
        Column("note", "Note", second=True),
    ]
    return table(rows, columns, f"Answers to {last['month'].iloc[0]:%B %Y}")


def money_lines(logs: Logs, settings: Settings, first_day: pd.Timestamp) -> dict[str, str]:
    """Say how the money stands, one line each, by its heading.

    The month judged is the newest one with data, which is the one before the report's if that is
    only beginning on its ``first_day``.
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


def data_warnings(logs: Logs, settings: Settings, first_day: pd.Timestamp) -> list[str]:
    """Say what is wrong with the data behind a month, the gravest first."""
    return [*_held(logs, settings), *_stale(logs, first_day), *_aside(logs)]


def _held(logs: Logs, settings: Settings) -> list[str]:
    exceptions = logs.ledger.exceptions
    held = exceptions[exceptions["status"] == HELD]
    if held.empty:
        return []
    reason = held["reason"].mode().iloc[0]
    share = percent(logs.ledger.held_share())
    over = logs.ledger.held_share() > settings.limits.held_share
    limit = f", more than the {percent(settings.limits.held_share)} accepted" if over else ""
    return [
        f"{number(len(held))} rows ({share} of all{limit}) wait for review and are not counted; "
        f"most often: {reason}."
    ]


def _stale(logs: Logs, first_day: pd.Timestamp) -> list[str]:
    said = []
    for name, column in (("sales", "sale_date"), ("part_quotes", "quote_date")):
        rows = logs.tables[name]
        if rows.empty:
            said.append(f"There are no {fault_words(name)} ({name}.csv).")
        elif (first_day - rows[column].max()).days > _STALE_DAYS:
            said.append(
                f"The newest of the {fault_words(name)} is of {day_words(rows[column].max())}."
            )
    return said


def _aside(logs: Logs) -> list[str]:
    exceptions = logs.ledger.exceptions
    said = []
    for name, read in logs.ledger.read.items():
        aside = exceptions[(exceptions["table"] == name) & (exceptions["status"] == SET_ASIDE)]
        if read and len(aside) > _ASIDE_SHARE * read:
            reason = aside["reason"].mode().iloc[0]
            said.append(
                f"{percent(len(aside) / read)} of {name}.csv is set aside; most often: {reason}."
            )
    return said
