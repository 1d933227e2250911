"""What the gap to the oracle is made of: one estimate at a time replaced by the truth.

A belief is a world as somebody's estimates make it look, judged by break-even bids. The same
judgement with one estimate true tells what that estimate costs; the truth in all of them but one
tells what it costs alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from .business import SHADE, Business, cut, joined
from .knowing import advice_of
from .world import YEAR, FamilyTruth, World
from .worth import Worth

ESTIMATES = ("price", "shares", "success", "parts", "as is", "hours", "grades", "manufacturer")
_BY_STATE = {
    "shares": ("shares",),
    "success": ("success",),
    "as is": ("ratio",),
    "hours": ("hours",),
    "grades": ("grade_factor", "grade_mix"),
}


def swapped(belief: World, truth: World, names: Sequence[str]) -> World:
    """Return a belief with some estimates replaced by the truth."""
    out = belief
    fields = [f for name in names for f in _BY_STATE.get(name, ())]

    def corrected(mine: FamilyTruth, true: FamilyTruth) -> FamilyTruth:
        return replace(mine, **{f: getattr(true, f) for f in fields})

    families = [corrected(m, t) for m, t in zip(belief.families, truth.families, strict=True)]
    out = replace(out, families=tuple(families))
    if "price" in names:
        out = replace(out, level=truth.level)
    if "parts" in names:
        out = replace(out, part_price=truth.part_price, cheap=truth.cheap)
    if "manufacturer" in names:
        out = replace(out, maker=truth.maker)
    return out


def share(business: Business, beliefs: Callable[[int], World], names: Sequence[str]) -> float:
    """Share of the oracle's expected profit by break-even bids on a belief, some of it true.

    Parameters
    ----------
    business
        Where it is tried.
    beliefs
        Belief at the beginning of a month of the replay.
    names
        Estimates replaced by the truth.
    """
    parts = []
    for month in range(0, YEAR, business.refit):
        belief = swapped(beliefs(month), business.world, names)
        end = min(month + business.refit, YEAR)
        span = business.world.history + month, business.world.history + end
        parts.append(cut(advice_of(Worth(belief, span)), month, end))
    advice = joined(parts)
    advice = replace(advice, offer=SHADE * advice.offer)
    return business.earned(advice) / business.earned(business.oracle)


def gap(business: Business, beliefs: Callable[[int], World]) -> dict[str, float]:
    """Shares as believed, with each estimate true, and with all but each true."""
    made: dict[int, World] = {}

    def once(month: int) -> World:
        if month not in made:
            made[month] = beliefs(month)
        return made[month]

    out = {"as believed": share(business, once, ())}
    for name in ESTIMATES:
        out[f"{name} true"] = share(business, once, (name,))
        others = tuple(n for n in ESTIMATES if n != name)
        out[f"only {name} believed"] = share(business, once, others)
    out["all true"] = share(business, once, ESTIMATES)
    return out
