"""What faults turn out to be and how repairs go, in the partners' words."""

from __future__ import annotations

from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    columns_of,
    folded,
    joined,
    note,
    table,
)
from repair_horizon.tables.words import fault_words

READING_CAUTION = (
    "Nothing drawn is below 0.02 A at 5 V, a trickle below 0.15 A, low and steady below 0.7 A; "
    "units of the whole device class are counted. A cell run flat may need 45 minutes to show "
    "life. A high current with local heat is a short: stop. Never charge a swollen, pierced or "
    "wet unit to take a reading."
)


def fault_tree(month: FamilyMonth) -> Fragment:
    """What each listed fault turns out to be, and how repair goes."""
    if month.states.empty:
        why = note("No diagnosis: fault_states.csv names no state for this family.")
        return joined(why, _tries(month))
    rows = month.states.assign(
        unit=month.states["listed_fault"].map(fault_words)
        + " → "
        + month.states["state"].map(fault_words)
    )
    columns = [
        Column("unit", "Listed as → turns out to be"),
        *columns_of("states", "share share_lower share_upper n_found success success_lower"),
        *columns_of("states", "success_upper n_tried hours part_codes"),
    ]
    tree = table(rows, columns, "Listed fault and diagnosis, with the chance of repair")
    return joined(tree, _readings(month), _tries(month))


def _readings(month: FamilyMonth) -> Fragment:
    """What the first reading at the meter has meant so far, on this bench."""
    if month.readings.empty:
        return NOTHING
    rows = month.readings.assign(
        unit=month.readings["listed_fault"].map(fault_words) + ", " + month.readings["reading"],
        seen=[f"{a} of {b}" for a, b in month.readings[["n_state", "n_reading"]].to_numpy()],
    )
    columns = [
        Column("unit", "Listed as, first reading"),
        Column("state", "Most likely", fault_words),
        Column("seen", "Units that were", numeric=True),
        *columns_of("readings", "share_before share lower upper"),
    ]
    shown = table(rows, columns, "What a first reading says")
    return joined(shown, note(READING_CAUTION))


def _listed_words(fault: str) -> str:
    words = fault_words(fault)
    catch_all = fault.lower() in ("unknown", "other", "multiple")
    return f"{words} (a catch-all, not one fault)" if catch_all else words


def _tries(month: FamilyMonth) -> Fragment:
    """The jobs alone, without what was expected before them."""
    if month.tries.empty:
        return note("No repair was logged for this family (repairs.csv).")
    columns = [
        Column("listed_fault", "Listed as", _listed_words),
        *columns_of("tries", "n fixed estimate lower upper"),
    ]
    return table(month.tries, columns, "Repairs tried, counted")


def yields(month: FamilyMonth) -> Fragment:
    """What a bought unit ends as, and the grades that come out."""
    ends = month.end_states
    names = month.models.set_index("model_id")["model_name"]
    unit = ends["model_id"].map(names).fillna("").astype(str) + ", "
    rows = ends.assign(unit=unit + ends["listed_fault"].map(fault_words))
    columns = [
        Column("unit", "Model, listed fault"),
        *columns_of("end_states", "state action share value break_even_bid", month.currency),
    ]
    grades = columns_of("grades", "grade factor share n")
    cases = folded(f"End states of all {len(rows)} cases", table(rows, columns, "End states"))
    after = table(month.grades, grades, "Grades after repair")
    return joined(cases if len(rows) else NOTHING, after if len(month.grades) else NOTHING)
