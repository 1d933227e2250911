"""What each strategy would have bought of the past lots, and what that came to."""

from __future__ import annotations

import numpy as np
import pandas as pd

# Crude rules quoted in workshops; common practice, no source. The last is given as 60 to 70 %.
DEAR_PARTS, CHEAP_PARTS, BEYOND_REPAIR = 0.50, 0.35, 0.65
THRESHOLDS, EVERYTHING = "thresholds", "buy everything"
HALF = "parts at most half of resale"
CHEAP = "parts at most 35 % of resale, up to half if the lot is cheap"
BEYOND = "repair at most 65 % of resale"
STRATEGIES = (THRESHOLDS, HALF, CHEAP, BEYOND, EVERYTHING)


def chosen(lots: pd.DataFrame) -> pd.DataFrame:
    """Add what each strategy buys; a rule without its figures buys nothing.

    Parameters
    ----------
    lots
        Past lots with ``price, max_bid, parts, repair, resale, usual_hammer, profit`` and
        ``reason`` (why a lot could not be judged).
    """
    unjudged = (lots["reason"] == "") & lots["profit"].isna()
    reason = lots["reason"].mask(unjudged, "nothing can be said of its worth today")
    parts, repair = lots["parts"] / lots["resale"], lots["repair"] / lots["resale"]
    cheap = lots["price"] < lots["usual_hammer"]
    bought = {
        THRESHOLDS: (lots["max_bid"] > 0) & (lots["max_bid"] >= lots["price"]),
        HALF: parts <= DEAR_PARTS,
        CHEAP: (parts <= CHEAP_PARTS) | ((parts <= DEAR_PARTS) & cheap),
        BEYOND: repair <= BEYOND_REPAIR,
        EVERYTHING: lots["price"] > 0,
    }
    can = reason == ""
    out = lots.assign(reason=reason, **{name: can & yes for name, yes in bought.items()})
    return out.drop(columns=["current_bid", "number"])


def summary(lots: pd.DataFrame) -> pd.DataFrame:
    """One row per strategy, over the lots that could be judged.

    Parameters
    ----------
    lots
        ``MoneyReplay.lots``.
    """
    judged = lots[lots["reason"] == ""]
    rows = []
    for name in STRATEGIES:
        got, left = judged[judged[name]], judged[~judged[name]]
        n, profit, hours = len(got), float(got["profit"].sum()), float(got["hours"].sum())
        rows.append(
            {
                "strategy": name,
                "lots": n,
                "of": len(judged),
                "spent": float(got["price"].sum()),
                "profit_per_lot": profit / n if n else np.nan,
                "profit": profit,
                "profit_per_hour": profit / hours if hours else np.nan,
                "share_lost": float(got["probability_loss"].mean()) if n else np.nan,
                "missed": float(left["profit"].clip(lower=0).sum()),
                "reason": "" if n else "nothing was bought",
            }
        )
    return pd.DataFrame(rows)
