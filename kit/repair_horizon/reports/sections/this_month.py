"""What the month asks of the partners, and what came of the months before."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from repair_horizon.decisions.cautions import Chosen
from repair_horizon.decisions.month.listings import winning_told
from repair_horizon.decisions.month.plan import Plan
from repair_horizon.decisions.month.shelf import GONE
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.decisions.review.scorecard import results, score_lots, won_lots
from repair_horizon.logs import CannotSay, LogFault, Logs, Settings
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    caution_box,
    columns_of,
    declared,
    folded,
    joined,
    note,
    paragraph,
    piece,
    table,
)
from repair_horizon.reports.month_tables import ranked
from repair_horizon.reports.page import safe_json
from repair_horizon.reports.sections.bids import COST_COLUMNS
from repair_horizon.reports.sentences import stop_of, unit_words
from repair_horizon.tables.codes import Action, Code, Verdict
from repair_horizon.tables.faults import HELD, SET_ASIDE
from repair_horizon.tables.words import (
    Ahead,
    bare_money,
    day_words,
    fault_words,
    listing,
    missing,
    money,
    month_words,
    number,
    percent,
    short_day,
)

ASKED, SOON, WORST, DECISIONS, SOON_MONTHS = 40, 8, 5, 3, 3
Names = Mapping[str, str]


def named(models: pd.Series, about: pd.Series, names: Names) -> list[str]:
    """Say what rows are about, 'Vellfold 5, no power'; of a lot every model and every fault."""
    said = []
    for model, fault in zip(models.astype(str), about.astype(str), strict=True):
        ids = model.split(";")
        known = listing([names.get(i, i) for i in ids], len(ids))
        words = ", ".join(fault_words(f) for f in fault.split(";"))
        said.append(f"{known}, {words}" if len(ids) == 1 else f"Lot of {known}: {words}")
    return said


def open_listings(
    plan: Plan | None, month: str, names: Names, currency: str, *, costs: bool
) -> Fragment:
    """Open listings worth bidding for, ending soonest, with their limits, and the answer back."""
    if plan is None:
        return note("No plan was made.")
    items = plan.items
    rows = items[(items["kind"] == "buy") & items["do"].astype(bool)].sort_values("end_time")
    if rows.empty:
        return note("No open listing is worth a bid (listings.csv).")
    rows = rows.assign(
        unit=named(rows["model_id"], rows["about"], names), probability_win=winning_told(rows)
    )
    told = "end_time max_bid then probability_win expected_profit item"
    columns = [Column("unit", "Model, fault"), *columns_of("plan", told, currency)]
    columns = [c for c in columns if costs or c.name not in COST_COLUMNS]
    pieces = [table(rows.head(SOON), columns, "Open listings, ending soonest", cards=True)]
    rest = rows.iloc[SOON:]
    if len(rest):
        later = table(rest, columns, "Later listings", cards=True)
        pieces.append(folded(f"{len(rest)} later ones", later))
    return joined(*pieces, answer_form(rows, month, currency))


def answer_form(rows: pd.DataFrame, month: str, currency: str) -> Fragment:
    """Print what can be answered: a form where scripts run, lines to copy where they do not.

    ``rows`` are listings of the plan, with ``unit``, what they are in words. A lot is answered
    under its first model and fault.
    """
    if rows.empty:
        return NOTHING
    asked = [
        {
            "month": month,
            "model_id": str(r["model_id"]).partition(";")[0],
            "listed_fault": str(r["about"]).partition(";")[0],
            "listing_id": str(r["item"]),
            "name": f"{r['unit']} ({r['item']}): up to {money(r['max_bid'], currency)}",
        }
        for _, r in rows.head(ASKED).iterrows()
    ]
    return piece("answers", "answers", asked, safe_json(asked))


def plan_section(plan: Plan | None, names: Names, currency: str) -> Fragment:
    """What the month may come to, and the bench work in order."""
    if plan is None:
        return NOTHING
    outcome, items = plan.outcome(), plan.items
    heads = {"mean": "Expected", "lower": "from", "upper": "to", "there": "Available"}
    columns = [Column("what", "This month")]
    columns += [Column(c, h, number, True) for c, h in heads.items()]
    caption = f"What the plan comes to, {currency} and hours, 90 % range"
    said = joined(paragraph(plan.words()), table(outcome, columns, caption))
    jobs = items[(items["kind"] != "buy") & items["do"].astype(bool)]
    if jobs.empty:
        return said
    units = pd.Series(named(jobs["model_id"], jobs["about"], names), index=jobs.index)
    jobs = jobs.assign(unit=jobs["item"].astype(str) + "\n" + units)
    work = [
        Column("unit", "Unit"),
        declared("plan", "kind"),
        Column("gain", f"Gain over next option, {currency}", bare_money, True),
        declared("plan", "hours"),
    ]
    order = table(jobs, work, "Bench jobs")
    return joined(said, folded(f"{len(jobs)} bench jobs in order", order))


def worst_units(shelf: pd.DataFrame) -> pd.DataFrame:
    """Return the units that lose most by a week's waiting, at most ``WORST``."""
    if shelf.empty:
        return shelf
    losing = shelf[shelf["loss_per_week"] > 0]
    return losing.sort_values("loss_per_week", ascending=False, kind="stable").head(WORST)


