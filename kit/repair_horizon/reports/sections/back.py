"""The back of a family's page: rows read, settings, and what the words mean."""

from __future__ import annotations

from dataclasses import asdict

import pandas as pd

from repair_horizon.reports.html import (
    Column,
    Fragment,
    columns_of,
    folded,
    joined,
    paragraph,
    table,
    terms,
)
from repair_horizon.reports.month_tables import FamilyMonth
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.dictionary import GLOSSARY
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import day_words, month_words


def data_quality(month: FamilyMonth) -> Fragment:
    """What became of the rows read."""
    counts = columns_of("data_quality", "table read used set_aside held")
    reasons = columns_of("reasons", "table status reason rows")
    whole = table(month.data_quality, counts, "Rows of the whole workspace")
    if month.reasons.empty:
        return whole
    return joined(whole, folded("Why rows were not used", table(month.reasons, reasons, "Reasons")))


def settings_used(month: FamilyMonth, settings: Settings) -> Fragment:
    """The settings that hold for this kind of device, and the cut-off."""
    rows = pd.DataFrame(_flat(asdict(settings.for_class(month.device_class))), columns=["k", "v"])
    columns = [Column("k", "Setting"), Column("v", "Value")]
    said = paragraph(f"Data up to {day_words(month.cutoff)}; report of {month_words(month.month)}.")
    whole = folded("Every setting used", table(rows, columns, "Settings"))
    return joined(said, whole)


def _flat(values: dict[str, object], before: str = "") -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    for name, value in values.items():
        if isinstance(value, dict):
            out += _flat(value, f"{before}{name}.")
        elif value is not None and name != "by_class":
            out.append((f"{before}{name}", str(value)))
    return out


def glossary() -> Fragment:
    """The words of the page."""
    verdicts = [f"{v.shape} {v.words}" for v in Verdict]
    known = [*verdicts, "maximum bid", "hammer price", "chance of winning"]
    words = {
        "profit of a win, chance of loss": "of a lot that is won, at the price it is won at",
        "earns a month": "profit of a win times the chance of winning, times the listings a month",
        "what sets the bid": "the rule, or the owner's target or limit of settings.toml, that "
        "holds the bid down, by name:",
        "break-even": "what the unit is worth, risk counted, is what it costs",
        "profit target, margin target": "a profit per unit, or as a share of the sale",
        "bench-hour target": "a profit per bench hour",
        "return on cash": "a profit on the cash a unit ties up",
        "chance of loss, single": "the one unit at hand may lose money no more often than accepted",
        "chance of loss, lot": "the same for a whole lot of like units, bought and judged together",
        "loss cap": "the worst likely outcome may cost no more than the share of cash accepted",
        "working cash": "bid, premium, carriage and parts must fit into the cash there is",
        "80 % interval": "8 of 10 such figures should fall inside, one below, one above",
        "confidence": "own sales: the model's own sales carry the figure; few sales: under the "
        "minimum of settings.toml; family or class average: others' sales carry it",
        **{str(date): date.words for date in StopDate},
    }
    return terms({word: GLOSSARY[word] for word in known} | words)
