"""Last month's folder, if it stands: what was known then, which bids were named, by which rules.

Tables that need a few months only: the shelf, and the main unit's bid pulled at and explained.

Three months are drawn, as for the commands of the day, so that the shelf on the page and the one
that ``stock`` prints agree to the cent.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path

import pandas as pd

from repair_horizon.decisions.month.shelf import shelf
from repair_horizon.decisions.review.why_changed import View, attribute
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.estimation.time_on_market import with_own_days
from repair_horizon.files.writing import write_text
from repair_horizon.logs import CannotSay, LogFault, Settings, read_settings
from repair_horizon.reports.decision_tables import sensitivity_table, turning_words
from repair_horizon.reports.main_rows import main_row
from repair_horizon.reports.resuming import DONE
from repair_horizon.reports.saved_tables import read_saved
from repair_horizon.reports.worked import Worked
from repair_horizon.shop import NEAR, Shop
from repair_horizon.tables.months import month_word, parse_month
from repair_horizon.tables.outputs import OUTPUTS

_KEYS = ["family_id", "model_id", "listed_fault"]
# In a folder of its own, the copy is read as a workspace's settings are and not taken for them.
_USED, _FILE, _VALUATION = "used", "settings.toml", "valuation.json"


@dataclass(frozen=True, eq=False)
class LastMonth:
    """A written month before this one.

    ``bids`` has family_id, model_id, listed_fault, max_bid, verdict; ``cutoff`` is the newest day
    it knew (YYYY-MM-DD), ``settings`` the hash of its settings, ``rules`` the settings themselves
    if they were kept and can still be read, ``valuation`` what hours, cash and risk cost then.
    """

    month: str
    cutoff: str
    settings: str
    rules: Settings | None
    valuation: Valuation | None
    bids: pd.DataFrame


def last_month(folder: Path) -> LastMonth | None:
    """Read the month before; None if it was not written, or not whole enough to compare with.

    Parameters
    ----------
    folder
        This month's folder, ``out/YYYY-MM``.
    """
    try:
        number = parse_month(folder.name)
    except LogFault:
        return None
    month = month_word(number - 1)
    before = folder.parent / month
    try:
        record = json.loads((before / "run.json").read_text(encoding="utf-8"))
        slugs = [f["slug"] for f in record["families"] if f["status"] == DONE]
        tables = [read_saved(before / "tables" / s, "thresholds") for s in slugs]
        parts = [t[[*_KEYS, "max_bid", "verdict"]] for t in tables if len(t)]
        cutoff, settings = str(record["cutoff"]), str(record["settings_sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not parts or pd.isna(pd.to_datetime(cutoff, format="%Y-%m-%d", errors="coerce")):
        return None
    bids = pd.concat(parts, ignore_index=True)
    return LastMonth(month, cutoff, settings, _kept_rules(before), _kept_valuation(before), bids)


def keep_rules(workspace: Path, folder: Path) -> None:
    """Keep the settings a month was made with beside it, as the workspace has them.

    Without them a later month could not tell a change of the market from a change of the rules.
    """
    source = workspace / _FILE
    text = source.read_text(encoding="utf-8-sig") if source.is_file() else ""
    write_text(folder / _USED / _FILE, text)


def keep_valuation(valuation: Valuation, folder: Path) -> None:
    """Keep what hours, cash and risk cost in a month beside it."""
    write_text(folder / _USED / _VALUATION, json.dumps(asdict(valuation)))


def _kept_valuation(folder: Path) -> Valuation | None:
    """Return what hours, cash and risk cost in a month; None if it was not kept."""
    try:
        told = json.loads((folder / _USED / _VALUATION).read_text(encoding="utf-8"))
        return Valuation(**told)
    except (OSError, ValueError, TypeError):
        return None


def _kept_rules(folder: Path) -> Settings | None:
    """Return a month's own settings; None if it kept none, or none that can still be read."""
    if not (folder / _USED / _FILE).is_file():
        return None
    try:
        return read_settings(folder / _USED)
    except LogFault:
        return None


def before_tables(known: str, tables: str | Path) -> Before:
    """Return what a family's page needs of last month.

    Parameters
    ----------
    known
        Last day known to last month's report (YYYY-MM-DD); empty if there is none.
    tables
        Where this month's tables of the family go (``out/YYYY-MM/tables/FAMILY``); empty if
        nowhere, which says nothing of last month's settings.
    """
    if not known or not str(tables):
        return Before(known)
    found = last_month(Path(tables).resolve().parent.parent)
    if found is None:
        return Before(known)
    return Before(known, found.rules, found.valuation)


