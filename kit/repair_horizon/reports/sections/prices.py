"""What working units and parts cost, how sure that is, what listed faults turn out to be."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd

from repair_horizon.charts.price_charts import part_prices, part_share, price_curve
from repair_horizon.estimation.curve.checks import MOST_MODELS
from repair_horizon.estimation.part_prices import STALE
from repair_horizon.reports.html import (
    NOTHING,
    Chart,
    Column,
    Fragment,
    bullets,
    columns_of,
    declared,
    folded,
    joined,
    note,
    paragraph,
    table,
)
from repair_horizon.reports.month_tables import FamilyMonth, main_parts, most_traded, of_part
from repair_horizon.reports.sentences import part_price_words, part_share_words, price_words
from repair_horizon.tables.words import (
    dates_in_words,
    fault_words,
    listing,
    number,
    part_words,
    percent,
)

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


def broken(month: FamilyMonth) -> Fragment:
    """What a broken unit fetches against a working one, by fault, behind a line.

    What the highest rival bids stands beside the hammer price that it makes, in the CSV alone.
    """
    rows = month.broken_prices
    rows = rows[rows["reason"].fillna("").eq("") & (rows["kind"] != "highest rival")]
    if rows.empty:
        return NOTHING
    columns = columns_of("broken_prices", "fault kind ratio lower upper n basis")
    shown = table(rows, columns, "Price of broken units, of a working one's")
    return folded(f"What broken units fetch: {len(rows)} prices of faults and states", shown)


def models(month: FamilyMonth) -> Fragment:
    """The models and how well each is known."""
    told = "n_sales newest_sale age_months confidence"
    told += " reason" if (month.models["reason"].fillna("") != "").any() else ""
    columns = [Column("full_name", "Model", wide=True), *columns_of("models", told)]
    return table(month.models, columns, "Models and how well they are known")


_FAR = 3.0


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
    far = month.far_off[(month.far_off["times"] > _FAR) | (month.far_off["times"] < 1 / _FAR)]
    if len(far):
        ids = listing([str(i) for i in far["sale_id"]], 2)
        said.append(
            f"what sold for over three times or under a third of its curve ({ids}) hardly counts: "
            "a broken unit, or a wrong price?"
        )
    if not said:
        return "No group of sales lies off its curve by more than chance."
    return f"Worth a look: {'; '.join(said)}{'' if said[-1].endswith('?') else '.'}"


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
    elif (month.models["n_sales"] > 0).sum() > MOST_MODELS:
        pieces.append(note(f"Not cross-checked: more than {MOST_MODELS} models sold."))
    if len(off):
        columns = columns_of("far_off", "sale_id sale_date amount expected weight", month.currency)
        columns.insert(1, Column("name", "Model"))
        rows = off.head(MOST).assign(name=off["model_id"].map(month.names).fillna(""))
        title = f"Outliers, {min(len(off), MOST)} of {len(off)}"
        pieces.append(table(rows, columns, title))
    return pieces


READING_CAUTION = (
    "Nothing drawn is below 0.02 A at 5 V, a trickle below 0.15 A, low and steady below 0.7 A; "
    "units of the whole device class are counted. A cell run flat may need 45 minutes to show "
    "life. A high current with local heat is a short: stop. Never charge a swollen, pierced or "
    "wet unit to take a reading."
)
_CATCH_ALL = ("unknown", "other", "multiple")


def part_pieces(month: FamilyMonth) -> list[Chart | Fragment]:
    """Dearest parts of the main unit's model."""
    unit = month.main
    parts = [] if unit is None else main_parts(month, unit)
    if unit is None or not parts:
        return [note("No part prices: no quotes for this family (part_quotes.csv).")]
    return [_part_piece(month, part, str(unit["model_name"])) for part in parts]


def _part_piece(month: FamilyMonth, part: tuple[str, str], name: str) -> Chart:
    curve, asked = of_part(month.part_curve, part), of_part(month.part_points, part)
    words = part_price_words(month, f"{name}, {part_words(part[1])}", curve, asked)
    return Chart(part_prices(curve, asked, month.month, month.currency, words))


def part_share_piece(month: FamilyMonth) -> Chart | Fragment:
    """The main part's price as a share of the resale price."""
    unit = month.main
    parts = [] if unit is None else main_parts(month, unit, most=1)
    if unit is None or not parts:
        return note("No share of a part in the resale price: no part is quoted.")
    shares = part_shares(month, parts[0])
    if shares[shares["month"] >= month.month].empty:
        return note("No share of the part in the resale price: one of the two is not forecast.")
    words = part_share_words(month, parts[0], str(unit["model_name"]), shares)
    return Chart(part_share(shares, month.month, words))


