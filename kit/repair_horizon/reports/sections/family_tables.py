"""The tables of a family's page, in the partners' words."""

from __future__ import annotations

import pandas as pd

from repair_horizon.decisions.cautions import cautions_for
from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.glance import best_faults, bid_picture, timeline_picture
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
    table,
)
from repair_horizon.reports.main_rows import ahead_of, ranked
from repair_horizon.reports.sentences import headline
from repair_horizon.tables.codes import Verdict
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
)

_FIRST_ROWS, _PICTURED = 4, 8
# Columns that tell what is earned, left out where costs and margins are hidden.
COST_COLUMNS = {"expected_profit", "earns_per_month", "probability_loss", "profit_per_hour"}


def opening(month: FamilyMonth) -> Fragment:
    """Headline, currency and cut-off."""
    known = f"Known up to {day_words(month.cutoff)}; amounts in {month.currency}; intervals at "
    basis = f" Price basis: {month.base}." if month.base else ""
    said = f"{known}{percent(month.level)}.{basis}"
    return joined(paragraph(headline(month)[0], "headline"), paragraph(said, "note"))


def bid_picture_piece(month: FamilyMonth, *, costs: bool = True) -> Fragment:
    """Every model and fault of the family on one money axis, the best first.

    ``costs`` says whether a row tells what it earns.
    """
    if month.thresholds.empty:
        return NOTHING
    rows = ranked(month.thresholds)
    live = rows[rows["verdict"] == Verdict.BUY]
    shown = (live if len(live) else rows).head(_PICTURED)
    title = f"{len(live)} of {len(rows)} models and faults are worth buying broken"
    titled = f"{title}; the best {len(shown)}" if len(live) > len(shown) else title
    return bid_picture(shown, month.currency, {}, titled, _known(month), costs=costs)


def timeline_piece(month: FamilyMonth) -> Fragment:
    """Until when buying and repairing each model still pay."""
    if month.thresholds.empty or month.stop_chances.empty:
        return NOTHING
    best = best_faults(month.thresholds)
    ahead = ahead_of(month)
    return timeline_picture(
        best, month.stop_chances, ahead, {}, "How long each model pays", _known(month)
    )


def _known(month: FamilyMonth) -> str:
    return f"Known up to {day_words(month.cutoff)}. Check registry, ownership and locks first."


def verdicts(month: FamilyMonth, *, costs: bool = True) -> Fragment:
    """The thresholds: the best in view, the rest and the further columns behind a line.

    ``costs`` says whether profits and losses are told.
    """
    if month.thresholds.empty:
        return note(
            "No thresholds: no listed fault is declared for this family (fault_states.csv)."
        )
    rows, unit = _worded(month), month.currency
    live = rows["verdict"] == Verdict.BUY
    first = rows[live].head(_FIRST_ROWS) if live.any() else rows.head(_FIRST_ROWS)
    rest = rows.drop(index=first.index)
    columns = [
        Column("unit", "Model, fault"),
        *columns_of("thresholds", "verdict max_bid probability_win expected_profit", unit),
        *columns_of("thresholds", "probability_loss hammer", unit),
        Column("buy_stop", "Buying stops paying", wide=True),
        Column("behind", "Sales (newest)"),
    ]
    more = [
        columns[0],
        *columns_of("thresholds", "won_price profit_per_hour bid_next_month", unit),
        Column("repair_stop", "Repair stops paying (owned)", wide=True),
        Column("set_by", "What sets the bid"),
        declared("thresholds", "confidence"),
    ]
    if not costs:
        columns = [c for c in columns if c.name not in COST_COLUMNS]
    basis = note("Profit and chance of loss are of a lot that is won, at the price it is won at.")
    pieces = [
        *(paragraph(s) for s in headline(month)[1:]),
        table(first, columns, f"What to bid in {month_words(month.month)}", cards=True),
        *([basis] if costs else []),
    ]
    if len(rest):
        said = f"{len(rest)} more models and faults"
        others = table(rest, columns, "The other models and faults", cards=True)
        pieces.append(folded(said, others, printed=True))
    if not costs:
        return joined(*pieces)
    further = table(rows, more, "Further figures of every model and fault")
    return joined(*pieces, folded("What sets each bid, next month's bid, repair stop", further))


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
    if row["verdict"] == Verdict.CANNOT_SAY:
        return "cannot say"
    date = pd.Series({k: row[f"{name}_{k}"] for k in ("median", "lower", "upper")})
    said = stop_words(date, ahead, short=True)
    # A unit to be bought this month has not passed its stop, however near the odds put it.
    near = name == "buy_stop" and row["verdict"] == Verdict.BUY
    return said.replace("already now", "any month now", 1) if near else said


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
    chances = "probability_now probability_3 probability_6 probability_12"
    columns = [
        Column("unit", "Model, fault or part"),
        declared("stop_dates", "date_name"),
        Column("when", "When", wide=True),
        *columns_of("stop_dates", chances),
    ]
    return folded(f"All {len(shown)} stop dates", table(shown, columns, "Stop dates"))


def next_months(month: FamilyMonth, months: int = 6) -> Fragment:
    """The maximum bid in each of the next months."""
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
    columns += [
        Column(f"m{i}", f"{pd.Timestamp(m):%b %Y}", number, True) for i, m in enumerate(ahead)
    ]
    return table(rows, columns, f"Maximum bid by month, {month.currency}")


def models(month: FamilyMonth) -> Fragment:
    """The models and how well each is known."""
    columns = [
        Column("full_name", "Model", wide=True),
        *columns_of("models", "n_sales newest_sale age_months confidence"),
    ]
    if (month.models["reason"].fillna("") != "").any():
        columns.append(declared("models", "reason"))
    return table(month.models, columns, "Models and how well they are known")
