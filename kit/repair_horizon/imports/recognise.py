"""Which column of an export is which of ours, by declared words and by what its cells hold.

``column_words.csv`` names the words a header may use for a column of ours ("@date" is a table's
date), ``value_words.csv`` the words a cell may use for a value. A guess is only ever a proposal
in a draft; nothing is imported by it.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from repair_horizon.imports import dates, numbers
from repair_horizon.imports.mapping import DATES, NUMBERS
from repair_horizon.tables.columns import Column
from repair_horizon.tables.inputs import TABLES, Table

_ENOUGH = 0.6
"""Share of the cells that must be readable as a column's kind."""
_LOOKED_AT = 500
_WHOLE = 200
"""Score of a header that is a column's word as a whole; a part of it scores its length."""
_ANY_DATE = "@date"
_OUR_OWN = ("fx_rates", "fault_states", "answers")
"""Tables nobody else's program exports."""
_PERSONAL = re.compile(
    r"\b(buyer|bidder|customer|käufer|kunde|client|first name|last name|vorname|nachname|"
    r"address|adresse|anschrift|street|straße|city|ort|zip|plz|postcode|e ?mail|tel|telephone|"
    r"telefon|iban|paypal|user ?name|recipient|empfänger)\b"
)


@dataclass(frozen=True)
class Match:
    """A column of ours found in an export: their header, and how sure the words are."""

    column: str
    theirs: str
    score: int


def plain(text: str) -> str:
    """Return words in lower case, with single spaces and no signs, as they are compared."""
    folded = unicodedata.normalize("NFKC", text).lower()
    return re.sub(r"[\W_]+", " ", folded).strip()


def is_personal(header: str) -> bool:
    """Say whether a header names people, their places or their accounts."""
    return bool(_PERSONAL.search(plain(header)))


