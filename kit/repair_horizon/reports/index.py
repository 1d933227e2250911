"""The month's first page: a sentence, two pictures, listings, plan, shelf, changes, results.

Warnings about the data that a reader of the index must know, the gravest first.

The decisions the two partners sign: at most three, the dearest to put off first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any
from urllib.parse import quote

import pandas as pd
from markupsafe import Markup

from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
from repair_horizon.decisions.month.plan import Plan
from repair_horizon.logs import Logs, Settings
from repair_horizon.reports.family import HORIZON, LEVEL
from repair_horizon.reports.glance import best_faults, bid_picture, timeline_picture
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    columns_of,
    environment,
    folded,
    joined,
    note,
    paragraph,
    table,
    terms,
)
from repair_horizon.reports.last_month import LastMonth, with_last_month
from repair_horizon.reports.main_rows import main_row, ranked
from repair_horizon.reports.money_earned import money_lines
from repair_horizon.reports.notebooks import FamilyRun
from repair_horizon.reports.page import content_policy, read_template
from repair_horizon.reports.resuming import DONE
from repair_horizon.reports.sections.answer_back import answer_form, answers_came
from repair_horizon.reports.sections.family_tables import COST_COLUMNS
from repair_horizon.reports.sections.stock import (
    advice_words,
    loss_words,
    shelf_section,
    worst_units,
)
from repair_horizon.reports.sentences import sentence, since_words, unit_words
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS
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
    number,
    percent,
    short_day,
    stop_words,
    verdict_words,
)


@dataclass(frozen=True, eq=False)
class IndexPage:
    """What the index is made from: the families' runs and their saved tables.

    ``thresholds``, ``chances`` and ``changes`` are by family; ``shelf`` is all families' with
    family_id; ``plan`` is the month's, None where there is none; ``before`` is last month, if it
    was written; ``settings_hash`` that of this month's settings.
    """

    month: str
    families: Sequence[FamilyRun]
    thresholds: Mapping[str, pd.DataFrame]
    chances: Mapping[str, pd.DataFrame]
    shelf: pd.DataFrame
    changes: Mapping[str, pd.DataFrame]
    plan: Plan | None
    before: LastMonth | None
    settings_hash: str
    invented: str
    addresses: Mapping[str, str] | None = None

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the month."""
        return pd.Timestamp(f"{self.month}-01")

    @cached_property
    def every(self) -> pd.DataFrame:
        """Every family's thresholds with last month's, the best first."""
        parts = [t for t in self.thresholds.values() if len(t)]
        if not parts:
            return OUTPUTS["thresholds"].empty()
        return with_last_month(ranked(pd.concat(parts, ignore_index=True)), self.before)

    @property
    def links(self) -> dict[str, str]:
        """Address of each family's page."""
        if self.addresses is not None:
            return dict(self.addresses)
        return {r.family_id: _address(r) for r in self.families if r.status == DONE}


_PICTURED = 8
INDEX_SCRIPTS = ("find.js", "answers.js")
_SOON = 8
_UNDER = "Orientation only: check registry and locks first."


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
    scripts = [read_template(name) for name in INDEX_SCRIPTS]
    return (
        environment()
        .get_template("index.html.j2")
        .render(
            policy=content_policy(scripts),
            style=Markup(read_template("style.css")),
            scripts=[Markup(s) for s in scripts],
            **_told(page, logs, settings, costs=True),
        )
    )


def index_body(page: IndexPage, logs: Logs, settings: Settings, *, costs: bool = True) -> str:
    """Return the index as part of a file with every page in it, for sharing.

    Parameters
    ----------
    page, logs, settings
        As for ``index_html``.
    costs
        Whether costs, profits and margins are told.
    """
    links = {r.family_id: f"#{r.slug}" for r in page.families if r.status == DONE}
    alone = replace(page, addresses=links)
    told = _told(alone, logs, settings, costs=costs)
    return environment().get_template("index_body.html.j2").render({**told, "files": False})


