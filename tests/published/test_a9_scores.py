"""Scores of forecasts against published tables, and against their own definitions."""

import numpy as np
import pytest
from repair_horizon.backtest.scores import (
    coverage,
    crps_draws,
    crps_lognormal,
    crps_normal,
    mean_absolute_log_error,
    mean_log_error,
    median_ape,
    pinball,
    winkler,
)
from scipy.integrate import quad
from scipy.stats import lognorm, norm


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


@pytest.mark.parametrize(
    ("y", "score"), [(0.0, 0.2336949773), (1.0, 0.6024413576), (2.0, 1.4527918217)]
)
def test_crps_of_a_standard_normal(y: float, score: float) -> None:
    """Source: scoringrules; at the mean it is (sqrt 2 - 1) / sqrt pi."""
    assert crps_normal(y, 0.0, 1.0) == pytest.approx(score, abs=1e-10)
    assert crps_normal(5.0 + 3.0 * y, 5.0, 3.0) == pytest.approx(3.0 * score, abs=1e-9)


@pytest.mark.parametrize(("y", "score"), [(100.0, 5.890888233), (130.0, 17.881357035)])
def test_crps_of_a_log_normal(y: float, score: float) -> None:
    """Median 100, log standard deviation 0.25; source: scoringrules."""
    assert crps_lognormal(y, np.log(100.0), 0.25) == pytest.approx(score, abs=1e-8)


def test_crps_is_the_integral_of_squared_distance_between_distributions() -> None:
    """CRPS is the integral of (F(x) - 1[x >= y])^2.

    Source: Matheson and Winkler (1976), Management Science 22:1087-1096.
    """

    def below(cdf: object, y: float, low: float, high: float) -> float:
        left = quad(lambda x: cdf(x) ** 2, low, y)[0]  # type: ignore[operator]
        right = quad(lambda x: (1 - cdf(x)) ** 2, y, high)[0]  # type: ignore[operator]
        return float(left + right)

    assert crps_normal(0.7, 0.2, 0.5) == pytest.approx(
        below(norm(0.2, 0.5).cdf, 0.7, -5, 6), abs=1e-8
    )
    law = lognorm(0.4, scale=np.exp(0.3))
    assert crps_lognormal(2.0, 0.3, 0.4) == pytest.approx(below(law.cdf, 2.0, 0, 30), abs=1e-8)


@pytest.mark.parametrize(
    ("y", "draws", "score"),
    [
        (0, [0, 1], 0.25),
        (2, [0, 1], 1.25),
        (0, [-1, 1], 0.5),
        (0, [0, 0, 1], 1 / 9),
        (1, [0, 0, 1], 4 / 9),
        (0, [-1, 0, 0, 1], 1 / 8),
        (3, [7.5], 4.5),
    ],
)
def test_crps_of_equally_likely_draws(y: float, draws: list[float], score: float) -> None:
    """Source: the table in properscoring's tests (test_crps.py, Apache 2.0)."""
    assert crps_draws(y, draws) == pytest.approx(score, abs=1e-12)


def test_crps_of_many_normal_draws_nears_the_closed_form() -> None:
    """20,000 draws of N(0, 1) at outcome 1: within a hundredth of the closed form."""
    draws = np.random.default_rng(3).standard_normal(20_000)
    assert crps_draws(1.0, draws) == pytest.approx(0.6024413576, abs=0.01)


def test_coverage_counts_the_ends_as_inside() -> None:
    """Of 1, 2, 3, 4 the interval [2, 3] holds two, both on its ends."""
    assert coverage([1, 2, 3, 4], 2.0, 3.0) == 0.5


def test_errors_of_prices_are_relative_to_what_was_paid() -> None:
    """Forecasts 10 % high, exact and 50 % low: median 10 %, bias mean of the logs (by hand)."""
    actual, said = [100.0, 50.0, 200.0], [110.0, 50.0, 100.0]
    assert median_ape(actual, said) == pytest.approx(0.1)
    assert mean_log_error(actual, said) == pytest.approx((np.log(1.1) + np.log(0.5)) / 3)
    assert mean_absolute_log_error(actual, said) == pytest.approx((np.log(1.1) + np.log(2)) / 3)
