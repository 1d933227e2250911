"""The month's first page: one sentence, a row per family, what to beware of, where files lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.parse import quote

import jinja2
import pandas as pd

from kit.logs import Logs, Settings
from kit.reports.choosing import main_row, ranked
from kit.reports.data_warnings import data_warnings
from kit.reports.fragments import Column, Fragment, table
from kit.reports.pages import content_policy, read_template
from kit.reports.running import DONE, FamilyRun
from kit.reports.wording import (
    MISSING,
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
    verdict_words,
)
from kit.reports.writing import read_saved

_HORIZON = 24
_LEVEL = 0.8
_n = number


@dataclass(frozen=True, eq=False)
class IndexPage:
    """What the index is made from: the families' runs and their saved thresholds."""

    month: str
    families: Sequence[FamilyRun]
    thresholds: Mapping[str, pd.DataFrame]
    invented: str
    folder: Path

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
        The workspace as known for this month, for cut-off and warnings.
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
        sentence=sentence(rows, logs.currency),
        main=_main_table(rows, page, logs.currency).html,
        links=_links(page),
        failed=[(fault_words(r.family_id), r.reason) for r in page.families if r.status != DONE],
        warnings=data_warnings(logs, settings, page.first_day)[:3],
        every=_every_table(page, logs.currency).html,
        invented=page.invented,
        currency=logs.currency,
        cutoff=day_words(logs.newest_day),
        rows_counted=sum(len(t) for t in page.thresholds.values()),
        before=_month_before(page.first_day) if "change" in rows else "",
    )


def main_rows(page: IndexPage) -> pd.DataFrame:
    """Return the row of each family that earns most, with last month's bid where known."""
    mains = [main_row(t) for t in page.thresholds.values() if len(t)]
    if not mains:
        return pd.DataFrame()
    rows = pd.DataFrame(mains).reset_index(drop=True)
    before = _bids_before(page)
    if before is not None:
        keys = [tuple(r) for r in rows[["family_id", "model_id", "listed_fault"]].to_numpy()]
        rows["change"] = rows["max_bid"].to_numpy() - pd.Series(keys).map(before).to_numpy(float)
    return rows


def _month_before(first: pd.Timestamp) -> str:
    return f"{first - pd.DateOffset(months=1):%Y-%m}"


def _bids_before(page: IndexPage) -> dict[tuple[str, str, str], float] | None:
    path = page.folder.parent / _month_before(page.first_day) / "thresholds.csv"
    if not path.is_file():
        return None
    old = read_saved(path)
    keys = old[["family_id", "model_id", "listed_fault"]].itertuples(index=False, name=None)
    return dict(zip(keys, old["max_bid"].astype(float), strict=True))


def sentence(rows: pd.DataFrame, currency: str) -> str:
    """Say in one sentence where to buy, where to cap and where to stop."""
    if rows.empty:
        return "No bid can be said this month: no family has a listed fault (fault_states.csv)."
    said = []
    for verdict, verb in (("buy", "Buy"), ("cap", "cap")):
        chosen = rows[rows["verdict"] == verdict].sort_values("expected_profit", ascending=False)
        if len(chosen):
            names = [
                f"{fault_words(r['family_id'])} with {fault_words(r['listed_fault'])} "
                f"(up to {money(r['max_bid'], currency)})"
                for _, r in chosen.iterrows()
            ]
            said.append(f"{verb} {listing(names, 4)}")
    rest = rows[~rows["verdict"].isin(["buy", "cap"])]
    if len(rest):
        names = [fault_words(f) for f in rest["family_id"]]
        said.append(f"buy nothing of {listing(names, 4)}")
    whole = "; ".join(said)
    return whole[:1].upper() + whole[1:] + "."


def _main_table(rows: pd.DataFrame, page: IndexPage, currency: str) -> Fragment:
    if rows.empty:
        return Fragment("")
    fault = rows["model_name"].astype(str) + ", " + rows["listed_fault"].map(fault_words)
    said = rows.assign(
        family=rows["family_id"].map(fault_words),
        what=fault,
        stop=[_months_to_stop(r, page.first_day) for _, r in rows.iterrows()],
    )
    pages = dict(zip((r.family_id for r in page.families), page.families, strict=True))
    addresses = [_address(pages[f]) for f in rows["family_id"]]
    columns = [
        Column("family", "Family"),
        Column("verdict", "Verdict", verdict_words),
        Column("max_bid", f"Bid at most, {currency}", _n, True),
        Column("bid_next_month", f"Next month, {currency}", _n, True),
        Column("change", f"Against last month, {currency}", _signed, True),
        Column("what", "Best model and fault", wide=True),
        Column("expected_profit", f"Expected profit, {currency}", _n, True),
        Column("profit_per_hour", f"per bench hour, {currency}", _n, True),
        Column("probability_loss", "Chance of loss", percent, True),
        Column("stop", "Months to buy stop", wide=True),
        Column("n_sales", "Sales behind", _n, True),
        Column("newest_sale", "Newest sale", short_day),
        Column("confidence", "Confidence"),
    ]
    return table(said, columns, "Each family's best model and fault", addresses)


def _signed(change: object) -> str:
    if missing(change):
        return MISSING
    return "+" + number(change) if float(str(change)) > 0 else number(change)


def _months_to_stop(row: pd.Series, now: pd.Timestamp) -> str:
    """Months until buying stops paying, never without its interval."""
    ends = [row[f"buy_stop_{k}"] for k in ("lower", "median", "upper")]
    if row["verdict"] == "cannot say":
        return MISSING
    lower, median, upper = (
        f"over {_HORIZON}" if missing(e) else months_until(e, now) for e in ends
    )
    if lower == median == upper:
        return "0, already now" if median == "0" else median
    return f"{median} ({percent(_LEVEL)}: {lower} to {upper})"


def _links(page: IndexPage) -> list[tuple[str, str]]:
    return [(_address(r), fault_words(r.family_id)) for r in page.families if r.status == DONE]


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
