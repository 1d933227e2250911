"""The back of a family's page: fit health, rows read, settings, and what the words mean."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial

import pandas as pd

from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import Column, Fragment, folded, paragraph, table, terms
from repair_horizon.reports.sections.fit_checks import fit_checks
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import (
    STOPS,
    VERDICTS,
    day_words,
    fault_words,
    month_words,
    number,
    percent,
)

_n, _n2 = number, partial(number, decimals=2)


def fit_health(month: FamilyMonth) -> Fragment:
    """How well the curve fits, and what moves a price."""
    health = [
        Column("what", "Check"),
        Column("value", "Found", _any_value, True),
        Column("usual", "Usual", _any_value),
        Column("note", "What it means"),
    ]
    effects = [
        Column("name", "What differs", fault_words),
        Column("estimate", "Price factor", _n2, True),
        Column("lower", "from", _n2, True),
        Column("upper", "to", _n2, True),
    ]
    out = table(month.health, health, "Fit health").html
    out += table(month.effects, effects, "What moves a price").html
    return Fragment(out + fit_checks(month).html)


def widths(month: FamilyMonth) -> Fragment:
    """Why the main unit's price is no surer, and what would narrow it most."""
    if month.widths.empty:
        return Fragment("")
    name = month.models.set_index("model_id")["model_name"][month.widths["model_id"].iloc[0]]
    wide = month.widths.pivot_table("share", "source", "months_ahead", sort=False)
    half = month.widths.groupby("months_ahead")["half_width"].first()
    rows = wide.set_axis(["now", "later"], axis=1).reset_index()
    columns = [
        Column("source", "What makes it wide"),
        Column("now", "This month", percent, True),
        Column("later", "In 12 months", percent, True),
    ]
    said = (
        f"{percent(month.level)} of single sales of {name} should lie within "
        f"{percent(half.iloc[0])} of the forecast this month, and within {percent(half.iloc[1])} "
        "in 12 months."
    )
    why = folded("How wide, and why", table(rows, columns, f"Why {name} is no surer, shares"))
    return Fragment(paragraph(f"{said} {_narrowing(month)}").html + why.html)


def _narrowing(month: FamilyMonth) -> str:
    if month.narrowing.empty:
        return ""
    names = month.models.set_index("model_id")["model_name"]
    best = month.narrowing.iloc[0]
    now, then = (f"{100 * best[c]:.1f}" for c in ("half_now", "half_then"))
    return (
        f"What would narrow the price level most: {best['sales']} more sales of "
        f"{names[best['sales_of']]} by now, from {now} to {then} % either way in 12 months."
    )


def _any_value(value: object) -> str:
    if isinstance(value, float):
        return number(value, 2) if abs(value) < 100 else number(value)
    return number(value) if isinstance(value, int) else str(value)


def data_quality(month: FamilyMonth) -> Fragment:
    """What became of the rows read."""
    counts = [
        Column("table", "Log", fault_words),
        *(
            Column(c, w, _n, True)
            for c, w in zip(
                ("read", "used", "set_aside", "held"),
                ("Rows read", "Used", "Set aside", "Held for review"),
                strict=True,
            )
        ),
    ]
    reasons = [
        Column("table", "Log", fault_words),
        Column("status", "Status"),
        Column("reason", "Reason"),
        Column("rows", "Rows", _n, True),
    ]
    out = table(month.data_quality, counts, "Rows of the whole workspace").html
    if len(month.reasons):
        out += folded("Why rows were not used", table(month.reasons, reasons, "Reasons")).html
    return Fragment(out)


def settings_used(month: FamilyMonth, settings: Settings) -> Fragment:
    """The settings that hold for this kind of device, and the cut-off."""
    rows = pd.DataFrame(_flat(asdict(settings.for_class(month.device_class))), columns=["k", "v"])
    columns = [Column("k", "Setting"), Column("v", "Value")]
    said = paragraph(f"Data up to {day_words(month.cutoff)}; report of {month_words(month.month)}.")
    whole = folded("Every setting used", table(rows, columns, "Settings"))
    return Fragment(said.html + whole.html)


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
    verdicts = {
        f"{VERDICTS['buy'][0]} buy": "such units usually hammer at or below the most to bid",
        f"{VERDICTS['cap'][0]} buy, capped": "only the cheaper of such lots stay below the bid",
        f"{VERDICTS['own stock only'][0]} repair own stock only": "too dear to buy, yet repairing "
        "a unit already owned still beats selling it broken",
        f"{VERDICTS['stop'][0]} stop buying": "neither buying nor repairing pays",
        f"{VERDICTS['cannot say'][0]} cannot say": "too little is known; the reason is beside it",
    }
    words = {
        "bid at most": "highest hammer price that still leaves what settings.toml asks, all costs, "
        "chances and limits counted; rounded down",
        "hammer": "price at which bidding closes, before premium and carriage",
        "chance of loss": "share of possible outcomes in which the unit loses money at the lower "
        "of the bid and the usual hammer price",
        "what sets the bid": "the lowest of the targets and limits of settings.toml, by name:",
        "profit target, margin target": "the profit asked per unit, or as a share of the sale",
        "bench-hour target": "the profit asked per bench hour",
        "return on cash": "the profit asked on the cash a unit ties up",
        "break-even": "no target is set, so the bid leaves neither profit nor loss",
        "chance of loss, single": "the one unit at hand may lose money no more often than accepted",
        "chance of loss, lot": "the same for a whole lot of like units, bought and judged together",
        "loss cap": "the worst likely outcome may cost no more than the share of cash accepted",
        "working cash": "bid, premium, carriage and parts must fit into the cash there is",
        "80 % interval": "8 of 10 such figures should fall inside, one below, one above",
        "confidence": "learned: the model's own sales carry the figure; thin: few sales; mostly "
        "prior: its family's habits carry it; cannot say: nothing does",
        **STOPS,
    }
    return terms({**verdicts, **words})
