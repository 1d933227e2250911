"""Back from logarithms: smearing, log-normal figures, prediction intervals, rate conversions."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.curve.predict import Band, smearing_factor
from repair_horizon.estimation.simple_curves import annual_loss, log_linear, monthly_loss, smearing
from scipy.stats import norm

SPEED = [4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15,
         15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24,
         24, 24, 24, 25]  # fmt: skip
DISTANCE = [2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60,
            80, 20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66,
            54, 70, 92, 93, 120, 85]  # fmt: skip


@pytest.mark.parametrize(("a", "factor"), [(0.2, 1.0200667556), (0.5, 1.1276259652)])
def test_smearing_is_the_mean_of_the_residuals_exponentials(a: float, factor: float) -> None:
    """Half the residuals +a, half -a give cosh(a), not the log-normal exp(a^2 / 2).

    Duan (1983), JASA 78:605-610 (formula seen, case derived).
    """
    residuals = np.array([a, -a] * 5)
    assert smearing(residuals) == pytest.approx(factor, abs=5e-11)
    age = np.array([0.0, 0.0, 10.0, 10.0, 20.0, 20.0])
    line = log_linear(age, 300 * np.exp(-0.02 * age + np.array([a, -a] * 3)))
    assert line.smearing == pytest.approx(factor, abs=5e-11)
    assert line.slope == pytest.approx(-0.02)


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


def test_log_normal_median_mean_and_quantiles() -> None:
    """Log-normal(5, 0.3): closed forms exp(5), exp(5.045) and quantiles (computed, checked)."""
    evenly = norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    assert np.exp(5) * smearing(0.3 * evenly) == pytest.approx(155.244299, rel=1e-5)
    band = Band(np.array([5.0]), np.array([0.3**2]), 0.0)
    for quantile in (band.level_quantile, band.sale_quantile):
        assert np.exp(quantile(0.1)) == pytest.approx(101.041824, abs=5e-7)
        assert np.exp(quantile(0.9)) == pytest.approx(217.993549, abs=5e-7)
    assert np.exp(band.median) == pytest.approx(148.413159, abs=5e-7)


def test_prediction_intervals_on_the_cars_data() -> None:
    """R's cars, distance on speed, with exp(distance) as the price so that its log is exact.

    Coefficients, and the 95 % intervals of the line at speeds 12, 19 and 24, seen; the interval of
    one observation at speed 10 from memory (Ezekiel 1930).
    """
    line = log_linear(SPEED, np.exp(np.array(DISTANCE, dtype="float64")))
    assert (line.intercept, line.slope) == pytest.approx((-17.57909489, 3.93240876), abs=5e-9)
    table: pd.DataFrame = np.log(line.predict([10, 12, 19, 24], level=0.95))
    at10 = table.loc[0, ["predicted", "level_lower", "level_upper", "lower", "upper"]]
    printed = (21.74499, 15.46192, 28.02807, -9.80960, 53.29959)
    assert at10.to_numpy() == pytest.approx(printed, abs=6e-6)
    assert table["predicted"].to_numpy()[1:] == pytest.approx((29.6, 57.1, 76.8), abs=0.05)
    assert table["level_lower"].to_numpy()[1:] == pytest.approx((24.4, 51.8, 68.4), abs=0.051)
    assert table["level_upper"].to_numpy()[1:] == pytest.approx((34.8, 62.4, 85.2), abs=0.051)


@pytest.mark.parametrize(
    ("yearly", "monthly"),
    [(0.3119, 0.0306715), (0.5, 0.0561257)],
)
def test_yearly_and_monthly_losses(yearly: float, monthly: float) -> None:
    """Office machines at 0.3119 a year, used computers at one half (sources below); derived.

    US Bureau of Economic Analysis, table of depreciation rates (Fraumeni 1997), 2.1832 / 7; Doms,
    Dunn, Oliner and Sichel (2004), NBER working paper 10521, abstract. Both yearly rates seen.
    """
    assert monthly_loss(yearly) == pytest.approx(monthly, abs=6e-8)
    assert annual_loss(np.log1p(-monthly_loss(yearly))) == pytest.approx(yearly, abs=1e-12)


@pytest.mark.parametrize(
    ("path", "yearly"),
    [
        ([100, 68.81, 47.35, 32.58, 22.42, 15.43], 0.3119),
        ([32000, 19200, 11520, 6912], 0.40),
    ],
)
def test_a_geometric_path_gives_back_its_rate(path: list[float], yearly: float) -> None:
    """Declining-balance tables are straight lines in logs.

    BEA's 0.3119 from 100 (derived, to cents); Australia's 200 % over five years on 80,000 (seen
    quoted from the tax office).
    """
    line = log_linear(12.0 * np.arange(len(path)), path)
    assert line.annual_loss == pytest.approx(yearly, abs=1e-4)


def test_falls_of_single_years_compound() -> None:
    """US producer prices of computers, 1996 to 1999: four falls make -64.10 % (derived).

    The yearly falls were seen in a Bureau of Labor Statistics note of 2 October 2000.
    """
    falls = [0.223, 0.216, 0.266, 0.197]
    months = sum(12 * np.log1p(-monthly_loss(fall)) for fall in falls)
    assert annual_loss(months / 12) == pytest.approx(0.6410, abs=5e-5)


def test_too_few_points_trace_no_line() -> None:
    """Two sales, or many at one age, must be refused by name."""
    with pytest.raises(ValueError, match="2 sales at 2 ages"):
        log_linear([1, 2], [10, 9])
    with pytest.raises(ValueError, match="3 sales at 1 ages"):
        log_linear([1, 1, 1], [10, 9, 8])
