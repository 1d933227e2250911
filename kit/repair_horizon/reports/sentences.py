"""What a page says in sentences: headlines, each chart's conclusion, the index's one sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

import pandas as pd

from repair_horizon.charts.price_charts import GUIDE
from repair_horizon.charts.style import Words
from repair_horizon.reports.month_tables import FamilyMonth, of_unit, ranked
from repair_horizon.tables.codes import Action, Cause, Confidence, Verdict
from repair_horizon.tables.words import (
    AS_LIKELY,
    NOW,
    Ahead,
    chance,
    day_words,
    fault_words,
    listing,
    missing,
    money,
    month_words,
    part_words,
    percent,
    stop_words,
)

TableRow: TypeAlias = pd.Series | Mapping[Any, Any]
"""A row of a table, by its columns."""


def headline(month: FamilyMonth) -> list[str]:
    """Say what to buy, what to repair only, what to stop, and why, a sentence each."""
    by_verdict: dict[str, list[TableRow]] = {}
    for row in month.ranked.to_dict("records"):
        by_verdict.setdefault(row["verdict"], []).append(row)
    said = []
    if chosen := by_verdict.get(Verdict.BUY):
        said.append(f"Buy {listing([_up_to(r, month) for r in chosen], 3)}.")
    for verdict, text in (
        (Verdict.OWN_STOCK, "Do not buy, but repair what is in stock:"),
        (Verdict.STOP, "Stop"),
    ):
        if chosen := by_verdict.get(verdict):
            names = listing([unit_words(r) for r in chosen], 1)
            said.append(f"{text} {names}{_why(chosen)}.")
    if unsaid := by_verdict.get(Verdict.CANNOT_SAY):
        said.append(f"Nothing can be said of {len(unsaid)}: {_main_reason(unsaid)}.")
    return said or ["Nothing is known about buying this family yet."]


def unit_words(row: TableRow) -> str:
    """Name a model and its listed fault in a sentence."""
    return f"{row['model_name']} with {fault_words(row['listed_fault'])}"


def to_do(row: TableRow) -> str:
    """Say what a unit bought is for, from a row of thresholds: ', to sell as is'; or nothing."""
    then = row.get("then")
    if then in (Action.REPAIR, Action.SELL_AS_IS, Action.PART_OUT):
        return f", to {Action.worded(then)}"
    return f", for {Action.worded(then)}" if then == Action.MAKER else ""


def unit_names(rows: pd.DataFrame) -> pd.Series:
    """Return what rows of thresholds are about: 'Vellfold 5, no power'."""
    return rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)


def stop_of(row: TableRow, name: str, ahead: Ahead) -> str:
    """Say when buying (``buy_stop``) or repair (``repair_stop``) of a row of thresholds stops."""
    if row["verdict"] == Verdict.CANNOT_SAY:
        return "cannot say"
    said = row.get("repair_stop_said") if name == "repair_stop" else None
    if not missing(said):
        return str(said)
    date = {k: row[f"{name}_{k}"] for k in ("median", "lower", "upper")}
    when = stop_words(date, ahead, short=True)
    return _if_bought(row, when) if name == "buy_stop" else when


def _if_bought(row: TableRow, when: str) -> str:
    """Say of a unit to be bought this month, which has not passed its stop, that it is near."""
    return when.replace(NOW, "any month now") if row["verdict"] == Verdict.BUY else when


def until_words(what: str, when: str) -> str:
    """Say until when buying or repair pays, from what ``stop_words`` said."""
    if when.startswith(NOW):
        return f"{what} no longer pays{when.removeprefix(NOW)}"
    if when.startswith(AS_LIKELY):
        return f"{what} pays {when}"
    if when.startswith("not within "):
        return f"{what} pays past {when.removeprefix('not within ')}"
    if when.startswith(("cannot say", "worth ")):
        return f"{what}: {when}"
    return f"{what} stops paying {'in ' if when[:1].isupper() else ''}{when}"


def _up_to(row: TableRow, month: FamilyMonth) -> str:
    won = "" if missing(row["probability_win"]) else f", wins {chance(row['probability_win'])}"
    return f"{unit_words(row)} (up to {money(row['max_bid'], month.currency)}{to_do(row)}{won})"


def _why(stop: list[TableRow]) -> str:
    """Say why most of these units are not bought."""
    none = [not r["max_bid"] > 0 for r in stop]
    below = [bool(r["max_bid"] < r["hammer"]) for r in stop]
    if sum(none) * 2 >= len(stop):
        return _most(none) + "no bid pays"
    if sum(below) * 2 >= len(stop):
        return _most(below) + "such lots close for more than they may cost"
    return ""


def _most(hit: list[bool]) -> str:
    return ": " if all(hit) else ": for most, "


def _main_reason(unsaid: list[TableRow]) -> str:
    reasons = sorted(str(r["reason"]) for r in unsaid if not missing(r["reason"]))
    return max(reasons, key=reasons.count, default="no reason given")


def _behind(month: FamilyMonth, unit: pd.Series) -> str:
    """Say what a figure rests on."""
    model = month.models.set_index("model_id").loc[unit["model_id"]]
    sales = _sales(model, "sales of the model")
    return f"Rests on {sales} ({Confidence.worded(model['confidence'])})."


def _sales(model: pd.Series, what: str) -> str:
    """Count a model's sales, with the newest one's day."""
    n = int(model["n_sales"])
    return f"{n} {what}" + (f", the newest of {day_words(model['newest_sale'])}" if n else "")


def price_words(month: FamilyMonth, model_id: str) -> Words:
    """Say where a model's price stands and where it will be in a year."""
    model = month.models.set_index("model_id").loc[model_id]
    curve = month.price_curve[month.price_curve["model_id"] == model_id].set_index("month")
    name = str(model["model_name"])
    ahead = curve[curve["phase"] == "forecast"].dropna(subset=["predicted"])
    if ahead.empty:
        why = "" if missing(model["reason"]) else f": {model['reason']}"
        return Words(f"{name}: no price can be said{why}", f"No price of {name} can be said.")
    now, then = ahead.iloc[0], ahead.iloc[min(12, len(ahead) - 1)]
    change = then["predicted"] / now["predicted"] - 1
    verb = "loses" if change < 0 else "gains"
    months = min(12, len(ahead) - 1)
    title = f"A working {name} {verb} {percent(abs(change))} of its price in {months} months"
    sentence = (
        f"{month_words(ahead.index[0])}: {_range(now, month)}; "
        f"{month_words(then.name)}: {_range(then, month)}. "
        f"From {_sales(model, 'sales')}. Price of a single sale: {month.base}."
    )
    return Words(title, sentence)


