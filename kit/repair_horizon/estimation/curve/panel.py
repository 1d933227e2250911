"""Dated log prices of the models of one family, laid out for the joint model."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr, ndtri

from repair_horizon.tables.arrays import Bools, Floats, Ints, Texts
from repair_horizon.tables.months import age_in_months, month_number


@dataclass(frozen=True, eq=False)
class Models:
    """The models of a family: one row each, also those never sold.

    ``launch`` and ``successor`` are days (``successor`` may be missing); ``launch_price`` is in
    the settlement currency and is the family's geometric mean where ``price_known`` is false.
    """

    ids: tuple[str, ...]
    launch: pd.DatetimeIndex
    launch_price: Floats
    price_known: Bools
    successor: pd.DatetimeIndex
    gap_months: float
    gap_sd: float
    steps: bool

    def index(self, ids: pd.Series) -> Ints:
        """Position of each identifier."""
        code, names = pd.factorize(ids)
        at = {m: i for i, m in enumerate(self.ids)}
        return np.array([at[n] for n in names], dtype="int64")[code]

    @cached_property
    def launch_days(self) -> npt.NDArray[np.datetime64]:
        """Days of launch as an array, (models,)."""
        return self.launch.to_numpy()

    def step(self, model: Ints, days: pd.DatetimeIndex, now: pd.Timestamp) -> Floats:
        """Share of the successor step in force on each day.

        A known date gives 0 before and 1 from it. An unknown one is expected one generation gap
        after launch: 0 up to ``now``, then the chance that it has come by then, given it has not
        come yet. A model overdue by two gaps is taken to have no successor. Families without any
        known successor have no step at all.
        """
        if not self.steps:
            return np.zeros(len(model))
        known, when = self.successor.to_numpy()[model], days.to_numpy()
        out = (when >= known).astype("float64")  # nothing is at or after a missing day
        unknown = np.flatnonzero(np.isnat(known) & (when > now.to_datetime64()))
        if len(unknown):
            out[unknown] = self._expected(model[unknown], days[unknown], now)
        return out

    def _expected(self, model: Ints, days: pd.DatetimeIndex, now: pd.Timestamp) -> Floats:
        age_now = self._ages_at(now)[model]
        age_then = age_in_months(days, self.launch_days[model])
        mean, sd = self.gap_months, self.gap_sd
        before = ndtr((age_now - mean) / sd)
        due = (ndtr((age_then - mean) / sd) - before) / np.maximum(1 - before, 1e-9)
        overdue = (age_then - age_now) / mean
        out = np.where(age_now > mean + 2 * sd, overdue, due)
        out = np.where(age_now > 2 * mean + 2 * sd, 0.0, out)
        return np.clip(out, 0.0, 1.0)

    def _ages_at(self, now: pd.Timestamp) -> Floats:
        return age_in_months(now, self.launch_days)

    def successor_ages(self, luck: Floats, now: pd.Timestamp) -> Floats:
        """Age at which each model's unknown successor comes, one per draw.

        The law is the one behind ``step``: a normal gap cut off at ``now``, an even spread over
        one more gap for a model overdue by two standard deviations, never where overdue by two
        gaps. So the share of draws whose successor has come by a day tends to ``step``.

        Parameters
        ----------
        luck
            Uniform numbers, (draws, models).
        now
            Day up to which is known.

        Returns
        -------
        Floats
            Ages in months, (draws, models); infinite for never and for known successors.
        """
        age, mean, sd = self._ages_at(now), self.gap_months, self.gap_sd
        left = ndtr((mean - age) / sd)
        due = mean - sd * ndtri(np.clip(left * (1.0 - luck), 1e-300, 1.0))
        out = np.where(age > mean + 2 * sd, age + luck * mean, due)
        never = (age > 2 * mean + 2 * sd) | ~self.successor.isna() | (not self.steps)
        return np.where(never, np.inf, out)


@dataclass(frozen=True, eq=False)
class Traits:
    """What tells one price of a model from another: grade, channel, storage, supplier...

    ``values`` is (n, k); column j is named ``names[j]`` and its effect has prior mean ``mean[j]``
    (0 if ``mean`` is None) and standard deviation ``sd[j]``; where ``ageing[j]`` the effect may
    change with age.
    """

    names: tuple[str, ...]
    values: Floats
    sd: Floats
    ageing: Bools
    mean: Floats | None = None

    @property
    def expected(self) -> Floats:
        """Prior mean of each effect."""
        return np.zeros(len(self.names)) if self.mean is None else self.mean


@dataclass(frozen=True, eq=False)
class Panel:
    """Rows for the joint model; every array has length n unless said otherwise.

    ``y`` is log(price / launch price), ``model`` the position in ``models``, ``day`` the date,
    ``key`` the identifier of the row, ``amount`` the price itself, ``now`` the day up to which is
    known. ``averaged`` is of how many sales each price is the mean (one, if None): its variance
    is that of a single sale by so many.
    """

    models: Models
    y: Floats
    model: Ints
    day: pd.DatetimeIndex
    traits: Traits
    key: npt.NDArray[np.object_]
    amount: Floats
    now: pd.Timestamp
    averaged: Floats | None = None
    month: Ints = field(init=False)
    age: Floats = field(init=False)

    def __post_init__(self) -> None:
        """Derive month and age once."""
        object.__setattr__(self, "month", month_number(self.day))
        age = age_in_months(self.day, self.models.launch_days[self.model])
        object.__setattr__(self, "age", np.maximum(age, 0.0))

    def kept(self, rows: Bools) -> Panel:
        """The panel with some of its rows."""
        traits = replace(self.traits, values=self.traits.values[rows])
        averaged = None if self.averaged is None else self.averaged[rows]
        cut = {n: getattr(self, n)[rows] for n in ("y", "model", "day", "key", "amount")}
        return replace(self, traits=traits, averaged=averaged, **cut)

    @property
    def counts(self) -> Floats:
        """Sales behind each price."""
        return np.ones(len(self.y)) if self.averaged is None else self.averaged

    @property
    def sales_by_model(self) -> Ints:
        """Rows per model, (number of models,)."""
        return np.bincount(self.model, minlength=len(self.models.ids)).astype("int64")


def models_of(catalogue: pd.DataFrame) -> Models:
    """Lay out the models of a family from its catalogue rows."""
    launch = pd.DatetimeIndex(catalogue["launch_date"])
    successor = pd.DatetimeIndex(catalogue["successor_launch_date"])
    price = catalogue["launch_amount"].to_numpy(dtype="float64")
    known = np.isfinite(price)
    usual = float(np.exp(np.log(price[known]).mean())) if known.any() else 1.0
    have = ~successor.isna()
    gaps = age_in_months(successor[have], launch[have]) if have.any() else np.array([])
    gaps = gaps[gaps > 0]
    return Models(
        ids=tuple(catalogue["model_id"]),
        launch=launch,
        launch_price=np.where(known, price, usual),
        price_known=known,
        successor=successor,
        gap_months=float(gaps.mean()) if len(gaps) else 12.0,
        gap_sd=max(1.5, float(gaps.std())) if len(gaps) > 1 else 2.0,
        steps=bool(have.any()),
    )


def dummies(values: Texts | pd.Series, base: str) -> tuple[list[str], Floats]:
    """Indicator columns for every value but the base one, in sorted order."""
    code, words = pd.factorize(np.asarray(values, dtype=object), sort=True)
    others = np.flatnonzero(words != base)
    return [str(words[i]) for i in others], (code[:, None] == others).astype("float64")
