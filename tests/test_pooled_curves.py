"""What a family's curve starts from: its class, moved by what the shop's other families show."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.curve.design import CurvePrior, segments
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.pooled_curves import (
    FamilyCurve,
    PooledCurves,
    class_curve,
    curve_alone,
)

NOW = pd.Timestamp("2025-12-28")
START = class_curve("phone")
AGES = np.array([6.0, 12.0, 24.0, 36.0])


def at_ages(coefficients: np.ndarray, ages: np.ndarray = AGES) -> np.ndarray:
    """Log share of the launch price at some ages."""
    return np.asarray(coefficients[0] + segments(ages) @ coefficients[1:])


def width(prior: CurvePrior) -> np.ndarray:
    """Standard deviation of the log share at some ages."""
    load = np.column_stack([np.ones(len(AGES)), segments(AGES)])
    return np.sqrt(np.diag(load @ np.linalg.inv(prior.precision) @ load.T))


def prices(
    rng: np.random.Generator, coefficients: np.ndarray, sales: int = 120, known: bool = True
) -> Panel:
    """Sales of three models of one family that falls by given coefficients."""
    launch = pd.DatetimeIndex(["2021-01-01", "2022-06-01", "2024-01-01"])
    models = Models(tuple("xyz"), launch, np.full(3, 500.0), np.full(3, known), launch[:0].append(
        pd.DatetimeIndex([pd.NaT] * 3)), 12.0, 2.0, False)  # fmt: skip
    model = rng.integers(0, 3, sales)
    span = (NOW - launch).days.to_numpy()
    day = launch[model] + pd.to_timedelta((rng.random(sales) * span[model]).astype(int), unit="D")
    age = (day - launch[model]).days.to_numpy() / 30.4375
    y = at_ages(coefficients, age) + 0.08 * rng.standard_normal(3)[model]
    y = y + 0.1 * rng.standard_t(4, sales)
    traits = Traits((), np.zeros((sales, 0)), np.zeros(0), np.zeros(0, dtype=bool))
    key = np.arange(sales).astype(object)
    return Panel(models, y, model, pd.DatetimeIndex(day), traits, key, 500 * np.exp(y), NOW)


def shop(rng: np.random.Generator, drawn: list[np.ndarray]) -> PooledCurves:
    told = [
        FamilyCurve(f"f{i}", "phone", *curve_alone(prices(rng, c))) for i, c in enumerate(drawn)
    ]
    return PooledCurves(tuple(told), {"phone": START, "tablet": class_curve("tablet")})


def test_with_no_other_family_the_class_stands_as_it_is() -> None:
    """Nothing is learned from a family's own prices about what it starts from."""
    alone = shop(np.random.default_rng(1), [START.mean])
    assert alone.prior("f0", "phone") is START
    assert alone.prior("f1", "phone") is not START


def test_a_shop_whose_families_fall_faster_is_believed() -> None:
    """Six families worth a quarter less than the class says: the seventh starts near there.

    So does one of another class, which those families are not, and all of it narrower than the
    class alone; what the family itself sells for changes nothing of it.
    """
    rng = np.random.default_rng(2)
    lower = START.mean.copy()
    lower[0] -= 0.25
    pooled = shop(rng, [lower] * 6)
    moved = at_ages(pooled.prior("new", "phone").mean) - at_ages(START.mean)
    assert moved == pytest.approx(-0.25, abs=0.08)
    assert (width(pooled.prior("new", "phone")) < 0.8 * width(START)).all()
    tablet = pooled.prior("new", "tablet").mean
    assert at_ages(tablet) - at_ages(class_curve("tablet").mean) == pytest.approx(-0.25, abs=0.08)
    own = pooled.prior("f0", "phone").mean
    other = [FamilyCurve("f0", "phone", 9 * START.precision, np.zeros(11)), *pooled.families[1:]]
    again = PooledCurves(tuple(other), pooled.starts).prior("f0", "phone").mean
    assert own == pytest.approx(again)


def test_start_of_a_family_is_as_wide_as_it_should_be() -> None:
    """Drawn families: the 80 % interval of the next one's curve holds it 70-92 % of the time."""
    rng, held = np.random.default_rng(3), []
    cov = np.linalg.inv(START.precision) / 1.5
    for _ in range(40):
        offset = rng.multivariate_normal(np.zeros(11), cov / 2)
        drawn = [
            START.mean + offset + rng.multivariate_normal(np.zeros(11), cov / 2) for _ in range(6)
        ]
        prior = shop(rng, drawn[:5]).prior("f5", "phone")
        error = at_ages(drawn[5]) - at_ages(prior.mean)
        held.append(np.abs(error) <= 1.2816 * width(prior))
    assert 0.70 <= float(np.mean(held)) <= 0.92


def test_without_a_launch_price_prices_say_nothing_of_the_level() -> None:
    """Ratios to a stand-in teach slopes only: the level moves no other family."""
    rng = np.random.default_rng(4)
    precision, pull = curve_alone(prices(rng, START.mean - np.eye(11)[0], known=False))
    assert precision[0] == pytest.approx(0.0, abs=1e-8)
    assert pull[0] == pytest.approx(0.0, abs=1e-8)
    assert precision[4, 4] > 0.1
