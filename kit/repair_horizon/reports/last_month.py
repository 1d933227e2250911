"""Last month's folder, if it stands: what was known then, which bids were named, by which rules."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import pandas as pd

from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.files.writing import write_text
from repair_horizon.logs import LogFault, Settings, read_settings
from repair_horizon.reports.month_tables import read_saved
from repair_horizon.tables.months import month_word, parse_month

DONE, FAILED = "done", "failed"  # what can become of a family, as run.json says it
_KEYS = ["family_id", "model_id", "listed_fault"]
# In a folder of its own, the copy is read as a workspace's settings are and not taken for them.
_USED, _FILE, _VALUATION = "used", "settings.toml", "valuation.json"


@dataclass(frozen=True)
class Before:
    """What is known of the month before.

    ``known`` is the last day its report knew of (YYYY-MM-DD; empty for a month before the newest
    day), ``rules`` its own settings and ``valuation`` what hours, cash and risk cost then; None if
    they were not kept or cannot be read.
    """

    known: str = ""
    rules: Settings | None = None
    valuation: Valuation | None = None


NOTHING_BEFORE = Before()


@dataclass(frozen=True, eq=False)
class LastMonth:
    """A written month (YYYY-MM) before this one, what it rests on, and the bids it named.

    ``settings`` is the hash of its settings; ``bids`` has family_id, model_id, listed_fault,
    max_bid, verdict.
    """

    month: str
    known: Before
    settings: str
    bids: pd.DataFrame


def last_month(folder: Path) -> LastMonth | None:
    """Read the month before that of a folder ``out/YYYY-MM``.

    None if it was not written, or not whole enough to compare with.
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
    known = Before(cutoff, _kept_rules(before), _kept_valuation(before))
    return LastMonth(month, known, settings, pd.concat(parts, ignore_index=True))


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
    try:
        told = json.loads((folder / _USED / _VALUATION).read_text(encoding="utf-8"))
        return Valuation(**told)
    except (OSError, ValueError, TypeError):
        return None


def _kept_rules(folder: Path) -> Settings | None:
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
    found = last_month(Path(tables).resolve().parent.parent) if known and str(tables) else None
    return Before(known) if found is None else replace(found.known, known=known)


def with_last_month(rows: pd.DataFrame, before: LastMonth | None) -> pd.DataFrame:
    """Add ``change`` of the bid and ``verdict_before`` to rows of thresholds, where known."""
    if before is None or rows.empty:
        return rows
    old = before.bids.drop_duplicates(_KEYS).set_index(_KEYS)
    at = old.reindex(pd.MultiIndex.from_frame(rows[_KEYS].astype(str)))
    change = rows["max_bid"].to_numpy(float) - at["max_bid"].to_numpy(float)
    return rows.assign(change=change, verdict_before=at["verdict"].fillna("").to_numpy())
