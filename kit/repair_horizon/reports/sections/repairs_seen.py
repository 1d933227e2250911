"""What faults turn out to be and how repairs go, in the partners' words."""

from __future__ import annotations

from functools import partial

from repair_horizon.reports.family import FamilyMonth
from repair_horizon.reports.html import Column, Fragment, folded, note, table
from repair_horizon.tables.words import codes_words, fault_words, number, percent

READING_CAUTION = (
    "Nothing drawn is below 0.02 A at 5 V, a trickle below 0.15 A, low and steady below 0.7 A; "
    "units of the whole device class are counted. A cell run flat may need 45 minutes to show "
    "life. A high current with local heat is a short: stop. Never charge a swollen, pierced or "
    "wet unit to take a reading."
)

_n, _n1, _n2 = number, partial(number, decimals=1), partial(number, decimals=2)


def fault_tree(month: FamilyMonth) -> Fragment:
    """What each listed fault turns out to be, and how repair goes."""
    if month.states.empty:
        why = note("No fault tree: fault_states.csv names no state for this family.")
        return Fragment(why.html + _tries(month).html)
    rows = month.states.assign(
        unit=month.states["listed_fault"].map(fault_words)
        + " → "
        + month.states["state"].map(fault_words)
    )
    columns = [
        Column("unit", "Listed as → turns out to be"),
        Column("share", "Share", percent, True),
        Column("share_lower", "from", percent, True),
        Column("share_upper", "to", percent, True),
        Column("n_found", "Jobs found", _n, True),
        Column("success", "Repair succeeds", percent, True),
        Column("success_lower", "from", percent, True),
        Column("success_upper", "to", percent, True),
        Column("n_tried", "Repairs tried", _n, True),
        Column("hours", "Bench hours", _n1, True),
        Column("part_codes", "Parts", codes_words),
    ]
    tree = table(rows, columns, "Fault tree and repair success")
    return Fragment(tree.html + _readings(month).html + _tries(month).html)


def _readings(month: FamilyMonth) -> Fragment:
    """What the first reading at the meter has meant so far, on this bench."""
    if month.readings.empty:
        return Fragment("")
    rows = month.readings.assign(
        unit=month.readings["listed_fault"].map(fault_words) + ", " + month.readings["reading"],
        seen=[f"{a} of {b}" for a, b in month.readings[["n_state", "n_reading"]].to_numpy()],
    )
    columns = [
        Column("unit", "Listed as, first reading"),
        Column("state", "Most likely", fault_words),
        Column("seen", "Units that were", numeric=True),
        Column("share_before", "Share without the reading", percent, True),
        Column("share", "With it", percent, True),
        Column("lower", "from", percent, True),
        Column("upper", "to", percent, True),
    ]
    shown = table(rows, columns, "What a first reading says")
    return Fragment(shown.html + note(READING_CAUTION).html)


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
        Column("n", "Repairs tried", _n, True),
        Column("fixed", "Fixed", _n, True),
        Column("estimate", "Share fixed", percent, True),
        Column("lower", "from", percent, True),
        Column("upper", "to", percent, True),
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
        Column("state", "Turns out to be", fault_words),
        Column("action", "Best done"),
        Column("share", "Share", percent, True),
        Column("value", f"Worth, {month.currency}", _n, True),
        Column("break_even_bid", f"Breaks even at a bid of, {month.currency}", _n, True),
    ]
    grades = [
        Column("grade", "Grade"),
        Column("factor", "Price against the base grade", _n2, True),
        Column("share", "Share of repaired units", percent, True),
        Column("n", "Units", _n, True),
    ]
    ends_shown = folded(f"End states of all {len(rows)} cases", table(rows, columns, "End states"))
    out = ends_shown.html if len(rows) else ""
    if len(month.grades):
        out += table(month.grades, grades, "Grades after repair").html
    return Fragment(out)
