"""Tables behind the checks of a price fit: see ``kit.estimation.diagnostics``."""

from __future__ import annotations

import pandas as pd

from kit.estimation.diagnostics import (
    far_off,
    market_index,
    model_effects,
    residual_groups,
    robust_check,
)
from kit.reports.estimate_tables import price_curves
from kit.reports.worked import Worked

COLUMNS = {
    "far_off": ["sale_id", "model_id", "sale_date", "amount", "expected", "times", "weight"],
    "misses": ["what", "group", "n", "miss", "std_error", "inside", "clear"],
    "model_effects": ["model_id", "n_sales", "level", "slope", "learned"],
    "market": ["month", "index", "lower", "upper"],
    "robust": ["name", "ours", "robust", "std_error", "apart"],
}


def diagnostic_tables(worked: Worked) -> dict[str, pd.DataFrame]:
    """Work out every check of the family's price fit; empty tables where there is none."""
    curves = price_curves(worked)
    if curves is None:
        return {name: pd.DataFrame(columns=columns) for name, columns in COLUMNS.items()}
    fit = curves.fit
    found = {
        "far_off": far_off(fit).rename(columns={"key": "sale_id", "day": "sale_date"}),
        "misses": residual_groups(fit, curves.base_channel or "no channel noted"),
        "model_effects": model_effects(fit),
        "market": market_index(fit, worked.level),
        "robust": robust_check(fit),
    }
    return {name: found[name][columns] for name, columns in COLUMNS.items()}
