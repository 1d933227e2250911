"""How a seller's words for a fault are read: a declared table, the first words found win."""

from __future__ import annotations

import re
from dataclasses import dataclass

from repair_horizon.classes.figures import rows_of

UNSAID = "for_parts"


@dataclass(frozen=True)
class FaultMeaning:
    """What a listed fault is taken for: a fault of the starter table, a key of as_is.csv.

    ``understood`` is false where no word was known and 'for parts, fault unsaid' stands in.
    """

    listed_fault: str
    as_is_key: str
    understood: bool


def meaning_of(fault: str, device_class: str) -> FaultMeaning:
    """Return what the words of a listing say, by the words declared in fault_words.csv.

    Parameters
    ----------
    fault
        A code such as ``display_dead`` or a few words such as ``"won't turn on"``.
    device_class
        Some words mean another fault in one class (the screen of a foldable is its inner one).

    Examples
    --------
    >>> meaning_of("Won't turn on", "phone").as_is_key
    'no_power'
    >>> meaning_of("screen cracked", "foldable").listed_fault
    'inner_display_dead'
    >>> meaning_of("as pictured", "phone")
    FaultMeaning(listed_fault='for_parts', as_is_key='for_parts', understood=False)
    """
    said = f" {_plain(fault)} "
    for row in rows_of("fault_words", device_class):
        if f" {row['words']} " in said:
            return FaultMeaning(row["listed_fault"], row["as_is_key"], True)
    return FaultMeaning(UNSAID, UNSAID, False)


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", " ", text.lower().replace("'", "").replace("’", "")).strip()