def _range(row: pd.Series, month: FamilyMonth) -> str:
    lower, upper = (money(row[k], month.currency) for k in ("lower", "upper"))
    return f"{money(row['predicted'], month.currency)} ({percent(month.level)}: {lower} to {upper})"


def scissors_words(
    month: FamilyMonth, unit: pd.Series, options: pd.DataFrame, stop: pd.Series
) -> Words:
    """Say when repair stops paying for a unit that is already owned."""
    if options.empty:
        text = f"{unit_words(unit)}: no option can be costed"
        return Words(text, text + ".")
    state = fault_words(options["state"].iloc[0])
    when = stop_words(stop, month.ahead)
    now = options[options["month"] == options["month"].min()].set_index("option")["value"]
    values = ", ".join(
        f"{Action.worded(o)} {money(v, month.currency)}" for o, v in now.dropna().items()
    )
    first = options["month"].min()
    title = f"{unit['model_name']}, {state}: {until_words('repair', _when(stop, month.ahead))}"
    best = now.drop("repair", errors="ignore").max()
    if missing(stop.get("median")) and "repair" in now and now["repair"] > best:
        title = f"{unit['model_name']}, {state}: repair pays throughout the forecast"
    return Words(
        title,
        f"Worth of an owned unit in {month_words(first)}: {values}. Repair stop: {when}. "
        + _behind(month, unit),
    )


