"""Tables that need a few months only: the shelf, and the main unit's bid pulled at and explained.

Three months are drawn, as for the commands of the day, so that the shelf on the page and the one
that ``stock`` prints agree to the cent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from kit.decisions.attribution import View, attribute
from kit.decisions.economics import unit_economics, unit_under
from kit.decisions.shelf import COLUMNS as SHELF_COLUMNS
from kit.decisions.shelf import shelf
from kit.estimation.calibration import calibrated_outlook
from kit.estimation.estimates import Estimates, fit_family
from kit.estimation.forecast import forecast
from kit.logs import CannotSay, Settings
from kit.reports.choosing import main_row
from kit.reports.sensitivity_table import COLUMNS as MOVE_COLUMNS
from kit.reports.sensitivity_table import sensitivity_table, turning_words
from kit.reports.worked import Worked

CHANGE_COLUMNS = [
    "model_id",
    "listed_fault",
    "block",
    "change",
    "known_before",
    "own_rules",
    "reason",
]
_MONTHS = 3


@dataclass(frozen=True)
class Before:
    """What is known of the month before.

    ``known`` is the last day its report knew of (YYYY-MM-DD; empty for a month before the newest
    day), ``rules`` its own settings; None if they were not kept.
    """

    known: str = ""
    rules: Settings | None = None


@dataclass(frozen=True, eq=False)
class ShortView:
    """The shelf; what moves the main unit's bid; why it changed; what would turn it."""

    shelf: pd.DataFrame
    moves: pd.DataFrame
    changes: pd.DataFrame
    turning: str


def short_view(
    worked: Worked, estimates: Estimates, thresholds: pd.DataFrame, before: Before
) -> ShortView:
    """Work out the tables of one family that look a few months ahead.

    Parameters
    ----------
    worked
        The family.
    estimates
        What it was worked out from.
    thresholds
        Its thresholds, which name the main unit.
    before
        The month before, which the bid's change is told from.
    """
    rules = worked.settings
    outlook = forecast(estimates, _MONTHS, rules.seed, rules.draws, worked.first_month)
    outlook = calibrated_outlook(outlook, worked.calibration.factor)
    economics = unit_economics(outlook, rules)
    owned = worked.logs.family(worked.family_id).tables["stock"]
    shelved = replace(worked.logs, tables={**worked.logs.tables, "stock": owned})
    rows = shelf(shelved, economics) if len(owned) else pd.DataFrame(columns=SHELF_COLUMNS)
    moves, turning = pd.DataFrame(columns=MOVE_COLUMNS), ""
    changes = pd.DataFrame(columns=CHANGE_COLUMNS)
    key = _main_unit(worked, thresholds)
    if key is not None:
        family = economics.outlook.families[worked.family_id]
        if not isinstance(family, CannotSay):
            at = rules.for_class(family.estimates.device_class)
            unit = unit_under(at, family, key, outlook)
            moves, turning = sensitivity_table(economics, unit), turning_words(economics, unit)
        changes = change_table(worked, estimates, key, before)
    return ShortView(rows, moves, changes, turning)


def _main_unit(worked: Worked, thresholds: pd.DataFrame) -> tuple[str, str] | None:
    """Model and fault the page is about, if a bid for them can be worked out."""
    if thresholds.empty:
        return None
    row = main_row(thresholds)
    key = str(row["model_id"]), str(row["listed_fault"])
    unsaid = {(model_id, fault) for model_id, fault, _ in worked.unsaid}
    return None if key in unsaid else key


def change_table(
    worked: Worked, estimates: Estimates, key: tuple[str, str], past: Before
) -> pd.DataFrame:
    """Share the change of a bid since last month out among its causes.

    Last month is worked out with its own settings; with those as they are now where its own were
    not kept, which ``own_rules`` says. See ``kit.decisions.attribution``.

    Parameters
    ----------
    worked
        The family.
    estimates
        This month's.
    key
        model_id and listed_fault.
    past
        The month before.

    Returns
    -------
    DataFrame
        ``CHANGE_COLUMNS``, the largest change first; one row with a reason where none can be said.
    """
    newest = worked.logs.newest_day
    day = pd.Timestamp(past.known) if past.known else newest - pd.DateOffset(months=1)
    before = worked.logs.as_of(day)
    start = {"model_id": key[0], "listed_fault": key[1], "known_before": day, "reason": ""}
    start["own_rules"] = past.rules is not None
    if before.tables["sales"].empty:
        why = {"reason": "no sale was known a month earlier"}
        return pd.DataFrame([{**start, **why}], columns=CHANGE_COLUMNS)
    family_id = worked.family_id
    old = Estimates(before.currency, before.newest_day, {family_id: fit_family(before, family_id)})
    views = [
        View(old, past.rules or worked.settings, worked.first_month - 1),
        View(estimates, worked.settings, worked.first_month),
    ]
    found = attribute(views[0], views[1], (family_id, *key))
    if isinstance(found, CannotSay):
        return pd.DataFrame([{**start, "reason": found.reason}], columns=CHANGE_COLUMNS)
    return found.table().assign(**start)[CHANGE_COLUMNS]
