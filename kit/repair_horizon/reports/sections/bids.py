"""What to bid, what made the bid, until when it holds: the front of a family's page.

Each function returns a piece of the page; where there is nothing to show, a note says why.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from repair_horizon.charts.bid_charts import bids, scissors, sensitivity, stop_months, waterfall
from repair_horizon.decisions.cautions import cautions_for
from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
from repair_horizon.reports.glance import bid_picture, timeline_picture
from repair_horizon.reports.html import (
    NOTHING,
    Chart,
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
from repair_horizon.reports.month_tables import (
    UNIT,
    FamilyMonth,
    best_faults,
    most_auctioned,
    of_unit,
    ranked,
)
from repair_horizon.reports.sentences import (
    bid_words,
    change_sentence,
    headline,
    scissors_words,
    sensitivity_words,
    stop_month_words,
    stop_of,
    unit_names,
    waterfall_words,
)
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import (
    day_words,
    fault_words,
    missing,
    month_words,
    number,
    part_words,
    percent,
    short_day,
    short_month,
    stop_words,
)

Piece = Chart | Fragment
_FIRST_ROWS = 4
# Columns that tell what is earned, left out where costs and margins are hidden.
COST_COLUMNS = {"expected_profit", "earns_per_month", "probability_loss", "profit_per_hour"}


def opening(month: FamilyMonth) -> Fragment:
    """Headline, currency and cut-off."""
    basis = f" Price basis: {month.base}." if month.base else ""
    said = (
        f"Known up to {day_words(month.cutoff)}; amounts in {month.currency}; intervals at "
        f"{percent(month.level)}.{basis}"
    )
    return joined(paragraph(headline(month)[0], "headline"), note(said))


def bid_picture_piece(month: FamilyMonth, *, costs: bool = True) -> Fragment:
    """Every model and fault of the family on one money axis; ``costs``: with what each earns."""
    if month.thresholds.empty:
        return NOTHING
    return bid_picture(month.thresholds, month.currency, {}, _known(month), costs=costs)


def timeline_piece(month: FamilyMonth) -> Fragment:
    """Until when buying and repairing each model still pay."""
    if month.thresholds.empty or month.stop_chances.empty:
        return NOTHING
    best, title = best_faults(month.thresholds), "How long each model pays"
    return timeline_picture(best, month.stop_chances, month.ahead, {}, title, _known(month))


def _known(month: FamilyMonth) -> str:
    said = f"Known up to {day_words(month.cutoff)}. Check registry, ownership and locks first."
    return f"Invented. {said}" if month.invented else said


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
    head = Column("unit", "Model, fault")
    main = "verdict max_bid probability_win expected_profit probability_loss hammer"
    columns = [
        head,
        *columns_of("thresholds", main, unit),
        Column("buy_stop", "Buying stops paying", wide=True),
        Column("behind", "Sales (newest)"),
    ]
    if not costs:
        columns = [c for c in columns if c.name not in COST_COLUMNS]
    pieces = [
        *(paragraph(s) for s in headline(month)[1:]),
        table(first, columns, f"What to bid in {month_words(month.month)}", cards=True),
    ]
    if costs:
        pieces.append(
            note("Profit and chance of loss are of a lot that is won, at the price it is won at.")
        )
    if len(rest):
        others = table(rest, columns, "The other models and faults", cards=True)
        pieces.append(folded(f"{len(rest)} more models and faults", others, printed=True))
    if costs:
        more = [
            head,
            *columns_of("thresholds", "won_price profit_per_hour bid_next_month", unit),
            Column("repair_stop", "Repair stops paying (owned)", wide=True),
            Column("set_by", "What sets the bid"),
            declared("thresholds", "confidence"),
        ]
        further = table(rows, more, "Further figures of every model and fault")
        pieces.append(folded("What sets each bid, next month's bid, repair stop", further))
    return joined(*pieces)


def _worded(month: FamilyMonth) -> pd.DataFrame:
    rows = ranked(month.thresholds).reset_index(drop=True)
    newest = rows["model_id"].map(month.models.set_index("model_id")["newest_sale"])
    buy, repair = (
        [stop_of(r, name, month.ahead) for _, r in rows.iterrows()]
        for name in ("buy_stop", "repair_stop")
    )
    # Number of sales and the newest one's day, which stand beside every figure.
    days = newest.map(lambda d: "" if missing(d) else f" ({short_day(d)})")
    return rows.assign(
        unit=unit_names(rows),
        buy_stop=buy,
        repair_stop=repair,
        behind=rows["n_sales"].map(number) + days,
        set_by=rows["reason"].replace("", None).fillna(rows["binding_limit"]),
    )


def cautions(month: FamilyMonth, step: str) -> Fragment:
    """Cautions of one step ('buying', 'repairing', 'selling') for this family."""
    columns = (
        month.thresholds["listed_fault"],
        month.states["listed_fault"],
        month.states["state"],
    )
    named = [fault_words(value) for column in columns for value in column.dropna().unique()]
    return caution_box(cautions_for(step, month.device_class, named), step)


def tax_note(month: FamilyMonth, settings: Settings) -> Fragment:
    """Say that taxes are arithmetic, not advice, where a tax scheme is set."""
    scheme = settings.for_class(month.device_class).tax.scheme
    return NOTHING if scheme == "none" else note(NOT_TAX_ADVICE)


def bid_change(month: FamilyMonth) -> Fragment:
    """Why the main unit's bid changed since last month."""
    unit, changes = month.main, month.of_main("changes")
    if unit is None or changes.empty:
        return note("Why the bid changed cannot be said: no bid is worked out.")
    said = paragraph(change_sentence(month, unit, changes))
    rows = changes[pd.to_numeric(changes["change"]).abs() >= 0.005]
    if rows.empty:
        return said
    moved = replace(declared("changes", "change", month.currency), words=_one_place)
    own = bool(changes["own_rules"].iloc[0])
    rules = "each with its own settings" if own else "with the settings as they are now"
    basis = note(
        "They add up exactly (each cause averaged over all orders of change). Both months are "
        f"worked out {rules}, on fewer draws than the bid itself."
    )
    shares = table(rows, [declared("changes", "block"), moved], "What changed the bid")
    return joined(said, folded("What changed the bid", shares, basis))


