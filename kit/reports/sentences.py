"""Sentences made from a family's tables: the headline, and what each chart says."""

from __future__ import annotations

import pandas as pd

from kit.reports.charts.style import Words
from kit.reports.choosing import ahead_of, of_unit, ranked
from kit.reports.family_month import FamilyMonth
from kit.reports.wording import (
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


def headline(month: FamilyMonth) -> list[str]:
    """Say what to buy, what to cap, what to stop, and why, a sentence each."""
    rows = ranked(month.thresholds)
    said = []
    for verdict, verb, most in (("buy", "Buy", 3), ("cap", "Cap", 2)):
        chosen = rows[rows["verdict"] == verdict]
        if len(chosen):
            said.append(
                f"{verb} {listing([_up_to(r, month) for _, r in chosen.iterrows()], most)}."
            )
    for verdict, text in (("own stock only", "Repair but do not buy"), ("stop", "Stop")):
        chosen = rows[rows["verdict"] == verdict]
        if len(chosen):
            names = listing([_name(r) for _, r in chosen.iterrows()], 1)
            said.append(f"{text} {names}{_why(chosen)}.")
    unsaid = int((rows["verdict"] == "cannot say").sum())
    if unsaid:
        said.append(f"Nothing can be said of {unsaid}: {_main_reason(rows)}.")
    return said or ["Nothing is known about buying this family yet."]


def _name(row: pd.Series) -> str:
    return f"{row['model_name']} with {fault_words(row['listed_fault'])}"


def _up_to(row: pd.Series, month: FamilyMonth) -> str:
    return f"{_name(row)} (up to {money(row['max_bid'], month.currency)})"


def _why(stop: pd.DataFrame) -> str:
    """Say why most of these units are not bought."""
    below = stop["hammer"].notna() & (stop["max_bid"] < stop["hammer"])
    none = ~(stop["max_bid"] > 0)
    if none.sum() * 2 >= len(stop):
        return _most(none) + "no bid leaves the profit asked"
    if below.sum() * 2 >= len(stop):
        return _most(below) + "they hammer for more than they may cost"
    return ""


def _most(hit: pd.Series) -> str:
    return ": " if bool(hit.all()) else ": for most, "


def _main_reason(rows: pd.DataFrame) -> str:
    reasons = rows.loc[rows["verdict"] == "cannot say", "reason"].replace("", None).dropna()
    return "no reason given" if reasons.empty else str(reasons.mode().iloc[0])


def _behind(month: FamilyMonth, unit: pd.Series) -> str:
    """Say what a figure rests on."""
    model = month.models.set_index("model_id").loc[unit["model_id"]]
    n = int(model["n_sales"])
    newest = f", the newest of {day_words(model['newest_sale'])}" if n else ""
    return f"Rests on {n} sales of the model{newest} ({model['confidence']})."


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
    n = int(model["n_sales"])
    newest = f", the newest of {day_words(model['newest_sale'])}" if n else ""
    sentence = (
        f"{month_words(ahead.index[0])}: {_range(now, month)}; "
        f"{month_words(then.name)}: {_range(then, month)}. "
        f"From {n} sales{newest}. Price of a single sale: {month.base}."
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
        text = f"{_name(unit)}: no option can be costed"
        return Words(text, text + ".")
    state = fault_words(options["state"].iloc[0])
    when = stop_words(stop, ahead_of(month))
    now = options[options["month"] == options["month"].min()].set_index("option")["value"]
    values = ", ".join(f"{o} {money(v, month.currency)}" for o, v in now.dropna().items())
    first = options["month"].min()
    title = f"{unit['model_name']}, {state}: {_stops('repair', when)}"
    best = now.drop("repair", errors="ignore").max()
    if missing(stop.get("median")) and "repair" in now and now["repair"] > best:
        title = f"{unit['model_name']}, {state}: repair pays throughout the forecast"
    return Words(
        title,
        f"Worth of an owned unit in {month_words(first)}: {values}. Repair stop: {when}. "
        + _behind(month, unit),
    )


def _stops(what: str, when: str) -> str:
    """Say in a title when something stops."""
    if when.startswith("already"):
        return f"{what} has stopped paying{when.removeprefix('already now')}"
    if when.startswith("not within"):
        return f"{what} pays on, its stop is {when.split(' (')[0]}"
    return f"{what} stops paying in {when}" if when[:1].isupper() else f"{what} stop: {when}"


def bid_words(month: FamilyMonth, unit: pd.Series) -> Words:
    """Say whether auctions still close below the bid."""
    path, past = of_unit(month.bid_path, unit), of_unit(month.hammers, unit)
    name, bid = _name(unit), money(unit["max_bid"], month.currency)
    if path.empty or missing(unit["max_bid"]) or not unit["max_bid"] > 0:
        reason = "" if missing(unit["reason"]) else f": {unit['reason']}"
        return Words(f"{name}: no bid{reason}", f"No bid can be made{reason}.")
    year = path.iloc[min(12, len(path) - 1)]
    later = f"{money(year['max_bid'], month.currency)} in {month_words(year['month'])}"
    if missing(unit["hammer"]):
        title = f"{name}: bid at most {bid}; no hammer price seen yet"
        return Words(title, f"Bid at most {bid} now, {later}. {_behind(month, unit)}")
    usual = money(unit["hammer"], month.currency)
    verb = "leaves room" if unit["max_bid"] >= unit["hammer"] else "rarely wins"
    verb = "wins only the cheaper lots" if unit["verdict"] == "cap" else verb
    title = f"{name}: a bid of {bid} {verb}, such units hammer at about {usual}"
    counts = past["result"].value_counts()
    seen = ", ".join(f"{int(counts.get(r, 0))} {r}" for r in ("won", "lost", "skipped"))
    return Words(
        title, f"Bid at most {bid} now, {later}. Past auctions: {seen}. {_behind(month, unit)}"
    )


def part_price_words(month: FamilyMonth, part: tuple[str, str], name: str) -> Words:
    """Say what a part costs now, by quality, and where it is heading."""
    same = (month.part_curve["model_id"] == part[0]) & (month.part_curve["part_code"] == part[1])
    ahead = month.part_curve[same & (month.part_curve["phase"] == "forecast")]
    asked = (month.part_points["model_id"] == part[0]) & (month.part_points["part_code"] == part[1])
    n, what = int(asked.sum()), f"{name}, {part_words(part[1])}"
    newest = day_words(month.part_points.loc[asked, "quote_date"].max())
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
    return Words(title, f"Now: {'; '.join(said)}. From {n} quotes, the newest of {newest}.")


def waterfall_words(month: FamilyMonth, unit: pd.Series, lines: pd.DataFrame) -> Words:
    """Say how much of the resale price is left to bid."""
    start = lines.loc[lines["kind"] == "start", "amount"]
    end = lines.loc[lines["kind"] == "result", "amount"]
    if start.empty or end.empty:
        text = f"{_name(unit)}: where the money goes cannot be said"
        return Words(text, text + ".")
    # The last line is the bid before it is rounded down; the title names the bid itself.
    named = end.iloc[-1] if missing(unit["max_bid"]) else unit["max_bid"]
    of, left = money(float(start.iloc[0]), month.currency), money(named, month.currency)
    title = f"{_name(unit)}: of {of} resale, {left} is left to bid"
    less = lines[lines["kind"] == "less"].copy()
    top = less.reindex(less["amount"].abs().sort_values(ascending=False).index).head(3)
    parts = ", ".join(
        f"{r['line']} {money(abs(r['amount']), month.currency)}" for _, r in top.iterrows()
    )
    return Words(title, f"The largest lines between them: {parts}. {_behind(month, unit)}")


def stop_month_words(month: FamilyMonth, unit: pd.Series, dates: pd.DataFrame) -> Words:
    """Say when each of the stops comes."""
    ahead = ahead_of(month)
    said = [f"{r['date_name']}: {stop_words(r, ahead)}" for _, r in dates.iterrows()]
    buy = dates[dates["date_name"] == "buy stop"]
    title = f"{_name(unit)}: no stop can be said"
    if len(buy):
        when = stop_words(buy.iloc[0], ahead)
        title = f"{_name(unit)}: {_stops('buying', when)}"
    return Words(title, f"{'; '.join(said)}. {_behind(month, unit)}")
