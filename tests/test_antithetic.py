"""Draws in mirrored pairs: of the distribution asked for, and closer in the mean.

Reference: moments and distribution functions of ``scipy.stats``; the variance of an antithetic
mean, Hammersley and Morton (1956), Proc. Cambridge Philosophical Society 52:449-475.
"""

from __future__ import annotations

import numpy as np
import pytest
from repair_horizon.estimation.antithetic import Antithetic
from scipy import stats

N = 20_000


def apart(drawn: np.ndarray, reference: object) -> float:
    """Largest distance of drawn numbers from a distribution function (Kolmogorov, Smirnov)."""
    return float(stats.kstest(drawn, reference.cdf).statistic)  # type: ignore[attr-defined]


@pytest.mark.parametrize("draws", [1, 7, 10])
def test_each_draw_has_its_mirror_and_as_many_as_asked(draws: int) -> None:
    """Where an odd number is asked for, one stands alone."""
    drawn = Antithetic.seeded(3).normal(draws, 2)
    half = (draws + 1) // 2
    assert drawn.shape == (draws, 2)
    np.testing.assert_array_equal(drawn[half:], -drawn[: draws - half])
    u = Antithetic.seeded(3).uniform(draws)
    np.testing.assert_allclose(u[half:], 1.0 - u[: draws - half])


def test_draws_are_of_the_distribution_asked_for() -> None:
    """Within what 20,000 numbers scatter by (1.63 over their root, the 1 % point)."""
    source, far = Antithetic.seeded(5), 1.63 / np.sqrt(N)
    assert apart(source.normal(N), stats.norm()) < far
    assert apart(source.uniform(N), stats.uniform()) < far
    assert apart(source.student_t(4.0, N), stats.t(4)) < far
    a, b = np.array([0.3, 2.0, 40.0]), np.array([1.0, 3.0, 2.0])
    drawn = source.beta(a, b, N)
    for i in range(3):
        assert apart(drawn[:, i], stats.beta(a[i], b[i])) < far


@pytest.mark.parametrize("alpha", [[4.0, 2.0, 1.0], [0.05, 0.4, 3.0], [1e-6, 2.0], [0.02, 0.01]])
def test_shares_are_dirichlet_however_small_their_weights(alpha: list[float]) -> None:
    """Each share is Beta(alpha_i, rest), rows sum to one, and tiny weights leave no gap."""
    weights = np.array(alpha)
    drawn = Antithetic.seeded(8).dirichlet(weights, 10 * N)
    np.testing.assert_allclose(drawn.sum(axis=1), 1.0)
    reference = stats.dirichlet(weights)
    error = np.sqrt(reference.var() / (10 * N))
    assert (np.abs(drawn.mean(axis=0) - reference.mean()) < 4 * error + 1e-9).all()
    assert drawn.var(axis=0) == pytest.approx(reference.var(), rel=0.06, abs=1e-6)


def test_positions_are_drawn_by_their_weights() -> None:
    """A chi-square test of 20,000 positions at its 1 % point; none of weight nothing."""
    weights = np.array([0.5, 0.0, 0.2, 0.3])
    found = np.bincount(Antithetic.seeded(4).choice(weights, N), minlength=4)
    assert found[1] == 0
    kept = weights > 0
    assert stats.chisquare(found[kept], N * weights[kept]).pvalue > 0.01


def test_a_mean_of_something_nearly_straight_moves_far_less_with_chance() -> None:
    """Of exp(0.1 z), a price uncertain by a tenth, and of shares: five and three times less."""

    def spread(mean: object) -> float:
        return float(np.std([mean(seed) for seed in range(200)]))  # type: ignore[operator]

    def plain(seed: int) -> np.random.Generator:
        return np.random.default_rng([seed, 1])

    mirrored = spread(lambda s: np.exp(0.1 * Antithetic.seeded(s).normal(100)).mean())
    alone = spread(lambda s: np.exp(0.1 * plain(s).standard_normal(100)).mean())
    assert mirrored < alone / 5
    alpha = np.array([12.0, 5.0, 3.0])
    mirrored = spread(lambda s: Antithetic.seeded(s).dirichlet(alpha, 100)[:, 0].mean())
    alone = spread(lambda s: plain(s).dirichlet(alpha, 100)[:, 0].mean())
    assert mirrored < alone / 3
