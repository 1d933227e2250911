"""The benchmark on real prices, at its smallest and on tables shipped beside the tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from .real_prices import LAST, OURS, ROOT, STRAIGHT, extended, figures, folded, rolled, summary
from .real_tables import COROLLAS, computers, corollas, table, three_cars, used_cars

SHIPPED = Path(__file__).parent.parent / "published"


def offers(count: int = 600) -> pd.DataFrame:
    """Invented offers in the columns of the PC table: 25 % a year, two speeds, one from month 8."""
    rng = np.random.default_rng(3)
    speed = rng.choice([33, 66], count)
    trend = np.where(speed == 33, rng.integers(1, 36, count), rng.integers(8, 36, count))
    trend[:2], speed[:2] = (1, 8), (33, 66)
    yes = np.where(rng.random((3, count)) < 0.5, "yes", "no")
    ram = rng.choice([4, 8, 16], count)
    log = 7.5 - 0.024 * trend + 0.1 * np.log2(ram) + 0.1 * rng.standard_t(4, count)
    return pd.DataFrame(
        {
            "price": np.exp(log).round(),
            "speed": speed,
            "premium": yes[0],
            "ram": ram,
            "hd": 340,
            "screen": 14,
            "cd": yes[1],
            "multi": yes[2],
            "trend": trend,
        }
    )


def test_every_method_is_scored_on_the_same_sales_and_every_figure_is_said() -> None:
    """On a table of each kind; on falling offers the joint model beats the last level."""
    cars = pd.read_csv(SHIPPED / "three_cars_2017.csv")
    three = three_cars(cars.set_axis(["CarType", "Age", "Price", "Mileage"], axis=1))
    toyota = pd.read_csv(SHIPPED / "toyota_corolla.csv")
    driven = np.log2(toyota["km"].clip(lower=1000) / 60_000).to_numpy()
    one = pd.Series("corolla", index=toyota.index)
    plain = used_cars(one, toyota["age_months"], toyota["price"], driven)
    ahead = extended(plain, ages=(60,))
    by_name = {
        "Computers": rolled(computers(offers()), origins=(20,)),
        "Corolla, 7-12 months on": ahead[ahead["horizon"] == "7-12"],
        "Corolla, ten-fold": folded(plain, folds=2),
        "Three cars, ten-fold": folded(three),
    }
    for name, scores in by_name.items():
        at = summary(scores)
        assert set(at.index) - {LAST} == {OURS, ROOT, STRAIGHT}
        assert (LAST in at.index) == ("fold" not in name)
        assert at["sales"].nunique() == 1
        assert np.isfinite(at.to_numpy()).all()
    at = summary(by_name["Computers"])["pinball"]
    assert at[OURS] < at[LAST]
    said = list(figures(by_name))
    assert len(said) == 15
    assert all(np.isfinite(value) for _, value, _, _ in said)


def test_a_model_s_age_is_what_the_table_says() -> None:
    """Speeds of the first month are a year old then; the others are new when first offered.

    The panel's own age, from launch to the day of the offer, agrees to a few days.
    """
    prices = computers(offers())
    oldest = prices.rows.groupby("model_id")["age"].min()
    assert oldest[["33yes", "33no"]].min() == 12.5
    assert oldest[["66yes", "66no"]].min() == 0.5
    panel = prices.panel(prices.rows, prices.rows["day"].max())
    assert panel.age == pytest.approx(prices.rows["age"].to_numpy(), abs=0.1)


def test_corollas_are_grouped_by_trim_fuel_and_engine() -> None:
    """16,000 cc is one of 1,600 entered with a nought too many, and stands by itself."""
    words = ["TOYOTA Corolla 1.6 HATCHB Linea Terra 2/3-Doors", "2.0 D4D SOL", "1.6 TERRA", "x"]
    raw = pd.DataFrame(
        {
            "Model": words,
            "Fuel_Type": ["Petrol", "Diesel", "Petrol", "Petrol"],
            "CC": [1587, 1995, 1600, 16000],
            "Age_08_04": 20,
            "Price": 9000,
            "KM": [1, 60_000, 30_000, 500],
        }
    )
    rows = corollas(raw).rows
    groups = ["PetrolTERRAHATCHB16", "DieselSOL20", "PetrolTERRA16", "Petrol30"]
    assert rows["model_id"].tolist() == groups
    assert rows["distance"].tolist() == pytest.approx([-5.907, 0.0, -1.0, -5.907], abs=5e-4)


def test_a_missing_or_another_table_is_refused_in_a_sentence(tmp_path: Path) -> None:
    """No package, or a table with other rows than the one meant: told, not guessed."""
    with pytest.raises(SystemExit, match="is not there; put the tables into PLACE by: pip"):
        table(tmp_path / COROLLAS, ("Price",), 1436)
    (tmp_path / "other.csv").write_text("Price\n1\n")
    with pytest.raises(SystemExit, match="1 rows, where 1436 with Price, KM belong"):
        table(tmp_path / "other.csv", ("Price", "KM"), 1436)
    with pytest.raises(SystemExit, match="1 rows, where 2 with Price belong"):
        table(tmp_path / "other.csv", ("Price",), 2)
    assert table(tmp_path / "other.csv", ("Price",), 1)["Price"].tolist() == [1]
