"""Widths learnt from the back-test: one shrunk factor, kept in a file, applied to bands."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_logs
from repair_horizon.estimation.calibration import (
    UNCHECKED,
    Calibration,
    calibrated_outlook,
    calibrated_table,
    read_calibration,
    width_factor,
    write_calibration,
)
from repair_horizon.estimation.curve.predict import Band
from repair_horizon.estimation.forecast import Estimates, FamilyOutlook, fit_family, forecast
from repair_horizon.logs import LogFault, Logs
from scipy.stats import norm


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


def drawn_forecasts(sd: float, n: int, origins: int = 12) -> pd.DataFrame:
    """Normal log errors of standard deviation ``sd`` against intervals made for 0.1."""
    rng = np.random.default_rng(5)
    half = norm.ppf(0.9) * 0.1
    cutoff = pd.date_range("2024-01-31", periods=origins, freq="ME")
    return pd.DataFrame(
        {
            "cutoff": cutoff[np.arange(n) % origins],
            "horizon": np.array([1, 6, 12])[np.arange(n) // origins % 3],
            "actual": 100.0 * np.exp(sd * rng.standard_normal(n)),
            "predicted": 100.0,
            "lower_80": 100.0 * np.exp(-half),
            "upper_80": 100.0 * np.exp(half),
        }
    )


def test_widths_are_left_alone_within_70_to_90_percent() -> None:
    found = width_factor(drawn_forecasts(0.1, 3000))
    assert found.factor == 1.0
    assert found.coverage == pytest.approx(0.8, abs=0.03)
    assert found.supported_months == 12
    assert "left as they are" in found.words


@pytest.mark.parametrize(("sd", "word"), [(0.2, "widened"), (0.05, "narrowed")])
def test_widths_are_scaled_by_one_shrunk_factor(sd: float, word: str) -> None:
    """Errors of twice the size ask for 2, drawn in by 12 / (12 + 6) on the log scale (2 ** 2/3)."""
    found = width_factor(drawn_forecasts(sd, 3000))
    assert found.factor == pytest.approx((sd / 0.1) ** (12 / 18), rel=0.04)
    assert word in found.words


def test_too_few_held_out_sales_change_nothing_and_support_nothing() -> None:
    found = width_factor(drawn_forecasts(0.5, 99))
    assert (found.factor, found.supported_months) == (1.0, 0)
    assert "99 held-out sales are too few" in found.words


def test_support_ends_at_the_first_horizon_that_fails() -> None:
    """Errors of thrice the size at 6 months leave support at 1, though 12 months hold again."""
    table = drawn_forecasts(0.1, 3000)
    off = table["horizon"] == 6
    table.loc[off, "actual"] = 100.0 * (table.loc[off, "actual"] / 100.0) ** 3
    assert width_factor(table).supported_months == 1


def test_a_calibration_survives_its_file(tmp_path: Path) -> None:
    found = width_factor(drawn_forecasts(0.2, 3000))
    write_calibration(found, tmp_path / "backtest")
    back = read_calibration(tmp_path / "backtest")
    assert back == found
    assert read_calibration(tmp_path) is UNCHECKED


@pytest.mark.parametrize("text", ["", "factor\nmany\n", "factor,coverage\n1,0.8\n"])
def test_a_broken_calibration_file_is_a_message(tmp_path: Path, text: str) -> None:
    (tmp_path / "calibration.csv").write_text(text)
    with pytest.raises(LogFault, match=r"calibration\.csv"):
        read_calibration(tmp_path)


def test_a_forecast_table_is_widened_and_ends_with_a_reason() -> None:
    """Factor 2 squares the ratio of each end to the middle; month 3 lies beyond two supported."""
    table = pd.DataFrame(
        {
            "month": ["2026-11", "2026-12", "2027-01", None],
            "predicted": [100.0, 100.0, 100.0, np.nan],
            "lower": [80.0, 80.0, 80.0, np.nan],
            "upper": [125.0, 125.0, 125.0, np.nan],
            "reason": ["", "", "", "no launch price and no sale"],
        }
    )
    found = calibrated_table(table, Calibration(2.0, 0.5, 500, 9, 2, ""), 2026 * 12 + 9)
    assert found["lower"].iloc[0] == 64.0
    assert found["upper"].iloc[0] == 156.25
    beyond = "beyond the 2 months that back-tests support"
    assert found["reason"].tolist() == ["", "", beyond, "no launch price and no sale"]
    pd.testing.assert_frame_equal(calibrated_table(table, UNCHECKED, 2026 * 12 + 9), table)


def test_a_band_is_widened_about_its_median() -> None:
    plain = Band(np.array([-0.5]), np.array([0.01]), 0.1)
    wide = replace(plain, widen=1.5)
    for at in ("level_quantile", "sale_quantile"):
        off = [float(getattr(b, at)(0.9)[0]) + 0.5 for b in (plain, wide)]
        assert off[1] == pytest.approx(1.5 * off[0])


def test_draws_are_widened_about_their_median(logs: Logs) -> None:
    """Spread on the log scale is multiplied, medians stay, the mean luck of a unit stays one."""
    family = fit_family(logs, "ulmvrist_watch")
    estimates = Estimates(logs.currency, logs.newest_day, {"ulmvrist_watch": family})
    plain = forecast(estimates, months=3, draws=200)
    wide = calibrated_outlook(plain, 1.5)
    assert calibrated_outlook(plain, 1.0) is plain
    a, b = (o.families["ulmvrist_watch"] for o in (plain, wide))
    assert isinstance(a, FamilyOutlook)
    assert isinstance(b, FamilyOutlook)
    told = np.isfinite(a.level).all(axis=0)
    assert np.isfinite(b.level).all(axis=0).tolist() == told.tolist()
    spread = [np.log(f.level)[:, told].std(axis=0) for f in (a, b)]
    assert spread[1] == pytest.approx(1.5 * spread[0])
    assert np.median(b.level[:, told], axis=0) == pytest.approx(
        np.median(a.level[:, told], axis=0), rel=1e-3
    )
    assert b.unit_noise.mean() == pytest.approx(1.0)