def _one_place(amount: object) -> str:
    said = number(amount, 1)
    return f"+{said}" if float(str(amount)) >= 0.05 else said


def waterfall_piece(month: FamilyMonth) -> Piece:
    """Where the money of the main unit goes."""
    unit, rows = month.main, month.of_main("waterfall")
    if unit is None or rows.empty:
        return note(f"No breakdown from resale price to bid: {_why_not(month)}.")
    return Chart(waterfall(rows, month.currency, waterfall_words(month, unit, rows)))


def sensitivity_piece(month: FamilyMonth) -> Piece:
    """What moves the main unit's bid most."""
    unit, moves = month.main, month.of_main("moves")
    moves = moves[(moves[["bid_worse", "bid_better"]].abs() >= 0.005).any(axis=1)]
    if unit is None or moves.empty:
        return note("What moves the bid most cannot be said: no bid is worked out.")
    return Chart(sensitivity(moves, month.currency, sensitivity_words(month, unit, moves)))


def stop_piece(month: FamilyMonth) -> Piece:
    """How likely the main unit's stops have come."""
    unit, dates = month.main, month.of_main("stop_dates").dropna(subset=["probability_now"])
    if unit is None or dates.empty:
        return note(f"No stop month can be said: {_why_not(month)}.")
    words = stop_month_words(month, unit, dates)
    return Chart(stop_months(month.of_main("stop_chances"), words))


def stop_meanings() -> Fragment:
    """What each stop date means, in one small paragraph."""
    said = "; ".join(f"{date}: {date.words}" for date in StopDate)
    return note(f"{said[0].upper()}{said[1:]}. Each is the first of two such months running.")


def stop_table(month: FamilyMonth) -> Fragment:
    """Stop dates of everything, behind a line."""
    rows = month.stop_dates
    if rows.empty:
        return note("No stop dates can be said.")
    faults, parts = rows["listed_fault"], rows["part_code"].map(part_words)
    what = faults.map(fault_words).where(~faults.map(missing), parts)
    shown = rows.assign(
        unit=rows["model_id"].map(month.names).fillna("").astype(str) + ", " + what,
        when=[stop_words(r, month.ahead, short=True) for _, r in rows.iterrows()],
    )
    chances = "probability_now probability_3 probability_6 probability_12"
    columns = [
        Column("unit", "Model, fault or part"),
        declared("stop_dates", "date_name"),
        Column("when", "When", wide=True),
        *columns_of("stop_dates", chances),
    ]
    return folded(f"All {len(shown)} stop dates", table(shown, columns, "Stop dates"))


def scissors_piece(month: FamilyMonth) -> Piece:
    """Repair of the main unit against its alternatives."""
    unit, rows = month.main, month.of_main("options")
    if unit is None or rows.empty:
        return note(f"Repair cannot be compared with its alternatives: {_why_not(month)}.")
    dates = month.of_main("stop_dates").set_index("date_name")
    unknown = {"median": None, "lower": None, "upper": None, "reason": "not worked out"}
    date = str(StopDate.REPAIR_STOP)
    stop = dates.loc[date] if date in dates.index else pd.Series(unknown)
    return Chart(scissors(rows, stop, month.currency, scissors_words(month, unit, rows, stop)))


def bid_pieces(month: FamilyMonth) -> list[Piece]:
    """Bids by month beside the hammer prices seen: the main unit, and the most auctioned one."""
    both = [u for u in (month.main, most_auctioned(month)) if u is not None]
    units = {u.name: u for u in both if len(of_unit(month.bid_path, u))}
    if not units:
        return [note(f"No bids can be said: {_why_not(month)}.")]
    return [
        Chart(
            bids(
                of_unit(month.bid_path, u),
                of_unit(month.hammers, u),
                month.currency,
                bid_words(month, u),
            )
        )
        for u in units.values()
    ]


def next_months(month: FamilyMonth, months: int = 6) -> Fragment:
    """The maximum bid in each of the next months."""
    path = month.bid_path.dropna(subset=["month"])
    ahead = sorted(path["month"].unique())[: months + 1]
    if not ahead:
        return note("No bids can be said for the months ahead.")
    wide = path[path["month"].isin(ahead)].pivot_table(
        index=UNIT, columns="month", values="max_bid", aggfunc="first", observed=True
    )
    wide.columns = pd.Index([short_month(m) for m in wide.columns])
    rows = ranked(month.thresholds)[[*UNIT, "model_name"]].merge(wide.reset_index(), on=UNIT)
    rows = rows[(rows[wide.columns] > 0).any(axis=1)]
    if rows.empty:
        return note("Nothing can be bid in any of the next months.")
    columns = [Column("unit", "Model, fault")]
    columns += [Column(m, m, number, True) for m in wide.columns]
    caption = f"Maximum bid by month, {month.currency}"
    return table(rows.assign(unit=unit_names(rows)), columns, caption)


def _why_not(month: FamilyMonth) -> str:
    """Say what is lacking for decisions."""
    if month.main is None:
        return "no listed fault is declared for this family (fault_states.csv)"
    reason = month.main["reason"]
    return "no option can be costed" if missing(reason) else str(reason)
