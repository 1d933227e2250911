"""What keeps a unit out of repair and sale until it is cleared, the gravest first."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from repair_horizon.decisions.unit.options import NOT_FOR_SALE


@dataclass(frozen=True)
class Interlock:
    """Something that keeps a unit out of repair or sale until it is cleared.

    ``by_us`` says that we can clear it, so that it is worth knowing what would be best then;
    ``before_sale`` that work may go on meanwhile and only the sale must wait.
    """

    advice: str
    caution: str
    by_us: bool = False
    before_sale: bool = False


TAKE_OFF_SALE, ERASE_BEFORE_SALE = "take off sale", "erase before sale"


SWOLLEN_OR_WET = Interlock(
    "quarantine",
    "swollen or wet cell: do not charge, press or post; isolate, licensed collection",
)
BLOCKED = Interlock(
    "do not trade", "reported or blocked: stop, tell the authority or registry, no bypass"
)
LOCKED = Interlock(
    "do not trade", "locked: only its owner can release it, no bypass; not sold until released"
)
UNPROVEN = Interlock("check ownership", "proof of ownership and registry check come first", True)
NOT_ERASED = Interlock(
    "erase first",
    "no record that personal data was erased: erase and note it before any sale; storage that "
    "cannot be erased is destroyed or stays off sale",
    True,
    True,
)
NOT_ERASED_LISTED = Interlock(
    TAKE_OFF_SALE, "listed, but no record that personal data was erased", True, True
)


def interlock(unit: pd.Series) -> Interlock | None:
    """Return what must be cleared first; None if nothing is in the way.

    Parameters
    ----------
    unit
        ``flags`` (joined by ;), ``ownership_check``, ``state``, ``erase_date`` and ``status`` of
        stock.csv.
    """
    flags = {f.strip() for f in str(unit["flags"]).split(";")}
    if flags & {"swollen", "wet"}:
        return SWOLLEN_OR_WET
    if "blocked" in flags or unit["ownership_check"] == "blocked":
        return BLOCKED
    if unit["state"] in NOT_FOR_SALE:
        return LOCKED
    if unit["ownership_check"] != "clear":
        return UNPROVEN
    if pd.isna(unit["erase_date"]):
        return NOT_ERASED_LISTED if unit["status"] == "listed" else NOT_ERASED
    return None
