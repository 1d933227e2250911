"""What is wrong with an input, said once and in the reader's terms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


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
        place = self.file + (f", line {self.line}" if self.line else "")
        column = f", column {self.column}" if self.column else ""
        found = self.found if len(self.found) <= 60 else self.found[:57] + "..."
        return f"{place}{column}: found {found!r}, allowed: {self.allowed}"


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