def part_shares(month: FamilyMonth, part: tuple[str, str]) -> pd.DataFrame:
    """Part price over resale price, both as forecast (medians): quality_class, month, share."""
    resale = month.price_curve[month.price_curve["model_id"] == part[0]]
    both = of_part(month.part_curve, part).merge(
        resale[["month", "predicted"]], on="month", suffixes=("", "_resale")
    )
    both = both[both["predicted_resale"] > 0]
    both = both.assign(share=both["predicted"] / both["predicted_resale"])
    return both[["quality_class", "month", "share"]].dropna(subset=["share"])


def part_warnings(month: FamilyMonth) -> Fragment:
    """What part quotes warn of: shifts, ends of supply, scarcity; old ones are only counted."""
    if month.part_alerts.empty:
        return note("The part quotes give no warning.")
    return bullets(alert_lines(month.part_alerts, month.names))


def alert_lines(alerts: pd.DataFrame, names: Mapping[str, str] | pd.Series) -> list[str]:
    """Say each warning once, with the parts of a model that it concerns; count what is stale."""
    stale = alerts["kind"] == STALE
    keys = ["model_id", "quality_class", "words"]
    told = alerts[~stale].assign(quality_class=alerts["quality_class"].fillna(""))
    lines = []
    for (model, quality, words), rows in told.groupby(keys, sort=False):
        parts = listing([part_words(c) for c in rows["part_code"]], len(rows))
        kind = f" ({fault_words(quality)})" if quality else ""
        lines.append(f"{names.get(model, model)}, {parts}{kind}: {dates_in_words(words)}.")
    old = int(stale.sum())
    if old:
        kinds = "1 kind of part has" if old == 1 else f"{old} kinds of part have"
        lines.append(f"{kinds} no quote newer than 180 days: ask again first.")
    return lines


def fault_tree(month: FamilyMonth) -> Fragment:
    """What each listed fault turns out to be, and how repair goes."""
    states = month.states
    if states.empty:
        why = note("No diagnosis: fault_states.csv names no state for this family.")
        return joined(why, _tries(month))
    unit = states["listed_fault"].map(fault_words) + " → " + states["state"].map(fault_words)
    names = "share share_lower share_upper n_found success success_lower success_upper n_tried "
    columns = columns_of("states", f"{names} hours part_codes")
    columns.insert(0, Column("unit", "Listed as → turns out to be"))
    caption = "Listed fault and diagnosis, with the chance of repair"
    tree = table(states.assign(unit=unit), columns, caption)
    return joined(tree, _readings(month), _tries(month))


def _readings(month: FamilyMonth) -> Fragment:
    """What the first reading at the meter has meant so far, on this bench."""
    seen = month.readings
    if seen.empty:
        return NOTHING
    rows = seen.assign(
        unit=seen["listed_fault"].map(fault_words) + ", " + seen["reading"],
        seen=[f"{a} of {b}" for a, b in seen[["n_state", "n_reading"]].to_numpy()],
    )
    columns = [
        Column("unit", "Listed as, first reading"),
        Column("state", "Most likely", fault_words),
        Column("seen", "Units that were", numeric=True),
        *columns_of("readings", "share_before share lower upper"),
    ]
    return joined(table(rows, columns, "What a first reading says"), note(READING_CAUTION))


def _listed_words(fault: str) -> str:
    catch_all = fault.lower() in _CATCH_ALL
    return fault_words(fault) + (" (a catch-all, not one fault)" if catch_all else "")


def _tries(month: FamilyMonth) -> Fragment:
    """The jobs alone, without what was expected before them."""
    if month.tries.empty:
        return note("No repair was logged for this family (repairs.csv).")
    columns = columns_of("tries", "n fixed estimate lower upper")
    columns.insert(0, Column("listed_fault", "Listed as", _listed_words))
    return table(month.tries, columns, "Repairs tried, counted")


def yields(month: FamilyMonth) -> Fragment:
    """What a bought unit ends as, and the grades that come out."""
    ends = month.end_states
    unit = ends["model_id"].map(month.names).fillna("").astype(str) + ", "
    rows = ends.assign(unit=unit + ends["listed_fault"].map(fault_words))
    columns = columns_of("end_states", "state action share value break_even_bid", month.currency)
    columns.insert(0, Column("unit", "Model, listed fault"))
    cases = folded(f"End states of all {len(rows)} cases", table(rows, columns, "End states"))
    grades = columns_of("grades", "grade factor share n")
    after = table(month.grades, grades, "Grades after repair")
    return joined(cases if len(rows) else NOTHING, after if len(month.grades) else NOTHING)
