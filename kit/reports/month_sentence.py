"""The index's one sentence: where to buy, cap and stop, what changed since last month, and why."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from kit.reports.bid_sentences import NOISE
from kit.reports.wording import (
    CAUSES,
    VERDICTS,
    fault_words,
    listing,
    missing,
    money,
    month_words,
)

# A bid that moved by less is not worth a partner's minute.
_WORTH_SAYING = 0.03


def sentence(rows: pd.DataFrame, currency: str, since: str = "") -> str:
    """Say in one sentence where to buy, where to cap and where to stop.

    Parameters
    ----------
    rows
        The main row of each family.
    currency
        Of the amounts.
    since
        From ``since_words``; empty if no month before stands.
    """
    if rows.empty:
        return "No bid can be said this month: no family has a listed fault (fault_states.csv)."
    said = []
    for verdict, verb in (("buy", "Buy"), ("cap", "cap")):
        chosen = rows[rows["verdict"] == verdict].sort_values("expected_profit", ascending=False)
        if len(chosen):
            names = [
                f"{fault_words(r['family_id'])} with {fault_words(r['listed_fault'])} "
                f"(up to {money(r['max_bid'], currency)})"
                for _, r in chosen.iterrows()
            ]
            said.append(f"{verb} {listing(names, 3)}")
    for verdicts, text in (
        (("own stock only", "stop"), "buy nothing of"),
        (("cannot say",), "nothing can be said of"),
    ):
        rest = rows[rows["verdict"].isin(verdicts)]
        if len(rest):
            said.append(f"{text} {listing([fault_words(f) for f in rest['family_id']], 4)}")
    whole = "; ".join([*said, since] if since else said)
    return whole[:1].upper() + whole[1:] + "."


def since_words(
    rows: pd.DataFrame, changes: Mapping[str, pd.DataFrame], currency: str, before: str
) -> str:
    """Say what changed since last month: verdicts first, then the bids that moved most, and why.

    Parameters
    ----------
    rows
        Main rows with ``change`` and ``verdict_before``.
    changes
        Each family's shares of its main bid's change.
    currency
        Of the amounts.
    before
        Last month, YYYY-MM.
    """
    known = rows[rows["verdict_before"] != ""]
    if known.empty:
        return ""
    turned = known[known["verdict"] != known["verdict_before"]]
    said = [
        f"{fault_words(r['family_id'])} from {_word(r['verdict_before'])} to {_word(r['verdict'])}"
        f"{_cause(r, changes)}"
        for _, r in turned.iterrows()
    ]
    same = known.drop(index=turned.index).dropna(subset=["change"])
    limit = (_WORTH_SAYING * same["max_bid"].abs()).clip(lower=NOISE)
    moved = same[same["change"].abs() >= limit]
    order = moved["change"].abs().sort_values(ascending=False, kind="stable").index
    said += [
        f"{fault_words(r['family_id'])} {'up' if r['change'] > 0 else 'down'} "
        f"{money(abs(r['change']), currency)}{_cause(r, changes)}"
        for _, r in moved.loc[order].iterrows()
    ]
    return f"since {month_words(before)}: {listing(said, 3) if said else 'bids hardly moved'}"


def _word(verdict: object) -> str:
    return VERDICTS.get(str(verdict), VERDICTS["cannot say"])[1]


def _cause(row: pd.Series, changes: Mapping[str, pd.DataFrame]) -> str:
    """Name the largest cause that pulled the way the bid went; nothing if none stands out."""
    shares = changes.get(str(row["family_id"]))
    if shares is None or shares.empty or missing(row["change"]) or not row["change"]:
        return ""
    same = (shares["model_id"] == row["model_id"]) & (shares["listed_fault"] == row["listed_fault"])
    pulled = shares[same & (shares["change"] * row["change"] > 0)]
    if pulled.empty:
        return ""
    top = pulled.loc[pulled["change"].abs().idxmax()]
    return f" ({CAUSES[str(top['block'])]})" if abs(top["change"]) >= NOISE else ""
