"""Dates as exports write them, in a declared order or one proved per column.

``03/04/2025`` is March in one country and April in the next. The order is declared in the
mapping, or proved by a day above 12 without any value that contradicts it; else the column is
refused with both readings. Two-digit years and the day numbers of spreadsheets are read only
when declared.
"""

from __future__ import annotations

import datetime
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from repair_horizon.imports.numbers import outweighing

EXCEL, EXCEL_1904 = "excel-serial", "excel-serial-1904"
_CODES = {"%d": "day", "%m": "month", "%Y": "year", "%y": "year2", "%b": "name", "%B": "name"}
_WORDS = re.compile(r"month_name|year2|year|month|day|%[a-zA-Z]")
_PATTERNS = {"day": r"\d{1,2}", "month": r"\d{1,2}", "year": r"\d{4}", "year2": r"\d{2}"}
_TIME = (
    r"(?:[T ,]+(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:\.\d+)?)?"
    r"(?: ?(?P<half>[AaPp])\.?[Mm]\.?)?)?(?: ?(?P<zone>Z|UTC|[+-]\d{2}:?\d{2}))?"
)
_ENGLISH = (
    *("january", "february", "march", "april", "may", "june", "july", "august"),
    *("september", "october", "november", "december"),
)
Reader = Callable[[str], "Moment | None"]


@dataclass(frozen=True)
class Moment:
    """A day as written, its time of day if given, and whether that has an offset from UTC."""

    at: datetime.datetime
    timed: bool = False

    @property
    def zoned(self) -> bool:
        """Whether the value names its offset from UTC."""
        return self.at.tzinfo is not None


@dataclass(frozen=True)
class DateProof:
    """How a column is read: a format, or why none is proved."""

    format: str
    why: str
    example: str = ""


def parts_of(form: str) -> list[str]:
    """Return the parts of a date a format names: day, month, year, year2, name."""
    return [_part(w) for w in _WORDS.findall(form)]


def _part(word: str) -> str:
    return "name" if word == "month_name" else _CODES.get(word, word)


def format_problem(form: str, fill: str) -> str:
    """Say what is wrong with a declared format; empty if nothing is."""
    if form in ("", EXCEL, EXCEL_1904):
        return f"a format naming the part that {fill!r} completes" if fill else ""
    parts = parts_of(form)
    unknown = [p for p in parts if p.startswith("%")]
    missing = 2 - ("day" in parts) - ("month" in parts or "name" in parts)
    years = ("year" in parts) + ("year2" in parts)
    if unknown or years != 1 or len(set(parts)) != len(parts):
        return "one each of day, month or month_name, year or year2, such as day.month.year"
    if missing == 1 and "day" in parts:
        return "a month beside the day"
    if not re.fullmatch(("", r"\d{2}", r"\d{2}-\d{2}")[missing], fill):
        return 'no fill for a whole date; fill = "01" for a missing day, "07-01" for both'
    return ""


def reader_of(form: str, fill: str = "", names: tuple[str, ...] = ()) -> Reader:
    """Return the function that reads one cell under a format.

    ``form``: words (``day.month.year``), codes (``%d.%m.%Y``) or ``excel-serial``; ``fill``:
    completes a date without day (``01``) or without month and day (``07-01``); ``names``: the
    twelve months, if not English.
    """
    if form in (EXCEL, EXCEL_1904):
        return lambda text: _serial(text, form)
    pattern = re.compile(_pattern(form) + _TIME)
    months = _month_names(names)
    tail = [int(n) for n in fill.split("-")] if fill else []

    def read(text: str) -> Moment | None:
        found = pattern.fullmatch(re.sub(r"\s+", " ", text))
        return _moment(found.groupdict(), months, tail) if found else None

    return read


def _pattern(form: str) -> str:
    out, at = "", 0
    joined = not re.search(r"[^a-zA-Z0-9_%]", form)
    for word in _WORDS.finditer(form):
        part = _part(word.group())
        shape = _PATTERNS.get(part, r"[^\W\d_]+\.?")
        shape = r"\d{2}" if joined and part in ("day", "month") else shape
        out += re.escape(form[at : word.start()]) + f"(?P<{part}>{shape})"
        at = word.end()
    return out + re.escape(form[at:])


def _month_names(names: tuple[str, ...]) -> dict[str, int]:
    if names:
        return {n.lower().rstrip("."): i for i, n in enumerate(names, 1)}
    long = {n: i for i, n in enumerate(_ENGLISH, 1)}
    return {**long, **{n[:3]: i for n, i in long.items()}, "sept": 9}


def _moment(got: dict[str, str | None], months: dict[str, int], tail: list[int]) -> Moment | None:
    year = int(got.get("year") or 0)
    if got.get("year2"):
        # The usual pivot (POSIX strptime): 69-99 are the last century, 00-68 this one.
        short = int(got["year2"] or 0)
        year = short + (1900 if short >= 69 else 2000)
    month = months.get((got.get("name") or "").lower().rstrip("."), int(got.get("month") or 0))
    ends = list(tail)
    month = month or (ends.pop(0) if ends else 0)
    day = int(got.get("day") or 0) or (ends.pop(0) if ends else 0)
    try:
        at = datetime.datetime(year, month, day, *_clock(got), tzinfo=_zone(got.get("zone")))
    except ValueError:
        return None
    return Moment(at, got.get("hour") is not None)


def _clock(got: dict[str, str | None]) -> tuple[int, int, int]:
    hour = int(got.get("hour") or 0)
    if got.get("half"):
        hour = (hour % 12 if 1 <= hour <= 12 else 99) + (12 if got["half"] in ("P", "p") else 0)
    return hour, int(got.get("minute") or 0), int(got.get("second") or 0)


