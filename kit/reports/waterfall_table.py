"""Where the money goes between a resale price and the most that may be bid for it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.decisions.unit import UnitEconomics

COLUMNS = ["model_id", "listed_fault", "line", "amount", "kind"]


def waterfall_table(unit: UnitEconomics, exact_bid: float) -> pd.DataFrame:
    """Where the money goes, from the resale price of a repaired unit down to the maximum bid.

    For a unit in the main state that repair mends, at its expected grade; the step 'other states
    and failures' is what separates that unit from the expected one, so the lines add up exactly.
    """
    option = unit.main.repair
    if option is None:
        return pd.DataFrame(columns=COLUMNS)
    shares = option.grade_shares
    price = float((option.price_by_grade[:, 0] * shares).sum(axis=1).mean())
    good = float((option.by_grade[:, 0] * shares).sum(axis=1).mean())
    spent = {k: float(np.mean(v[:, 0] if np.ndim(v) > 1 else v)) for k, v in option.lines.items()}
    testing = unit.test_hours * unit.wage
    worth = float(unit.value[:, 0].mean())
    bid = max(exact_bid, 0.0)
    buying = unit.landing.landed(bid) * (1 + unit.landing.kappa) - bid
    steps = [
        ("resale price, repaired", price, "start"),
        ("selling and reserves", -(price - good - sum(spent.values()) - testing), "less"),
        *((name, -amount, "less") for name, amount in spent.items()),
        ("testing", -testing, "less"),
        ("other states and failures", worth - good, "less"),
        ("premium, carriage, cash tied up", -buying, "less"),
        ("asked profit, risk and tax", -(worth - buying - bid), "less"),
        ("maximum bid", bid, "result"),
    ]
    rows = [(unit.model_id, unit.listed_fault, *step) for step in steps]
    return pd.DataFrame(rows, columns=COLUMNS)
