"""One family in one month: the whole spine run once, and the tables every page is made of."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


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
    - ``part_curve``: model_id, part_code, quality_class, month, predicted, lower, upper, phase.
    - ``options``: model_id, listed_fault, state, month, option ('repair', 'sell as is', 'part
      out', "maker's service"), value, lower, upper: future cash of an owned unit in that state.
    - ``stop_dates``: model_id, listed_fault, part_code, date_name ('buy stop', 'bid zero',
      'repair stop', 'part stop'), median, lower, upper (months; missing = not within the
      forecast), probability_now, probability_3, probability_6, probability_12, reason.
    - ``waterfall``: model_id, listed_fault, line, amount, kind ('start', 'less', 'result'), from
      the resale price down to the maximum bid, for the listed fault's expected unit.
    - ``end_states``: model_id, listed_fault, state, action, share, value, break_even_bid.
    - ``states``: listed_fault, state, share, share_lower, share_upper, n_found, success,
      success_lower, success_upper, n_tried, hours, part_codes.
    - ``grades``: grade, factor, share, n.
    - ``effects``: name, estimate, lower, upper (price factors of grade, channel, storage...).
    - ``health``: what, value, usual, note (fit diagnostics in plain words).
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
    models: pd.DataFrame
    thresholds: pd.DataFrame
    bid_path: pd.DataFrame
    hammers: pd.DataFrame
    price_points: pd.DataFrame
    price_curve: pd.DataFrame
    part_points: pd.DataFrame
    part_curve: pd.DataFrame
    options: pd.DataFrame
    stop_dates: pd.DataFrame
    waterfall: pd.DataFrame
    end_states: pd.DataFrame
    states: pd.DataFrame
    grades: pd.DataFrame
    effects: pd.DataFrame
    health: pd.DataFrame
    data_quality: pd.DataFrame
    reasons: pd.DataFrame