def bid_words(month: FamilyMonth, unit: pd.Series, path: pd.DataFrame, past: pd.DataFrame) -> Words:
    """Say whether auctions still close below the bid, of the unit's bids and hammer prices."""
    name, bid = unit_words(unit), money(unit["max_bid"], month.currency)
    if path.empty or missing(unit["max_bid"]) or not unit["max_bid"] > 0:
        reason = "" if missing(unit["reason"]) else f": {unit['reason']}"
        return Words(f"{name}: no bid{reason}", f"No bid can be made{reason}.")
    year = path.iloc[min(12, len(path) - 1)]
    later = f"{money(year['max_bid'], month.currency)} in {month_words(year['month'])}"
    if missing(unit["hammer"]):
        title = f"{name}: maximum bid {bid}; no hammer price seen yet"
        return Words(title, f"Maximum bid {bid} now, {later}. {_behind(month, unit)}")
    usual = money(unit["hammer"], month.currency)
    wins = chance(unit["probability_win"])
    title = f"{name}: a bid of {bid} wins {wins}; usual hammer price {usual}"
    counts = past["result"].value_counts()
    seen = ", ".join(f"{int(counts.get(r, 0))} {r}" for r in ("won", "lost", "skipped"))
    return Words(
        title, f"Maximum bid {bid} now, {later}. Past auctions: {seen}. {_behind(month, unit)}"
    )


FEWEST_DAYS = 3
"""Days with a quote below which no rise or fall of a part is told."""


def part_price_words(
    month: FamilyMonth, what: str, curve: pd.DataFrame, asked: pd.DataFrame
) -> Words:
    """Say what a part costs now, by quality, and where it is heading, of its rows and quotes."""
    ahead, n = curve[curve["phase"] == "forecast"], len(asked)
    newest = day_words(asked["quote_date"].max())
    if ahead.empty:
        return Words(f"{what}: {n} quotes, no forecast", f"{n} quotes and no forecast for {what}.")
    said, changes = [], {}
    for quality, rows in ahead.groupby("quality_class", sort=False):
        now, then = rows.iloc[0], rows.iloc[min(12, len(rows) - 1)]
        said.append(f"{fault_words(quality)} {_range(now, month)}")
        changes[str(quality)] = then["predicted"] / now["predicted"] - 1
    quality, change = max(changes.items(), key=lambda kv: abs(kv[1]))
    verb = "fall" if change < 0 else "rise"
    title = f"{what}: {fault_words(quality)} parts {verb} by {percent(abs(change))} in a year"
    if abs(change) < 0.02:
        title = f"{what}: prices hardly move in a year"
    if asked["quote_date"].nunique() < FEWEST_DAYS:
        # One quote has no slope: what is drawn is the usual course of such parts.
        title = f"{what}: no trend of its own from {n} {'quote' if n == 1 else 'quotes'}"
    return Words(title, f"Now: {'; '.join(said)}. From {n} quotes, the newest of {newest}.")


def waterfall_words(month: FamilyMonth, unit: pd.Series, lines: pd.DataFrame) -> Words:
    """Say how much of the resale price is left to bid."""
    start = lines.loc[lines["kind"] == "start", "amount"]
    end = lines.loc[lines["kind"] == "result", "amount"]
    if start.empty or end.empty:
        text = f"{unit_words(unit)}: where the money goes cannot be said"
        return Words(text, text + ".")
    # The last line is the bid before it is rounded down; the title names the bid itself.
    named = end.iloc[-1] if missing(unit["max_bid"]) else unit["max_bid"]
    of, left = money(float(start.iloc[0]), month.currency), money(named, month.currency)
    title = f"{unit_words(unit)}: of {of} resale, {left} is left to bid"
    less = lines[lines["kind"] == "less"].copy()
    top = less.reindex(less["amount"].abs().sort_values(ascending=False).index).head(3)
    parts = ", ".join(
        f"{r['line']} {money(abs(r['amount']), month.currency)}" for _, r in top.iterrows()
    )
    counted = f"{_counted(month, unit)}{_planned(unit)}The largest lines between them: {parts}."
    return Words(title, f"{counted} {_behind(month, unit)}")


def _planned(unit: pd.Series) -> str:
    """Name the part of the repair drawn, its quality, and what its price rests on."""
    if missing(unit.get("part_quality")):
        return ""
    code, _, quality = str(unit["part_quality"]).partition(" ")
    rests = "" if missing(unit["part_rests_on"]) else f" ({unit['part_rests_on']})"
    return f"Planned with: {part_words(code)}, {fault_words(quality)}{rests}. "


