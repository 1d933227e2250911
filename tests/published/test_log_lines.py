"""Back from logarithms: smearing and log-normal figures."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.curve.predict import Band, smearing_factor


def test_smearing_of_the_joint_fit_leans_on_the_log_normal_value() -> None:
    """With n residuals of +-a: (n cosh a + 10 exp(s^2 / 2)) / (n + 10), s the fitted noise.

    Exact by its definition, so that with many sales the published cosh(a) is what remains.
    """
    n, a = 40, 0.5
    day = pd.date_range("2023-01-10", periods=n, freq="7D")
    launch = pd.DatetimeIndex(["2022-06-01"])
    one, none = np.ones(1), pd.DatetimeIndex([pd.NaT])
    known = Models(("only",), launch, 300 * one, one > 0, none, 12.0, 2.0, False)
    traits = Traits((), np.zeros((n, 0)), np.zeros(0), np.zeros(0, dtype=bool))
    which, key = np.zeros(n, dtype="int64"), np.array([f"S{i}" for i in range(n)], dtype=object)
    fitted = fit_joint(
        Panel(known, np.zeros(n), which, day, traits, key, 300 * np.ones(n), day[-1]), Priors()
    )
    residuals = np.tile([a, -a], n // 2)
    fitted = replace(fitted, residuals=residuals, weights=np.ones(n))
    leaning = 10 * np.exp(fitted.scales.noise**2 / 2)
    assert smearing_factor(fitted) == pytest.approx(
        (n * 1.1276259652 + leaning) / (n + 10), rel=1e-9
    )


def test_log_normal_median_and_quantiles() -> None:
    """Log-normal(5, 0.3): closed forms exp(5) and quantiles (computed, checked)."""
    band = Band(np.array([5.0]), np.array([0.3**2]), 0.0)
    for quantile in (band.level_quantile, band.sale_quantile):
        assert np.exp(quantile(0.1)) == pytest.approx(101.041824, abs=5e-7)
        assert np.exp(quantile(0.9)) == pytest.approx(217.993549, abs=5e-7)
    assert np.exp(band.median) == pytest.approx(148.413159, abs=5e-7)
