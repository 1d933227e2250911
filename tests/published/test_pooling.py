"""Partial pooling through the kit's own solver, against published mixed-model results.

``estimation.curve.fit.solve`` with the published variance components as prior must give the
published fixed effects and standard errors: that is Henderson's mixed-model solution.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.curve.design import Posterior, posterior_of

NEARLY_FLAT = 1e-12
DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype="float64",
)
HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]


def sleep_posterior(correlation: float) -> tuple[Posterior, pd.DataFrame]:
    """Random intercept and slope per subject with the published standard deviations."""
    rows = pd.read_csv(Path(__file__).with_name("sleepstudy.csv"))
    code, day = pd.factorize(rows["subject"])[0], rows["day"].to_numpy(dtype="float64")
    who = np.eye(18)[code]
    x = np.column_stack([np.ones(180), day, who, who * day[:, None]])
    sd = np.array([24.741, 5.922])
    cov = np.outer(sd, sd) * np.array([[1, correlation], [correlation, 1]])
    prior = np.diag(np.full(38, NEARLY_FLAT))
    prior[2:, 2:] = np.kron(np.linalg.inv(cov), np.eye(18))
    y, precision = rows["reaction_ms"].to_numpy(dtype="float64"), 25.592**-2.0
    gram, right = precision * x.T @ x, precision * x.T @ y
    return posterior_of(gram, right, (prior, np.zeros(38))), rows


def test_sleepstudy_fixed_effects_and_their_errors() -> None:
    """Random intercept and slope, 18 subjects x 10 days.

    Data: lme4's sleepstudy (Belenky et al. 2003), copied in sleepstudy.csv. Results seen in lmer's
    REML output: sd 24.741 and 5.922, correlation .07, residual 25.592; effects 251.405 (6.825)
    and 10.467 (1.546).
    """
    post, _ = sleep_posterior(0.07)
    assert post.mean[:2] == pytest.approx((251.405, 10.467), abs=6e-4)
    # The components are printed to three digits and the correlation to two, so the last digit
    # of an error that depends on them may move by one.
    assert np.sqrt(np.diag(post.cov))[:2] == pytest.approx((6.825, 1.546), abs=1.5e-3)


def test_sleepstudy_subjects_are_drawn_in_by_what_the_components_say() -> None:
    """Balanced data: deviations shrink by D (D + s2 (Z'Z)^-1)^-1 (closed form, derived)."""
    post, rows = sleep_posterior(0.07)
    z = np.column_stack([np.ones(10), np.arange(10.0)])
    own = np.linalg.lstsq(z, rows["reaction_ms"].to_numpy().reshape(18, 10).T, rcond=None)[0]
    sd = np.array([24.741, 5.922])
    between = np.outer(sd, sd) * np.array([[1, 0.07], [0.07, 1]])
    shrink = between @ np.linalg.inv(between + 25.592**2 * np.linalg.inv(z.T @ z))
    wanted = shrink @ (own - own.mean(axis=1, keepdims=True))
    assert post.mean[2:20] == pytest.approx(wanted[0], abs=1e-5)
    assert post.mean[20:] == pytest.approx(wanted[1], abs=1e-6)


def dyestuff_components() -> tuple[float, float]:
    """Between and within variance of a balanced one-way layout, by analysis of variance."""
    means = DYESTUFF.mean(axis=1)
    within = float(((DYESTUFF - means[:, None]) ** 2).sum() / 24)
    return float((5 * means.var(ddof=1) - within) / 5), within


def test_dyestuff_in_closed_form() -> None:
    """REML of a balanced layout is the analysis of variance.

    Data and result from memory (Davies and Goldsmith 1972; lme4's Dyestuff): mean 1527.5,
    variances 1764.05 and 2451.25. The shrinkage 5 s_b / (5 s_b + s_w) is derived.
    """
    between, within = dyestuff_components()
    assert (between, within) == pytest.approx((1764.05, 2451.25), abs=5e-3)
    x = np.column_stack([np.ones(30), np.repeat(np.eye(6), 5, axis=0)])
    prior = np.diag([NEARLY_FLAT, *[1 / between] * 6])
    right = x.T @ DYESTUFF.ravel() / within
    post = posterior_of(x.T @ x / within, right, (prior, np.zeros(7)))
    assert post.mean[0] == pytest.approx(1527.5, abs=1e-4)
    shrink = 5 * between / (5 * between + within)
    assert post.mean[1:] == pytest.approx(shrink * (DYESTUFF.mean(axis=1) - 1527.5), abs=1e-4)
    assert post.cov[0, 0] == pytest.approx((between + within / 5) / 6, rel=1e-6)


def test_batting_averages_shrink_as_published() -> None:
    """18 players after 45 at bats: grand mean .265, shrinking factor .212, the first .294.

    Efron and Morris (1977), Scientific American 236(5):119-127 (factor and mean seen quoted; the
    further digits derived from the exact hits).
    """
    average = np.array(HITS) / 45.0
    grand = float(average.mean())
    noise = grand * (1 - grand) / 45.0
    c = 1 - 15 * noise / float(((average - grand) ** 2).sum())
    assert (round(grand, 3), round(c, 3)) == (0.265, 0.212)
    between = noise * c / (1 - c)
    prior = np.diag([1e12, *[1 / between] * 18])
    pull = np.r_[1e12 * grand, np.zeros(18)]
    x = np.column_stack([np.ones(18), np.eye(18)])
    post = posterior_of(x.T @ x / noise, x.T @ average / noise, (prior, pull))
    assert post.mean[0] + post.mean[1] == pytest.approx(0.293914, abs=5e-7)
    assert post.mean[1:] / (average - grand) == pytest.approx(np.full(18, 0.211653), abs=5e-6)
