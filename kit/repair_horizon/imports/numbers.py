"""Numbers as exports write them: signs, currency marks, and a decimal sign proved per column.

``1.234`` is one and a bit in one country and more than a thousand in the next. A column's sign
is declared in the mapping, or proved by a value that can be read in one way only (``12,50``,
``1.234,56``, ``0.125``); a column whose values prove nothing, or both, is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal

import pandas as pd

# Sign or abbreviation = the currencies it may mean (several: it proves none of them).
_MARKS: dict[str, tuple[str, ...]] = {
    "€": ("EUR",),
    "EURO": ("EUR",),
    "EUROS": ("EUR",),
    "£": ("GBP",),
    "US$": ("USD",),
    "NT$": ("TWD",),
    "C$": ("CAD",),
    "CA$": ("CAD",),
    "A$": ("AUD",),
    "AU$": ("AUD",),
    "HK$": ("HKD",),
    "S$": ("SGD",),
    "R$": ("BRL",),
    "$": ("USD", "CAD", "AUD", "NZD", "HKD", "SGD", "TWD", "MXN", "CLP", "COP", "ARS"),
    "¥": ("JPY", "CNY"),
    "₩": ("KRW",),
    "₹": ("INR",),
    "ZŁ": ("PLN",),
    "KČ": ("CZK",),
    "KR": ("SEK", "NOK", "DKK", "ISK"),
    "FR.": ("CHF",),
    "SFR.": ("CHF",),
}
_SPACES = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_CELL = re.compile(
    r"(?P<open>\()?(?P<sign>[-+])? ?(?P<before>[^\d.,'()+\-]*[^\d,'()+\- ])? ?(?P<sign2>[-+])?"
    r"(?P<number>[.,]?\d[\d.,' ]*?(?:[eE][+-]?\d{1,3})?)"
    r"(?P<minus>-)? ?(?P<after>[^\d.,'()+\- ][^\d,'()+\-]*)?(?P<close>\))?"
)


@dataclass(frozen=True)
class Cell:
    """One cell taken apart: digits with their signs, minus or not, currencies, percent or not."""

    digits: str
    negative: bool
    currencies: tuple[str, ...]
    percent: bool = False


@dataclass(frozen=True)
class Proof:
    """What a column's values prove: the decimal sign, or why none is proved."""

    decimal: str
    why: str
    example: str = ""

    @property
    def refused(self) -> bool:
        """Whether the column cannot be read without a declaration."""
        return not self.decimal


def split_cell(text: str, *, percent: bool = False) -> Cell | None:
    """Take a cell apart into number and currency; None if it is not a number.

    Minus signs may stand before, directly behind, or be brackets; a currency may stand on
    either side, not on both. ``percent``: whether it may be written in percent.
    """
    plain = _SPACES.sub(" ", text).strip().replace("−", "-").replace("’", "'")
    if percent and plain.endswith("%"):
        part = split_cell(plain[:-1])
        return None if part is None or part.currencies else replace(part, percent=True)
    found = _CELL.fullmatch(plain)
    if not found:
        return None
    minus = [s for s in (found["sign"], found["sign2"], found["minus"], found["open"]) if s]
    if len(minus) > 1 or bool(found["open"]) != bool(found["close"]):
        return None
    marks = [m for m in (found["before"], found["after"]) if m]
    known = currencies_of(marks[0]) if marks else ()
    if len(marks) > 1 or (marks and not known):
        return None
    return Cell(found["number"], bool(minus) and minus[0] != "+", known)


def currencies_of(mark: str) -> tuple[str, ...]:
    """Return the currencies a sign, code or word may mean; empty if it is none."""
    short = _SPACES.sub("", mark).upper()
    if short in _MARKS:
        return _MARKS[short]
    return (short,) if re.fullmatch(r"[A-Z]{3}", short) else ()


_NAMED = ("EUR", "USD", "GBP", "CHF", "€", "£")