def _advice(unit: pd.Series) -> str:
    """Advice in words, with what would be best once the unit is cleared."""
    later, said = Action.worded(unit["if_cleared"] or ""), Action.worded(unit["advice"])
    return said if missing(later) or later in said else f"{said}, then {later}"


def shelf_section(shelf: pd.DataFrame, names: Names, currency: str) -> Fragment:
    """Table of the units for which waiting costs most, with their cautions.

    ``shelf`` is every family's.
    """
    if shelf.empty:
        return note("No unit is in stock (stock.csv).")
    worst, rest = worst_units(shelf), _waiting_words(shelf)
    if worst.empty:
        return note(f"Waiting costs nothing on any unit.{rest}")
    what = pd.Series(named(worst["model_id"], worst["state"], names), index=worst.index)
    rows = worst.assign(
        unit=worst["unit_id"].astype(str) + "\n" + what,
        said=[_advice(u) for _, u in worst.iterrows()],
    )
    columns = [
        Column("unit", "Unit"),
        Column("said", "Do"),
        *columns_of("shelf", "loss_per_week value", currency),
        declared("shelf", "margin", currency, second=True),
        declared("shelf", "days_held", second=True),
    ]
    shown = table(rows, columns, "Units for which waiting costs most", cards=True)
    held = worst[worst["caution"] != ""]
    chosen = [
        Chosen(listing([str(u) for u in group["unit_id"]], 5), str(caution), ())
        for caution, group in held.groupby("caution", sort=False)
    ]
    said = note(f"{len(worst)} of {len(shelf)} units.{rest}")
    return joined(shown, said, caution_box(chosen, "touching these"))


def _waiting_words(shelf: pd.DataFrame) -> str:
    """Count the units on which nothing may be done, or of which nothing is known."""
    halted = int((shelf["caution"].ne("") & shelf["if_cleared"].eq("")).sum())
    unsaid = int(shelf["advice"].eq("cannot say").sum())
    said = f" {halted} more must not be worked on or sold as they are." if halted else ""
    return said + (f" Nothing can be said of {unsaid}." if unsaid else "")


def decisions(rows: pd.DataFrame, shelf: pd.DataFrame, currency: str, ahead: Ahead) -> list[str]:
    """Say what must be decided this month: bids to adopt, families to leave, the shelf to clear.

    ``rows`` are the main rows of the families, ``shelf`` is every family's.
    """
    found = [_bids(rows, currency), _stops(rows, ahead), _shelf(shelf, currency)]
    return [f for f in found if f][:DECISIONS]


def _bids(rows: pd.DataFrame, currency: str) -> str:
    live = rows[rows["verdict"] == Verdict.BUY] if len(rows) else rows
    if live.empty:
        return ""
    best = ranked(live).to_dict("records")
    each = [f"{unit_words(r)} {money(r['max_bid'], currency)}" for r in best]
    return f"Adopt this month's maximum bids: {listing(each, 8)}."


def _stops(rows: pd.DataFrame, ahead: Ahead) -> str:
    if rows.empty:
        return ""
    said = []
    stopped = rows[rows["verdict"].isin([Verdict.OWN_STOCK, Verdict.STOP])]
    if len(stopped):
        names = listing([unit_words(r) for r in stopped.to_dict("records")], 4)
        said.append(f"Buy no more of {names}")
    near = ahead.now + pd.DateOffset(months=SOON_MONTHS)
    ends = rows[(rows["verdict"] == Verdict.BUY) & (rows["buy_stop_median"] <= near)]
    if len(ends):
        last = ends.to_dict("records")
        until = [f"{unit_words(r)}, {stop_of(r, 'buy_stop', ahead)}" for r in last]
        said.append(f"say how many more to take where buying soon stops paying: {listing(until)}")
    whole = "; ".join(said)
    return f"{whole[0].upper()}{whole[1:]}." if said else ""


def _shelf(shelf: pd.DataFrame, currency: str) -> str:
    worst = worst_units(shelf)
    if worst.empty:
        return ""
    whole = float(shelf["loss_per_week"].clip(lower=0).sum())
    share = percent(float(worst["loss_per_week"].sum()) / whole)
    each = "; ".join(f"{u['unit_id']} {_advice(u)}" for _, u in worst.iterrows())
    loses = f"{money(whole, currency)} a week, {share} of it in these units"
    return f"Act on the shelf, which loses {loses}: {each}."


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
    done = results(logs, settings)
    return {
        f"Profit in {month_words(month)}": _profit(logs, done, month),
        "Forecasts so far": _forecasts(logs, done, settings.seed),
        "Cash in stock": _stock(logs, settings, max(newest, first_day)),
        f"Bench in {month_words(month)}": _bench(logs, settings, month),
    }


def _profit(logs: Logs, done: pd.DataFrame, month: pd.Timestamp) -> str:
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


def _forecasts(logs: Logs, done: pd.DataFrame, seed: int) -> str:
    try:
        lots = won_lots(read_ledger(logs.folder), done)
    except LogFault as fault:
        return f"cannot say: {fault.faults[0]}"
    found = score_lots(lots, seed)
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
