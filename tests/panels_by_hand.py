"""Models and prices of one family laid out by hand or drawn, for tests of the joint price model."""

from __future__ import annotations

import numpy as np
import pandas as pd
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.panel import Models, Panel, Traits

LAUNCH, NOW = pd.Timestamp("2022-01-01"), pd.Timestamp("2024-12-28")


def models(count: int, gap_days: int = 240, known: bool = True, first_ends: bool = False) -> Models:
    """Models one gap apart, of a launch price known or not; the second may succeed the first."""
    launch = pd.DatetimeIndex([LAUNCH + pd.Timedelta(days=gap_days * i) for i in range(count)])
    successor = [launch[1] if first_ends else pd.NaT, *[pd.NaT] * (count - 1)]
    return Models(
        ids=tuple(f"m{i}" for i in range(count)),
        launch=launch,
        launch_price=np.full(count, 500.0),
        price_known=np.full(count, known),
        successor=pd.DatetimeIndex(successor),
        gap_months=12.0,
        gap_sd=2.0,
        steps=first_ends,
    )


def panel(
    known: Models,
    model: np.ndarray,
    day: pd.DatetimeIndex,
    y: np.ndarray,
    second: np.ndarray | None = None,
) -> Panel:
    """Log ratios to the launch price; ``second`` says which are of a second grade."""
    columns = np.zeros((len(y), 0)) if second is None else second[:, None]
    k = columns.shape[1]
    traits = Traits(("grade B",)[:k], columns, np.full(k, 0.3), np.zeros(k, dtype=bool))
    key = np.array([f"S{i}" for i in range(len(y))], dtype=object)
    return Panel(known, y, model, day, traits, key, known.launch_price[model] * np.exp(y), NOW)


def usual_panel(
    seed: int,
    count: int = 3,
    each: int = 40,
    noise: float = 0.1,
    known: Models | None = None,
    graded: bool = False,
) -> Panel:
    """Prices of the first models falling two per cent a month, every model at a level of its own.

    Where they are ``graded`` half of them are of a second grade, a fifth off.
    """
    rng = np.random.default_rng(seed)
    known = models(count) if known is None else known
    model = np.repeat(np.arange(count), each)
    first = known.launch[model]
    span = (NOW - first) / pd.Timedelta(days=1)
    day = pd.DatetimeIndex(first + pd.to_timedelta(np.floor(rng.uniform(10, span)), unit="D"))
    age = ((day - first) / pd.Timedelta(days=30.4375)).to_numpy()
    level = rng.normal(0, 0.08, count)[model]
    y = -0.08 - 0.02 * age + level + noise * rng.standard_t(4, len(model))
    second = rng.integers(0, 2, len(model)).astype(float) if graded else None
    return panel(known, model, day, y if second is None else y - 0.2 * second, second)


def points(model: int, days: pd.DatetimeIndex, traits: int = 0) -> Points:
    """One model on some days, at the base of all traits."""
    return Points(np.full(len(days), model), days, np.zeros((len(days), traits)))
