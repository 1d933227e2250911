"""What every kind of file is turned into first: a header and rows of text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Inference:
    """One thing known about a file: what, the value, and how it is known."""

    what: str
    value: str
    how: str


@dataclass(frozen=True)
class RawRow:
    """One row: the line it begins on, its trimmed cells, and which of them are exact.

    ``exact`` marks cells the file holds as a number or a date rather than as text; it may be
    shorter than ``cells`` (the rest is text). ``problem`` says why a row cannot be read at all.
    """

    line: int
    cells: Sequence[str]
    exact: Sequence[bool] = ()
    problem: str = ""


@dataclass(frozen=True)
class RawTable:
    """A header with the line it stands on, the rows below it, and what was proved."""

    header: list[str]
    header_line: int
    rows: list[RawRow]
    inferred: tuple[Inference, ...] = ()
