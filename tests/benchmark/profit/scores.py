"""Scores of policies over businesses, with their standard errors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from .business import NOTHING, ORACLE, Business
from .replay import Played
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
            "profit": mine.profit.sum(),
            "expected": mine.expected.sum(),
            "oracle": best.profit.sum(),
            "oracle_expected": best.expected.sum(),
            "bids": mine.bids,
            "wins": mine.won.size,
            "losing": mine.losing(),
            **_promise(business, policy, mine),
            **_told(business, policy),
            **_steps(business, policy),
        }
        rows.append(row)
    return pd.DataFrame(rows)


def _promise(business: Business, policy: str, mine: Played) -> dict[str, float]:
    """Profit said of the lots won, and what they made on average over their own luck."""
    said = business.answer(policy).promised[mine.won]
    known = np.isfinite(said)
    return {"promised": float(said[known].sum()), "kept": float(mine.expected[known].sum())}


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
    np.add.at(counts, (business.lots.unit, business.lots.month - world.history), 1.0)
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
    return policy not in (NOTHING, "clairvoyant")


def table(scores: pd.DataFrame) -> pd.DataFrame:
    """One row per policy: means over businesses and the standard error of the share."""
    rows = []
    for policy, mine in scores.groupby("policy", sort=False):
        share = mine["profit"] / mine["oracle"]
        lasting = mine["expected"] / mine["oracle_expected"]
        n = len(mine)
        row: dict[str, object] = {
            "policy": policy,
            "share": share.mean(),
            "se": share.std(ddof=1) / np.sqrt(n) if n > 1 else np.nan,
            "share_expected": lasting.mean(),
            "se_expected": lasting.std(ddof=1) / np.sqrt(n) if n > 1 else np.nan,
            "profit": mine["profit"].mean(),
            "bids": mine["bids"].mean(),
            "wins": mine["wins"].mean(),
            "losing_of_100": 100 * mine["losing"].sum() / (12 * n),
        }
        promised, kept = mine["promised"].sum(), mine["kept"].sum()
        row["promise"] = promised / kept if kept and promised else np.nan
        for name in OPTIONS:
            if f"told {name}" in mine and mine[f"met {name}"].notna().any():
                met = mine[f"met {name}"].fillna(0)
                row[f"told {name}"] = (mine[f"told {name}"].fillna(0) * met).sum() / met.sum()
        if "steps" in mine and mine["steps"].sum() > 0:
            row["jumps_of_1000"] = 1000 * mine["jumps"].sum() / mine["steps"].sum()
        rows.append(row)
    return pd.DataFrame(rows)
