"""The shelf on the index: the units that lose most by waiting, and what must be cleared first."""

from __future__ import annotations

import pandas as pd

from repair_horizon.decisions.cautions import Chosen
from repair_horizon.reports.html import Column, Fragment, caution_box, declared, joined, note, table
from repair_horizon.tables.words import fault_words, listing, missing, money, percent

MOST = 5


def worst_units(shelf: pd.DataFrame) -> pd.DataFrame:
    """Return the units that lose most by a week's waiting, at most ``MOST``."""
    if shelf.empty:
        return shelf
    losing = shelf[shelf["loss_per_week"] > 0]
    return losing.sort_values("loss_per_week", ascending=False, kind="stable").head(MOST)


def advice_words(unit: pd.Series) -> str:
    """Advice in words, with what would be best once the unit is cleared."""
    later = unit["if_cleared"]
    said = str(unit["advice"])
    return said if missing(later) or str(later) in said else f"{said}, then {later}"


def shelf_section(shelf: pd.DataFrame, names: dict[str, str], currency: str) -> Fragment:
    """Table of the worst units, with their cautions.

    Parameters
    ----------
    shelf
        Every family's shelf, columns of ``repair_horizon.decisions.month.shelf`` and family_id.
    names
        Short model names.
    currency
        Of the amounts.
    """
    if shelf.empty:
        return note("No unit is in stock (stock.csv).")
    worst, rest = worst_units(shelf), _waiting_words(shelf)
    if worst.empty:
        return note(f"Waiting costs nothing on any unit.{rest}")
    known = worst["model_id"].map(names).fillna(worst["model_id"])
    rows = worst.assign(
        unit=worst["unit_id"].astype(str) + "\n" + known + ", " + worst["state"].map(fault_words),
        said=[advice_words(u) for _, u in worst.iterrows()],
    )
    columns = [
        Column("unit", "Unit"),
        Column("said", "Do"),
        declared("shelf", "loss_per_week", currency),
        declared("shelf", "value", currency),
        declared("shelf", "margin", currency, second=True),
        declared("shelf", "days_held", second=True),
    ]
    shown = table(rows, columns, "Units for which waiting costs most")
    said = f"{len(worst)} of {len(shelf)} units.{rest}"
    return joined(shown, note(said), _cautions(worst))


def _waiting_words(shelf: pd.DataFrame) -> str:
    """Count the units on which nothing may be done, or of which nothing is known."""
    halted = int((shelf["caution"].ne("") & shelf["if_cleared"].eq("")).sum())
    unsaid = int(shelf["advice"].eq("cannot say").sum())
    said = f" {halted} more must not be worked on or sold as they are." if halted else ""
    return said + (f" Nothing can be said of {unsaid}." if unsaid else "")


def _cautions(worst: pd.DataFrame) -> Fragment:
    """One line per caution, naming the units it concerns."""
    held = worst[worst["caution"] != ""]
    chosen = [
        Chosen(listing([str(u) for u in rows["unit_id"]], 5), str(caution), ())
        for caution, rows in held.groupby("caution", sort=False)
    ]
    return caution_box(chosen, "touching these")


def loss_words(shelf: pd.DataFrame, currency: str) -> str:
    """Say what all units together lose in a week, and the share of the worst."""
    whole = float(shelf["loss_per_week"].clip(lower=0).sum())
    mine = float(worst_units(shelf)["loss_per_week"].sum())
    share = f", {percent(mine / whole)} of it in these units" if whole > 0 else ""
    return f"{money(whole, currency)} a week{share}"
