"""What is wrong with an input, in the reader's terms, and where each row of it ends."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache

import pandas as pd


@dataclass(frozen=True)
class Fault:
    """One thing wrong: where it stands, what was found, what is allowed."""

    file: str
    line: int | None
    column: str
    found: str
    allowed: str

    def __str__(self) -> str:
        """Say the fault on one line."""
        place = _short(self.file, 200) + (f", line {self.line}" if self.line else "")
        column = f", column {_short(self.column, 60)}" if self.column else ""
        found, allowed = _short(self.found, 60), _short(self.allowed, 2000)
        return f"{place}{column}: found {found!r}, allowed: {allowed}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


# What moves a terminal's cursor, colours it, answers for its keyboard or turns the writing round,
# and what has no width, but for the joiners that scripts and emoji need.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b\u200e\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff]"
)


def visible(text: str) -> str:
    r"""Write control characters out, so that what a log holds cannot act on a terminal.

    Examples
    --------
    >>> print(visible("phone" + chr(27) + "[2J"))
    phone\x1b[2J
    """
    return _UNSEEN.sub(lambda c: ascii(c[0])[1:-1], text)


class LogFault(ValueError):
    """An input that cannot be used; carries every fault found, not only the first."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(f) for f in self.faults))


@dataclass(frozen=True)
class CannotSay:
    """A question the data do not answer, with the reason; it is a value, not an error."""

    reason: str

    def __bool__(self) -> bool:
        return False


USED, SET_ASIDE, HELD = "used", "set aside", "held for review"
COLUMNS = ("table", "line", "row_id", "status", "reason", "column", "found", "allowed")


@dataclass(frozen=True, eq=False)
class Ledger:
    """The rows read per table, and one line for each row that was not used.

    ``read`` maps a table to the rows its file had; ``exceptions`` has the columns ``COLUMNS``,
    one row per row not used (the first reason that applied; further faults of the same row are
    joined into its text).
    """

    read: dict[str, int]
    exceptions: pd.DataFrame

    def counts(self) -> pd.DataFrame:
        """Return rows read, used, set aside and held, per table; they add up by construction."""
        by = self.exceptions.groupby(["table", "status"]).size()
        rows = []
        for table, read in self.read.items():
            aside, held = (int(by.get((table, s), 0)) for s in (SET_ASIDE, HELD))
            rows.append((table, read, read - aside - held, aside, held))
        return pd.DataFrame(rows, columns=["table", "read", "used", "set_aside", "held"])

    def reasons(self) -> pd.DataFrame:
        """Return how many rows each reason took, per table, the most frequent first."""
        by = self.exceptions.groupby(["table", "status", "reason"], sort=False)
        table = by.size().rename("rows").reset_index()
        return table.sort_values(["rows", "table", "reason"], ascending=[False, True, True])

    def adding(self, exceptions: Sequence[pd.DataFrame]) -> Ledger:
        """Return a ledger with more rows not used."""
        parts = [p for p in (self.exceptions, *exceptions) if len(p)]
        whole = pd.concat(parts, ignore_index=True) if parts else self.exceptions
        return Ledger(self.read, whole)

    def held_share(self) -> float:
        """Return the share of all rows read that wait for review."""
        read = sum(self.read.values())
        return float((self.exceptions["status"] == HELD).sum() / read) if read else 0.0


def no_exceptions() -> pd.DataFrame:
    """Return an empty table of exceptions."""
    return _none().copy()


@cache
def _none() -> pd.DataFrame:
    return pd.DataFrame({c: pd.Series(dtype="int64" if c == "line" else "str") for c in COLUMNS})


def exception_rows(table: str, rows: pd.DataFrame, status: str, reason: str) -> pd.DataFrame:
    """Turn typed rows that are not used into lines of the ledger.

    ``table``: name of the table; ``rows``: the rows, with ``line`` and ``row_id``; ``status``,
    ``reason``: what became of them and why.
    """
    if not len(rows):
        return no_exceptions()
    out = pd.DataFrame({"table": table, "line": rows["line"], "row_id": rows["row_id"]})
    return out.assign(status=status, reason=reason, column="", found="", allowed="").reset_index(
        drop=True
    )
