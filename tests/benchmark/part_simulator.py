"""Invented part prices for an invented family: the trade's description, not the kit's model.

Flat or up for the first months, then one to three per cent a month down to a floor; a shared
part market; each model's series wanders; one in six turns scarce late. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from repair_horizon.estimation.curve.panel import Panel, Traits
from repair_horizon.tables.months import age_in_months, month_number

from .simulator import FIRST, MONTHS, START, Family, Floats, Ints, models_at, walk

NAMES = ("quality copy", "supplier far")


def part_truth(family: Family, model: Ints, day: pd.DatetimeIndex) -> Floats:
    """Log price of the maker's own part over launch price, (n,)."""
    rng = np.random.default_rng([family.seed, 79])
    k = len(family.launch)
    share, fall = rng.uniform(0.10, 0.24), rng.uniform(0.005, 0.025)
    flat, floor = rng.uniform(3, 8), rng.uniform(0.25, 0.5)
    own, slope = rng.normal(0, 0.2, k), rng.normal(0, 0.03, k)
    market, wander = walk(rng, (MONTHS,), 0.03, 0.9), walk(rng, (k, MONTHS), 0.03, 0.93)
    scarce = np.where(rng.random(k) < 1 / 6, rng.uniform(36, 60, k), np.inf)
    age = np.maximum(age_in_months(day, family.launch[model]), 0.0)
    month = month_number(day) - FIRST
    body = np.log(floor + (1 - floor) * np.exp(-fall * np.maximum(age - flat, 0) / (1 - floor)))
    late = 0.015 * np.clip(age - scarce[model], 0, 30)
    drift = slope[model] * np.minimum(age - 18, 40) / 12
    out: Floats = np.log(share) + own[model] + body + late + drift + market[month]
    return out + wander[model, month]


def part_panel(family: Family, origin: int) -> Panel:
    """Three to twenty quotes per launched model, two qualities, two suppliers."""
    rng = np.random.default_rng([family.seed, 80, origin])
    now, models = models_at(family, origin)
    age = age_in_months(pd.DatetimeIndex([now] * len(models.ids)), models.launch)
    counts = np.where(age > 2, rng.integers(3, 21, len(age)), 0)
    model = np.repeat(np.arange(len(age)), counts)
    since = np.minimum(age[model], age_in_months([now], [START])[0])
    back = np.floor(rng.uniform(0, since) * 30.4375)
    day = pd.DatetimeIndex(now - pd.to_timedelta(back, unit="D"))
    traits = np.column_stack([rng.random(len(model)) < 0.5, rng.random(len(model)) < 0.4])
    years = age_in_months(day, models.launch[model]) / 12
    y = part_truth(family, model, day) + traits @ np.array([-0.6, -0.06])
    y = y - 0.05 * traits[:, 0] * (years - 1.5) + 0.06 * rng.standard_t(4, len(model))
    spec = Traits(NAMES, traits.astype("float64"), np.array([0.3, 0.1]), np.array([True, False]))
    key = np.arange(len(y)).astype(object)
    return Panel(models, y, model, day, spec, key, np.exp(y), now)
