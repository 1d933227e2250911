"""Invented families of devices whose true price paths are known, written from a description.

Nothing here comes from the kit's own model: prices fall in two phases to a floor, models differ
in level and slope and drift by themselves, a market factor is shared, a successor may lower the
price, noise has heavy tails, and three lots in a hundred are not what they are labelled. All
figures are common practice, no source; families are drawn from wide ranges so that none is typical.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from repair_horizon.estimation.curve.panel import Models, Panel, Traits, models_of
from repair_horizon.tables.months import age_in_months, month_number

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

START = pd.Timestamp("2018-01-01")
FIRST = int(month_number([START])[0])
MONTHS = 100
NAMES = ("grade B", "grade C", "grade D", "channel counter", "storage doubling")
MISLABELLED = 0.03
_RHO, _DRIFT_RHO = 0.9, 0.93


@dataclass(frozen=True)
class Size:
    """How many models a family has and how many sales a month at its best, both from - to."""

    models: tuple[int, int]
    sales: tuple[float, float]


BIG, SMALL = Size((8, 14), (12.0, 40.0)), Size((2, 5), (0.7, 3.5))


@dataclass(frozen=True, eq=False)
class Sales:
    """Sales: model, day, trait values (n, 5), log price over launch price, and whether clean."""

    model: Ints
    day: pd.DatetimeIndex
    traits: Floats
    y: Floats
    clean: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Family:
    """One invented family: the truth, and every sale that ever happens in it.

    Ages in months, slopes in log points a year; ``market`` is (months,), ``drift`` (models,
    months). ``shape`` is start, floor, share of the fast phase and the two decay times.
    """

    seed: int
    launch: pd.DatetimeIndex
    successor: pd.DatetimeIndex
    launch_price: Floats
    shape: tuple[float, float, float, float, float]
    level: Floats
    slope: Floats
    step: Floats
    season: tuple[float, float]
    market: Floats
    drift: Floats
    effects: Floats
    ageing: Floats
    mix: Floats
    noise: float
    sales: Sales = field(init=False)
    rate: Floats = field(repr=False)

    def __post_init__(self) -> None:
        """Draw the sales once."""
        object.__setattr__(self, "sales", _history(self))

    def truth(self, model: Ints, day: pd.DatetimeIndex) -> Floats:
        """Log price level over launch price at the base traits, (n,)."""
        age = np.maximum(age_in_months(day, self.launch[model]), 0.0)
        start, floor, fast, quick, slow = self.shape
        fall = fast * np.exp(-age / quick) + (1 - fast) * np.exp(-age / slow)
        turn = 2 * np.pi * day.day_of_year.to_numpy() / 365.25
        month = month_number(day) - FIRST
        out: Floats = (
            np.log(start * (floor + (1 - floor) * fall))
            + self.level[model]
            + self.slope[model] * np.minimum(age - 18, 40) / 12
            + self.step[model] * (day >= self.successor[model])
            + self.season[0] * np.cos(turn)
            + self.season[1] * np.sin(turn)
            + self.market[month]
            + self.drift[model, month]
        )
        return out

    def pace(self, day: pd.DatetimeIndex) -> Floats:
        """Sales a month to expect of each model on each day, (models, days); best at 14 months."""
        age = np.stack([age_in_months(day, [t] * len(day)) for t in self.launch])
        ripe = np.clip(age, 0, None) / 14
        return self.rate[:, None] / len(self.launch) * ripe * np.exp(1 - ripe)

    def priced(self, model: Ints, day: pd.DatetimeIndex, traits: Floats) -> Floats:
        """Log price ratio of a unit with given traits, before the noise of the single sale."""
        late = (age_in_months(day, self.launch[model]) - 18) / 12
        own = traits @ self.effects + (traits @ self.ageing) * late
        out: Floats = self.truth(model, day) + own
        return out


def simulate(seed: int, size: Size) -> Family:
    """Draw one family; the seed fixes everything."""
    rng = np.random.default_rng([seed, 77])
    k = int(rng.integers(size.models[0], size.models[1] + 1))
    gap = rng.uniform(7, 14)
    months = rng.uniform(-30, 6) + np.cumsum(np.maximum(rng.normal(gap, 1.5, k), 3))
    months = months - (gap if size is BIG else 0)
    launch = START + pd.to_timedelta(np.floor(months * 30.4375), unit="D")
    later = np.append(launch[1:].to_numpy(), np.datetime64("NaT", "ns"))
    steps = rng.normal(-0.05, 0.04, k) if rng.random() < 0.6 else np.zeros(k)
    return Family(
        seed=seed,
        launch=pd.DatetimeIndex(launch),
        successor=pd.DatetimeIndex(later),
        launch_price=np.exp(rng.normal(np.log(600), 0.35, k)),
        shape=_shape(rng),
        level=rng.normal(0, 0.09, k),
        slope=rng.normal(0, 0.04, k),
        step=steps,
        season=tuple(rng.normal(0, 0.015, 2)),
        market=walk(rng, (MONTHS,), 0.045, _RHO),
        drift=walk(rng, (k, MONTHS), 0.03, _DRIFT_RHO),
        effects=np.array([-0.10, -0.22, -0.42, -0.06, 0.07]) * rng.uniform(0.6, 1.4, 5),
        ageing=rng.normal([-0.01, -0.02, -0.03, 0, 0.0], 0.012),
        mix=rng.dirichlet([6, 6, 4, 2]),
        noise=float(rng.uniform(0.06, 0.13)),
        rate=rng.uniform(*size.sales) * rng.dirichlet(np.full(k, 0.9)) * k,
    )


def _shape(rng: np.random.Generator) -> tuple[float, float, float, float, float]:
    """Start, floor, and the two phases.

    From a fall by half within six months and a tenth in the next (offers for phones), through 3 %
    a month throughout (asking prices), to 1 % a week (computers): the spread of trade figures.
    """
    start, floor, fast = rng.uniform(0.82, 1.0), rng.uniform(0.04, 0.14), rng.uniform(0.10, 0.50)
    return start, floor, fast, rng.uniform(3, 10), np.exp(rng.uniform(np.log(20), np.log(70)))


def walk(rng: np.random.Generator, shape: tuple[int, ...], sd: float, rho: float) -> Floats:
    """Stationary AR(1) paths along the last axis."""
    shocks = rng.normal(0, sd * np.sqrt(1 - rho**2), shape)
    out = np.empty(shape)
    out[..., 0] = rng.normal(0, sd, shape[:-1])
    for t in range(1, shape[-1]):
        out[..., t] = rho * out[..., t - 1] + shocks[..., t]
    return out


def random_traits(family: Family, n: int, rng: np.random.Generator) -> Floats:
    """Grades in the family's mix, a quarter sold over the counter, storage 0 to 2 doublings."""
    grade = rng.choice(4, n, p=family.mix)
    storage = rng.choice(3, n, p=[0.6, 0.3, 0.1])
    out: Floats = np.column_stack(
        [grade == 1, grade == 2, grade == 3, rng.random(n) < 0.25, storage]
    )
    return out.astype("float64")


