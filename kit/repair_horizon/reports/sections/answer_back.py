"""The answer back: what the partner may tap or copy, and what came of the answers of last month."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from repair_horizon.logs import Logs
from repair_horizon.reports.html import (
    NOTHING,
    Column,
    Fragment,
    environment,
    note,
    table,
)
from repair_horizon.reports.page import safe_json
from repair_horizon.tables.codes import Code
from repair_horizon.tables.words import fault_words, number

MOST = 40


class Said(Code):
    """What a partner can answer."""

    AGREE = "agree"
    OTHER_BID = "other_bid", "another bid"
    NO = "no"
    WON = "won"
    LOST = "lost"


def answer_form(rows: pd.DataFrame, month: str, names: Mapping[str, str]) -> Fragment:
    """Print what can be answered: a form where scripts run, lines to copy where they do not.

    Parameters
    ----------
    rows
        Listings of the plan: item, model_id, about (the listed fault), max_bid.
    month
        YYYY-MM.
    names
        Short model names.
    """
    if rows.empty:
        return NOTHING
    asked = [
        {
            "month": month,
            "model_id": str(r["model_id"]),
            "listed_fault": str(r["about"]),
            "listing_id": str(r["item"]),
            "name": f"{names.get(str(r['model_id']), r['model_id'])}, {fault_words(r['about'])} "
            f"({r['item']}): {number(r['max_bid'])}",
        }
        for _, r in rows.head(MOST).iterrows()
    ]
    macro = environment().get_template("answers.html.j2").module.answers  # type: ignore[attr-defined]
    return Fragment(str(macro(asked, safe_json(asked))))


def answers_came(logs: Logs, month: str, names: Mapping[str, str]) -> Fragment:
    """Say what came of the answers given to the newest month before this one.

    Parameters
    ----------
    logs
        The workspace, with its table ``answers``.
    month
        This month, YYYY-MM.
    names
        Short model names.
    """
    given = logs.tables["answers"]
    if given.empty:
        return NOTHING
    told = given.assign(month=pd.to_datetime(given["month"]))
    before = told[told["month"] < pd.Timestamp(f"{month}-01")]
    if before.empty:
        return NOTHING
    last = before[before["month"] == before["month"].max()]
    listings = logs.tables["listings"].drop_duplicates("listing_id").set_index("listing_id")
    known = last["listing_id"].where(last["listing_id"].isin(listings.index))
    rows = last.assign(
        unit=last["model_id"].map(names).fillna(last["model_id"])
        + ", "
        + last["listed_fault"].map(fault_words),
        result=known.map(listings["result"]).replace("", None).fillna("not known yet"),
        final_price=known.map(listings["final_price"]),
    )
    columns = [
        Column("unit", "Model, fault"),
        Column("answer", "Answer", Said.worded),
        Column("amount", f"Amount, {logs.currency}", number, True),
        Column("result", "What came of it"),
        Column("final_price", f"Hammer price, {logs.currency}", number, True),
        Column("note", "Note", second=True),
    ]
    if not len(rows):
        return note("No answer was given.")
    return table(rows, columns, f"Answers to {last['month'].iloc[0]:%B %Y}")
