"""The month's first page: one sentence, a row per family, money, shelf, decisions, warnings.

Warnings about the data that a reader of the index must know, the gravest first.

The decisions the two partners sign: at most three, the dearest to put off first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from urllib.parse import quote

import jinja2
import pandas as pd

from repair_horizon.decisions.costs.tax import NOT_TAX_ADVICE
from repair_horizon.logs import Logs, Settings
from repair_horizon.reports.family import HORIZON, LEVEL
from repair_horizon.reports.html import Column, Fragment, folded, table, terms
from repair_horizon.reports.last_month import LastMonth, with_last_month
from repair_horizon.reports.main_rows import main_row, ranked
from repair_horizon.reports.money_earned import money_lines
from repair_horizon.reports.notebooks import FamilyRun
from repair_horizon.reports.page import content_policy, read_template
from repair_horizon.reports.resuming import DONE
from repair_horizon.reports.sections.stock import (
    advice_words,
    loss_words,
    shelf_section,
    worst_units,
)
from repair_horizon.reports.sentences import sentence, since_words
from repair_horizon.tables.row_accounts import HELD, SET_ASIDE
from repair_horizon.tables.words import (
    MISSING,
    Ahead,
    day_words,
    fault_words,
    listing,
    missing,
    money,
    month_words,
    months_until,
    number,
    percent,
    short_day,
    stop_words,
    verdict_words,
)

_n = number


@dataclass(frozen=True, eq=False)
class IndexPage:
    """What the index is made from: the families' runs and their saved tables.

    ``thresholds`` and ``changes`` are by family; ``shelf`` is all families' with family_id;
    ``before`` is last month, if it was written; ``settings_hash`` that of this month's settings.
    """

    month: str
    families: Sequence[FamilyRun]
    thresholds: Mapping[str, pd.DataFrame]
    shelf: pd.DataFrame
    changes: Mapping[str, pd.DataFrame]
    before: LastMonth | None
    settings_hash: str
    invented: str

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the month."""
        return pd.Timestamp(f"{self.month}-01")


def index_html(page: IndexPage, logs: Logs, settings: Settings) -> str:
    """Return the index page.

    Parameters
    ----------
    page
        The month's results.
    logs
        The workspace as known for this month, for cut-off, money and warnings.
    settings
        For the limits the warnings use.
    """
    rows = main_rows(page)
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(read_template("index.html.j2"))
    return template.render(
        title=f"What to buy broken in {month_words(page.first_day)}",
        policy=content_policy([]),
        style=read_template("style.css"),
        sentence=sentence(rows, logs.currency, _since(rows, page, logs.currency)),
        main=_main_table(rows, page, logs.currency).html,
        failed=[(fault_words(r.family_id), r.reason) for r in page.families if r.status != DONE],
        decisions=decisions(rows, page.shelf, logs.currency, page.first_day),
        shelf=shelf_section(page.shelf, _short_names(page), logs.currency).html,
        money=terms(money_lines(logs, settings, page.first_day)).html,
        tax=NOT_TAX_ADVICE if _taxed(settings) else "",
        warnings=data_warnings(logs, settings, page.first_day)[:3],
        every=_every_table(page, logs.currency).html,
        invented=page.invented,
        currency=logs.currency,
        level=percent(LEVEL),
        cutoff=day_words(logs.newest_day),
        rows_counted=sum(len(t) for t in page.thresholds.values()),
        before="" if page.before is None else month_words(page.before.month),
    )


def _taxed(settings: Settings) -> bool:
    """Whether any device class has a tax scheme."""
    every = [settings, *(settings.for_class(c) for c in settings.by_class)]
    return any(s.tax.scheme != "none" for s in every)


def _since(rows: pd.DataFrame, page: IndexPage, currency: str) -> str:
    if page.before is None or "change" not in rows:
        return ""
    said = since_words(rows, page.changes, currency, page.before.month)
    # Where last month's settings were kept, their change is among the causes already.
    changed = page.before.rules is None and page.before.settings != page.settings_hash
    return f"{said} (settings changed too)" if said and changed else said