def named_currencies(header: str) -> list[str]:
    """Return the currencies a header names; other words of three letters are no proof of one."""
    found = re.findall(r"\b[A-Z]{3}\b|[€£]", header)
    return [currencies_of(word)[0] for word in found if word in _NAMED]


def value_of(digits: str, decimal: str, thousands: str = "") -> Decimal | None:
    """Read digits under one decimal sign; None if they cannot be read so.

    Without a declared thousands sign, any sign but the decimal one may group, always the same
    within a number and always by three.
    """
    signs = thousands or "".join(s for s in ".,' " if s != decimal)
    body, _, power = digits.lower().partition("e")
    dot = re.escape(decimal)
    whole = rf"\d+|[1-9]\d{{0,2}}(?P<by>[{re.escape(signs)}])\d{{3}}(?:(?P=by)\d{{3}})*"
    found = re.fullmatch(rf"(?P<whole>{whole})?(?:{dot}(?P<part>\d+))?", body)
    if not found or not (found["whole"] or found["part"]):
        return None
    plain = re.sub(r"\D", "", found["whole"] or "0") + "." + (found["part"] or "0")
    return Decimal(plain + (f"e{power}" if power else ""))


def prove_decimal(cells: pd.Series, thousands: str = "") -> Proof:
    """Prove the decimal sign of a column.

    Parameters
    ----------
    cells
        Digits of its cells as ``split_cell`` returns them; the index is printed as the line.
    thousands
        The thousands sign, if declared: then the other sign is the decimal one.

    Returns
    -------
    Proof
        The sign with the value that proves it; without a sign, the two readings.
    """
    if thousands in (".", ","):
        return Proof("," if thousands == "." else ".", f"thousands sign {thousands!r} is declared")
    proofs: dict[str, tuple[str, object]] = {}
    votes = {".": 0, ",": 0}
    open_case: tuple[str, object, Decimal, Decimal] | None = None
    times = cells.value_counts()
    for line, digits in cells.drop_duplicates().items():
        point, comma = value_of(digits, "."), value_of(digits, ",")
        if point is None and comma is not None:
            proofs.setdefault(",", (digits, line))
            votes[","] += int(times[digits])
        elif comma is None and point is not None:
            proofs.setdefault(".", (digits, line))
            votes["."] += int(times[digits])
        elif point is not None and comma is not None and point != comma and open_case is None:
            open_case = (digits, line, point, comma)
    if len(proofs) == 2 and (sign := outweighing(votes)):
        (digits, line), against = proofs[sign], sum(votes.values()) - votes[sign]
        why = f"proved by {digits!r} in line {line} and {votes[sign] - 1} more, against {against}"
        return Proof(sign, why)
    if len(proofs) == 2:
        (a, at), (b, bt) = proofs["."], proofs[","]
        why = f"one sign: {a!r} (line {at}) needs the point, {b!r} (line {bt}) the comma"
        return Proof("", why, a)
    if proofs:
        sign, (digits, line) = next(iter(proofs.items()))
        return Proof(sign, f"proved by {digits!r} in line {line}")
    if open_case is None:
        return Proof(".", "whole numbers only")
    digits, line, point, comma = open_case
    why = (
        f'a declared decimal sign: {digits!r} is {plain_text(point)} with decimal = "." and '
        f'{plain_text(comma)} with decimal = ","'
    )
    return Proof("", why, digits)


# One cell written another way does not undo what so many others prove; it is held by itself.
OUTWEIGHS = 20


def outweighing(votes: dict[str, int]) -> str:
    """Return what nearly all proofs say; '' where they are no more than divided."""
    most = max(votes, key=lambda k: votes[k])
    rest = sum(votes.values()) - votes[most]
    return most if votes[most] >= OUTWEIGHS * rest else ""


def plain_text(value: Decimal) -> str:
    """Print a number as our logs write it: a point, no exponent, at most 12 decimals."""
    text = f"{value:.12f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
