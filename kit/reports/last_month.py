"""Last month's folder, if it stands: what was known then, which bids were named, by which rules."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.logs import LogFault, Settings, read_settings
from kit.logs.months import month_word, parse_month
from kit.reports.resuming import DONE
from kit.reports.short_view import Before
from kit.reports.writing import read_saved, write_text

_KEYS = ["family_id", "model_id", "listed_fault"]
# In a folder of its own, the copy is read as a workspace's settings are and not taken for them.
_USED, _FILE = "used", "settings.toml"


@dataclass(frozen=True, eq=False)
class LastMonth:
    """A written month before this one.

    ``bids`` has family_id, model_id, listed_fault, max_bid, verdict; ``cutoff`` is the newest day
    it knew (YYYY-MM-DD), ``settings`` the hash of its settings, ``rules`` the settings themselves
    if they were kept and can still be read.
    """

    month: str
    cutoff: str
    settings: str
    rules: Settings | None
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
        tables = [read_saved(before / "tables" / s / "thresholds.csv") for s in slugs]
        parts = [t[[*_KEYS, "max_bid", "verdict"]] for t in tables if len(t)]
        cutoff, settings = str(record["cutoff"]), str(record["settings_sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not parts or pd.isna(pd.to_datetime(cutoff, format="%Y-%m-%d", errors="coerce")):
        return None
    bids = pd.concat(parts, ignore_index=True)
    return LastMonth(month, cutoff, settings, _kept_rules(before), bids)


def keep_rules(workspace: Path, folder: Path) -> None:
    """Keep the settings a month was made with beside it, as the workspace has them.

    Without them a later month could not tell a change of the market from a change of the rules.
    """
    source = workspace / _FILE
    text = source.read_text(encoding="utf-8-sig") if source.is_file() else ""
    write_text(folder / _USED / _FILE, text)


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
    return Before(known, None if found is None else found.rules)


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
