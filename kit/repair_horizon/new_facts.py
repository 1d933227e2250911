"""``add``: write one fact down, and say what it changed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from repair_horizon.decisions.month.thresholds import bid_row
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay, LogFault
from repair_horizon.logs.adding import Added, add_row, undo
from repair_horizon.shop import Shop, open_shop
from repair_horizon.tables.words import fault_words

CHANGE_COLUMNS = ["model_id", "listed_fault", "bid_before", "bid_now"]
NAMED = 3
WORTH_TELLING = 0.5


@dataclass(frozen=True, eq=False)
class NewFact:
    """A row added or taken back, and what it changed.

    ``changes`` has ``CHANGE_COLUMNS``, unrounded maximum bids of the row's model this month, the
    largest change first; ``said`` what else there is to say, a sentence each.
    """

    added: Added
    changes: pd.DataFrame
    said: tuple[str, ...] = ()
    now_words: str = ""

    def words(self) -> str:
        """Say what changed."""
        rows = [
            f"{fault_words(r.listed_fault)} {_bid(r.bid_before)} -> {_bid(r.bid_now)}"
            for r in self.changes.head(NAMED).itertuples()
        ]
        more = len(self.changes) - len(rows)
        others = f" and {more} more" if more > 0 else ""
        what = ", ".join(rows) + others
        changed = f"this changed the maximum bid: {what}." if rows else "no maximum bid changed."
        return "\n".join([*self.said, changed])


def _bid(exact: float) -> str:
    return "none" if exact < 0 or exact != exact else f"{exact:.0f}"


def add(
    folder: str | Path,
    table: str,
    *,
    today: str | None = None,
    effect: bool = True,
    **values: object,
) -> NewFact:
    """Add one sale, quote, repair, listing or unit to a workspace.

    Parameters
    ----------
    folder
        The workspace.
    table
        A table, or what one row of it is called.
    today
        YYYY-MM-DD for days left out; the computer's if None.
    effect
        Whether to work out what it changed.
    **values
        Columns; see ``logs.adding.add_row``.

    Raises
    ------
    LogFault
        With everything wrong; nothing is written then.
    """
    before = _shop(folder) if effect else None
    added = add_row(folder, table, values, today)
    return _fact(before, _shop(folder) if effect else None, added)


def take_back(folder: str | Path, *, effect: bool = True) -> NewFact:
    """Take the row added last back out, and say what that changed."""
    before = _shop(folder) if effect else None
    added = undo(folder)
    return replace(_fact(before, _shop(folder) if effect else None, added), said=())


def _shop(folder: str | Path) -> Shop | None:
    try:
        return open_shop(folder)
    except LogFault:
        return None


def _fact(before: Shop | None, after: Shop | None, added: Added) -> NewFact:
    changes, said = _effect(before, after, added)
    return NewFact(added, changes, said, "" if after is None else after.logs.now_words)


def _effect(
    before: Shop | None, after: Shop | None, added: Added
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    nothing = pd.DataFrame(columns=CHANGE_COLUMNS)
    model = added.row.get("model_id", "")
    if after is None or not model or model not in set(after.logs.tables["catalogue"]["model_id"]):
        return nothing, ()
    # One month's hours, cash and risk for both, so that only the fact itself is told.
    worth = (after if before is None else before).valuation()
    same = Shop(after.logs, after.settings, after.calibration, worth)
    now = _bids(same, model, same.month())
    then = {}
    if before is not None:
        priced = Shop(before.logs, before.settings, before.calibration, worth)
        then = _bids(priced, model, same.month())
    rows = [(model, f, then.get(f, float("nan")), bid) for f, bid in now.items()]
    table = pd.DataFrame(rows, columns=CHANGE_COLUMNS)
    gain = (table["bid_now"].clip(lower=-1) - table["bid_before"].fillna(-1.0).clip(lower=-1)).abs()
    order = gain[gain >= WORTH_TELLING].sort_values(ascending=False, kind="stable").index
    return table.loc[order].reset_index(drop=True), tuple(_said(same, added))


def _bids(shop: Shop, model_id: str, month: int) -> dict[str, float]:
    """Unrounded maximum bid of each listed fault of a model; nothing where none can be said."""
    family = shop.logs.family_of.get(model_id)
    if family is None:
        return {}
    economics = shop.economics(family, month, 2)
    if isinstance(economics.outlook.families[family], CannotSay):
        return {}
    out = {}
    for model, fault in economics.keys(family):
        unit = economics.unit(family, model, fault) if model == model_id else None
        if isinstance(unit, UnitEconomics):
            out[fault] = float(bid_row(Outcomes(unit, 0))["exact_bid"])  # type: ignore[arg-type]
    return out


def _said(shop: Shop, added: Added) -> Iterator[str]:
    """What is to be done about the row itself: a listing's bid, a unit's disposition."""
    row = added.row
    if added.table == "listings" and not row.get("result"):
        mine = shop.logs.tables["listings"]
        for r in shop.bids(mine[mine["listing_id"] == row["listing_id"]]).itertuples():
            why = f": {r.reason}" if r.reason else ""
            yield f"{r.listing_id}: {r.advice}{why}; maximum bid {_bid(r.max_bid)}."
    unit = row.get("unit_id", "")
    stock = shop.logs.tables["stock"]
    mine = stock[stock["unit_id"] == unit]
    if unit and len(mine) and added.table in ("stock", "repairs", "sales"):
        now = mine.iloc[-1]
        yield f"{unit} now: {fault_words(now['state'])}, {fault_words(now['status'])}."
        told = shop.stock()
        for r in told[told["unit_id"] == unit].itertuples():
            worth = "" if r.value != r.value else f", worth {r.value:.0f} from here on"
            yield f"{unit}: {r.advice}{worth}{'; ' + r.reason if r.reason else ''}."
