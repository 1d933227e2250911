"""Price curves of a family from its logs: what one sale, none, or odd ones still let it say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices
from repair_horizon.estimation.forecast import FamilyOutlook, forecast
from repair_horizon.logs import CannotSay, read_logs
from repair_horizon.tables.codes import Basis
from scant_logs import all_fitted


def write_workspace(folder: Path, sales: list[tuple[str, str, float]], price: str = "500") -> Path:
    """One family of two models; ``price`` is the launch price of the second."""
    folder.mkdir()
    (folder / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
        "ulver_1,ulver,phone,2022-01-01,500,EUR\n"
        f"ulver_2,ulver,phone,2023-01-01,{price},{'EUR' if price else ''}\n",
        encoding="utf-8",
    )
    rows = [f"S{i},{m},{d},{p:.2f},EUR,A,market,working,sold" for i, (m, d, p) in enumerate(sales)]
    header = "sale_id,model_id,sale_date,gross_amount,currency,grade,channel,condition,price_type"
    (folder / "sales.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return folder


def fitted(folder: Path, sales: list[tuple[str, str, float]], price: str = "500") -> PriceCurves:
    logs = read_logs(write_workspace(folder, sales, price))
    assert len(logs.tables["sales"]) == len(sales)
    curves = fit_prices(logs, "ulver")
    assert isinstance(curves, PriceCurves)
    return curves


def half_width(curves: PriceCurves, model: int, days: pd.DatetimeIndex) -> np.ndarray:
    """Half the 80 % interval of the level, log points."""
    band = predict(curves.fit, curves.points(np.full(len(days), model), days))
    return band.level_quantile(0.9) - band.median


def broken_only(folder: Path, launch_prices: bool) -> Path:
    """One as-is sale, no sale of a working unit."""
    write_workspace(folder, [("ulver_1", "2024-01-10", 90.0)])
    text = (folder / "sales.csv").read_text(encoding="utf-8").replace("working", "as_is")
    (folder / "sales.csv").write_text(text, encoding="utf-8")
    if not launch_prices:
        text = (folder / "catalogue.csv").read_text(encoding="utf-8").replace("500,EUR", ",")
        (folder / "catalogue.csv").write_text(text, encoding="utf-8")
    return folder


def test_neither_sale_nor_launch_price_is_refused_with_the_reason(tmp_path: Path) -> None:
    """An as-is sale is no sale of a working unit; nothing may be invented from it."""
    refused = fit_prices(read_logs(broken_only(tmp_path / "w", launch_prices=False)), "ulver")
    assert isinstance(refused, CannotSay)
    assert "no sale of a working unit in the family and no launch price" in refused.reason


def test_without_a_sale_the_class_stands_in_as_wide_as_it_says(tmp_path: Path) -> None:
    """The class's share of launch price by age, and at a year no narrower than the class is."""
    logs = read_logs(broken_only(tmp_path / "w", launch_prices=True))
    curves = fit_prices(logs, "ulver")
    assert isinstance(curves, PriceCurves)
    known, launch = class_knowledge("phone").price_curve, curves.models.launch[1]
    for age in (6, 12, 24, 36):
        at = known.at(age)
        day = pd.DatetimeIndex([launch + pd.DateOffset(months=age)])
        band = predict(curves.fit, curves.points(np.array([1]), day))
        assert float(band.median[0]) == pytest.approx(float(np.log(at.value)), abs=0.03)
        assert float(at.log_sd) <= float(np.sqrt(band.level_variance[0])) < float(at.log_sd) + 0.25
    worth = forecast(all_fitted(logs), months=3, draws=200).families["ulver"]
    assert isinstance(worth, FamilyOutlook)
    assert worth.level_basis == {"ulver_1": Basis.CLASS, "ulver_2": Basis.CLASS}
    assert np.isfinite(worth.level).all()


