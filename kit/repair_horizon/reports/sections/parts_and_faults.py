"""What parts cost and are about to cost, what faults turn out to be, and how repairs go."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from repair_horizon.charts.price_charts import part_prices, part_share
from repair_horizon.estimation.part_alerts import STALE
from repair_horizon.reports.html import (
    NOTHING,
    Chart,
    Column,
    Fragment,
    bullets,
    columns_of,
    folded,
    joined,
    note,
    table,
)
from repair_horizon.reports.month_tables import FamilyMonth, main_parts, of_part
from repair_horizon.reports.sentences import part_price_words, part_share_words
from repair_horizon.tables.words import dates_in_words, fault_words, listing, part_words

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
    return [
        Chart(
            part_prices(
                of_part(month.part_curve, part),
                of_part(month.part_points, part),
                month.month,
                month.currency,
                part_price_words(month, part, str(unit["model_name"])),
            )
        )
        for part in parts
    ]


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