def _told(page: IndexPage, logs: Logs, settings: Settings, *, costs: bool) -> dict[str, Any]:
    rows, currency = main_rows(page), logs.currency
    return {
        "title": index_title(page),
        "costs": costs,
        "files": True,
        "sentence": sentence(rows, currency, _since(rows, page, currency)),
        "pictures": pictures(page, currency, costs=costs),
        "failed": [(fault_words(r.family_id), r.reason) for r in page.families if r.status != DONE],
        "decisions": decisions(rows, page.shelf, currency, page.first_day),
        "listings": open_listings(page, currency, costs=costs),
        "plan": _plan(page, currency),
        "shelf": shelf_section(page.shelf, _short_names(page), currency),
        "turned": _turned(page, currency),
        "results": _results(page, logs),
        "answers": answers_came(logs, page.month, _short_names(page)),
        "money": terms(money_lines(logs, settings, page.first_day)),
        "tax": NOT_TAX_ADVICE if _taxed(settings) else "",
        "warnings": data_warnings(logs, settings, page.first_day)[:3],
        "every": _every_table(page, currency, costs=costs),
        "invented": page.invented,
        "currency": currency,
        "level": percent(LEVEL),
        "cutoff": day_words(logs.newest_day),
        "rows_counted": len(page.every),
        "before": "" if page.before is None else month_words(page.before.month),
    }


def index_title(page: IndexPage) -> str:
    """Return the month's title."""
    return f"What to buy broken in {month_words(page.first_day)}"


def pictures(page: IndexPage, currency: str, *, costs: bool = True) -> Fragment:
    """Draw the bids on one money axis, and until when buying and repair pay."""
    every = page.every
    if every.empty:
        return NOTHING
    short = "Invented." if page.invented else ""
    under = f"{short} {_UNDER}".strip()
    live = every[every["verdict"] == Verdict.BUY]
    shown = (live if len(live) else every).head(_PICTURED)
    best = best_faults(every).head(_PICTURED)
    title = f"{len(live)} of {len(every)} models and faults are worth buying broken"
    titled = f"{title}; the best {len(shown)}" if len(live) > len(shown) else title
    ahead = Ahead(page.first_day, HORIZON, LEVEL)
    return joined(
        bid_picture(shown, currency, page.links, titled, under, costs=costs),
        timeline_picture(best, _chances(page), ahead, page.links, "How long it pays", short),
    )


def _chances(page: IndexPage) -> pd.DataFrame:
    parts = [t for t in page.chances.values() if len(t)]
    return pd.concat(parts, ignore_index=True) if parts else OUTPUTS["stop_chances"].empty()


def open_listings(page: IndexPage, currency: str, *, costs: bool = True) -> Fragment:
    """Open listings worth bidding for, ending soonest, with their limits."""
    if page.plan is None:
        return note("No plan was made.")
    items = page.plan.items
    rows = items[(items["kind"] == "buy") & items["do"].astype(bool)].sort_values("end_time")
    if rows.empty:
        return note("No open listing is worth a bid (listings.csv).")
    known = _short_names(page)
    rows = rows.assign(unit=_units(rows, known))
    names = "end_time max_bid probability_win expected_profit item"
    columns = [Column("unit", "Model, fault"), *columns_of("plan", names, currency)]
    columns = [c for c in columns if costs or c.name != "expected_profit"]
    first = table(rows.head(_SOON), columns, "Open listings, ending soonest", cards=True)
    form, rest = answer_form(rows, page.month, known), rows.iloc[_SOON:]
    if rest.empty:
        return joined(first, form)
    more = folded(f"{len(rest)} later ones", table(rest, columns, "Later listings", cards=True))
    return joined(first, more, form)


def _units(rows: pd.DataFrame, names: Mapping[str, str]) -> pd.Series:
    return (
        rows["model_id"].map(names).fillna(rows["model_id"]) + ", " + rows["about"].map(fault_words)
    )


def _plan(page: IndexPage, currency: str) -> Fragment:
    """What the month may come to, and the bench work in order."""
    if page.plan is None:
        return NOTHING
    outcome = page.plan.outcome()
    said = paragraph(page.plan.words())
    ends = [c for c in outcome.columns if c in ("mean", "lower", "upper", "there")]
    heads = {"mean": "Expected", "lower": "from", "upper": "to", "there": "There is"}
    columns = [
        Column("what", "This month"),
        *(Column(c, heads[c], partial(number, decimals=0), True) for c in ends),
    ]
    items = page.plan.items
    jobs = items[(items["kind"] != "buy") & items["do"].astype(bool)]
    jobs = jobs.assign(unit=jobs["item"].astype(str) + "\n" + _units(jobs, _short_names(page)))
    work = [
        Column("unit", "Unit"),
        Column("kind", "Do"),
        Column("gain", f"Gain over next option, {currency}", number, True),
        Column("hours", "Bench hours", partial(number, decimals=1), True),
    ]
    shown = table(outcome, columns, f"What the plan comes to, {currency} and hours, 90 % range")
    if jobs.empty:
        return joined(said, shown)
    order = folded(f"{len(jobs)} bench jobs in order", table(jobs, work, "Bench jobs"))
    return joined(said, shown, order)


