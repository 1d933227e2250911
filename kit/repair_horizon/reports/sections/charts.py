"""The charts of a family's page, each with its conclusion, or a note saying why it is missing."""

from __future__ import annotations

import pandas as pd

from repair_horizon.charts.bid_make_up import waterfall
from repair_horizon.charts.bid_path import bids
from repair_horizon.charts.part_charts import part_prices
from repair_horizon.charts.price_curve import price_curve
from repair_horizon.charts.stop_months import scissors, stop_months
from repair_horizon.charts.style import Words
from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import Chart, Fragment, note
from repair_horizon.reports.main_rows import (
    main_parts,
    main_row,
    most_auctioned,
    most_traded,
    of_unit,
    one_date,
)
from repair_horizon.reports.sentences import (
    bid_words,
    part_price_words,
    price_words,
    scissors_words,
    stop_month_words,
    waterfall_words,
)
from repair_horizon.tables.words import missing

Piece = Chart | Fragment


def price_piece(month: FamilyMonth) -> Piece:
    """Price curves of the main unit's model, which the words are about, and the most traded."""
    shown, unit = most_traded(month.models), _main(month)
    if month.price_curve.empty or not shown:
        return note("No price curve: no working unit of this family was sold (sales.csv).")
    top = str(month.models.set_index("model_id").loc[shown, "n_sales"].idxmax())
    if unit is not None and unit["model_id"] in set(month.price_curve["model_id"]):
        top = str(unit["model_id"])
    others = most_traded(month.models[month.models["model_id"] != top], 2)
    return Chart(
        price_curve(
            month.price_curve,
            month.price_points,
            month.models.set_index("model_id")["model_name"],
            [top, *others],
            month.month,
            month.currency,
            price_words(month, top),
        )
    )


def waterfall_piece(month: FamilyMonth) -> Piece:
    """Where the money of the main unit goes."""
    unit = _main(month)
    rows = month.waterfall if unit is None else of_unit(month.waterfall, unit)
    if unit is None or rows.empty:
        return note(f"No breakdown from resale price to bid: {_why_not(month)}.")
    return Chart(waterfall(rows, month.currency, waterfall_words(month, unit, rows)))


def stop_piece(month: FamilyMonth) -> Piece:
    """How likely the main unit's stops have come."""
    unit = _main(month)
    dates = month.stop_dates if unit is None else of_unit(month.stop_dates, unit)
    dates = dates.dropna(subset=["probability_now"])
    if unit is None or dates.empty:
        return note(f"No stop month can be said: {_why_not(month)}.")
    chances = of_unit(month.stop_chances, unit)
    return Chart(stop_months(chances, stop_month_words(month, unit, dates)))


def scissors_piece(month: FamilyMonth) -> Piece:
    """Repair of the main unit against its alternatives."""
    unit = _main(month)
    rows = month.options if unit is None else of_unit(month.options, unit)
    if unit is None or rows.empty:
        return note(f"Repair cannot be compared with its alternatives: {_why_not(month)}.")
    stop = one_date(month, unit, "repair stop")
    words = scissors_words(month, unit, rows, stop)
    return Chart(scissors(rows, stop, month.currency, words))


def bid_pieces(month: FamilyMonth) -> list[Piece]:
    """Bids by month beside the hammer prices seen: the main unit, and the most auctioned one."""
    main, often = _main(month), most_auctioned(month)
    units = [u for u in (main, often) if u is not None and len(of_unit(month.bid_path, u))]
    if not units:
        return [note(f"No bids can be said: {_why_not(month)}.")]
    if len(units) == 2 and units[0].name == units[1].name:
        units.pop()
    return [
        Chart(
            bids(
                of_unit(month.bid_path, u),
                of_unit(month.hammers, u),
                month.currency,
                bid_words(month, u),
            )
        )
        for u in units
    ]


def part_pieces(month: FamilyMonth) -> list[Piece]:
    """Dearest parts of the main unit's model."""
    unit = _main(month)
    parts = [] if unit is None else main_parts(month, unit)
    if unit is None or not parts:
        return [note("No part prices: no quotes for this family (part_quotes.csv).")]
    name = str(unit["model_name"])
    return [_part_chart(month, p, part_price_words(month, p, name)) for p in parts]


def _part_chart(month: FamilyMonth, part: tuple[str, str], words: Words) -> Chart:
    curves, quotes = (
        t[(t["model_id"] == part[0]) & (t["part_code"] == part[1])]
        for t in (month.part_curve, month.part_points)
    )
    return Chart(part_prices(curves, quotes, month.month, month.currency, words))


def _why_not(month: FamilyMonth) -> str:
    """Say what is lacking for decisions."""
    if month.thresholds.empty:
        return "no listed fault is declared for this family (fault_states.csv)"
    reason = main_row(month.thresholds)["reason"]
    return "no option can be costed" if missing(reason) else str(reason)


def _main(month: FamilyMonth) -> pd.Series | None:
    return None if month.thresholds.empty else main_row(month.thresholds)