def _counted(month: FamilyMonth, unit: pd.Series) -> str:
    """Say which option the bid counts with where the repair drawn would be done."""
    ends, known = of_unit(month.end_states, unit), of_unit(month.options, unit)
    state = unit["main_state"]
    done = sorted(set(ends.loc[ends["state"] == state, "action"]))
    if not done:
        return ""
    found = fault_words(state)
    if any(action.startswith(Action.REPAIR) for action in done):
        return f"If it is {found}, the bid counts with {Action.REPAIR}. "
    now = known[known["month"] == known["month"].min()].set_index("option")["value"]
    worth = {o: money(v, month.currency) for o, v in now.items()}
    best, mended = (worth.get(o, "") for o in (done[0], Action.REPAIR))
    against = f" ({best} still to come, {mended} by repair)" if best and mended else ""
    return (
        f"Repair is drawn, which is not the best option: if it is {found}, the bid counts with "
        f"{Action.worded(done[0])}{against}. "
    )


def _when(date: pd.Series, ahead: Ahead) -> str:
    """Say when it stops, without a chance that a title would make that of its paying."""
    return stop_words(date.drop("probability_12", errors="ignore"), ahead)


def stop_month_words(month: FamilyMonth, unit: pd.Series, dates: pd.DataFrame) -> Words:
    """Say when each of the stops comes."""
    ahead = month.ahead
    said = [f"{r['date_name']}: {stop_words(r, ahead)}" for _, r in dates.iterrows()]
    buy = dates[dates["date_name"] == "buy stop"]
    title = f"{unit_words(unit)}: no stop can be said"
    if len(buy):
        when = _if_bought(unit, _when(buy.iloc[0], ahead))
        title = f"{unit_words(unit)}: {until_words('buying', when)}"
    return Words(title, f"{'; '.join(said)}. {_behind(month, unit)}")


# Below this, money of a bid's change is lost in the sampling noise of the draws.
NOISE = 1.0


def sensitivity_words(month: FamilyMonth, unit: pd.Series, moves: pd.DataFrame) -> Words:
    """Say which input moves the bid most, and what would turn the verdict."""
    title = f"{unit_words(unit)}: {moves.iloc[0]['input']} moves the bid most"
    said = "; ".join(
        f"{r['input']} {r['worse']}: {_signed(r['bid_worse'], month)}, "
        f"{r['better']}: {_signed(r['bid_better'], month)}"
        for _, r in moves.head(3).iterrows()
    )
    turn = f" To bring the bid to the usual hammer price: {month.turning}." if month.turning else ""
    return Words(title, f"{said}. All else the same, each change alone.{turn}")


def _signed(amount: float, month: FamilyMonth) -> str:
    said = money(amount, month.currency)
    return said if amount < 0 or said.endswith("\u00a00") else f"+{said}"


def change_sentence(month: FamilyMonth, unit: pd.Series, changes: pd.DataFrame) -> str:
    """Say by how much the main unit's bid changed since last month, and why."""
    name, first = unit_words(unit), changes.iloc[0]
    since = day_words(first["known_before"])
    if not missing(first["reason"]):
        return f"{name}: what changed the bid since {since} cannot be said: {first['reason']}."
    whole = float(changes["change"].sum())
    causes = [
        f"{Cause.worded(r['block'])} {_signed(r['change'], month)}"
        for _, r in changes.iterrows()
        if abs(r["change"]) >= NOISE
    ]
    if abs(whole) < NOISE:
        held = f": {listing(causes)} cancel out" if causes else ""
        return f"{name}: the bid is about what it was with what was known on {since}{held}."
    verb = "rose" if whole > 0 else "fell"
    why = f": {listing(causes, 4)}" if causes else ""
    amount = money(abs(whole), month.currency)
    return f"{name}: the bid {verb} by about {amount} since {since}{why}."


