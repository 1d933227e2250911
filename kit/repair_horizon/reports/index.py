"""The month's first page: a sentence, two pictures, listings, plan, shelf, changes, results."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from urllib.parse import quote

import pandas as pd

from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
from repair_horizon.decisions.month.plan import Plan
from repair_horizon.fitted_shop import HORIZON
from repair_horizon.logs import Logs, Settings
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    columns_of,
    environment,
    joined,
    note,
    table,
    terms,
)
from repair_horizon.reports.made_from import DONE, Before, with_last_month
from repair_horizon.reports.month_tables import (
    LEVEL,
    best_faults,
    main_row,
    ranked,
)
from repair_horizon.reports.notebooks import FamilyRun
from repair_horizon.reports.page import read_template, rendered
from repair_horizon.reports.sections import this_month
from repair_horizon.reports.sections.bids import COST_COLUMNS, MOST, bid_picture, timeline_picture
from repair_horizon.reports.sections.prices import alert_lines
from repair_horizon.reports.sentences import sentence, since_words, unit_names, unit_words
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.words import (
    MISSING,
    Ahead,
    day_words,
    family_names,
    missing,
    month_words,
    number,
    percent,
    verdict_words,
)

INDEX_SCRIPTS = ("find.js", "answers.js")
SAVED = ("thresholds", "shelf", "stop_chances", "changes", "part_alerts")
_UNDER = "Orientation only: check registry and locks first."


@dataclass(frozen=True, eq=False)
class IndexPage:
    """What the index is made from: logs, rules, the families' runs and their saved tables.

    ``month`` is YYYY-MM; ``tables`` are all families' by the names of ``SAVED``; ``plan`` is the
    month's, None where there is none; ``settings_hash`` that of this month's settings; ``broke``
    says when the market broke, empty where it did not.
    """

    month: str
    logs: Logs
    settings: Settings
    families: Sequence[FamilyRun]
    tables: Mapping[str, pd.DataFrame]
    plan: Plan | None
    before: Before
    settings_hash: str
    invented: str
    broke: str = ""

    @property
    def title(self) -> str:
        """The month's title."""
        return f"What to buy broken in {month_words(self.first_day)}"

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the month."""
        return pd.Timestamp(f"{self.month}-01")

    @property
    def ahead(self) -> Ahead:
        """The stretch looked at."""
        return Ahead(self.first_day, HORIZON, LEVEL)

    @property
    def done(self) -> dict[str, str]:
        """Slug of each family that has a page."""
        return {r.family_id: r.slug for r in self.families if r.status == DONE}

    @cached_property
    def every(self) -> pd.DataFrame:
        """Every family's thresholds with last month's, the best first."""
        return with_last_month(ranked(self.tables["thresholds"]), self.before)

    @cached_property
    def mains(self) -> pd.DataFrame:
        """The row of each family that earns most, with last month's bid where known."""
        by_family = self.tables["thresholds"].groupby("family_id", sort=False)
        mains = [main_row(rows) for _, rows in by_family]
        return with_last_month(pd.DataFrame(mains).reset_index(drop=True), self.before)

    @cached_property
    def names(self) -> dict[str, str]:
        """Short model names by model_id."""
        return dict(zip(self.every["model_id"], self.every["model_name"], strict=True))

    @cached_property
    def told(self) -> dict[str, Any]:
        """What every face of the index says alike, worked out once."""
        return _alike(self)


def index_html(page: IndexPage) -> str:
    """Return the index page."""
    links = {family: quote(f"{slug}.html") for family, slug in page.done.items()}
    scripts = [read_template(name) for name in INDEX_SCRIPTS]
    return rendered("index.html.j2", scripts, **_told(page, links), files=True)


def index_kept(page: IndexPage) -> str:
    """Return, as JSON, the index as part of a file with every page in it, for sharing.

    It is kept whole and without what tells costs, profits and margins.
    """
    links = {family: f"#{slug}" for family, slug in page.done.items()}
    template = environment().get_template("index_body.html.j2")
    bodies = {
        name: template.render(_told(page, links, costs=costs), files=False)
        for name, costs in (("whole", True), ("without costs", False))
    }
    kept = {"title": page.title, "invented": page.invented, "bodies": bodies}
    return json.dumps(kept, ensure_ascii=False) + "\n"


def _told(page: IndexPage, links: Mapping[str, str], *, costs: bool = True) -> dict[str, Any]:
    """What the template sets, by its names; ``links`` are the addresses of the families' pages."""
    names, currency = page.names, page.logs.currency
    return {
        **page.told,
        "costs": costs,
        "pictures": _pictures(page, links, costs=costs),
        "listings": this_month.open_listings(page.plan, page.month, names, currency, costs=costs),
        "every": _every_table(page, links, costs=costs),
    }