def _turned(page: IndexPage, currency: str) -> Fragment:
    """Every verdict that changed since last month, named."""
    if page.before is None:
        return note("No report of the month before stands beside this one.")
    rows = page.every
    known = rows[rows["verdict_before"] != ""]
    turned = known[known["verdict"] != known["verdict_before"].map(lambda v: str(Verdict.read(v)))]
    if turned.empty:
        return note(f"No verdict changed since {month_words(page.before.month)}.")
    turned = turned.assign(unit=[unit_words(r) for _, r in turned.iterrows()])
    columns = [
        Column("unit", "Model, fault"),
        Column("verdict_before", "Was", verdict_words),
        Column("verdict", "Is", verdict_words),
        Column("change", f"Maximum bid moved by, {currency}", _signed, True),
        Column("reason", "Reason", second=True),
    ]
    return table(turned, columns, f"Verdicts that changed since {month_words(page.before.month)}")


def _results(page: IndexPage, logs: Logs) -> Fragment:
    """What was won and lost in the last month with data."""
    listings = logs.tables["listings"]
    day = logs.newest_day
    since = pd.Timestamp(year=day.year, month=day.month, day=1) if pd.notna(day) else day
    ended = listings[listings["result"].isin(["won", "lost"]) & (listings["end_time"] >= since)]
    if ended.empty:
        return note("No lot won or lost was noted in the newest month (listings.csv).")
    rows = ended.sort_values("end_time", ascending=False).assign(about=ended["listed_fault"])
    rows = rows.assign(unit=_units(rows, _short_names(page)))
    won = int((rows["result"] == "won").sum())
    said = f"{won} won, {len(rows) - won} lost since {day_words(since)}."
    columns = [
        Column("unit", "Model, fault"),
        Column("result", "Result"),
        Column("final_price", f"Hammer price, {logs.currency}", number, True),
        Column("end_time", "Ended", short_day),
    ]
    return joined(note(said), folded("Each lot", table(rows, columns, "Won and lost")))


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
    pairs = page.every[["model_id", "model_name"]].itertuples(index=False, name=None)
    return {str(model_id): str(name) for model_id, name in pairs}


def main_rows(page: IndexPage) -> pd.DataFrame:
    """Return the row of each family that earns most, with last month's bid where known."""
    mains = [main_row(t) for t in page.thresholds.values() if len(t)]
    if not mains:
        return pd.DataFrame()
    return with_last_month(pd.DataFrame(mains).reset_index(drop=True), page.before)


def _signed(change: object) -> str:
    if missing(change):
        return MISSING
    return "+" + number(change) if float(str(change)) > 0 else number(change)


def _address(run: FamilyRun) -> str:
    return quote(f"{run.slug}.html")


def _every_table(page: IndexPage, currency: str, *, costs: bool = True) -> Fragment:
    """Every model and fault, to be searched, sorted and filtered."""
    rows = page.every
    if rows.empty:
        return NOTHING
    rows = rows.assign(
        unit=rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)
    )
    names = "verdict max_bid probability_win expected_profit earns_per_month probability_loss "
    names += "hammer bid_next_month n_sales confidence reason"
    columns = [Column("unit", "Model, fault"), *columns_of("thresholds", names, currency)]
    columns = [c for c in columns if costs or c.name not in COST_COLUMNS]
    if "change" in rows:
        columns.insert(4, Column("change", f"Since last month, {currency}", _signed, True))
    addresses = [page.links.get(str(f), "") for f in rows["family_id"]]
    return table(rows, columns, "Every model and fault", addresses, find=True)


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
    live = rows[rows["verdict"] == Verdict.BUY] if len(rows) else rows
    if live.empty:
        return ""
    named = [f"{unit_words(r)} {money(r['max_bid'], currency)}" for _, r in ranked(live).iterrows()]
    return f"Adopt this month's maximum bids: {listing(named, 8)}."


def _stops(rows: pd.DataFrame, first_day: pd.Timestamp) -> str:
    if rows.empty:
        return ""
    said = []
    stopped = rows[rows["verdict"].isin([Verdict.OWN_STOCK, Verdict.STOP])]
    if len(stopped):
        names = listing([unit_words(r) for _, r in stopped.iterrows()], 4)
        said.append(f"Buy no more of {names}")
    live = rows[rows["verdict"] == Verdict.BUY]
    near = first_day + pd.DateOffset(months=_SOON_MONTHS)
    ends = [
        f"{unit_words(r)}, {_buy_stop(r, first_day)}"
        for _, r in live.iterrows()
        if not missing(r["buy_stop_median"]) and r["buy_stop_median"] <= near
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
