"""The tables of a family's page, in the partners' words."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pandas as pd

from repair_horizon.decisions.cautions import cautions_for
from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import (
    Column,
    Fragment,
    cards,
    caution_box,
    folded,
    note,
    paragraph,
    table,
)
from repair_horizon.reports.main_rows import ahead_of, ranked
from repair_horizon.reports.sentences import headline
from repair_horizon.tables.words import (
    Ahead,
    day_words,
    fault_words,
    missing,
    month_words,
    number,
    part_words,
    percent,
    short_day,
    stop_words,
    verdict_words,
)

_FIRST_ROWS = 8
# Columns of the less urgent rows that would cost a printed page its second sheet.
_LONG = ("buy_stop", "repair_stop", "set_by")
_n, _n1, _n2 = number, partial(number, decimals=1), partial(number, decimals=2)


def opening(month: FamilyMonth) -> Fragment:
    """Headline, currency and cut-off."""
    known = f"Known up to {day_words(month.cutoff)}; amounts in {month.currency}; intervals at "
    basis = f" Price basis: {month.base}." if month.base else ""
    said = f"{known}{percent(month.level)}.{basis}"
    lines = "".join(paragraph(s, "headline").html for s in headline(month))
    return Fragment(lines + paragraph(said, "note").html)


def verdicts(month: FamilyMonth) -> Fragment:
    """The thresholds: what can be bought in view, the rest behind a line."""
    if month.thresholds.empty:
        return note(
            "No thresholds: no listed fault is declared for this family (fault_states.csv)."
        )
    rows = _worded(month)
    live = rows["verdict"].isin(["buy", "cap"])
    first = rows[live].head(_FIRST_ROWS) if live.any() else rows.head(_FIRST_ROWS)
    rest = rows.drop(index=first.index)
    columns = _verdict_columns(month)
    shown = table(first, columns, f"What to bid in {month_words(month.month)}")
    shown = cards(shown, columns)
    if rest.empty:
        return shown
    short = [replace(c, screen=c.name in _LONG) for c in columns]
    more = cards(table(rest, short, "The other models and faults"), columns)
    return Fragment(
        shown.html + folded(f"{len(rest)} more models and faults", more, printed=True).html
    )


def _worded(month: FamilyMonth) -> pd.DataFrame:
    rows = ranked(month.thresholds).reset_index(drop=True)
    newest = month.models.set_index("model_id")["newest_sale"]
    ahead = ahead_of(month)
    fault, ids = rows["listed_fault"].map(fault_words), rows["model_id"]
    return rows.assign(
        unit=rows["model_name"].astype(str) + ", " + fault,
        buy_stop=[_stop(r, "buy_stop", ahead) for _, r in rows.iterrows()],
        repair_stop=[_stop(r, "repair_stop", ahead) for _, r in rows.iterrows()],
        behind=[_behind(n, newest.get(m)) for n, m in zip(rows["n_sales"], ids, strict=True)],
        set_by=rows["reason"].replace("", None).fillna(rows["binding_limit"]),
    )


def _behind(sales: object, newest: object) -> str:
    """Number of sales and the newest one's day, which stand beside every figure."""
    return number(sales) if missing(newest) else f"{number(sales)} ({short_day(newest)})"


def _stop(row: pd.Series, name: str, ahead: Ahead) -> str:
    if row["verdict"] == "cannot say":
        return "cannot say"
    date = pd.Series({k: row[f"{name}_{k}"] for k in ("median", "lower", "upper")})
    said = stop_words(date, ahead, short=True)
    # A unit to be bought this month has not passed its stop, however near the odds put it.
    near = name == "buy_stop" and row["verdict"] == "buy"
    return said.replace("already now", "any month now", 1) if near else said