def _short_names(page: IndexPage) -> dict[str, str]:
    tables = [t[["model_id", "model_name"]] for t in page.thresholds.values() if len(t)]
    pairs = [pair for t in tables for pair in t.itertuples(index=False, name=None)]
    return {str(model_id): str(name) for model_id, name in pairs}


def main_rows(page: IndexPage) -> pd.DataFrame:
    """Return the row of each family that earns most, with last month's bid where known."""
    mains = [main_row(t) for t in page.thresholds.values() if len(t)]
    if not mains:
        return pd.DataFrame()
    return with_last_month(pd.DataFrame(mains).reset_index(drop=True), page.before)


def _main_table(rows: pd.DataFrame, page: IndexPage, currency: str) -> Fragment:
    """One table; narrow screens show its decisive columns and keep the rest behind a line."""
    if rows.empty:
        return Fragment("")
    unit = rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)
    said = rows.assign(
        family=rows["family_id"].map(fault_words) + "\n" + unit,
        stop=[_months_to_stop(r, page.first_day) for _, r in rows.iterrows()],
        behind=[_behind(r) for _, r in rows.iterrows()],
    )
    pages = {r.family_id: _address(r) for r in page.families}
    addresses = [pages[f] for f in rows["family_id"]]
    family = Column("family", "Family, its best model and fault")
    second = [
        Column("expected_profit", f"Expected profit, {currency}", _n, True, second=True),
        Column("profit_per_hour", f"Profit per bench hour, {currency}", _n, True, second=True),
        Column("stop", "Months to buy stop", second=True),
        Column("behind", "Sales behind (newest)", second=True),
        Column("confidence", "Confidence", second=True),
    ]
    first = [
        family,
        Column("verdict", "Verdict", verdict_words),
        Column("max_bid", f"Bid at most, {currency}", _n, True),
        Column("bid_next_month", f"Next month, {currency}", _n, True),
        Column("change", f"Since last month, {currency}", _signed, True, second=True),
        Column("probability_loss", "Chance of loss", percent, True),
    ]
    whole = table(said, [*first, *second], "Each family's best model and fault", addresses)
    rest = [Column("family", "Family"), *(_always(c) for c in [first[4], *second])]
    more = table(said.assign(family=rows["family_id"].map(fault_words)), rest, "The other columns")
    return Fragment(whole.html + folded("Profit, stops and sales", more, narrow=True).html)


def _always(column: Column) -> Column:
    return Column(column.name, column.heading, column.words, column.numeric)


def _behind(row: pd.Series) -> str:
    newest = "" if missing(row["newest_sale"]) else f" ({short_day(row['newest_sale'])})"
    return number(row["n_sales"]) + newest


def _signed(change: object) -> str:
    if missing(change):
        return MISSING
    return "+" + number(change) if float(str(change)) > 0 else number(change)


def _months_to_stop(row: pd.Series, now: pd.Timestamp) -> str:
    """Months until buying stops paying, never without its interval."""
    ends = [row[f"buy_stop_{k}"] for k in ("lower", "median", "upper")]
    if row["verdict"] == "cannot say":
        return MISSING
    lower, median, upper = (f"over {HORIZON}" if missing(e) else months_until(e, now) for e in ends)
    if lower == median == upper:
        return "0, already now" if median == "0" else median
    return f"{median} ({percent(LEVEL)}: {lower} to {upper})"


def _address(run: FamilyRun) -> str:
    return quote(f"{run.slug}.html")


