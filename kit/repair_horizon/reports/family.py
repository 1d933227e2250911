"""One family in one month: the whole spine run once, and the tables every page is made of.

One family worked out: what its tables are drawn from.
"""

from __future__ import annotations

from dataclasses import dataclass

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
from repair_horizon.reports.worked import Worked
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_start

HORIZON, LEVEL = 24, 0.8
NOTHING_BEFORE = Before()


@dataclass(frozen=True, eq=False)
class FamilyMonth:
    """The tables behind one family's page; charts and text only arrange what stands here.

    Months are first days (Timestamps); money is in ``currency``; intervals are at ``level``.

    - ``models``: model_id, model_name, launch_date, age_months, n_sales, newest_sale, confidence
      ('learned', 'thin', 'mostly prior', 'cannot say'), reason.
    - ``thresholds``: one row per model and listed fault, the columns of thresholds.csv plus
      model_name, verdict ('buy', 'cap', 'own stock only', 'stop', 'cannot say'),
      profit_per_hour, hammer (what such units hammer at, median) and main_state.
    - ``bid_path``: model_id, listed_fault, month, max_bid, target_bid, binding_limit, hammer,
      hammer_lower, hammer_upper, expected_profit, probability_loss, reason.
    - ``hammers``: model_id, listed_fault, end_time, final_price, result (won/lost/skipped).
    - ``price_points``: model_id, sale_date, age_months, amount, adjusted (to base grade, channel
      and storage), grade, price_type, weight (1 = full; near 0 = outlier), flagged.
    - ``price_curve``: model_id, month, age_months, predicted (median of one sale), lower, upper,
      level_lower, level_upper, phase ('logged' or 'forecast').
    - ``part_points``: quote_date, model_id, part_code, quality_class, supplier_id, amount.
    - ``part_alerts``: part_code, model_id, quality_class, kind, since, words.
    - ``part_curve``: model_id, part_code, quality_class, month, predicted, lower, upper, phase.
    - ``options``: model_id, listed_fault, state, month, option ('repair', 'sell as is', 'part
      out', "maker's service"), value, lower, upper: future cash of an owned unit in that state.
    - ``stop_dates``: model_id, listed_fault, part_code, date_name ('buy stop', 'bid zero',
      'repair stop', 'part stop'), median, lower, upper (months; missing = not within the
      forecast), probability_now, probability_3, probability_6, probability_12, reason.
    - ``stop_chances``: model_id, listed_fault, date_name, month, probability that it has come.
    - ``waterfall``: model_id, listed_fault, line, amount, kind ('start', 'less', 'result'), from
      the resale price down to the maximum bid, for the listed fault's expected unit.
    - ``end_states``: model_id, listed_fault, state, action, share, value, break_even_bid.
    - ``states``: listed_fault, state, share, share_lower, share_upper, n_found, success,
      success_lower, success_upper, n_tried, hours, part_codes.
    - ``grades``: grade, factor, share, n.
    - ``tries``: listed_fault, n, fixed, estimate, lower, upper, from the jobs alone.
    - ``readings``: listed_fault, reading, n_reading, state, n_state, share_before, share, lower,
      upper: the likeliest state once the first reading is known.
    - ``effects``: name, estimate, lower, upper (price factors of grade, channel, storage...).
    - ``health``: what, value, usual, note (fit diagnostics in plain words).
    - ``widths``: model_id, months_ahead, source, share (of the squared width), half_width (log
      points), of the main unit's price; ``narrowing``: model_id, sales_of, sales, half_now,
      half_then: what more sales of a model would take off its level's width in a year.
    - ``far_off, misses, model_effects, market, robust``: checks of the price fit, the columns of
      ``repair_horizon.reports.fit_tables``.
    - ``moves``: model_id, listed_fault, input, worse, better (the steps in words), bid_worse,
      bid_better: by how much the main unit's bid moves; ``turning`` says what would turn it.
    - ``changes``: model_id, listed_fault, block, change, known_before, own_rules, reason: why the
      main unit's bid changed since last month, told with last month's own settings or today's.
    - ``shelf``: the units owned, the columns of ``repair_horizon.decisions.month.shelf``.
    - ``data_quality``: table, read, used, set_aside, held; ``reasons``: table, status, reason,
      rows.
    """

    family_id: str
    device_class: str
    currency: str
    month: pd.Timestamp
    cutoff: pd.Timestamp
    level: float
    base: str
    turning: str
    models: pd.DataFrame
    thresholds: pd.DataFrame
    bid_path: pd.DataFrame
    hammers: pd.DataFrame
    price_points: pd.DataFrame
    price_curve: pd.DataFrame
    part_points: pd.DataFrame
    part_curve: pd.DataFrame
    part_alerts: pd.DataFrame
    options: pd.DataFrame
    stop_dates: pd.DataFrame
    stop_chances: pd.DataFrame
    waterfall: pd.DataFrame
    end_states: pd.DataFrame
    states: pd.DataFrame
    grades: pd.DataFrame
    tries: pd.DataFrame
    readings: pd.DataFrame
    effects: pd.DataFrame
    health: pd.DataFrame
    widths: pd.DataFrame
    narrowing: pd.DataFrame
    far_off: pd.DataFrame
    misses: pd.DataFrame
    model_effects: pd.DataFrame
    market: pd.DataFrame
    robust: pd.DataFrame
    moves: pd.DataFrame
    changes: pd.DataFrame
    shelf: pd.DataFrame
    data_quality: pd.DataFrame
    reasons: pd.DataFrame


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
    worked = Worked(shop, family_id, shop.outlook(family_id, month), [])
    models = estimated.model_table(worked)
    decisions = _decisions(worked, models)
    main = _main_model(decisions["thresholds"], models)
    near = short_view(worked, decisions["thresholds"], before)
    return FamilyMonth(
        family_id=family_id,
        device_class=family.device_class,
        currency=logs.currency,
        month=month_start(month),
        cutoff=logs.newest_day,
        level=worked.level,
        base=estimated.base_words(worked),
        turning=near.turning,
        models=models,
        hammers=decided.hammer_table(worked),
        price_points=estimated.price_points(worked),
        price_curve=estimated.price_curve(worked),
        part_points=estimated.part_points(worked),
        part_curve=estimated.part_curve(worked),
        part_alerts=part_alerts(family.parts, family.catalogue, logs.newest_day),
        states=state_table(worked),
        grades=grade_table(worked),
        tries=tries_table(worked),
        readings=reading_table(worked),
        effects=effect_table(worked),
        health=health_table(worked),
        widths=width_table(worked, main),
        narrowing=narrowing_table(worked, main),
        moves=near.moves,
        changes=near.changes,
        shelf=near.shelf,
        data_quality=logs.ledger.counts(),
        reasons=logs.ledger.reasons(),
        **diagnostic_tables(worked),
        **decisions,
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
    joined = {n: _joined([getattr(t, n) for t in tables], n) for n in decided.UNIT_COLUMNS}
    return {
        **joined,
        "stop_dates": decided.date_table(worked, dates),
        "thresholds": decided.threshold_table(worked, [t.threshold for t in tables], models),
    }


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
    columns = decided.UNIT_COLUMNS[name]
    if not whole:
        return pd.DataFrame(columns=columns)
    return pd.concat(whole, ignore_index=True)[columns]
