"""Two pictures at a glance: every bid on one money axis, and until when buying and repair pay.

Both are drawn by the page itself, without a script, so that they show in a mail's preview too.
They take declared tables: ``thresholds`` and ``stop_chances``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import groupby
from typing import Any

import pandas as pd

from repair_horizon.reports.html import Fragment, environment
from repair_horizon.reports.main_rows import ranked
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.words import (
    Ahead,
    chance,
    fault_words,
    missing,
    money,
    number,
    percent,
    stop_words,
)

_KEYS = ["model_id", "listed_fault"]


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


@cache
def _macros() -> Any:
    return environment().get_template("pictures.html.j2").module


def bid_picture(
    thresholds: pd.DataFrame,
    currency: str,
    links: Mapping[str, str],
    title: str,
    under: str,
    *,
    costs: bool = True,
) -> Fragment:
    """Draw a row for each model and fault: usual hammer prices as a band, the bid as a mark.

    Parameters
    ----------
    thresholds
        Rows of the table ``thresholds``, drawn in the order they come.
    currency
        Of the amounts.
    links
        Address of each family's page; none where it is missing.
    title
        The picture's conclusion.
    under
        What is said below: what it rests on, cautions.
    costs
        Whether to say what each row earns.
    """
    top = _round_up(float(thresholds[["max_bid", "hammer_upper"]].max(axis=None, skipna=True)))
    step = _round_up(top / 5, down=True)
    ticks = [(round(100 * at / top, 2), number(at)) for at in _steps(top, step)]
    if not costs:
        thresholds = thresholds.assign(earns_per_month=None)
    rows = [_bid_row(r, currency, top, links) for _, r in thresholds.iterrows()]
    sentence = (
        f"Amounts in {currency}, band at {percent(0.8)}: a mark right of its band wins most lots."
    )
    return Fragment(str(_macros().bids(title, sentence, ticks, rows, under)))


def _bid_row(row: pd.Series, currency: str, top: float, links: Mapping[str, str]) -> Row:
    who = f"{row['model_name']}, {fault_words(row['listed_fault'])}"
    bid = row["max_bid"]
    says = f"{Verdict.read(row['verdict']).shape} {money(bid, currency)}: {_earns(row, currency)}"
    lower, upper = row["hammer_lower"], row["hammer_upper"]
    band = None
    usual = "no usual hammer price known"
    if not missing(lower) and not missing(upper):
        band = (_place(lower, top), round(_place(upper, top) - _place(lower, top), 2))
        usual = f"usual hammer price {money(lower, currency)} to {money(upper, currency)}"
    label = f"{who}: maximum bid {money(bid, currency)}, {usual}"
    link = links.get(str(row["family_id"]), "")
    return Row(who, says, label, link, band, None if missing(bid) else _place(bid, top))


def _earns(row: pd.Series, currency: str) -> str:
    wins = f"wins {chance(row['probability_win'])}"
    if missing(row["earns_per_month"]):
        return wins
    return f"{wins}, earns {money(row['earns_per_month'], currency)} a month"


def _place(amount: float, top: float) -> float:
    return round(100 * min(max(float(amount), 0.0), top) / top, 2)


def _round_up(value: float, *, down: bool = False) -> float:
    """Return a round amount of money not under (not over) a value."""
    if not value > 0:
        return 1.0
    size = 10.0 ** math.floor(math.log10(value))
    sizes = [m * size for m in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)]
    if down:
        return max(s for s in sizes if s <= value * (1 + 1e-9))
    return min(s for s in sizes if s >= value * (1 - 1e-9))


def _steps(top: float, step: float) -> list[float]:
    return [step * i for i in range(int(top / step + 1e-9) + 1)]


def timeline_picture(
    thresholds: pd.DataFrame,
    chances: pd.DataFrame,
    ahead: Ahead,
    links: Mapping[str, str],
    title: str,
    under: str,
) -> Fragment:
    """Draw a row a model: how likely buying (upper half) and repair (lower half) still pay.

    Parameters
    ----------
    thresholds
        One row a model, of the fault that is drawn, in the order they come.
    chances
        Table ``stop_chances`` of the same.
    ahead
        The stretch looked at.
    links
        Address of each family's page.
    title
        The picture's conclusion.
    under
        What is said below.
    """
    months = [pd.Timestamp(m) for m in sorted(chances["month"].dropna().unique())][: ahead.horizon]
    count = max(len(months), 1)
    quarters = [i for i, m in enumerate(months) if m.month in (1, 7)]
    ticks = [(0.0, "now")]
    ticks += [(round(100 * i / count, 2), f"{months[i]:%b %Y}") for i in quarters if i > 3]
    rows = [_time_row(r, chances, months, ahead, links) for _, r in thresholds.iterrows()]
    span = f"{ahead.horizon} months"
    sentence = f"Each model's best fault, {span}; the chance is a share of possible futures."
    return Fragment(str(_macros().timeline(title, sentence, ticks, rows, count, under)))


def _time_row(
    row: pd.Series,
    chances: pd.DataFrame,
    months: list[pd.Timestamp],
    ahead: Ahead,
    links: Mapping[str, str],
) -> Row:
    mine = chances[(chances[_KEYS] == row[_KEYS]).all(axis=1)]
    cells: list[tuple[Any, ...]] = []
    halves = ((StopDate.BUY_STOP, "buy", 0), (StopDate.REPAIR_STOP, "repair", 1))
    for date, kind, y in halves:
        come = mine[mine["date_name"] == date].set_index("month")["probability"]
        still = [1.0 - float(come.get(m, 1.0)) for m in months]
        cells += [(x, width, y, kind, pay) for x, width, pay in _runs(still) if pay > 0]
    who = f"{row['model_name']}, {fault_words(row['listed_fault'])}"
    until = {name: _date(row, name, ahead) for name in ("buy_stop", "repair_stop")}
    says = f"buying {_short(until['buy_stop'], ahead)}"
    label = f"{who}: buying stops paying: {until['buy_stop']}; repair: {until['repair_stop']}"
    return Row(who, says, label, links.get(str(row["family_id"]), ""), cells=cells)


def _runs(still: list[float]) -> list[tuple[int, int, float]]:
    """Join neighbouring months alike to a tenth: (first, how many, chance)."""
    out, at = [], 0
    for pay, group in groupby(round(s, 1) for s in still):
        width = len(list(group))
        out.append((at, width, pay))
        at += width
    return out


def _short(when: str, ahead: Ahead) -> str:
    """Say a stop beside its row, where there is little room."""
    pays_on = f"not within the {ahead.horizon} months forecast"
    short = when.replace(pays_on, f"pays past {ahead.horizon} months")
    short = short.replace("later than the forecast", "later")
    return short if short != when and short.startswith("pays") else f"stops {short}"


def _date(row: pd.Series, name: str, ahead: Ahead) -> str:
    if row["verdict"] == Verdict.CANNOT_SAY:
        return "cannot say"
    date = pd.Series({k: row[f"{name}_{k}"] for k in ("median", "lower", "upper")})
    return stop_words(date, ahead, short=True)


def best_faults(thresholds: pd.DataFrame) -> pd.DataFrame:
    """Return one row a model, of its best fault, the best model first."""
    return ranked(thresholds).drop_duplicates(["family_id", "model_id"])