def _every_table(page: IndexPage, currency: str) -> Fragment:
    parts = [ranked(t) for t in page.thresholds.values() if len(t)]
    if not parts:
        return Fragment("")
    rows = pd.concat(parts, ignore_index=True)
    rows["unit"] = rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)
    columns = [
        Column("unit", "Model, fault"),
        Column("verdict", "Verdict", verdict_words),
        Column("max_bid", f"Bid at most, {currency}", _n, True),
        Column("bid_next_month", f"Next month, {currency}", _n, True),
        Column("hammer", f"Usual hammer, {currency}", _n, True),
        Column("expected_profit", f"Expected profit, {currency}", _n, True),
        Column("probability_loss", "Chance of loss", percent, True),
        Column("n_sales", "Sales", partial(_n, decimals=0), True),
        Column("confidence", "Confidence"),
        Column("reason", "Reason"),
    ]
    return table(rows, columns, "Every model and fault")


_STALE_DAYS = 45
_ASIDE_SHARE = 0.15


def data_warnings(logs: Logs, settings: Settings, first_day: pd.Timestamp) -> list[str]:
    """Say what is wrong with the data behind a month.

    Parameters
    ----------
    logs
        The workspace as known for the month.
    settings
        For the accepted share of rows held for review.
    first_day
        First day of the month.

    Returns
    -------
    list of str
        One sentence each, the gravest first.
    """
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


MOST = 3
_SOON_MONTHS = 3


def decisions(
    rows: pd.DataFrame, shelf: pd.DataFrame, currency: str, first_day: pd.Timestamp
) -> list[str]:
    """Return what must be decided this month, a sentence each.

    Parameters
    ----------
    rows
        The main row of each family.
    shelf
        Every family's shelf.
    currency
        Of the amounts.
    first_day
        First day of the month.

    Returns
    -------
    list of str
        At most ``MOST``: the bids to adopt, the families to leave, the shelf to clear.
    """
    found = [_bids(rows, currency), _stops(rows, first_day), _shelf(shelf, currency)]
    return [f for f in found if f][:MOST]


def _bids(rows: pd.DataFrame, currency: str) -> str:
    live = rows[rows["verdict"].isin(["buy", "cap"])] if len(rows) else rows
    if live.empty:
        return ""
    live = live.sort_values("expected_profit", ascending=False, kind="stable")
    named = [
        f"{fault_words(r['family_id'])} {money(r['max_bid'], currency)}" for _, r in live.iterrows()
    ]
    return f"Adopt this month's highest bids: {listing(named, 8)}."


def _stops(rows: pd.DataFrame, first_day: pd.Timestamp) -> str:
    if rows.empty:
        return ""
    said = []
    stopped = rows[rows["verdict"].isin(["own stock only", "stop"])]
    if len(stopped):
        names = listing([fault_words(f) for f in stopped["family_id"]], 6)
        said.append(f"Buy no more of {names}")
    live = rows[rows["verdict"].isin(["buy", "cap"])]
    near = first_day + pd.DateOffset(months=_SOON_MONTHS)
    ends = [
        f"{fault_words(r['family_id'])}, {_buy_stop(r, first_day)}"
        for _, r in live.iterrows()
        if not missing(r["buy_stop_median"])
        and r["buy_stop_median"] <= near
        # A capped family is past that month already; its bid above says what is left to take.
        and not (r["verdict"] == "cap" and r["buy_stop_median"] <= first_day)
    ]
    if ends:
        said.append(f"say how many more to take where buying soon stops paying: {listing(ends)}")
    whole = "; ".join(said)
    return f"{whole[0].upper()}{whole[1:]}." if said else ""


def _buy_stop(row: pd.Series, first_day: pd.Timestamp) -> str:
    date = pd.Series({k: row[f"buy_stop_{k}"] for k in ("median", "lower", "upper")})
    return stop_words(date, Ahead(first_day, HORIZON, LEVEL), short=True)


def _shelf(shelf: pd.DataFrame, currency: str) -> str:
    worst = worst_units(shelf)
    if worst.empty:
        return ""
    named = [f"{u['unit_id']} {advice_words(u)}" for _, u in worst.iterrows()]
    return f"Act on the shelf, which loses {loss_words(shelf, currency)}: {'; '.join(named)}."
