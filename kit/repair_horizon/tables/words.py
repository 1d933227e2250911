"""Plain words for the tables: months, money, chances, verdicts and names.

A median month never goes without its interval, an amount never without its currency, and a
verdict never without a shape that says the same without colour.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import pandas as pd

from repair_horizon.tables.codes import Verdict

PARTS = {
    "BAT": "battery",
    "DA": "display",
    "DAO": "outer display",
    "BC": "back cover",
    "FFC": "front camera",
    "RFC": "rear camera",
    "EC": "charging port",
    "BUT": "button",
    "MIC": "microphone",
    "SPK": "speaker",
    "FM": "hinge",
    "FRM": "frame",
    "MB": "mainboard",
    "FLX": "flex cable",
    "ADH": "seals",
    "KB": "keyboard",
    "TP": "trackpad",
    "STO": "storage",
    "FAN": "fan",
    "OPT": "optical drive",
    "STK": "stick",
    "STR": "strap",
}
MISSING = "–"
WITHIN_LIMIT = "its price is within the limit"  # of a price asked, which needs no luck
AS_LIKELY = "as likely as not"
NOW = "this month"  # when something stops that no longer pays
_NBSP = "\u00a0"


def missing(value: Any) -> bool:
    """Whether a table entry is not given."""
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    return bool(value != value) or value == ""  # what is no number does not equal itself


def money(amount: Any, currency: str, *, cents: bool = False) -> str:
    """Amount with its currency and thousands marked: ``EUR 1,234``, ``−EUR 12``.

    What would read 0 and is not is said so: ``under EUR 1``.
    """
    if missing(amount):
        return MISSING
    if not cents and _rounds_away(amount):
        return (
            f"under {currency}{_NBSP}1" if float(amount) > 0 else f"just under {currency}{_NBSP}0"
        )
    digits = f"{abs(float(amount)):,.{2 if cents else 0}f}"
    sign = "−" if float(amount) < 0 and digits.strip("0.,") else ""
    return f"{sign}{currency}{_NBSP}{digits}"


def number(amount: Any, decimals: int = 0) -> str:
    """Bare number for a column whose heading names the unit."""
    if missing(amount):
        return MISSING
    text = f"{abs(float(amount)):,.{decimals}f}"
    return f"−{text}" if float(amount) < 0 and text.strip("0.,") else text


def bare_money(value: Any) -> str:
    """Bare amount of money in whole units; what would read 0 and is not is said so."""
    if not missing(value) and _rounds_away(value):
        return "under 1" if float(value) > 0 else "just under 0"
    return number(value)


def _rounds_away(value: Any) -> bool:
    """Whether an amount is not zero, but reads 0 in whole units; half a cent is zero."""
    return abs(float(value)) >= 0.005 and f"{abs(float(value)):.0f}" == "0"


def percent(share: Any) -> str:
    """Share as whole percent; small but not zero, large but not all, are said so."""
    if missing(share):
        return MISSING
    value = 100 * float(share)
    if 0 < value < 0.5:
        return f"under 1{_NBSP}%"
    if 99.5 < value < 100:
        return f"over 99{_NBSP}%"
    return f"{math.floor(value + 0.5)}{_NBSP}%"


def winning(share: Any) -> str:
    """Chance of winning as percent; an auction is never sure, whatever rounding says.

    Words in its place, such as ``WITHIN_LIMIT``, stay.
    """
    if share == WITHIN_LIMIT:
        return WITHIN_LIMIT
    return percent(share if missing(share) else min(float(share), 0.9999))


def chance(share: Any) -> str:
    """Chance as so many in ten; the ends are said as what they are."""
    if missing(share):
        return MISSING
    value = float(share)
    tens = math.floor(10 * value + 0.5)
    if value < 0.05:
        return "hardly ever" if value > 0 else "never"
    return "nearly always" if tens == 10 else f"{tens} in 10"


def month_words(month: Any) -> str:
    """Month in words: ``March 2027``; text such as 2027-03 is read too."""
    return MISSING if missing(month) else f"{pd.Timestamp(month):%B %Y}"


def short_month(month: Any) -> str:
    """Month for a table: ``Mar 2027``."""
    return MISSING if missing(month) else _short(month)


@lru_cache(maxsize=1024)
def _short(month: Any) -> str:
    return f"{pd.Timestamp(month):%b %Y}"


def day_words(day: Any) -> str:
    """Day in words: ``5 March 2027``."""
    return MISSING if missing(day) else f"{pd.Timestamp(day).day} {pd.Timestamp(day):%B %Y}"


def short_day(day: Any) -> str:
    """Day for a table: ``5 Mar 2027``."""
    return MISSING if missing(day) else f"{pd.Timestamp(day).day} {short_month(day)}"


def dates_in_words(text: str) -> str:
    """Put the ISO days and months of a sentence into words: ``2026-09-18``, ``2026-09``."""
    days = re.sub(r"\b\d{4}-\d\d-\d\d\b", lambda m: day_words(m.group(0)), text)
    return re.sub(r"\b\d{4}-(0[1-9]|1[0-2])\b", lambda m: month_words(m.group(0)), days)


def fault_words(code: Any) -> str:
    """Fault or state without underscores."""
    return MISSING if missing(code) else str(code).replace("_", " ")


def fault_code(words: str) -> str:
    """Code that the words would be: 'No power' and 'no-power' are ``no_power``."""
    return "_".join(words.lower().replace("-", " ").split())


def part_words(code: Any) -> str:
    """Part code in words; codes not on the list stay as they are."""
    return MISSING if missing(code) else PARTS.get(str(code), str(code))


def part_codes(cell: object) -> list[str]:
    """Part codes of a cell that joins them by ;."""
    return [c.strip() for c in str(cell).split(";") if c.strip()]


def codes_words(codes: Any) -> str:
    """Part codes joined by ; in words."""
    if missing(codes):
        return "none"
    return ", ".join(part_words(c) for c in re.split(r"[;,]\s*", str(codes)) if c)


def verdict_words(verdict: Any) -> str:
    """Verdict as shape and word."""
    read = Verdict.read(verdict)
    return f"{read.shape}{_NBSP}{read.words}"


@dataclass(frozen=True)
class Ahead:
    """The stretch a page looks ahead: ``horizon`` months from ``now``, intervals at ``level``."""

    now: pd.Timestamp
    horizon: int
    level: float


def stop_words(date: pd.Series | Mapping[str, Any], ahead: Ahead, short: bool = False) -> str:
    """When something stops, with its interval or the reason why no month is named.

    ``date``: ``median``, ``lower``, ``upper`` (months or missing) and, where known,
    ``probability_now``, ``probability_12``, ``reason`` and ``unsure``, which stands in place of a
    month; ``ahead``: the stretch the forecast covers; ``short``: whether months are abbreviated,
    for tables.
    """
    said = short_month if short else month_words
    if not missing(date.get("unsure")):
        return str(date["unsure"])
    median, lower, upper = (date.get(k) for k in ("median", "lower", "upper"))
    if missing(median):
        return _no_month(date, ahead, said)
    at = percent(ahead.level)
    last = "later than the forecast" if missing(upper) else said(upper)
    if said(median) == said(ahead.now):
        return NOW if last == said(median) else f"{NOW} ({at}: to {last})"
    if said(lower) == last:
        return f"{said(median)} ({at}: that month)"
    first = "now" if missing(lower) or lower == ahead.now else said(lower)
    return f"{said(median)} ({at}: {first} to {last})"


def _no_month(
    date: pd.Series | Mapping[str, Any], ahead: Ahead, month: Callable[[Any], str]
) -> str:
    reason = date.get("reason")
    if not missing(reason) and "not within" not in str(reason):
        return f"cannot say: {reason}"
    hints = []
    early, chance = date.get("lower"), date.get("probability_12")
    if not missing(early):
        hints.append("possible " + ("now" if early == ahead.now else f"from {month(early)}"))
    if not missing(chance):
        hints.append(f"{percent(chance)} chance within 12 months")
    said = f" ({', '.join(hints)})" if hints else ""
    return f"not within the {ahead.horizon} months forecast{said}"


def listing(names: list[str], most: int = 3) -> str:
    """A few names in a sentence, the rest counted."""
    shown = names[:most]
    if len(names) > most:
        left = len(names) - most
        return ", ".join(shown) + (" and 1 other" if left == 1 else f" and {left} others")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def short_names(names: Sequence[str]) -> list[str]:
    """Leave out the words that all models of a family share, but the last of the first ones.

    ``Brand Series 1 (old)`` and ``Brand Series 2 (old)`` become ``Series 1`` and ``Series 2``;
    names stay as they are where that would leave two alike or one empty.
    """
    words = [n.split() for n in names]
    if len(words) < 2 or not all(words):
        return list(names)
    lead = max(shared_words(words) - 1, 0)
    tail = shared_words([w[::-1] for w in words])
    short = [" ".join(w[lead : len(w) - tail]) for w in words]
    whole = len(set(short)) == len(short) and all(len(s.split()) > 1 for s in short)
    return short if whole else list(names)


def shared_words(words: list[list[str]]) -> int:
    """Count the words with which every name begins."""
    columns = list(zip(*words, strict=False))
    return next((i for i, c in enumerate(columns) if len(set(c)) > 1), len(columns))


def family_names(catalogue: pd.DataFrame) -> dict[str, str]:
    """Return each family's name to print: the words its models' names begin with."""
    models = catalogue.groupby("family_id")["model_name"].agg(list)
    return {str(family): _family_name(names, str(family)) for family, names in models.items()}


def _family_name(names: Sequence[str], family_id: str) -> str:
    words = [n.split() for n in names]
    lead = words[0][: shared_words(words)] if len(words) > 1 and all(words) else []
    return " ".join(lead) or fault_words(family_id)


def model_names(catalogue: pd.DataFrame) -> dict[str, str]:
    """Return each model's short name by its identifier; whole ones where two would be alike."""
    ids = catalogue["model_id"].astype(str)
    whole = catalogue["model_name"].where(catalogue["model_name"] != "", ids)
    short = whole.groupby(catalogue["family_id"]).transform(lambda n: short_names(list(n)))
    return dict(zip(ids, whole if short.duplicated().any() else short, strict=True))
