"""Two pictures at a glance: every bid on one money axis, and until when buying and repair pay.

Both are drawn by the page itself, without a script, so that they show in a mail's preview too.
They take declared tables: ``thresholds`` and ``stop_chances``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import pandas as pd

from repair_horizon.reports.html import Fragment, piece
from repair_horizon.reports.month_tables import UNIT, ranked
from repair_horizon.reports.sentences import stop_of, unit_names, until_words
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.words import (
    Ahead,
    chance,
    missing,
    money,
    number,
    percent,
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
    thresholds: pd.DataFrame,
    currency: str,
    links: Mapping[str, str],
    under: str,
    *,
    costs: bool = True,
) -> Fragment:
    """Draw the best bids, a row each: usual hammer prices as a band, the maximum bid as a mark.

    Of ``thresholds`` the best that are worth buying are drawn, the best of all where none is;
    ``links`` are the families' pages, ``under`` is said below, ``costs`` says what each row earns.
    """
    every = ranked(thresholds)
    live = every[every["verdict"] == Verdict.BUY]
    shown = (live if len(live) else every).head(MOST)
    title = f"{len(live)} of {len(every)} models and faults are worth buying broken"
    title = f"{title}, the best first" if len(live) > len(shown) else title
    top = _round(float(shown[["max_bid", "hammer_upper"]].max(axis=None, skipna=True)))
    step = _round(top / 5, down=True)
    steps = [step * i for i in range(int(top / step + 1e-9) + 1)]
    ticks = [(round(100 * at / top, 2), number(at)) for at in steps]
    shown = shown if costs else shown.assign(earns_per_month=None)
    named = shown.assign(who=unit_names(shown), link=shown["family_id"].map(links).fillna(""))
    rows = [_bid_row(r, currency, top) for _, r in named.iterrows()]
    sentence = (
        f"Amounts in {currency}, band at {percent(0.8)}: a mark right of its band wins most lots."
    )
    return piece("pictures", "bids", title, sentence, ticks, rows, under)


def _bid_row(row: pd.Series, currency: str, top: float) -> Row:
    bid, lower, upper = (row[k] for k in ("max_bid", "hammer_lower", "hammer_upper"))
    says = f"{Verdict.read(row['verdict']).shape} {money(bid, currency)}: "
    says += f"wins {chance(row['probability_win'])}"
    if not missing(row["earns_per_month"]):
        says += f", earns {money(row['earns_per_month'], currency)} a month"
    band, usual = None, "no usual hammer price known"
    if not missing(lower) and not missing(upper):
        band = (_place(lower, top), round(_place(upper, top) - _place(lower, top), 2))
        usual = f"usual hammer price {money(lower, currency)} to {money(upper, currency)}"
    label = f"{row['who']}: maximum bid {money(bid, currency)}, {usual}"
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
    mine = dict(list(chances.groupby(UNIT, sort=False, observed=True)))
    none = chances.iloc[:0]
    rows = [
        _time_row(r, mine.get((r["model_id"], r["listed_fault"]), none), months, ahead)
        for _, r in named.iterrows()
    ]
    sentence = (
        f"Each model's best fault, {ahead.horizon} months; the chance is a share of possible "
        "futures."
    )
    return piece("pictures", "timeline", title, sentence, ticks, rows, count, under)


def _time_row(row: pd.Series, mine: pd.DataFrame, months: list[pd.Timestamp], ahead: Ahead) -> Row:
    cells: list[tuple[Any, ...]] = []
    halves = ((StopDate.BUY_STOP, "buy", 0), (StopDate.REPAIR_STOP, "repair", 1))
    for date, kind, y in halves:
        come = mine[mine["date_name"] == date].set_index("month")["probability"]
        at = 0
        # Neighbouring months alike to a tenth are one cell.
        for pays, group in groupby(round(1.0 - float(come.get(m, 1.0)), 1) for m in months):
            width = len(list(group))
            cells += [(at, width, y, kind, pays)] if pays > 0 else []
            at += width
    buy = until_words("buying", stop_of(row, "buy_stop", ahead))
    label = f"{row['who']}: {buy}; {until_words('repair', stop_of(row, 'repair_stop', ahead))}"
    # Beside its row there is little room.
    short = buy.replace("stops paying", "stops").replace(" than the forecast", "")
    short = short.replace(f"the {ahead.horizon} months forecast", f"{ahead.horizon} months")
    return Row(row["who"], short, label, row["link"], cells=cells)
