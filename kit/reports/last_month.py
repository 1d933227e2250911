"""Last month's folder, if it stands: what was known then, and which bids were named."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.logs import LogFault
from kit.logs.months import month_word, parse_month
from kit.reports.running import DONE
from kit.reports.writing import read_saved

_KEYS = ["family_id", "model_id", "listed_fault"]


@dataclass(frozen=True, eq=False)
class LastMonth:
    """A written month before this one.

    ``bids`` has family_id, model_id, listed_fault, max_bid, verdict; ``cutoff`` is the newest day
    it knew (YYYY-MM-DD), ``settings`` the hash of its settings.
    """

    month: str
    cutoff: str
    settings: str
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
    return LastMonth(month, cutoff, settings, pd.concat(parts, ignore_index=True))


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