def _verdict_columns(month: FamilyMonth) -> list[Column]:
    unit = month.currency
    return [
        Column("unit", "Model, fault"),
        Column("verdict", "Verdict", verdict_words),
        Column("max_bid", f"Bid at most, {unit}", _n, True),
        Column("bid_next_month", f"Next month, {unit}", _n, True),
        Column("hammer", f"Usual hammer, {unit}", _n, True),
        Column("expected_profit", f"Expected profit, {unit}", _n, True),
        Column("profit_per_hour", f"Profit per bench hour, {unit}", _n, True),
        Column("probability_loss", "Chance of loss", percent, True),
        Column("buy_stop", "Buying stops paying", wide=True),
        Column("repair_stop", "Repair stops paying (owned)", wide=True),
        Column("set_by", "What sets the bid"),
        Column("behind", "Sales (newest)"),
        Column("confidence", "Confidence"),
    ]


def cautions(month: FamilyMonth, step: str) -> Fragment:
    """Cautions of one step ('buying', 'repairing', 'selling') for this family."""
    faults = [fault_words(f) for f in month.states["listed_fault"].dropna().unique()]
    states = [fault_words(s) for s in month.states["state"].dropna().unique()]
    listed = [fault_words(f) for f in month.thresholds["listed_fault"].dropna().unique()]
    chosen = cautions_for(step, month.device_class, [*listed, *faults, *states])
    return caution_box(chosen, step)


def stop_table(month: FamilyMonth) -> Fragment:
    """Stop dates of everything, behind a line."""
    rows = month.stop_dates
    if rows.empty:
        return note("No stop dates can be said.")
    names = month.models.set_index("model_id")["model_name"]
    ahead = ahead_of(month)
    what = [
        part_words(r["part_code"]) if missing(r["listed_fault"]) else fault_words(r["listed_fault"])
        for _, r in rows.iterrows()
    ]
    unit = rows["model_id"].map(names).fillna("").astype(str) + ", "
    shown = rows.assign(
        unit=unit + pd.Series(what, index=rows.index),
        when=[stop_words(r, ahead, short=True) for _, r in rows.iterrows()],
    )
    chances = [("now", "now"), ("3", "within 3"), ("6", "within 6"), ("12", "within 12 months")]
    columns = [
        Column("unit", "Model, fault or part"),
        Column("date_name", "What stops"),
        Column("when", "When", wide=True),
        *(Column(f"probability_{k}", f"Chance {w}", percent, True) for k, w in chances),
    ]
    return folded(f"All {len(shown)} stop dates", table(shown, columns, "Stop dates"))


def next_months(month: FamilyMonth, months: int = 6) -> Fragment:
    """The most to bid in each of the next months."""
    path = month.bid_path.dropna(subset=["month"])
    ahead = sorted(path["month"].unique())[: months + 1]
    if not ahead:
        return note("No bids can be said for the months ahead.")
    keys = ["model_id", "listed_fault"]
    wide = path[path["month"].isin(ahead)].pivot_table(
        index=keys, columns="month", values="max_bid", aggfunc="first", observed=True
    )
    order = ranked(month.thresholds)[[*keys, "model_name"]]
    wide.columns = [f"m{i}" for i in range(len(wide.columns))]
    rows = order.merge(wide.reset_index(), on=keys)
    rows = rows[(rows.filter(regex=r"^m\d") > 0).any(axis=1)]
    if rows.empty:
        return note("Nothing can be bid in any of the next months.")
    rows["unit"] = rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)
    columns = [Column("unit", "Model, fault")]
    columns += [Column(f"m{i}", f"{pd.Timestamp(m):%b %Y}", _n, True) for i, m in enumerate(ahead)]
    return table(rows, columns, f"Bid at most, by month, {month.currency}")


def models(month: FamilyMonth) -> Fragment:
    """The models and how well each is known."""
    columns = [
        Column("full_name", "Model", wide=True),
        Column("n_sales", "Sales", _n, True),
        Column("newest_sale", "Newest sale", short_day),
        Column("age_months", "Age, months", _n, True),
        Column("confidence", "Confidence"),
    ]
    if (month.models["reason"].fillna("") != "").any():
        columns.append(Column("reason", "Reason"))
    return table(month.models, columns, "Models and how well they are known")
