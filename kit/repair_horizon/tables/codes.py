"""Codes of the outputs, each with the words it is printed with.

A code is what a CSV holds and code compares; its words are what a reader sees. A member is a
string, so it stands in a frame as it is, and ``Verdict(text)`` reads one back.

Examples
--------
>>> from repair_horizon.tables.codes import Verdict
>>> Verdict("own stock only").words
'do not buy; repair stock'
>>> Verdict.read("no such verdict") is Verdict.CANNOT_SAY
True
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, Self


class Code(StrEnum):
    """A code with its words; members are written ``NAME = "code", "words"``."""

    words: str
    shape: str

    def __new__(cls, code: str, words: str = "", shape: str = "") -> Self:
        """Keep words and shape beside the code; a code without words is its own."""
        member = str.__new__(cls, code)
        member._value_ = code
        member.words, member.shape = words or code, shape
        return member

    @classmethod
    def worded(cls, value: Any) -> str:
        """Return the words of a code read from a table; text that is no code stays as it is."""
        try:
            return cls(value).words
        except ValueError:
            return str(value)


class Verdict(Code):
    """What to do about a model with a listed fault; a shape says the same without colour."""

    BUY = "buy", "buy", "▲"
    OWN_STOCK = "own stock only", "do not buy; repair stock", "●"
    STOP = "stop", "stop", "▼"
    CANNOT_SAY = "cannot say", "cannot say", "◇"

    @classmethod
    def _missing_(cls, value: object) -> Verdict | None:
        # Months written before the chance of winning stood beside the bid knew a capped buy.
        return cls.BUY if value == "cap" else None

    @classmethod
    def read(cls, value: Any) -> Verdict:
        """Return the verdict a table holds; what is no verdict cannot be said."""
        try:
            return cls(value)
        except ValueError:
            return cls.CANNOT_SAY


class Confidence(Code):
    """What a model's price rests on most."""

    OWN_SALES = "own sales"
    FEW_SALES = "few sales"
    FAMILY_AVERAGE = "family average"
    CLASS_AVERAGE = "class average"
    CANNOT_SAY = "cannot say"

    @classmethod
    def _missing_(cls, value: object) -> Confidence | None:
        # Words of months written before.
        before = {
            "learned": cls.OWN_SALES,
            "thin": cls.FEW_SALES,
            "mostly prior": cls.FAMILY_AVERAGE,
        }
        return before.get(str(value))


class Basis(Code):
    """What a figure that may be short of own data rests on most, the nearest first."""

    OWN = "own", "own data"
    FAMILY = "family", "family average"
    CLASS = "class", "class average"


class StopDate(Code):
    """The four dates, never merged; the words say what each means."""

    BUY_STOP = "buy stop", "from then on the maximum bid no longer wins often enough"
    BID_ZERO = "bid zero", "from then on nothing at all can be bid"
    REPAIR_STOP = (
        "repair stop",
        "from then on repairing a unit already owned is worth less than the best alternative",
    )
    PART_STOP = "part stop", "the last month in which the part is worth keeping in stock"


class Cause(Code):
    """What changed a bid since last month."""

    PRICE = "price", "resale prices"
    PART = "part", "parts"
    NEWLY_KNOWN = "newly known", "a part quoted for the first time"
    CHARGES = "charges", "what bench hours, cash and risk cost"
    YIELD = "yield", "faults found and repairs"
    FEES = "fees", "fees and tax"
    TIME = "time", "a month older"
    SETTINGS = "settings", "other settings"


class Action(Code):
    """What can be done with an owned unit."""

    REPAIR = "repair"
    SELL_AS_IS = "sell as is"
    PART_OUT = "part out"
    MAKER = "maker's service", "manufacturer repair"
    NOT_SOLD = "not sold", "not sold: locked"
    NOTHING = "none", "nothing"