def part_share_words(
    month: FamilyMonth, part: tuple[str, str], name: str, shares: pd.DataFrame
) -> Words:
    """Say what share of the resale price the cheapest quality costs now and in a year."""
    what = f"{name}, {part_words(part[1])}"
    ahead = shares[shares["month"] >= month.month]
    said, cheapest = [], (1e9, 0.0, "")
    for quality, rows in ahead.groupby("quality_class", sort=False):
        now, then = rows.iloc[0], rows.iloc[min(12, len(rows) - 1)]
        said.append(
            f"{fault_words(quality)} {percent(now['share'])} now, {percent(then['share'])} in "
            f"{month_words(then['month'])}"
        )
        cheapest = min(cheapest, (now["share"], then["share"], str(quality)))
    side = "above" if cheapest[0] > GUIDE else "below"
    later = "" if (cheapest[1] > GUIDE) == (cheapest[0] > GUIDE) else ", but not in a year"
    title = (
        f"{what}: the cheapest is {percent(cheapest[0])} of resale, {side} the guide of a half"
        f"{later}"
    )
    text = f"{'; '.join(said)}. The guide of {percent(GUIDE)} is common practice, not a rule."
    return Words(title, text)


# A bid that moved by less is not worth a partner's minute.
_WORTH_SAYING = 0.03


def sentence(rows: pd.DataFrame, currency: str, since: str = "") -> str:
    """Say in one sentence where to buy and where not, from the main row of each family.

    ``since`` is what ``since_words`` said; empty if no month before stands.
    """
    if rows.empty:
        return "No bid can be said this month: no family has a listed fault (fault_states.csv)."
    said = []
    chosen = ranked(rows[rows["verdict"] == Verdict.BUY])
    if len(chosen):
        names = [
            f"{unit_words(r)} (up to {money(r['max_bid'], currency)}{to_do(r)})"
            for _, r in chosen.iterrows()
        ]
        said.append(f"Buy {listing(names, 3)}")
    for verdicts, text in (
        ((Verdict.OWN_STOCK, Verdict.STOP), "buy nothing of"),
        ((Verdict.CANNOT_SAY,), "nothing can be said of"),
    ):
        rest = rows[rows["verdict"].isin(verdicts)]
        if len(rest):
            said.append(f"{text} {listing([unit_words(r) for _, r in rest.iterrows()], 2)}")
    whole = "; ".join([*said, since] if since else said)
    return whole[:1].upper() + whole[1:] + "."


def since_words(rows: pd.DataFrame, changes: pd.DataFrame, currency: str, before: str) -> str:
    """Say what changed since last month: verdicts first, then the bids that moved most, and why.

    ``rows`` are main rows with ``change`` and ``verdict_before``, ``changes`` the shares of the
    changes of their bids, ``before`` is last month, YYYY-MM.
    """
    known = rows[rows["verdict_before"] != ""]
    if known.empty:
        return ""
    turned = known[known["verdict"] != known["verdict_before"]]
    said = [
        f"{unit_words(r)} from {Verdict.read(r['verdict_before']).words} to "
        f"{Verdict.read(r['verdict']).words}{_cause(r, changes)}"
        for _, r in turned.iterrows()
    ]
    same = known.drop(index=turned.index).dropna(subset=["change"])
    limit = (_WORTH_SAYING * same["max_bid"].abs()).clip(lower=NOISE)
    moved = same[same["change"].abs() >= limit]
    order = moved["change"].abs().sort_values(ascending=False, kind="stable").index
    said += [
        f"{unit_words(r)} {'up' if r['change'] > 0 else 'down'} "
        f"{money(abs(r['change']), currency)}{_cause(r, changes)}"
        for _, r in moved.loc[order].iterrows()
    ]
    return f"since {month_words(before)}: {listing(said, 3) if said else 'bids hardly moved'}"


def _cause(row: pd.Series, changes: pd.DataFrame) -> str:
    """Name the largest cause that pulled the way the bid went; nothing if none stands out."""
    if missing(row["change"]) or not row["change"]:
        return ""
    mine = of_unit(changes, row)
    pulled = mine[mine["change"] * row["change"] > 0]
    if pulled.empty:
        return ""
    top = pulled.loc[pulled["change"].abs().idxmax()]
    return f" ({Cause.worded(top['block'])})" if abs(top["change"]) >= NOISE else ""
