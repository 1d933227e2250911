"""What the month asks of the partners: open listings, their answers, plan, shelf, decisions."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from repair_horizon.decisions.cautions import Chosen
from repair_horizon.decisions.month.listings import winning_told
from repair_horizon.decisions.month.plan import Plan
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    caution_box,
    columns_of,
    declared,
    folded,
    joined,
    note,
    paragraph,
    piece,
    table,
)
from repair_horizon.reports.month_tables import ranked
from repair_horizon.reports.page import safe_json
from repair_horizon.reports.sections.bids import COST_COLUMNS
from repair_horizon.reports.sentences import stop_of, unit_words
from repair_horizon.tables.codes import Action, Verdict
from repair_horizon.tables.words import (
    Ahead,
    bare_money,
    fault_words,
    listing,
    missing,
    money,
    number,
    percent,
)

ASKED, SOON, WORST, DECISIONS, SOON_MONTHS = 40, 8, 5, 3, 3
Names = Mapping[str, str]


def named(models: pd.Series, about: pd.Series, names: Names) -> list[str]:
    """Say what rows are about, 'Vellfold 5, no power'; of a lot every model and every fault."""
    said = []
    for model, fault in zip(models.astype(str), about.astype(str), strict=True):
        ids = model.split(";")
        known = listing([names.get(i, i) for i in ids], len(ids))
        words = ", ".join(fault_words(f) for f in fault.split(";"))
        said.append(f"{known}, {words}" if len(ids) == 1 else f"Lot of {known}: {words}")
    return said


def open_listings(
    plan: Plan | None, month: str, names: Names, currency: str, *, costs: bool
) -> Fragment:
    """Open listings worth bidding for, ending soonest, with their limits, and the answer back."""
    if plan is None:
        return note("No plan was made.")
    items = plan.items
    rows = items[(items["kind"] == "buy") & items["do"].astype(bool)].sort_values("end_time")
    if rows.empty:
        return note("No open listing is worth a bid (listings.csv).")
    rows = rows.assign(
        unit=named(rows["model_id"], rows["about"], names), probability_win=winning_told(rows)
    )
    told = "end_time max_bid probability_win expected_profit item"
    columns = [Column("unit", "Model, fault"), *columns_of("plan", told, currency)]
    columns = [c for c in columns if costs or c.name not in COST_COLUMNS]
    pieces = [table(rows.head(SOON), columns, "Open listings, ending soonest", cards=True)]
    rest = rows.iloc[SOON:]
    if len(rest):
        later = table(rest, columns, "Later listings", cards=True)
        pieces.append(folded(f"{len(rest)} later ones", later))
    return joined(*pieces, answer_form(rows, month, currency))


def answer_form(rows: pd.DataFrame, month: str, currency: str) -> Fragment:
    """Print what can be answered: a form where scripts run, lines to copy where they do not.

    ``rows`` are listings of the plan, with ``unit``, what they are in words. A lot is answered
    under its first model and fault.
    """
    if rows.empty:
        return NOTHING
    asked = [
        {
            "month": month,
            "model_id": str(r["model_id"]).partition(";")[0],
            "listed_fault": str(r["about"]).partition(";")[0],
            "listing_id": str(r["item"]),
            "name": f"{r['unit']} ({r['item']}): up to {money(r['max_bid'], currency)}",
        }
        for _, r in rows.head(ASKED).iterrows()
    ]
    return piece("answers", "answers", asked, safe_json(asked))


def plan_section(plan: Plan | None, names: Names, currency: str) -> Fragment:
    """What the month may come to, and the bench work in order."""
    if plan is None:
        return NOTHING
    outcome, items = plan.outcome(), plan.items
    heads = {"mean": "Expected", "lower": "from", "upper": "to", "there": "Available"}
    columns = [Column("what", "This month")]
    columns += [Column(c, h, number, True) for c, h in heads.items()]
    caption = f"What the plan comes to, {currency} and hours, 90 % range"
    said = joined(paragraph(plan.words()), table(outcome, columns, caption))
    jobs = items[(items["kind"] != "buy") & items["do"].astype(bool)]
    if jobs.empty:
        return said
    units = pd.Series(named(jobs["model_id"], jobs["about"], names), index=jobs.index)
    jobs = jobs.assign(unit=jobs["item"].astype(str) + "\n" + units)
    work = [
        Column("unit", "Unit"),
        declared("plan", "kind"),
        Column("gain", f"Gain over next option, {currency}", bare_money, True),
        declared("plan", "hours"),
    ]
    order = table(jobs, work, "Bench jobs")
    return joined(said, folded(f"{len(jobs)} bench jobs in order", order))


def worst_units(shelf: pd.DataFrame) -> pd.DataFrame:
    """Return the units that lose most by a week's waiting, at most ``WORST``."""
    if shelf.empty:
        return shelf
    losing = shelf[shelf["loss_per_week"] > 0]
    return losing.sort_values("loss_per_week", ascending=False, kind="stable").head(WORST)