def _alike(page: IndexPage) -> dict[str, Any]:
    """What the template sets whatever is hidden and wherever the families' pages stand."""
    logs, settings, currency, names = page.logs, page.settings, page.logs.currency, page.names
    said, shelf = family_names(logs.tables["catalogue"]), page.tables["shelf"]
    return {
        "title": page.title,
        "sentence": sentence(page.mains, currency, _since(page)),
        "failed": [(said[r.family_id], r.reason) for r in page.families if r.status != DONE],
        "decisions": this_month.decisions(page.mains, shelf, currency, page.ahead),
        "plan": this_month.plan_section(page.plan, names, currency),
        "shelf": this_month.shelf_section(shelf, names, currency),
        "turned": _turned(page),
        "results": this_month.won_and_lost(logs, names),
        "answers": this_month.answers_came(logs, page.month, names),
        "money": terms(this_month.money_lines(logs, settings, page.first_day)),
        "alerts": [page.broke] * bool(page.broke) + alert_lines(page.tables["part_alerts"], names),
        "tax": NOT_TAX_ADVICE if _taxed(settings) else "",
        "warnings": this_month.data_warnings(logs, settings, page.first_day)[:3],
        "invented": page.invented,
        "currency": currency,
        "level": percent(LEVEL),
        "cutoff": day_words(logs.newest_day),
        "rows_counted": len(page.every),
        "before": page.before.month and month_words(page.before.month),
    }


def _pictures(page: IndexPage, links: Mapping[str, str], *, costs: bool) -> Fragment:
    """Draw the bids on one money axis, and until when buying and repair pay."""
    if page.every.empty:
        return NOTHING
    under = f"Invented. {_UNDER}" if page.invented else _UNDER
    best, chances = best_faults(page.every).head(MOST), page.tables["stop_chances"]
    return joined(
        bid_picture(page.every, page.logs.currency, links, under, costs=costs),
        timeline_picture(best, chances, page.ahead, links, "How long it pays", under),
    )


def _turned(page: IndexPage) -> Fragment:
    """Every verdict that changed since last month, named."""
    if not page.before.month:
        return note("No report of the month before stands beside this one.")
    since = f"since {month_words(page.before.month)}"
    known = page.every[page.every["verdict_before"] != ""]
    turned = known[known["verdict"] != known["verdict_before"].map(lambda v: str(Verdict.read(v)))]
    if turned.empty:
        return note(f"No verdict changed {since}.")
    columns = [
        Column("unit", "Model, fault"),
        Column("verdict_before", "Was", verdict_words),
        Column("verdict", "Is", verdict_words),
        Column("change", f"Maximum bid moved by, {page.logs.currency}", _signed, True),
        Column("reason", "Reason", second=True),
    ]
    units = [unit_words(r) for _, r in turned.iterrows()]
    return table(turned.assign(unit=units), columns, f"Verdicts that changed {since}")


def _taxed(settings: Settings) -> bool:
    """Whether any device class has a tax scheme."""
    every = [settings, *(settings.for_class(c) for c in settings.by_class)]
    return any(s.tax.scheme != "none" for s in every)


def _since(page: IndexPage) -> str:
    before = page.before
    if "change" not in page.mains:
        return ""
    said = since_words(page.mains, page.tables["changes"], page.logs.currency, before.month)
    # Where last month's settings were kept, their change is among the causes already.
    changed = before.rules is None and before.settings != page.settings_hash
    return f"{said} (settings changed too)" if said and changed else said


def _signed(change: object) -> str:
    if missing(change):
        return MISSING
    return "+" + number(change) if float(str(change)) > 0 else number(change)


def _every_table(page: IndexPage, links: Mapping[str, str], *, costs: bool) -> Fragment:
    """Every model and fault, to be searched, sorted and filtered."""
    rows, currency = page.every, page.logs.currency
    if rows.empty:
        return NOTHING
    names = "verdict max_bid then probability_win expected_profit earns_per_month probability_loss "
    names += "hammer bid_next_month n_sales confidence reason"
    columns = [Column("unit", "Model, fault"), *columns_of("thresholds", names, currency)]
    columns = [c for c in columns if costs or c.name not in COST_COLUMNS]
    if "change" in rows:
        columns.insert(5, Column("change", f"Since last month, {currency}", _signed, True))
    addresses = [links.get(f, "") for f in rows["family_id"]]
    rows = rows.assign(unit=unit_names(rows))
    return table(rows, columns, "Every model and fault", addresses, find=True)
