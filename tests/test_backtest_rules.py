"""The rules and the model that the curves are held against."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_logs
from repair_horizon.backtest.forecasts import known_at
from repair_horizon.backtest.methods import (
    RULES,
    Past,
    carried,
    exponential,
    flat_rate,
    last_levels,
    mixed_forecast,
    past_errors,
    straight_line,
)
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices
from repair_horizon.logs import Logs
from scipy.stats import norm

CUTOFF = pd.Timestamp("2025-06-30")


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


def by_hand() -> Past:
    """Model 0: 100 in month 10, 80 in month 12, 60 in 14; model 1: once; model 2: never."""
    return Past(
        np.array([0, 0, 0, 1]),
        np.array([10.0, 12.0, 14.0, 11.0]),
        np.log([100.0, 80.0, 60.0, 50.0]),
        np.log([200.0, 100.0, 400.0]),
        np.array([0.0, 0.0, 9.0]),
        15.0,
    )


def test_simple_rules_by_hand() -> None:
    """Worked by hand: levels from the last three months, lines by least squares, 25 % a year."""
    past, all_models, when = by_hand(), np.array([0, 1, 2]), np.full(3, 21.0)
    last = last_levels(past)
    assert np.exp(last.log_price[:2]) == pytest.approx([60.0, 50.0])
    assert last.time[:2] == pytest.approx([14.0, 11.0])
    said = {r: np.exp(RULES[r](past, last, all_models, when)) for r in RULES}
    never = 400 * 0.75
    assert said["last median carried"] == pytest.approx([60.0, 50.0, never])
    assert said["flat 25 % a year"] == pytest.approx(
        [60 * 0.75 ** (7 / 12), 50 * 0.75 ** (10 / 12), never]
    )
    line = straight_line(past, last, np.array([0]), np.array([15.0]))
    assert np.exp(line) == pytest.approx([50.0]), "10 a month"
    assert said["line per model"] == pytest.approx([6.0, 50.0, never]), "never below a tenth"
    slope = np.log(0.6) / 4
    middle = np.log(100 * 80 * 60) / 3
    assert np.log(said["exponential per model"][0]) == pytest.approx(middle + 9 * slope)


def test_a_rule_without_launch_price_or_sale_says_nothing() -> None:
    past = replace(by_hand(), launch_price=np.array([np.nan] * 3))
    last, never = last_levels(past), np.array([2])
    for rule in (carried, flat_rate, straight_line, exponential):
        assert np.isnan(rule(past, last, never, np.array([20.0]))).all()


def test_rules_learn_their_interval_from_their_own_errors() -> None:
    """Prices that fall 2 % a month: carried three months ahead, the level misses by 6 to 8 %.

    The last level is the median of three months, so it is one month old on average.
    """
    time = np.arange(0.0, 36.0, 0.1) + 0.05
    flat = np.zeros(len(time), dtype=int)
    past = Past(flat, time, 5.0 - 0.02 * time, np.array([5.0]), np.array([0.0]), 36.0)
    errors = past_errors(carried, past, 3)
    assert len(errors) == 40
    assert errors == pytest.approx(np.full(40, 0.08), abs=0.011)
    assert past_errors(exponential, past, 3) == pytest.approx(np.zeros(40), abs=1e-9)


def test_mixed_model_forecasts_what_it_is_made_for_and_admits_failure(logs: Logs) -> None:
    """On a big family it converges and comes near the kit's curves at the next month.

    Its line is straight in age, so that models at the ends of the family lie up to 15 % off.

    On a family cut to one model there is nothing to mix, and pooled least squares stand in.
    """
    family = known_at(logs, CUTOFF).family("pellvarn_phone")
    curves = fit_prices(family, "pellvarn_phone")
    assert isinstance(curves, PriceCurves)
    model = np.flatnonzero(curves.fit.panel.sales_by_model >= 20)
    points = curves.points(model, pd.DatetimeIndex(["2025-07-15"] * len(model)))
    mixed = mixed_forecast(curves.fit.panel, points)
    from repair_horizon.estimation.curve.predict import predict

    assert mixed.converged
    apart = np.abs(mixed.median - predict(curves.fit, points).median)
    assert np.median(apart) < 0.08
    assert apart.max() < 0.15
    half = (mixed.quantile(0.9) - mixed.quantile(0.1)) / 2
    assert half == pytest.approx(norm.ppf(0.9) * mixed.sd)
    catalogue = family.tables["catalogue"].iloc[:1]
    one = {n: t.merge(catalogue[["model_id"]]) for n, t in family.tables.items() if "model_id" in t}
    alone = fit_prices(replace(family, tables={**family.tables, **one}), "pellvarn_phone")
    assert isinstance(alone, PriceCurves)
    points = alone.points(np.array([0]), pd.DatetimeIndex(["2025-07-15"]))
    assert not mixed_forecast(alone.fit.panel, points).converged
