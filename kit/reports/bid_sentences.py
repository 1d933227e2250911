"""Sentences about one bid: what moves it, why it changed, and how dear its part is."""

from __future__ import annotations

import pandas as pd

from kit.reports.charts.part_share import GUIDE
from kit.reports.charts.style import Words
from kit.reports.family_month import FamilyMonth
from kit.reports.wording import (
    CAUSES,
    day_words,
    fault_words,
    listing,
    missing,
    money,
    month_words,
    part_words,
    percent,
)

# Below this, money of a bid's change is lost in the sampling noise of the draws.
NOISE = 1.0


def sensitivity_words(month: FamilyMonth, unit: pd.Series, moves: pd.DataFrame) -> Words:
    """Say which input moves the bid most, and what would turn the verdict."""
    name = f"{unit['model_name']} with {fault_words(unit['listed_fault'])}"
    top = moves.iloc[0]
    title = f"{name}: {top['input']} moves the bid most"
    said = "; ".join(
        f"{r['input']} {r['worse']}: {_signed(r['bid_worse'], month)}, "
        f"{r['better']}: {_signed(r['bid_better'], month)}"
        for _, r in moves.head(3).iterrows()
    )
    turning = ""
    if month.turning:
        turning = f" To bring the bid to the usual hammer price: {month.turning}."
    return Words(title, f"{said}. All else the same, each change alone.{turning}")


def _signed(amount: float, month: FamilyMonth) -> str:
    said = money(amount, month.currency)
    return said if amount < 0 or said.endswith("\u00a00") else f"+{said}"


def change_sentence(month: FamilyMonth, unit: pd.Series, changes: pd.DataFrame) -> str:
    """Say by how much the main unit's bid changed since last month, and why."""
    name = f"{unit['model_name']} with {fault_words(unit['listed_fault'])}"
    first = changes.iloc[0]
    since = day_words(first["known_before"])
    if not missing(first["reason"]):
        return f"{name}: why the bid changed since {since} cannot be said: {first['reason']}."
    whole = float(changes["change"].sum())
    causes = [
        f"{CAUSES[str(r['block'])]} {_signed(r['change'], month)}"
        for _, r in changes.iterrows()
        if abs(r["change"]) >= NOISE
    ]
    if abs(whole) < NOISE:
        held = f": {listing(causes)} cancel out" if causes else ""
        return f"{name}: the bid is about what it was with what was known on {since}{held}."
    verb = "rose" if whole > 0 else "fell"
    why = f": {listing(causes, 4)}" if causes else ""
    amount = money(abs(whole), month.currency)
    return f"{name}: the bid {verb} by about {amount} since {since}{why}."


def part_share_words(
    month: FamilyMonth, part: tuple[str, str], name: str, shares: pd.DataFrame
) -> Words:
    """Say what share of the resale price the cheapest quality costs now and in a year."""
    what = f"{name}, {part_words(part[1])}"
    ahead = shares[shares["month"] >= month.month]
    said, cheapest = [], (1e9, 0.0, "")
    for quality, rows in ahead.groupby("quality_class", sort=False):
        now, then = rows.iloc[0], rows.iloc[min(12, len(rows) - 1)]
        said.append(
            f"{fault_words(quality)} {percent(now['share'])} now, {percent(then['share'])} in "
            f"{month_words(then['month'])}"
        )
        cheapest = min(cheapest, (now["share"], then["share"], str(quality)))
    side = "above" if cheapest[0] > GUIDE else "below"
    later = "" if (cheapest[1] > GUIDE) == (cheapest[0] > GUIDE) else ", but not in a year"
    title = (
        f"{what}: the cheapest is {percent(cheapest[0])} of resale, {side} the guide of a half"
        f"{later}"
    )
    text = f"{'; '.join(said)}. The guide of {percent(GUIDE)} is common practice, not a rule."
    return Words(title, text)