def random_days(months: Ints, rng: np.random.Generator) -> pd.DatetimeIndex:
    """A day in each of the numbered months (0 is the first)."""
    number = months + FIRST
    starts = pd.to_datetime({"year": number // 12, "month": number % 12 + 1, "day": 1})
    return pd.DatetimeIndex(starts + pd.to_timedelta(rng.integers(0, 28, len(months)), unit="D"))


def _history(family: Family) -> Sales:
    """Every sale of the first 72 months, three in a hundred of them mislabelled."""
    rng = np.random.default_rng([family.seed, 78])
    middle = pd.date_range(START, periods=72, freq="MS") + pd.Timedelta(days=14)
    counts = rng.poisson(family.pace(middle))
    model, month = (np.repeat(i.ravel(), counts.ravel()) for i in np.indices(counts.shape))
    day = random_days(month, rng)
    kept = day > family.launch[model]
    model, day = model[kept], day[kept]
    traits = random_traits(family, len(model), rng)
    y = family.priced(model, day, traits) + family.noise * rng.standard_t(4, len(model))
    bad = rng.random(len(model)) < MISLABELLED
    return Sales(model, day, _relabelled(traits, bad, rng), y + _wrong(bad, rng), ~bad)


def _relabelled(traits: Floats, bad: npt.NDArray[np.bool_], rng: np.random.Generator) -> Floats:
    """A third of the mislabelled lots carry another lot's traits."""
    chosen = np.flatnonzero(bad & (rng.random(len(bad)) < 0.35))
    out = traits.copy()
    out[chosen] = traits[rng.integers(0, len(traits), len(chosen))] if len(traits) else 0
    return out


def _wrong(bad: npt.NDArray[np.bool_], rng: np.random.Generator) -> Floats:
    """The rest are parts-only units, other models, or amounts with a slipped decimal."""
    n = len(bad)
    kind = rng.choice(4, n, p=[0.35, 0.25, 0.30, 0.10])
    sizes = np.stack(
        [np.zeros(n), rng.normal(-1.2, 0.3, n), rng.normal(0, 0.35, n), rng.choice([-2.3, 2.3], n)]
    )
    out: Floats = np.where(bad, sizes[kind, np.arange(n)], 0.0)
    return out


def models_at(family: Family, origin: int) -> tuple[pd.Timestamp, Models]:
    """Last day of a month, and the models launched by then with the successors known by then."""
    now = START + pd.DateOffset(months=origin) - pd.Timedelta(days=1)
    launched = np.flatnonzero(family.launch <= now)
    successor = family.successor[launched]
    catalogue = pd.DataFrame(
        {
            "model_id": [f"m{i}" for i in launched],
            "launch_date": family.launch[launched],
            "successor_launch_date": successor.where(successor <= now),
            "launch_amount": family.launch_price[launched],
        }
    )
    return now, models_of(catalogue)


def panel_at(family: Family, origin: int) -> Panel:
    """What is known at the end of a month: launched models, past successors, past sales."""
    now, models = models_at(family, origin)
    return laid_out(models, family.sales, family.sales.day <= now, now)


def laid_out(models: Models, sales: Sales, kept: npt.NDArray[np.bool_], now: pd.Timestamp) -> Panel:
    """Panel of the chosen sales; traits nobody sold are left in at their prior."""
    model, y = sales.model[kept], sales.y[kept]
    traits = Traits(NAMES, sales.traits[kept], np.full(5, 0.3), np.ones(5, dtype=bool))
    amount = np.exp(y) * models.launch_price[model]
    key = np.arange(len(y)).astype(object)
    return Panel(models, y, model, sales.day[kept], traits, key, amount, now)
