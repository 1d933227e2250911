"""One family in one month: the whole spine run once, and the tables every page is made of.

One family worked out: what its tables are drawn from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from repair_horizon.decisions.month.stop_dates import needed_until, part_rows
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.part_alerts import part_alerts
from repair_horizon.logs import CannotSay
from repair_horizon.reports import decision_tables as decided
from repair_horizon.reports import estimate_tables as estimated
from repair_horizon.reports.estimate_tables import (
    grade_table,
    reading_table,
    state_table,
    tries_table,
)
from repair_horizon.reports.fit_tables import (
    diagnostic_tables,
    effect_table,
    health_table,
    narrowing_table,
    width_table,
)
from repair_horizon.reports.last_month import Before, short_view
from repair_horizon.reports.main_rows import main_row
from repair_horizon.reports.worked import Worked, worked_out
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS, PAGE_TABLES

HORIZON, LEVEL = 24, 0.8
TABLES = PAGE_TABLES
NOTHING_BEFORE = Before()


@dataclass(frozen=True, eq=False)
class FamilyMonth:
    """The tables behind one family's page; charts and text only arrange what stands here.

    ``tables`` are the outputs of ``tables.outputs`` whose names are in ``TABLES``; each is also an
    attribute: ``month.thresholds``. Months are first days (Timestamps); money is in ``currency``;
    intervals are at ``level``; ``base`` says what a price is a price of, ``turning`` what would
    turn the main unit's verdict.
    """

    family_id: str
    device_class: str
    currency: str
    month: pd.Timestamp
    cutoff: pd.Timestamp
    level: float
    base: str
    turning: str
    tables: Mapping[str, pd.DataFrame]

    def __getattr__(self, name: str) -> pd.DataFrame:
        """Return one of the tables."""
        if name in TABLES:
            return self.tables[name]
        raise AttributeError(name)

    def with_tables(self, **changed: pd.DataFrame) -> FamilyMonth:
        """Return the same month with some tables replaced."""
        return replace(self, tables={**self.tables, **changed})


def family_month(
    shop: Shop, family_id: str, month: int, before: Before = NOTHING_BEFORE
) -> FamilyMonth:
    """Work out one family for one month.

    Parameters
    ----------
    shop
        The whole business, as of the day the report may know of.
    family_id
        The family.
    month
        Number of the report's month (``repair_horizon.tables.months``).
    before
        Last day known to last month's report and its settings, which the bid's change is told from.

    Returns
    -------
    FamilyMonth
        Where nothing can be said of the family, its tables are empty but for the reasons.
    """
    logs, family = shop.logs, shop.estimates(family_id)
    worked = worked_out(shop, family_id, month)
    models = estimated.model_table(worked)
    decisions = _decisions(worked, models)
    main = _main_model(decisions["thresholds"], models)
    near = short_view(worked, decisions["thresholds"], before)
    tables = {
        "models": models,
        "hammers": decided.hammer_table(worked),
        "price_points": estimated.price_points(worked),
        "price_curve": estimated.price_curve(worked),
        "part_points": estimated.part_points(worked),
        "part_curve": estimated.part_curve(worked),
        "part_alerts": part_alerts(family.parts, family.catalogue, logs.newest_day),
        "states": state_table(worked),
        "grades": grade_table(worked),
        "tries": tries_table(worked),
        "readings": reading_table(worked),
        "effects": effect_table(worked),
        "health": health_table(worked),
        "widths": width_table(worked, main),
        "narrowing": narrowing_table(worked, main),
        "moves": near.moves,
        "changes": near.changes,
        "shelf": near.shelf,
        "data_quality": logs.ledger.counts(),
        "reasons": logs.ledger.reasons(),
        **diagnostic_tables(worked),
        **decisions,
    }
    return FamilyMonth(
        family_id=family_id,
        device_class=family.device_class,
        currency=logs.currency,
        month=month_start(month),
        cutoff=logs.newest_day,
        level=worked.level,
        base=estimated.base_words(worked),
        turning=near.turning,
        tables={name: _declared(name, tables[name]) for name in TABLES},
    )


def _decisions(worked: Worked, models: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Work the units out one after the other, keeping their tables and not their draws."""
    economics = worked.shop.economics(worked.family_id, worked.first_month)
    about = models.set_index("model_id")
    tables, needed = [], []
    for unit in economics.units(worked.family_id):
        if not isinstance(unit, UnitEconomics):
            worked.unsaid.append(unit)
            continue
        tables.append(decided.unit_tables(worked, unit, about.loc[unit.model_id]))
        needed.append(needed_until(unit))
    if not tables and not worked.unsaid:
        worked.unsaid.extend((str(m), "", _nothing_to_decide(worked)) for m in models["model_id"])
    dates = [row for t in tables for row in t.dates]
    dates += part_rows(needed, worked.outlook.months, worked.level, worked.first_month)
    joined = {n: _joined([getattr(t, n) for t in tables], n) for n in decided.UNIT_TABLES}
    return {
        **joined,
        "stop_dates": decided.date_table(worked, dates),
        "thresholds": decided.threshold_table(worked, [t.threshold for t in tables], models),
    }


def _declared(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with its declared columns in their order; an empty one typed."""
    return table[OUTPUTS[name].names] if len(table) else OUTPUTS[name].empty()


def _main_model(thresholds: pd.DataFrame, models: pd.DataFrame) -> str:
    """Model the page is about: that of its best unit, else the most sold one."""
    if len(thresholds):
        return str(main_row(thresholds)["model_id"])
    return str(models.loc[models["n_sales"].idxmax(), "model_id"])


def _nothing_to_decide(worked: Worked) -> CannotSay:
    if isinstance(worked.family, CannotSay):
        return worked.family
    return CannotSay("fault_states.csv names no fault for the family")


def _joined(parts: list[pd.DataFrame], name: str) -> pd.DataFrame:
    whole = [p for p in parts if len(p)]
    return pd.concat(whole, ignore_index=True) if whole else OUTPUTS[name].empty()