def test_one_sale_gives_a_wide_and_widening_answer(tmp_path: Path) -> None:
    """One sale: near it about a fifth either way, much more at a distance, never nonsense.

    The reference measurement of this case has 19 % near, 47 % a year and 82 % two years on; the
    curve's shape is now held closer (its bands hold what they say on simulated small families).
    """
    curves = fitted(tmp_path / "w", [("ulver_1", "2024-01-10", 240.0)])
    days = pd.DatetimeIndex(["2024-01-15", "2025-01-15", "2026-01-15"])
    wide = half_width(curves, 0, days)
    assert wide[0] == pytest.approx(0.19, abs=0.08)
    assert wide[0] < wide[1] < wide[2]
    assert wide[2] > 0.28
    level = predict(curves.fit, curves.points(np.array([0]), days[:1])).median
    assert np.log(240 / 500) == pytest.approx(float(level[0]), abs=float(wide[0]))


def test_a_model_without_sale_takes_the_familys_curve(tmp_path: Path) -> None:
    """Never sold but with a launch price: forecast at its age from the family, and wider."""
    sales = [("ulver_1", f"2023-{m:02d}-10", 500 * 0.92 * 0.98 ** (11 + m)) for m in range(1, 13)]
    curves = fitted(tmp_path / "w", sales)
    at = pd.DatetimeIndex(["2023-06-15"]), pd.DatetimeIndex(["2024-06-15"])
    sold = predict(curves.fit, curves.points(np.array([0]), at[0])).median[0]
    unsold = predict(curves.fit, curves.points(np.array([1]), at[1])).median[0]
    assert unsold == pytest.approx(sold, abs=0.06)
    assert half_width(curves, 1, at[1])[0] > 1.2 * half_width(curves, 0, at[0])[0]


def test_unknown_launch_price(tmp_path: Path) -> None:
    """Without launch price and sale there is no forecast, with the reason; with sales there is."""
    sales = [("ulver_1", f"2023-{m:02d}-10", 500 * 0.92 * 0.98 ** (11 + m)) for m in range(1, 13)]
    without = read_logs(write_workspace(tmp_path / "w", sales, price=""))
    outlook = forecast(all_fitted(without), months=6, draws=50).families["ulver"]
    assert not isinstance(outlook, CannotSay)
    assert outlook.reasons["ulver_2"] == "no launch price and no sale"
    assert np.isnan(outlook.level[:, 1]).all()
    sold = [("ulver_2", f"2024-{m:02d}-10", 130.0) for m in range(1, 7)]
    curves = fitted(tmp_path / "v", sales + sold, price="")
    day = pd.DatetimeIndex(["2024-06-15"])
    band = predict(curves.fit, curves.points(np.array([1]), day))
    amount = float(np.exp(band.median[0]) * curves.models.launch_price[1])
    assert amount == pytest.approx(130.0, rel=0.1)


@pytest.mark.parametrize(
    "days",
    [["2023-06-10"] * 6, ["2023-06-01", "2023-06-05", "2023-06-12", "2023-06-20", "2023-06-25"]],
    ids=["all on one day", "one month only"],
)
def test_no_spread_in_age_still_gives_finite_answers(tmp_path: Path, days: list[str]) -> None:
    """Where no slope can be seen the prior's is used, and the interval says how little is known."""
    curves = fitted(tmp_path / "w", [("ulver_1", d, 320.0) for d in days])
    later = pd.DatetimeIndex(["2023-06-15", "2024-06-15", "2027-06-15"])
    band = predict(curves.fit, curves.points(np.zeros(3, dtype=int), later))
    assert np.isfinite(band.median).all()
    assert np.exp(band.median[0]) * 500 == pytest.approx(320, rel=0.05)
    assert (np.diff(band.level_variance) > 0).all()
    assert np.exp(band.median[1]) < np.exp(band.median[0])


def test_rising_prices_are_followed(tmp_path: Path) -> None:
    """Some goods rise: two years of plus one per cent a month must not be forced down."""
    days = pd.date_range("2022-12-10", periods=24, freq="30D")
    sales = [("ulver_1", f"{d:%Y-%m-%d}", 300 * 1.01**i) for i, d in enumerate(days)]
    curves = fitted(tmp_path / "w", sales)
    seen = pd.DatetimeIndex([days[0], days[23]])
    level = predict(curves.fit, curves.points(np.zeros(2, dtype=int), seen)).median
    assert level[1] - level[0] > 0.8 * 23 * np.log(1.01)
    assert 500 * np.exp(level[1]) == pytest.approx(300 * 1.01**23, rel=0.03)
