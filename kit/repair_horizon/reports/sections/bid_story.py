"""Pieces about the main unit's bid: what moves it, why it changed, how dear its part is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from repair_horizon.charts.bid_make_up import sensitivity
from repair_horizon.charts.part_charts import part_share
from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
from repair_horizon.estimation.part_alerts import STALE
from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import (
    Chart,
    Fragment,
    bullets,
    declared,
    folded,
    joined,
    note,
    paragraph,
    table,
)
from repair_horizon.reports.main_rows import main_parts, main_row, of_unit
from repair_horizon.reports.sentences import change_sentence, part_share_words, sensitivity_words
from repair_horizon.tables.codes import StopDate
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import (
    dates_in_words,
    fault_words,
    number,
    part_words,
)


def sensitivity_piece(month: FamilyMonth) -> Chart | Fragment:
    """What moves the main unit's bid most."""
    unit = None if month.thresholds.empty else main_row(month.thresholds)
    moves = month.moves if unit is None else of_unit(month.moves, unit)
    moves = moves[(moves[["bid_worse", "bid_better"]].abs() >= 0.005).any(axis=1)]
    if unit is None or moves.empty:
        return note("What moves the bid most cannot be said: no bid is worked out.")
    return Chart(sensitivity(moves, month.currency, sensitivity_words(month, unit, moves)))


def bid_change(month: FamilyMonth) -> Fragment:
    """Why the main unit's bid changed since last month."""
    unit = None if month.thresholds.empty else main_row(month.thresholds)
    changes = month.changes if unit is None else of_unit(month.changes, unit)
    if unit is None or changes.empty:
        return note("Why the bid changed cannot be said: no bid is worked out.")
    said = paragraph(change_sentence(month, unit, changes))
    rows = changes[changes["change"].abs() >= 0.005]
    if rows.empty:
        return said
    columns = [
        declared("changes", "block"),
        replace(declared("changes", "change", month.currency), words=_one_place),
    ]
    own = bool(changes["own_rules"].iloc[0])
    rules = "each with its own settings" if own else "with the settings as they are now"
    basis = note(
        "They add up exactly (each cause averaged over all orders of change). Both months are "
        f"worked out {rules}, on fewer draws than the bid itself."
    )
    shares = table(rows, columns, "What changed the bid")
    return joined(said, folded("What changed the bid", shares, basis))


def _one_place(amount: object) -> str:
    said = number(amount, 1)
    return f"+{said}" if float(str(amount)) >= 0.05 else said


def part_share_piece(month: FamilyMonth) -> Chart | Fragment:
    """The main part's price as a share of the resale price."""
    unit = None if month.thresholds.empty else main_row(month.thresholds)
    parts = [] if unit is None else main_parts(month, unit, most=1)
    if unit is None or not parts:
        return note("No share of a part in the resale price: no part is quoted.")
    shares = part_shares(month, parts[0])
    if shares[shares["month"] >= month.month].empty:
        return note("No share of the part in the resale price: one of the two is not forecast.")
    words = part_share_words(month, parts[0], str(unit["model_name"]), shares)
    return Chart(part_share(shares, month.month, words))


def part_shares(month: FamilyMonth, part: tuple[str, str]) -> pd.DataFrame:
    """Part price over resale price by quality and month, both as forecast (medians).

    Parameters
    ----------
    month
        The family.
    part
        model_id and part_code.

    Returns
    -------
    DataFrame
        ``quality_class, month, share``.
    """
    curve = month.part_curve
    mine = curve[(curve["model_id"] == part[0]) & (curve["part_code"] == part[1])]
    resale = month.price_curve[month.price_curve["model_id"] == part[0]]
    both = mine.merge(resale[["month", "predicted"]], on="month", suffixes=("", "_resale"))
    both = both[both["predicted_resale"] > 0]
    both = both.assign(share=both["predicted"] / both["predicted_resale"])
    return both[["quality_class", "month", "share"]].dropna(subset=["share"])


def stop_meanings() -> Fragment:
    """What each stop date means, in one small paragraph."""
    said = "; ".join(f"{date}: {date.words}" for date in StopDate)
    return note(f"{said[0].upper()}{said[1:]}. Each is the first of two such months running.")


def tax_note(month: FamilyMonth, settings: Settings) -> Fragment:
    """Say that taxes are arithmetic, not advice, where a tax scheme is set."""
    scheme = settings.for_class(month.device_class).tax.scheme
    return Fragment("") if scheme == "none" else note(NOT_TAX_ADVICE)


def part_warnings(month: FamilyMonth) -> Fragment:
    """What part quotes warn of: shifts, ends of supply, scarcity; old ones are only counted."""
    alerts = month.part_alerts
    if alerts.empty:
        return note("The part quotes give no warning.")
    names = month.models.set_index("model_id")["model_name"]
    told = alerts[alerts["kind"] != STALE]
    lines = [
        f"{names.get(r.model_id, r.model_id)}, {_quoted(r)}: {dates_in_words(r.words)}."
        for r in told.itertuples()
    ]
    old = int((alerts["kind"] == STALE).sum())
    if old:
        kinds = "1 kind of part has" if old == 1 else f"{old} kinds of part have"
        lines.append(f"{kinds} no quote newer than 180 days: ask again first.")
    return bullets(lines)


def _quoted(alert: Any) -> str:
    quality = f" ({fault_words(alert.quality_class)})" if alert.quality_class else ""
    return f"{part_words(alert.part_code)}{quality}"