def _advice(unit: pd.Series) -> str:
    """Advice in words, with what would be best once the unit is cleared."""
    later, said = Action.worded(unit["if_cleared"] or ""), Action.worded(unit["advice"])
    return said if missing(later) or later in said else f"{said}, then {later}"


def shelf_section(shelf: pd.DataFrame, names: Names, currency: str) -> Fragment:
    """Table of the units for which waiting costs most, with their cautions.

    ``shelf`` is every family's.
    """
    if shelf.empty:
        return note("No unit is in stock (stock.csv).")
    worst, rest = worst_units(shelf), _waiting_words(shelf)
    if worst.empty:
        return note(f"Waiting costs nothing on any unit.{rest}")
    what = pd.Series(named(worst["model_id"], worst["state"], names), index=worst.index)
    rows = worst.assign(
        unit=worst["unit_id"].astype(str) + "\n" + what,
        said=[_advice(u) for _, u in worst.iterrows()],
    )
    columns = [
        Column("unit", "Unit"),
        Column("said", "Do"),
        *columns_of("shelf", "loss_per_week value", currency),
        declared("shelf", "margin", currency, second=True),
        declared("shelf", "days_held", second=True),
    ]
    shown = table(rows, columns, "Units for which waiting costs most", cards=True)
    held = worst[worst["caution"] != ""]
    chosen = [
        Chosen(listing([str(u) for u in group["unit_id"]], 5), str(caution), ())
        for caution, group in held.groupby("caution", sort=False)
    ]
    said = note(f"{len(worst)} of {len(shelf)} units.{rest}")
    return joined(shown, said, caution_box(chosen, "touching these"))


def _waiting_words(shelf: pd.DataFrame) -> str:
    """Count the units on which nothing may be done, or of which nothing is known."""
    halted = int((shelf["caution"].ne("") & shelf["if_cleared"].eq("")).sum())
    unsaid = int(shelf["advice"].eq("cannot say").sum())
    said = f" {halted} more must not be worked on or sold as they are." if halted else ""
    return said + (f" Nothing can be said of {unsaid}." if unsaid else "")


def decisions(rows: pd.DataFrame, shelf: pd.DataFrame, currency: str, ahead: Ahead) -> list[str]:
    """Say what must be decided this month: bids to adopt, families to leave, the shelf to clear.

    ``rows`` are the main rows of the families, ``shelf`` is every family's.
    """
    found = [_bids(rows, currency), _stops(rows, ahead), _shelf(shelf, currency)]
    return [f for f in found if f][:DECISIONS]


def _bids(rows: pd.DataFrame, currency: str) -> str:
    live = rows[rows["verdict"] == Verdict.BUY] if len(rows) else rows
    if live.empty:
        return ""
    each = [f"{unit_words(r)} {money(r['max_bid'], currency)}" for _, r in ranked(live).iterrows()]
    return f"Adopt this month's maximum bids: {listing(each, 8)}."


def _stops(rows: pd.DataFrame, ahead: Ahead) -> str:
    if rows.empty:
        return ""
    said = []
    stopped = rows[rows["verdict"].isin([Verdict.OWN_STOCK, Verdict.STOP])]
    if len(stopped):
        names = listing([unit_words(r) for _, r in stopped.iterrows()], 4)
        said.append(f"Buy no more of {names}")
    near = ahead.now + pd.DateOffset(months=SOON_MONTHS)
    ends = rows[(rows["verdict"] == Verdict.BUY) & (rows["buy_stop_median"] <= near)]
    if len(ends):
        until = [f"{unit_words(r)}, {stop_of(r, 'buy_stop', ahead)}" for _, r in ends.iterrows()]
        said.append(f"say how many more to take where buying soon stops paying: {listing(until)}")
    whole = "; ".join(said)
    return f"{whole[0].upper()}{whole[1:]}." if said else ""


def _shelf(shelf: pd.DataFrame, currency: str) -> str:
    worst = worst_units(shelf)
    if worst.empty:
        return ""
    whole = float(shelf["loss_per_week"].clip(lower=0).sum())
    share = percent(float(worst["loss_per_week"].sum()) / whole)
    each = "; ".join(f"{u['unit_id']} {_advice(u)}" for _, u in worst.iterrows())
    loses = f"{money(whole, currency)} a week, {share} of it in these units"
    return f"Act on the shelf, which loses {loses}: {each}."