def _zone(text: str | None) -> datetime.timezone | None:
    if not text:
        return None
    if text in ("Z", "UTC"):
        return datetime.UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    off = datetime.timedelta(hours=hours, minutes=minutes)
    return datetime.timezone(-off if text[0] == "-" else off)


def _serial(text: str, form: str) -> Moment | None:
    """Day number of a spreadsheet; numbers before March 1900 are wrong in the 1900 system."""
    if not re.fullmatch(r"\d{1,6}(\.\d+)?", text):
        return None
    whole, _, part = text.partition(".")
    if form == EXCEL and int(whole) < 61:
        return None
    start = datetime.datetime(1899, 12, 30) if form == EXCEL else datetime.datetime(1904, 1, 1)
    seconds = round(float("0." + (part or "0")) * 86400)
    return Moment(start + datetime.timedelta(days=int(whole), seconds=seconds), bool(part))


def prove_dates(cells: pd.Series) -> DateProof:
    """Prove how a column writes its dates.

    ``cells``: its values that are not empty; the index is printed as the line. Returns
    ``day/month/year``-like format, ``iso`` for year first or named months only, or no format and
    both readings.
    """
    first, votes, open_case, signs = _orders(cells)
    words = {"day": "day/month/year", "month": "month/day/year"}
    if len(first) == 2 and (order := outweighing(votes)):
        (text, line), against = first[order], sum(votes.values()) - votes[order]
        why = f"proved by {text!r} in line {line} and {votes[order] - 1} more, against {against}"
        return DateProof(words[order], why)
    if len(first) == 2:
        (a_text, at), (b_text, bt) = first["day"], first["month"]
        why = f"one order: {a_text!r} (line {at}) has the day first, {b_text!r} (line {bt}) second"
        return DateProof("", why, a_text)
    if first:
        order, (text, line) = next(iter(first.items()))
        return DateProof(words[order], f"proved by {text!r} in line {line}")
    if open_case is None:
        if not signs:
            return DateProof("iso", "the year comes first, or the month is named")
        return DateProof("day/month/year", "the same in every order")
    return DateProof("", _two_readings(open_case[0]), open_case[0])


_Case = tuple[str, object]
_ORDERED = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2\d{4}(?!\d)(?:[T ,]|$)")


def _orders(cells: pd.Series) -> tuple[dict[str, _Case], dict[str, int], _Case | None, int]:
    """First proof and cells that prove each order, the first open case, and the values seen."""
    first: dict[str, _Case] = {}
    votes = {"day": 0, "month": 0}
    open_case: _Case | None = None
    signs = 0
    times = cells.value_counts()
    for line, text in cells.drop_duplicates().items():
        found = _ORDERED.match(text)
        if not found:
            continue
        signs += 1
        a, b = int(found[1]), int(found[3])
        order = "day" if a > 12 >= b else "month" if b > 12 >= a else ""
        if order:
            first.setdefault(order, (text, line))
            votes[order] += int(times[text])
        elif a != b and a <= 12 and b <= 12 and open_case is None:
            open_case = (text, line)
    return first, votes, open_case, signs


_SIGNED = re.compile(r"(?:\d{1,2}([./-])\d{1,2}\1\d{4}|\d{4}([./-])\d{1,2}\2\d{1,2})(?!\d)")
_FORM = re.compile(
    r"(?:(?:day|%d)([./-])(?:month|%m)|(?:month|%m)([./-])(?:day|%d))(?:\1|\2)(?:year(?!2)|%Y)"
    r"|(?:year|%Y)([./-])(?:month|%m)\3(?:day|%d)"
)


def with_the_sign_of(form: str, cells: pd.Series) -> str:
    """Return a declared format with the sign its column writes between day, month and year.

    What is declared is the order. Where the column writes two signs, one may be another order's, so
    the format stays as it is; so does one with years of two digits, where the sign may tell.
    """
    found = [m for m in map(_SIGNED.match, cells.unique()) if m]
    signs = {m[1] or m[2] for m in found}
    return re.sub("[./-]", signs.pop(), form) if len(signs) == 1 and _FORM.fullmatch(form) else form


def likely_format(cells: pd.Series) -> str:
    """Return the format most dates of a column that proves none may have; day first if even."""
    _, votes, _, _ = _orders(cells)
    order = ("month", "day") if votes["month"] > votes["day"] else ("day", "month")
    given = [m for m in map(_ORDERED.match, cells) if m]
    ordered = [m for m in given if int(m[1 if order[0] == "day" else 3]) > 12]
    sign = Counter(m[2] for m in ordered or given).most_common(1)[0][0] if given else "/"
    return sign.join([*order, "year"])


def _two_readings(text: str) -> str:
    day = reader_of(f"day{_sign(text)}month{_sign(text)}year")(text)
    month = reader_of(f"month{_sign(text)}day{_sign(text)}year")(text)
    readings = [f"{m.at:%Y-%m-%d}" if m else "no date" for m in (day, month)]
    return (
        f"a declared date_format: {text!r} is {readings[0]} with day first and {readings[1]} "
        "with month first"
    )


def _sign(text: str) -> str:
    return next(c for c in text if c in "./-")


def proved_reader(form: str) -> Reader:
    """Return the reader for a proved column: its order with any sign, ISO, or named months."""
    forms = ["year-month-day", "year/month/day", "year.month.day"]
    forms += ["day month_name year", "month_name day, year", "day-month_name-year"]
    if form != "iso":
        forms += [form.replace("/", s) for s in "/.-"]
    readers = [reader_of(f) for f in forms]
    return lambda text: next((m for m in (r(text) for r in readers) if m), None)
