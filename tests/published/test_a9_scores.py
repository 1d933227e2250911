"""Scores of forecasts against published tables, and against their own definitions."""

import numpy as np
import pytest
from repair_horizon.backtest.running import (
    coverage,
    mean_absolute_log_error,
    mean_log_error,
    median_ape,
    pinball,
    winkler,
)


@pytest.mark.parametrize(
    ("y", "quantile", "p", "loss"),
    [(0.3, 0.5, 0.2, 0.16), (0.3, 0.1, 0.2, 0.04)],
)
def test_pinball_of_one_forecast(y: float, quantile: float, p: float, loss: float) -> None:
    """Source: the tests of the package scoringrules (Apache 2.0)."""
    assert pinball(y, quantile, p) == pytest.approx(loss, abs=1e-12)


@pytest.mark.parametrize(
    ("said", "p", "loss"),
    [
        ([0, 2, 3], 0.1, 0.0333),
        ([0, 2, 3], 0.9, 0.3),
        ([1, 2, 4], 0.1, 0.3),
        ([1, 2, 4], 0.9, 0.0333),
    ],
)
def test_mean_pinball(said: list[float], p: float, loss: float) -> None:
    """Outcomes 1, 2, 3; source: the docstring of scikit-learn's mean_pinball_loss (four digits)."""
    assert np.mean(pinball([1, 2, 3], said, p)) == pytest.approx(loss, abs=5e-5)


def test_interval_score_of_a_missed_interval() -> None:
    """[0, 0.4] at 50 % and outcome 0.1 score 0.4; source: the tests of scoringrules."""
    assert winkler(0.1, 0.0, 0.4, 0.5) == pytest.approx(0.4, abs=1e-12)


@pytest.mark.parametrize(("y", "score"), [(100, 40), (130, 140), (75, 90)])
def test_interval_score_of_an_80_percent_interval(y: float, score: float) -> None:
    """[80, 120]: its width, and ten times the distance outside (derived from the formula)."""
    assert winkler(y, 80.0, 120.0, 0.8) == pytest.approx(score)


def test_interval_score_is_pinball_at_both_ends() -> None:
    """(2 / alpha) times the pinball losses of the two ends; Gneiting and Raftery (2007), 6.2."""
    y, low, high = np.array([0.2, 1.1, 3.0]), np.array([0.5, 0.9, 1.0]), np.array([0.7, 1.4, 2.0])
    both = pinball(y, low, 0.1) + pinball(y, high, 0.9)
    assert winkler(y, low, high, 0.8) == pytest.approx(2 / 0.2 * both)


def test_coverage_counts_the_ends_as_inside() -> None:
    """Of 1, 2, 3, 4 the interval [2, 3] holds two, both on its ends."""
    assert coverage([1, 2, 3, 4], 2.0, 3.0) == 0.5


def test_errors_of_prices_are_relative_to_what_was_paid() -> None:
    """Forecasts 10 % high, exact and 50 % low: median 10 %, bias mean of the logs (by hand)."""
    actual, said = [100.0, 50.0, 200.0], [110.0, 50.0, 100.0]
    assert median_ape(actual, said) == pytest.approx(0.1)
    assert mean_log_error(actual, said) == pytest.approx((np.log(1.1) + np.log(0.5)) / 3)
    assert mean_absolute_log_error(actual, said) == pytest.approx((np.log(1.1) + np.log(2)) / 3)