def with_last_month(rows: pd.DataFrame, before: LastMonth | None) -> pd.DataFrame:
    """Add ``change`` of the bid and ``verdict_before`` to rows of thresholds, where known."""
    if before is None or rows.empty:
        return rows
    old = before.bids.drop_duplicates(_KEYS).set_index(_KEYS)
    keys = pd.MultiIndex.from_frame(rows[_KEYS].astype(str))
    at = old.reindex(keys)
    change = rows["max_bid"].to_numpy(float) - at["max_bid"].to_numpy(float)
    said = at["verdict"].fillna("").to_numpy()
    return rows.assign(change=change, verdict_before=said)


_CHANGES = OUTPUTS["changes"].names
_MONTHS = 3


@dataclass(frozen=True)
class Before:
    """What is known of the month before.

    ``known`` is the last day its report knew of (YYYY-MM-DD; empty for a month before the newest
    day), ``rules`` its own settings and ``valuation`` what hours, cash and risk cost then; None if
    they were not kept.
    """

    known: str = ""
    rules: Settings | None = None
    valuation: Valuation | None = None


@dataclass(frozen=True, eq=False)
class ShortView:
    """The shelf; what moves the main unit's bid; why it changed; what would turn it."""

    shelf: pd.DataFrame
    moves: pd.DataFrame
    changes: pd.DataFrame
    turning: str


def short_view(worked: Worked, thresholds: pd.DataFrame, before: Before) -> ShortView:
    """Work out the tables of one family that look a few months ahead.

    Parameters
    ----------
    worked
        The family.
    thresholds
        Its thresholds, which name the main unit.
    before
        The month before, which the bid's change is told from.
    """
    economics = worked.shop.economics(worked.family_id, worked.first_month, NEAR)
    owned = worked.logs.family(worked.family_id).tables["stock"]
    shelved = replace(worked.logs, tables={**worked.logs.tables, "stock": owned})
    rows = shelf(shelved, economics) if len(owned) else OUTPUTS["shelf"].empty()
    moves, turning = OUTPUTS["moves"].empty(), ""
    changes = OUTPUTS["changes"].empty()
    key = _main_unit(worked, thresholds)
    if key is not None:
        family = economics.outlook.families[worked.family_id]
        if not isinstance(family, CannotSay):
            unit = economics.unit(worked.family_id, *key)
            if not isinstance(unit, CannotSay):
                moves, turning = sensitivity_table(economics, unit), turning_words(economics, unit)
        changes = change_table(worked, key, before)
    return ShortView(rows, moves, changes, turning)


def _main_unit(worked: Worked, thresholds: pd.DataFrame) -> tuple[str, str] | None:
    """Model and fault the page is about, if a bid for them can be worked out."""
    if thresholds.empty:
        return None
    row = main_row(thresholds)
    key = str(row["model_id"]), str(row["listed_fault"])
    unsaid = {(model_id, fault) for model_id, fault, _ in worked.unsaid}
    return None if key in unsaid else key


def view_of(shop: Shop, family_id: str, month: int) -> View:
    """What a month's bid in a family is worked out from: the shop's own draws and charges."""
    return View(partial(shop.outlook, family_id), shop.settings, month, shop.valuation(month))


def change_table(worked: Worked, key: tuple[str, str], past: Before) -> pd.DataFrame:
    """Share the change of a bid since last month out among its causes.

    Last month is worked out with its own settings; with those as they are now where its own were
    not kept, which ``own_rules`` says. See ``repair_horizon.decisions.review.why_changed``.

    Parameters
    ----------
    worked
        The family.
    key
        model_id and listed_fault.
    past
        The month before.

    Returns
    -------
    DataFrame
        The table ``changes``, the largest first; one row with a reason where none can be said.
    """
    newest = worked.logs.newest_day
    day = pd.Timestamp(past.known) if past.known else newest - pd.DateOffset(months=1)
    before = worked.logs.as_of(day)
    start = {"model_id": key[0], "listed_fault": key[1], "known_before": day, "reason": ""}
    start["own_rules"] = past.rules is not None
    if before.tables["sales"].empty:
        why = {"reason": "no sale was known a month earlier"}
        return pd.DataFrame([{**start, **why}], columns=_CHANGES)
    family_id, month, now = worked.family_id, worked.first_month, worked.shop
    valuation = now.valuation(month)
    rules = now.settings if past.rules is None else with_own_days(before, past.rules)
    rules = replace(rules, seed=now.settings.seed, draws=now.settings.draws)
    then = Shop(before, rules, now.calibration, past.valuation or valuation)
    views = [view_of(then, family_id, month - 1), view_of(now, family_id, month)]
    found = attribute(views[0], views[1], (family_id, *key))
    if isinstance(found, CannotSay):
        return pd.DataFrame([{**start, "reason": found.reason}], columns=_CHANGES)
    return found.table().assign(**start)[_CHANGES]
