"""What is wrong with an input, said once and in the reader's terms."""

from __future__ import annotations

import re
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
        place = _short(self.file, 200) + (f", line {self.line}" if self.line else "")
        column = f", column {_short(self.column, 60)}" if self.column else ""
        found, allowed = _short(self.found, 60), _short(self.allowed, 2000)
        return f"{place}{column}: found {found!r}, allowed: {allowed}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


# What moves a terminal's cursor, colours it, answers for its keyboard or turns the writing round.
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


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
