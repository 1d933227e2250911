"""The true curves and rules behind the demo business, for scoring what the kit estimates."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from repair_horizon.demo import demo_folder

from demo_business.catalogue import (
    END,
    FAMILIES,
    FAMILY_OF,
    GRADE_FACTOR,
    JUMP,
    LISTED,
    MODEL_OF,
    QUALITY,
    SCARCE_FROM,
    Family,
    as_is_faults,
    as_is_ratio,
    qualities_of,
    state_of,
    successor_launch,
)

SETTINGS = (demo_folder() / "settings.toml").read_text(encoding="utf-8")
"""The settings of the demo business, as its partners would write them."""
FIRST_MONTH = pd.Period("2020-01", "M")
LAST_MONTH = pd.Period(END, "M") + 36
MONTH_DAYS = 30.4375
_RHO, _MARKET_SD, _PART_SD = 0.9, 0.045, 0.02
_LEVEL_SD, _SLOPE_SD, _STEP, _STEP_SD = 0.08, 0.05, -0.04, 0.03
_SCARCE_RISE, _SCARCE_MONTHS = 0.015, 30.0
_FLAT_MONTHS = 6.0


@dataclass(frozen=True)
class ModelPath:
    """What is particular to one model.

    ``launch_amount`` in EUR; ``level`` in log points; ``slope`` in log points per year on top of
    the family's decline; ``step`` in log points from the day its successor came.
    """

    launch_amount: float
    level: float
    slope: float
    step: float


@dataclass(frozen=True, eq=False)
class Truth:
    """Everything the logs of the demo business were drawn from.

    A price level is the median price in EUR of one working unit of grade A and base storage sold
    on channel ``marketplace``, before the noise of the single sale. ``market`` and
    ``part_market`` hold log points per month from ``FIRST_MONTH`` on. ``success`` is keyed by
    (family, state), ``state_shares`` and ``as_is_ratio`` by (family, listed fault).
    """

    paths: Mapping[str, ModelPath]
    market: Mapping[str, np.ndarray]
    part_market: Mapping[tuple[str, str], np.ndarray]
    part_factor: Mapping[tuple[str, str], float]
    grade_factor: Mapping[str, float]
    success: Mapping[tuple[str, str], float]
    state_shares: Mapping[tuple[str, str], Mapping[str, float]]
    as_is_ratio: Mapping[tuple[str, str], float]

    def price_level(self, model_id: str, month: str | pd.Timestamp) -> float:
        """Return the price level at the middle (15th) of a month, in EUR.

        ``model_id``: a model of the catalogue; ``month``: any day of the month, from the month of
        launch to 36 months after the logs end. Raises ``ValueError`` for a month outside that
        range.
        """
        period = pd.Period(month, "M")
        first = pd.Period(MODEL_OF[model_id].launch, "M")
        if not first <= period <= LAST_MONTH:
            raise ValueError(f"{model_id}: the truth is known from {first} to {LAST_MONTH}")
        return self.price_on(model_id, period.to_timestamp() + pd.Timedelta(days=14))

    def price_on(self, model_id: str, day: pd.Timestamp) -> float:
        """Return the price level on one day, in EUR."""
        path, family = self.paths[model_id], FAMILY_OF[model_id]
        age = age_months(model_id, day)
        after = successor_launch(model_id)
        step = path.step if after and day >= pd.Timestamp(after) else 0.0
        wave = math.cos(2 * math.pi * (day.month - family.curve.peak) / 12)
        shift = path.level + step + family.curve.season * wave
        shock = float(self.market[family.family_id][_months_in(day)])
        return path.launch_amount * ratio_at(family, age, path.slope) * math.exp(shift + shock)

    def part_level(
        self, model_id: str, part_code: str, quality_class: str, month: str | pd.Timestamp
    ) -> float:
        """Return the typical quote for one part in a month, in EUR, without shipping.

        Raises ``ValueError`` if the part is not sold for the model in that quality, or the month is
        out of range.
        """
        family, day = FAMILY_OF[model_id], pd.Period(month, "M").to_timestamp()
        sold = part_code in family.parts and quality_class in qualities_of(family, part_code)
        if not sold or not FIRST_MONTH <= pd.Period(month, "M") <= LAST_MONTH:
            raise ValueError(f"{model_id}: no {quality_class} {part_code} in {month}")
        share, fall = family.parts[part_code]
        quality = QUALITY[quality_class]
        age = age_months(model_id, day + pd.Timedelta(days=14))
        path = -fall * quality.fall_factor * max(age - _FLAT_MONTHS, 0.0)
        path += _scarcity(family.family_id, part_code, age)
        since, jump = JUMP.get((model_id, part_code), ("9999-12", 1.0))
        path += math.log(jump) if f"{day:%Y-%m}" >= since else 0.0
        path += float(self.part_market[family.family_id, part_code][_months_in(day)])
        base = self.paths[model_id].launch_amount * share * self.part_factor[model_id, part_code]
        return base * quality.price_factor * math.exp(path)


def age_months(model_id: str, day: pd.Timestamp) -> float:
    """Return the age of a model in months of 30.4375 days, never below zero."""
    return max((day - pd.Timestamp(MODEL_OF[model_id].launch)).days / MONTH_DAYS, 0.0)


def ratio_at(family: Family, age: float, slope: float = 0.0) -> float:
    """Return the family's price as a ratio to launch price at an age in months.

    ``slope`` in log points per year turns around month 18 and acts above the floor only, so a
    model that holds its price well still ends on the floor.
    """
    c = family.curve
    fall = c.early * min(age, c.turn) + c.late * max(age - c.turn, 0.0) - slope * (age - 18) / 12
    return c.start * (c.floor + (1.0 - c.floor) * math.exp(-fall))


def _scarcity(family_id: str, part_code: str, age: float) -> float:
    since = SCARCE_FROM.get((family_id, part_code), math.inf)
    return _SCARCE_RISE * min(max(age - since, 0.0), _SCARCE_MONTHS)


def _months_in(day: pd.Timestamp) -> int:
    return (day.year - FIRST_MONTH.year) * 12 + day.month - FIRST_MONTH.month


def _wander(rng: np.random.Generator, sd: float) -> np.ndarray:
    """First-order autoregression over all months, with stationary standard deviation ``sd``."""
    months = (LAST_MONTH - FIRST_MONTH).n + 1
    steps = rng.normal(0.0, sd * math.sqrt(1 - _RHO**2), months)
    out = np.empty(months)
    out[0] = rng.normal(0.0, sd)
    for i in range(1, months):
        out[i] = _RHO * out[i - 1] + steps[i]
    return out


def _path(rng: np.random.Generator, family: Family, launch_amount: float) -> ModelPath:
    level, slope, step = rng.normal(0.0, 1.0, 3)
    # A slope beyond this would make a model rise for good, which none here does.
    most = 0.6 * 12 * family.curve.late
    return ModelPath(
        launch_amount,
        float(np.clip(_LEVEL_SD * level, -0.2, 0.2)),
        float(np.clip(_SLOPE_SD * slope, -most, most)),
        float(min(_STEP + _STEP_SD * step, 0.0)),
    )


def _true_shares(rng: np.random.Generator, prior: Mapping[str, float]) -> dict[str, float]:
    """Shift what the partners assume a little: nobody's first guess is exact."""
    raw = {state: share * math.exp(0.2 * rng.normal()) for state, share in prior.items()}
    return {state: share / sum(raw.values()) for state, share in raw.items()}


