"""What to bid, at a glance and in full, what made the bid, and until when it holds.

Each function returns a piece of the page; where there is nothing to show, a note says why.

Two pictures at a glance: every bid on one money axis, and until when buying and repair pay.

Both are drawn by the page itself, without a script, so that they show in a mail's preview too.
They take declared tables: ``thresholds`` and ``stop_chances``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Any

import pandas as pd

from repair_horizon.charts.bid_charts import bids, scissors, sensitivity, stop_months, waterfall
from repair_horizon.decisions.cautions import cautions_for
from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
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
    piece,
    table,
)
from repair_horizon.reports.month_tables import (
    UNIT,
    FamilyMonth,
    best_faults,
    most_auctioned,
    of_unit,
)
from repair_horizon.reports.sentences import (
    TableRow,
    bid_words,
    change_sentence,
    headline,
    scissors_words,
    sensitivity_words,
    stop_month_words,
    stop_of,
    to_do,
    unit_names,
    until_words,
    waterfall_words,
)
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import (
    Ahead,
    chance,
    day_words,
    fault_words,
    missing,
    money,
    month_words,
    number,
    part_words,
    percent,
    short_day,
    short_month,
    stop_words,
)

MOST = 8
_ROUND = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True)
class Row:
    """One row of a picture; places are per cent of the axis."""

    who: str
    says: str
    label: str
    link: str = ""
    band: tuple[float, float] | None = None
    mark: float | None = None
    cells: list[tuple[Any, ...]] = field(default_factory=list)


def bid_picture(
    every: pd.DataFrame,
    currency: str,
    links: Mapping[str, str],
    under: str,
    *,
    costs: bool = True,
) -> Fragment:
    """Draw the best bids, a row each: usual hammer prices as a band, the maximum bid as a mark.

    Of ``every``, thresholds that are ``ranked``, the first that are worth buying are drawn, the
    first of all where none is; ``links`` are the families' pages, ``under`` is said below,
    ``costs`` says what each row earns.
    """
    live = every[every["verdict"] == Verdict.BUY]
    shown = (live if len(live) else every).head(MOST)
    title = f"{len(live)} of {len(every)} models and faults are worth buying broken"
    title = f"{title}, the best first" if len(live) > len(shown) else title
    top = _round(float(shown[["max_bid", "hammer_upper"]].max(axis=None, skipna=True)))
    step = _round(top / 5, down=True)
    steps = [step * i for i in range(int(top / step + 1e-9) + 1)]
    ticks = [(round(100 * at / top, 2), number(at)) for at in steps]
    shown = shown if costs else shown.assign(earns_per_month=None)
    pages = [links.get(family, "") for family in shown["family_id"]]
    named = shown.assign(who=unit_names(shown), link=pages)
    rows = [_bid_row(r, currency, top) for r in named.to_dict("records")]
    sentence = (
        f"Amounts in {currency}, band at {percent(0.8)}: a mark right of its band wins most lots."
    )
    return piece("pictures", "bids", title, sentence, ticks, rows, under)


def _bid_row(row: TableRow, currency: str, top: float) -> Row:
    bid, lower, upper = (row[k] for k in ("max_bid", "hammer_lower", "hammer_upper"))
    says = f"{Verdict.read(row['verdict']).shape} {money(bid, currency)}: "
    says += f"wins {chance(row['probability_win'])}"
    if not missing(row["earns_per_month"]):
        says += f", earns {money(row['earns_per_month'], currency)} a month"
    band, usual = None, "no usual hammer price known"
    if not missing(lower) and not missing(upper):
        band = (_place(lower, top), round(_place(upper, top) - _place(lower, top), 2))
        usual = f"usual hammer price {money(lower, currency)} to {money(upper, currency)}"
    label = f"{row['who']}: maximum bid {money(bid, currency)}{to_do(row)}, {usual}"
    mark = None if missing(bid) else _place(bid, top)
    return Row(row["who"], says, label, row["link"], band, mark)


def _place(amount: float, top: float) -> float:
    return round(100 * min(max(float(amount), 0.0), top) / top, 2)


def _round(value: float, *, down: bool = False) -> float:
    """Return a round amount of money not under (not over) a value."""
    if not value > 0:
        return 1.0
    sizes = [m * 10.0 ** math.floor(math.log10(value)) for m in _ROUND]
    if down:
        return max(s for s in sizes if s <= value * (1 + 1e-9))
    return min(s for s in sizes if s >= value * (1 - 1e-9))


def timeline_picture(
    best: pd.DataFrame,
    chances: pd.DataFrame,
    ahead: Ahead,
    links: Mapping[str, str],
    title: str,
    under: str,
) -> Fragment:
    """Draw a row a model: how likely buying (upper half) and repair (lower half) still pay.

    ``best`` are rows of thresholds, one a model, of the fault that is drawn; ``chances`` is the
    table ``stop_chances`` of the same.
    """
    months = [pd.Timestamp(m) for m in sorted(chances["month"].dropna().unique())][: ahead.horizon]
    count = max(len(months), 1)
    quarters = [i for i, m in enumerate(months) if m.month in (1, 7) and i > 3]
    ticks = [(0.0, "now")] + [(round(100 * i / count, 2), f"{months[i]:%b %Y}") for i in quarters]
    named = best.assign(who=unit_names(best), link=best["family_id"].map(links).fillna(""))
    told = best[UNIT].merge(chances[[*UNIT, "date_name", "month", "probability"]])
    come = {tuple(key): chance for *key, chance in told.itertuples(index=False, name=None)}
    rows = [_time_row(r, come, months, ahead) for r in named.to_dict("records")]
    sentence = (
        f"Each model's best fault, {ahead.horizon} months; the chance is a share of possible "
        "futures."
    )
    return piece("pictures", "timeline", title, sentence, ticks, rows, count, under)


def _time_row(
    row: TableRow,
    come: Mapping[tuple[Any, ...], float],
    months: list[pd.Timestamp],
    ahead: Ahead,
) -> Row:
    cells: list[tuple[Any, ...]] = []
    halves = ((StopDate.BUY_STOP, "buy", 0), (StopDate.REPAIR_STOP, "repair", 1))
    for date, kind, y in halves:
        stop = row["model_id"], row["listed_fault"], str(date)
        chances = [round(1.0 - float(come.get((*stop, m), 1.0)), 1) for m in months]
        at = 0
        # Neighbouring months alike to a tenth are one cell.
        for pays, group in groupby(chances):
            width = len(list(group))
            cells += [(at, width, y, kind, pays)] if pays > 0 else []
            at += width
    buy = until_words("buying", stop_of(row, "buy_stop", ahead))
    label = f"{row['who']}: {buy}; {until_words('repair', stop_of(row, 'repair_stop', ahead))}"
    # Beside its row there is little room.
    short = buy.replace("stops paying", "stops").replace(" than the forecast", "")
    short = short.replace(f"the {ahead.horizon} months forecast", f"{ahead.horizon} months")
    return Row(row["who"], short, label, row["link"], cells=cells)


Piece = Chart | Fragment
_FIRST_ROWS = 4
# Columns that tell what is earned, left out where costs and margins are hidden.
COST_COLUMNS = {"expected_profit", "earns_per_month", "probability_loss", "profit_per_hour"}


def opening(month: FamilyMonth) -> Fragment:
    """Headline, currency and cut-off."""
    basis = f" Price basis: {month.base}." if month.base else ""
    said = (
        f"{_invented(month)}Known up to {day_words(month.cutoff)}; amounts in {month.currency}; "
        f"intervals at {percent(month.level)}.{basis}"
    )
    return joined(paragraph(headline(month)[0], "headline"), note(said))


def bid_picture_piece(month: FamilyMonth, *, costs: bool = True) -> Fragment:
    """Every model and fault of the family on one money axis; ``costs``: with what each earns."""
    if month.thresholds.empty:
        return NOTHING
    return bid_picture(month.ranked, month.currency, {}, _known(month), costs=costs)


def timeline_piece(month: FamilyMonth) -> Fragment:
    """Until when buying and repairing each model still pay."""
    if month.thresholds.empty or month.stop_chances.empty:
        return NOTHING
    best, title = best_faults(month.ranked), "How long each model pays"
    return timeline_picture(best, month.stop_chances, month.ahead, {}, title, _known(month))


def _known(month: FamilyMonth) -> str:
    day = day_words(month.cutoff)
    return f"{_invented(month)}Known up to {day}. Check registry, ownership and locks first."


def _invented(month: FamilyMonth) -> str:
    return "Invented. " if month.invented else ""


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
    main = "verdict max_bid then probability_win expected_profit probability_loss hammer"
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
    rows = month.ranked.reset_index(drop=True)
    newest = rows["model_id"].map(month.models.set_index("model_id")["newest_sale"])
    each = rows.to_dict("records")
    buy, repair = (
        [stop_of(r, name, month.ahead) for r in each] for name in ("buy_stop", "repair_stop")
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
        when=[stop_words(r, month.ahead, short=True) for r in rows.to_dict("records")],
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
    pieces: list[Piece] = []
    for unit in {u.name: u for u in both}.values():
        path, past = of_unit(month.bid_path, unit), of_unit(month.hammers, unit)
        if len(path):
            words = bid_words(month, unit, path, past)
            pieces.append(Chart(bids(path, past, month.currency, words)))
    return pieces or [note(f"No bids can be said: {_why_not(month)}.")]


def next_months(month: FamilyMonth, months: int = 6) -> Fragment:
    """The maximum bid in each of the next months."""
    path = month.bid_path.dropna(subset=["month"])
    ahead = sorted(path["month"].unique())[: months + 1]
    if not ahead:
        return note("No bids can be said for the months ahead.")
    wide = path[path["month"].isin(ahead)].pivot(index=UNIT, columns="month", values="max_bid")
    wide.columns = pd.Index([short_month(m) for m in wide.columns])
    rows = month.ranked[[*UNIT, "model_name"]].merge(wide.reset_index(), on=UNIT)
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
