"""The file in which a partner looks at rows that were not added."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pandas as pd

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.storing import csv_text, replace_file

_LONGEST_STEM = 120
_SAID = ("status", "reason", "line", "column", "found", "allowed")


def review_path(workspace: Path, table: str, export: str) -> Path:
    """Return the review file of an export: review/TABLE-EXPORT.csv."""
    stem = export.removesuffix(".gz").rpartition(".")[0]
    # Names in another encoding than the system's, and names as long as the system allows.
    plain = stem.encode("utf-8", "replace").decode("utf-8")
    if len(plain.encode()) > _LONGEST_STEM:
        mark = hashlib.sha256(plain.encode()).hexdigest()[:8]
        plain = plain.encode()[:_LONGEST_STEM].decode("utf-8", "ignore") + "-" + mark
    return workspace / "review" / f"{table}-{plain}.csv"


def read_review(path: Path) -> pd.DataFrame:
    """Read a review file; it has no rows if there is none.

    Raises
    ------
    LogFault
        If somebody's changes have made it unreadable; it is not overwritten then.
    """
    if path.parent.exists() and not path.parent.is_dir():
        raise LogFault([Fault(path.parent.name, None, "", "no folder", "a folder for reviews")])
    if not path.exists():
        return pd.DataFrame()
    try:
        return pd.read_csv(path, dtype=str, na_filter=False, encoding="utf-8-sig")
    except (ValueError, OSError) as error:
        allowed = "a review file as it was written, or none: move it away"
        raise LogFault([Fault(path.name, None, "", str(error), allowed)]) from None


def write_review(path: Path, ledger: pd.DataFrame, rows: pd.DataFrame, export: str) -> bool:
    """Write the rows held or set aside, with our columns and, as x_ columns, what was said.

    An export imported again replaces its own rows; rows of another export of the same name stay,
    so that a new download does not wipe out what is still to be looked at.

    Parameters
    ----------
    path
        The review file.
    ledger
        Lines of the ledger that are held or set aside.
    rows
        The same records in our columns, as text, in the same order.
    export
        Which export it was: its name and the beginning of its hash.

    Returns
    -------
    bool
        Whether there is a review file now.
    """
    said = ledger[list(_SAID)].add_prefix("x_").reset_index(drop=True)
    new = pd.concat([said, rows.reset_index(drop=True)], axis=1).assign(x_export=export)
    old = read_review(path)
    if len(old):
        old = old[old["x_export"] != export] if "x_export" in old else old
        new = pd.concat([old, new], ignore_index=True).fillna("")
    if new.empty:
        path.unlink(missing_ok=True)
        return False
    path.parent.mkdir(exist_ok=True)
    replace_file(path, csv_text(new))
    return True