def build_truth(seed: int, launch_amounts: Mapping[str, float]) -> Truth:
    """Draw the truth of one demo business.

    ``seed``: same seed, same truth; ``launch_amounts``: list price at launch of every model, in
    EUR.
    """
    rng = np.random.default_rng([seed, 1])
    models = [(f, m.model_id) for f in FAMILIES for m in f.models]
    parts = [(f, part) for f in FAMILIES for part in f.parts]
    faults = [(f, fault) for f in FAMILIES for fault in LISTED[f.device_class]]
    market = {f.family_id: _wander(rng, _MARKET_SD) for f in FAMILIES}
    part_market = {(f.family_id, p): _wander(rng, _PART_SD) for f, p in parts}
    paths = {m: _path(rng, f, launch_amounts[m]) for f, m in models}
    factor = {(m, p): math.exp(0.07 * rng.normal()) for f, m in models for p in f.parts}
    shares = {
        (f.family_id, fault): _true_shares(rng, LISTED[f.device_class][fault])
        for f, fault in faults
    }
    success = {
        (f.family_id, state): state_of(f, state).success
        for f, fault in faults
        for state in LISTED[f.device_class][fault]
    }
    as_is = {(f.family_id, x): as_is_ratio(f, x) for f in FAMILIES for x in as_is_faults(f)}
    return Truth(paths, market, part_market, factor, dict(GRADE_FACTOR), success, shares, as_is)
