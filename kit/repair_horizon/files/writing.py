"""Files of a month: written whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

import pandas as pd


def write_text(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of it.

    Line ends are written as they are: the page's content policy holds hashes of its scripts.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8", "replace"))
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV: UTF-8, ISO dates, points, lines ended by a line feed."""
    write_text(path, table.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n"))


_FORMULA = tuple("=+-@\t\r")
_FIGURE = re.compile(r"-\d+(\.\d+)?([eE][+-]?\d+)?")


def guarded(text: str) -> str:
    """Mark text that a spreadsheet would run as a formula with a leading apostrophe.

    Figures are left alone; ``-2+3`` is none.
    """
    return f"'{text}" if text[:1] in _FORMULA and not _FIGURE.fullmatch(text) else text


def for_spreadsheet(table: pd.DataFrame) -> pd.DataFrame:
    """Guard every text of a table against being run as a formula; other columns stay."""
    out = table.copy()
    for name in out.columns:
        column = out[name]
        if not pd.api.types.is_numeric_dtype(column) and column.dtype.kind != "M":
            out[name] = column.astype("object").map(
                lambda v: guarded(v) if isinstance(v, str) else v
            )
    return out
