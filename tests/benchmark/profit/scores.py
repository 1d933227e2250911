"""Scores of policies over businesses, with their standard errors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from .business import CLAIRVOYANT, NOTHING, ORACLE, Business
from .replay import Played
from .rules import RULES
from .worth import OPTIONS

Floats = npt.NDArray[np.float64]

LARGE_BID, LARGE_STEP = 30.0, 0.20


def business_scores(business: Business, policies: Sequence[str]) -> pd.DataFrame:
    """One row per policy: money, wins, losing months, promises, values told, steps of bids."""
    played = {p: business.played(p) for p in dict.fromkeys((ORACLE, *policies))}
    best = played[ORACLE]
    rows = []
    for policy in policies:
        mine = played[policy]
        row: dict[str, object] = {
            "policy": policy,
            "seed": business.seed,
            "profit": mine.profit.sum() / business.repeats,
            "share": mine.profit.sum() / best.profit.sum(),
            "expected_share": mine.expected.sum() / best.expected.sum(),
            "bids": mine.bids / business.repeats,
            "wins": mine.won.size / business.repeats,
            "losing": 100 * mine.losing() / (12 * business.repeats),
            **_promise(mine),
            **_told(business, policy),
            **_steps(business, policy),
        }
        rows.append(row)
    return pd.DataFrame(rows)


def _promise(mine: Played) -> dict[str, float]:
    """Profit said of the lots won, and what they made on average over their own luck."""
    known = np.isfinite(mine.promised)
    return {
        "promised": float(mine.promised[known].sum()),
        "kept": float(mine.expected[known].sum()),
    }


def _told(business: Business, policy: str) -> dict[str, float]:
    """Value told of the advised option less its true expectation, by option.

    As shares of the working price, weighted by how often such a unit would be met.
    """
    if not _has_advice(policy):
        return {}
    world, advice = business.world, business.advice(policy)
    model = np.array([m for m, _ in world.units])
    months = slice(world.history, world.history + advice.limit.shape[1])
    true = business.worth.table[0][model][..., months]
    true = np.take_along_axis(true, advice.choice[:, :, None], axis=2)[:, :, 0]
    price = np.exp(world.level[model][:, None, months])
    counts = np.zeros(advice.limit.shape)
    for lots, _ in business.years:
        np.add.at(counts, (lots.unit, lots.month - world.history), 1.0)
    weight = counts[:, None, :] * business.worth.shares[:, :, None]
    known = np.isfinite(advice.told) & np.isfinite(true) & (weight > 0)
    out = {}
    for number, name in enumerate(OPTIONS):
        at = known & (advice.choice == number)
        total = weight[at].sum()
        if total > 0:
            off = weight[at] * (advice.told[at] - true[at]) / np.broadcast_to(price, at.shape)[at]
            out[f"told {name}"] = float(off.sum() / total)
            out[f"met {name}"] = float(total)
    return out


def _steps(business: Business, policy: str) -> dict[str, float]:
    """Month steps of bids of 30 and more, and how many of them change by over a fifth."""
    if not _has_advice(policy):
        return {}
    limit = business.advice(policy).limit
    before, after = limit[:, :-1], limit[:, 1:]
    large = before >= LARGE_BID
    jumps = large & (np.abs(after - before) > LARGE_STEP * before)
    return {"steps": float(large.sum()), "jumps": float(jumps.sum())}


def _has_advice(policy: str) -> bool:
    return policy not in (NOTHING, CLAIRVOYANT)


def table(scores: pd.DataFrame) -> pd.DataFrame:
    """One row per policy: means over businesses and their standard errors."""
    rules = scores[scores["policy"].isin(RULES)].groupby("policy")["expected_share"].mean()
    rows = []
    for policy, mine in scores.groupby("policy", sort=False):
        mine = mine.set_index("seed")
        row: dict[str, object] = {
            "policy": policy,
            "share made": mine["share"].mean(),
            "its standard error": _error(mine["share"]),
            "share expected": mine["expected_share"].mean(),
            "standard error": _error(mine["expected_share"]),
        }
        if len(rules) and policy not in RULES:
            best = scores[scores["policy"] == rules.idxmax()].set_index("seed")
            lead = mine["expected_share"] - best["expected_share"]
            row["lead over the best rule"] = lead.mean()
            row["lead / its standard error"] = lead.mean() / _error(lead)
        row |= {
            "profit a year": mine["profit"].mean(),
            "lots bid for": mine["bids"].mean(),
            "lots won": mine["wins"].mean(),
            "losing months of 100": mine["losing"].mean(),
        }
        promised, kept = mine["promised"].sum(), mine["kept"].sum()
        row["promised / kept"] = promised / kept if kept > 0 and promised else np.nan
        for name in OPTIONS:
            if f"told {name}" in mine and mine[f"met {name}"].notna().any():
                met = mine[f"met {name}"].fillna(0)
                row[f"told {name}"] = (mine[f"told {name}"].fillna(0) * met).sum() / met.sum()
        if "steps" in mine and mine["steps"].sum() > 0:
            row["jumps of 1000 steps"] = 1000 * mine["jumps"].sum() / mine["steps"].sum()
        rows.append(row)
    return pd.DataFrame(rows)


def _error(x: pd.Series) -> float:
    """Return the standard error of a mean over businesses."""
    return float(x.std(ddof=1) / np.sqrt(len(x))) if len(x) > 1 else float("nan")


def laid_out(summary: pd.DataFrame, target: float) -> pd.DataFrame:
    """Figures down, policies across, and the figure to reach beside each.

    Parameters
    ----------
    summary
        From ``table``.
    target
        Share of the oracle's profit to reach; zero where only the rules are to be beaten.
    """
    losing = summary.set_index("policy")["losing months of 100"].get(ORACLE, np.nan)
    wanted = {
        "share made": f">= {target:.2f}" if target else "",
        "share expected": f">= {target:.2f}" if target else "",
        "lead / its standard error": ">= 2",
        "losing months of 100": f"<= {losing + 2:.1f}",
        "promised / kept": "0.95 - 1.05",
        **{f"told {name}": "-0.03 - 0.03" for name in OPTIONS},
        "jumps of 1000 steps": "0",
    }
    out = summary.set_index("policy").T
    out = out.map(lambda v: "" if pd.isna(v) else f"{v:,.0f}" if abs(v) >= 100 else f"{v:.3f}")
    out.insert(0, "to reach", [wanted.get(str(name), "") for name in out.index])
    return out.rename_axis(columns=None)