@cache
def _words(name: str) -> tuple[dict[str, str], ...]:
    path = files("repair_horizon.imports").joinpath(f"{name}.csv")
    return tuple(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@cache
def _header_words(table: str) -> dict[str, dict[str, int]]:
    """Words of a header = our columns of a table they may mean, with a rank (1 is best)."""
    target = TABLES[table]
    ours = {c.name for c in target.columns}
    found: dict[str, dict[str, int]] = {plain(name): {name: 1} for name in ours}
    ranks: dict[str, int] = {}
    for row in _words("column_words"):
        name = target.date if row["column"] == _ANY_DATE else row["column"]
        if name in ours:
            ranks[name] = ranks.get(name, 0) + 1
            found.setdefault(plain(row["words"]), {}).setdefault(name, 1 + ranks[name])
    return found


@cache
def value_words(column: str) -> dict[str, str]:
    """Return the words cells may use for a column's values: words = our value."""
    return {plain(r["words"]): r["value"] for r in _words("value_words") if r["column"] == column}


def readable_as(column: Column, cells: Sequence[str]) -> float:
    """Return the share of the cells that a column of ours could hold, under any convention."""
    given = [c for c in cells if c][:_LOOKED_AT]
    if not given:
        return 0.0
    test = _kind_test(column)
    return sum(bool(test(c)) for c in given) / len(given)


def _kind_test(column: Column):  # type: ignore[no-untyped-def]
    words = value_words(column.name)
    if column.choices or words:
        known = {*map(plain, column.choices), *words}
        return lambda text: plain(text) in known
    if column.kind in DATES:
        return could_be_date
    if column.kind in NUMBERS:
        return lambda text: _could_be_number(text) and not could_be_date(text, serial=False)
    if column.kind == "currency":
        return lambda text: bool(numbers.currencies_of(text))
    if column.kind == "yes_no":
        return lambda text: plain(text) in ("yes", "no", "true", "false", "1", "0", "ja", "nein")
    if column.name == "model_id":  # a column of running numbers names no models
        return lambda text: not text.isdigit()
    return lambda text: True


_READERS = tuple(
    dates.proved_reader(order) for order in ("day/month/year", "month/day/year")
) + tuple(
    dates.reader_of(f"{a}{sign}{b}{sign}year2")
    for a, b in (("day", "month"), ("month", "day"))
    for sign in "./-"
)  # fmt: skip


def could_be_date(text: str, *, serial: bool = True) -> bool:
    """Say whether a cell is a date in some order, or a spreadsheet's day number of this century."""
    if serial and re.fullmatch(r"\d{5}(\.\d+)?", text):
        return 36526 <= float(text) <= 73050  # 2000 to 2099
    return any(read(text) for read in _READERS) or month_named(text) is not None


def _could_be_number(text: str) -> bool:
    cell = numbers.split_cell(text)
    return cell is not None and any(
        numbers.value_of(cell.digits, sign) is not None for sign in ".,"
    )


MONTHS = {
    "German": (
        *("Januar", "Februar", "März", "April", "Mai", "Juni", "Juli", "August", "September"),
        *("Oktober", "November", "Dezember"),
    ),
    "French": (
        *("janvier", "février", "mars", "avril", "mai", "juin", "juillet", "août", "septembre"),
        *("octobre", "novembre", "décembre"),
    ),
    "Spanish": (
        *("enero", "febrero", "marzo", "abril", "mayo", "junio", "julio", "agosto", "septiembre"),
        *("octubre", "noviembre", "diciembre"),
    ),
}


def month_named(text: str) -> str | None:
    """Return the language of a month written out in a cell with day and year, if there is one."""
    if not re.search(r"\b\d{4}\b", text):
        return None
    words = set(re.findall(r"[^\W\d_]+", text.lower()))
    for language, months in MONTHS.items():
        if words & {m.lower() for m in months}:
            return language
    return None


def matches(header: Sequence[str], cells: dict[str, list[str]], table: Table) -> list[Match]:
    """Return which of their columns is which of ours, each at most once.

    ``cells``: what stands below each; ``table``: the table to be filled.
    """
    known, found = _header_words(table.name), []
    for theirs in header:
        if not theirs or is_personal(theirs):
            continue
        for ours, score in _scores(plain(theirs), known).items():
            column = table.column(ours)
            fits = readable_as(column, cells[theirs])
            free = column.kind in ("code", "text") and not column.choices
            own = plain(theirs) == plain(ours)
            named = score >= _WHOLE - 50 and free and ours != "model_id" and any(cells[theirs])
            if fits >= _ENOUGH or named or own:
                found.append(Match(ours, theirs, score))
    taken: dict[str, Match] = {}
    used: set[str] = set()
    required = set(table.required)
    for match in sorted(found, key=lambda m: (-m.score, m.column not in required)):
        if match.column not in taken and match.theirs not in used:
            taken[match.column] = match
            used.add(match.theirs)
    taken |= _only_dates(header, cells, table, taken)
    order = [c.name for c in table.columns]
    return sorted(taken.values(), key=lambda m: order.index(m.column))


def _only_dates(
    header: Sequence[str], cells: dict[str, list[str]], table: Table, taken: dict[str, Match]
) -> dict[str, Match]:
    """Take the only column of dates for the table's date, whatever its name."""
    if not table.date or table.date in taken:
        return {}
    column, used = table.column(table.date), {m.theirs for m in taken.values()}
    left = [n for n in header if n and n not in used and any(cells[n]) and not is_personal(n)]
    found = [n for n in left if readable_as(column, cells[n]) >= _ENOUGH]
    return {table.date: Match(table.date, found[0], 0)} if len(found) == 1 else {}


def _scores(header: str, known: dict[str, dict[str, int]]) -> dict[str, int]:
    """Score every column of ours by the words of a header: the whole header, else its longest."""
    out: dict[str, int] = {}
    for words, columns in known.items():
        if header == words:
            base = _WHOLE
        elif f" {words} " in f" {header} ":
            base = 40 + len(words)
        else:
            continue
        for name, rank in columns.items():
            out[name] = max(out.get(name, 0), base - rank)
    return out


def likeliest_table(header: Sequence[str], cells: dict[str, list[str]]) -> str:
    """Return the table to which most columns belong; a required one counts twice."""

    def found(table: Table) -> tuple[float, float]:
        got, required = {m.column for m in matches(header, cells, table)}, set(table.required)
        own = len(got & required)
        return 2 * own + len(got - required), own / len(required)

    tables = [t for t in TABLES.values() if t.name not in _OUR_OWN]
    return max(tables, key=found).name
