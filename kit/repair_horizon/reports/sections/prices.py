"""What a working unit sells for, how sure that is, and how well the curve fits."""

from __future__ import annotations

from functools import partial

import numpy as np

from repair_horizon.charts.price_charts import price_curve
from repair_horizon.reports.html import (
    NOTHING,
    Chart,
    Column,
    Fragment,
    columns_of,
    declared,
    folded,
    joined,
    note,
    paragraph,
    table,
)
from repair_horizon.reports.month_tables import FamilyMonth, most_traded
from repair_horizon.reports.sentences import price_words
from repair_horizon.tables.words import fault_words, listing, number, percent

MOST, MONTHS = 10, 12


def price_piece(month: FamilyMonth) -> Chart | Fragment:
    """Price curves of the main unit's model, which the words are about, and the most traded."""
    models, unit = month.models, month.main
    shown = most_traded(models)
    if month.price_curve.empty or not shown:
        return note("No price curve: no working unit of this family was sold (sales.csv).")
    top = str(models.set_index("model_id").loc[shown, "n_sales"].idxmax())
    if unit is not None and unit["model_id"] in set(month.price_curve["model_id"]):
        top = str(unit["model_id"])
    return Chart(
        price_curve(
            month.price_curve,
            month.price_points,
            month.names,
            [top, *most_traded(models[models["model_id"] != top], 2)],
            month.month,
            month.currency,
            price_words(month, top),
        )
    )


def widths(month: FamilyMonth) -> Fragment:
    """Sources of uncertainty of the main unit's price, and what would narrow it most."""
    if month.widths.empty:
        return NOTHING
    name = month.names[month.widths["model_id"].iloc[0]]
    shares = month.widths.pivot_table("share", "source", "months_ahead", sort=False)
    half = month.widths.groupby("months_ahead")["half_width"].first()
    rows = shares.set_axis(["now", "later"], axis=1).reset_index()
    columns = [
        declared("widths", "source"),
        Column("now", "This month", percent, True),
        Column("later", "In 12 months", percent, True),
    ]
    said = (
        f"{percent(month.level)} of single sales of {name} should lie within "
        f"{percent(half.iloc[0])} of the forecast this month, and within {percent(half.iloc[1])} "
        f"in 12 months. {_narrowing(month)}"
    )
    heading = "Sources of forecast uncertainty"
    why = folded(heading, table(rows, columns, f"{heading}, {name}, shares"))
    return joined(paragraph(said), why)


def _narrowing(month: FamilyMonth) -> str:
    if month.narrowing.empty:
        return ""
    best = month.narrowing.iloc[0]
    now, then = (f"{100 * best[c]:.1f}" for c in ("half_now", "half_then"))
    return (
        f"What would narrow the price level most: {best['sales']} more sales of "
        f"{month.names[best['sales_of']]} by now, from {now} to {then} % either way in 12 months."
    )


def models(month: FamilyMonth) -> Fragment:
    """The models and how well each is known."""
    told = "n_sales newest_sale age_months confidence"
    told += " reason" if (month.models["reason"].fillna("") != "").any() else ""
    columns = [Column("full_name", "Model", wide=True), *columns_of("models", told)]
    return table(month.models, columns, "Models and how well they are known")


def fit_health(month: FamilyMonth) -> Fragment:
    """How well the curve fits, what moves a price, and whether a check failed."""
    pieces = [
        table(
            month.health,
            columns_of("health", "what value usual note"),
            "How the price fit stands",
        ),
        table(
            month.effects,
            columns_of("effects", "name estimate lower upper"),
            "What moves a price",
        ),
    ]
    return joined(*pieces, fit_checks(month))


def fit_checks(month: FamilyMonth) -> Fragment:
    """Say in a sentence whether a check failed, and keep the tables behind a fold."""
    if month.model_effects.empty:
        return NOTHING
    said = paragraph(_checked(month))
    return joined(said, folded("More checks of the price fit", *_check_tables(month)))


def _checked(month: FamilyMonth) -> str:
    """Name what stands out, else say that nothing does."""
    clear = month.misses[month.misses["clear"]]
    groups = [f"{r['what']} {fault_words(r['group'])}" for _, r in clear.iterrows()]
    apart = [fault_words(n) for n in month.robust.loc[month.robust["apart"].astype(bool), "name"]]
    said = []
    if groups:
        said.append(f"sales lie off their curve by more than chance at {listing(groups, 3)}")
    if apart:
        said.append(f"a plain robust regression sees {listing(apart, 3)} otherwise")
    if not said:
        return "No group of sales lies off its curve by more than chance."
    return f"Worth a look: {'; '.join(said)}."


def _by(share: float, decimals: int = 0) -> str:
    """Per cent up or down, such as −3 %."""
    return f"{number(100 * share, decimals)}\u00a0%"


def _check_tables(month: FamilyMonth) -> list[Fragment]:
    by_tenths = partial(_by, decimals=1)
    misses, own, robust, off = month.misses, month.model_effects, month.robust, month.far_off
    pieces = [
        table(
            misses.assign(
                name=misses["what"] + ": " + misses["group"].map(fault_words),
                miss=np.expm1(misses["miss"]),
            ),
            [
                Column("name", "Sales by"),
                declared("misses", "n"),
                Column("miss", "Dearer than the curve", by_tenths, True),
                Column("std_error", "Standard error", by_tenths, True),
                declared("misses", "inside"),
            ],
            "Where the curve misses",
        ),
        table(
            own.assign(
                name=own["model_id"].map(month.names).fillna(""),
                level=np.expm1(own["level"]),
                slope=np.expm1(own["slope"]),
            ),
            [
                Column("name", "Model"),
                declared("model_effects", "n_sales"),
                Column("level", "Against the family", _by, True),
                Column("slope", "Slope per year", _by, True),
                declared("model_effects", "learned"),
            ],
            "What is the models' own",
        ),
        table(
            month.market.tail(MONTHS),
            columns_of("market", "month index lower upper"),
            "What the market did to all models",
        ),
    ]
    if len(robust):
        factors = {c: np.exp(robust[c].astype(float)) for c in ("ours", "robust")}
        columns = [
            declared("robust", "name"),
            Column("ours", "Price factor here", partial(number, decimals=2), True),
            Column("robust", "by plain robust regression", partial(number, decimals=2), True),
            declared("robust", "apart"),
        ]
        pieces.append(table(robust.assign(**factors), columns, "Cross-check of what moves a price"))
    if len(off):
        columns = columns_of("far_off", "sale_id sale_date amount expected weight", month.currency)
        columns.insert(1, Column("name", "Model"))
        rows = off.head(MOST).assign(name=off["model_id"].map(month.names).fillna(""))
        title = f"Outliers, {min(len(off), MOST)} of {len(off)}"
        pieces.append(table(rows, columns, title))
    return pieces
