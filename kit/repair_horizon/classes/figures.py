"""A figure known before any log: its value, width and source; the share of launch price by age.

The figures stand in the CSV files beside this module, one a row, each with its mark and source.
Where a file has a row for the leading brand and one for the others, a class gets the equal
mixture of the two: the mean of the logs, and a width that holds both columns.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike


class Mark(StrEnum):
    """Where a figure comes from, the best known first."""

    PUBLISHED = "published"
    COMPUTED = "computed"
    COMMON_PRACTICE = "common practice"
    MEMORY = "memory"


# The least log standard deviation of a guess; log steps and shares of a few per cent are held
# to it relative to their own size by the tests.
LEAST_LOG_SD = {Mark.COMMON_PRACTICE: 0.25, Mark.MEMORY: 0.30}
_GUESSES = (Mark.COMMON_PRACTICE, Mark.MEMORY)


def weakest(marks: Sequence[Mark]) -> Mark:
    """Return the mark of a figure made of several: that of the least known of them."""
    return max(marks, key=list(Mark).index)


def words_of(mark: Mark) -> str:
    """Return how a page names such a figure."""
    return "class, a guess" if mark in _GUESSES else "class average"


@dataclass(frozen=True)
class Figure:
    """One figure of a device class.

    Attributes
    ----------
    value
        Its centre (the median, where its error is in logs).
    log_sd
        Standard deviation of its log; of the step itself for steps in logs (grades, paces).
    mark
        Where it comes from.
    source
        Named where published or licensed, neutral elsewhere.

    Examples
    --------
    >>> Figure(0.07, 0.5, Mark.COMMON_PRACTICE, "common practice, no source").words()
    'class, a guess'
    """

    value: float
    log_sd: float
    mark: Mark
    source: str

    def words(self) -> str:
        """Return 'class average' or 'class, a guess'."""
        return words_of(self.mark)

    @property
    def log_centre(self) -> float:
        """Mean of the log under which ``value`` is the expectation.

        A figure drawn around ``log(value)`` is worth ``exp(log_sd**2 / 2)`` times its value on
        average: the wider a guess, the more. Where a decision rests on the mean, draw around
        this.
        """
        return math.log(self.value) - self.log_sd**2 / 2

    def times(self, other: Figure) -> Figure:
        """Return the product with an independent figure, as wide as both together."""
        return Figure(
            self.value * other.value,
            math.hypot(self.log_sd, other.log_sd),
            weakest((self.mark, other.mark)),
            "; ".join(dict.fromkeys((self.source, other.source))),
        )


@dataclass(frozen=True, eq=False)
class Figures:
    """A figure along ages: arrays of values and log standard deviations, one mark and source."""

    value: np.ndarray
    log_sd: np.ndarray
    mark: Mark
    source: str

    def words(self) -> str:
        """Return 'class average' or 'class, a guess'."""
        return words_of(self.mark)


@dataclass(frozen=True)
class Chance:
    """A share or success rate, worth so many observed cases (a beta or Dirichlet prior)."""

    mean: float
    cases: float
    mark: Mark
    source: str

    def words(self) -> str:
        """Return 'class average' or 'class, a guess'."""
        return words_of(self.mark)


def mixture(parts: Sequence[Figure]) -> Figure:
    """Return the equal mixture of the columns a class has: log mean and the width of both.

    The variance is the mean of the variances plus the spread of the centres.

    Examples
    --------
    >>> leading = Figure(0.76, 0.15, Mark.COMPUTED, "one brand")
    >>> both = mixture([leading, Figure(0.57, 0.28, Mark.COMPUTED, "the others")])
    >>> round(both.value, 3), round(both.log_sd, 3)
    (0.658, 0.267)
    """
    if len(parts) == 1:
        return parts[0]
    logs = np.log([f.value for f in parts])
    variance = np.mean([f.log_sd**2 for f in parts]) + np.var(logs)
    return Figure(
        float(np.exp(np.mean(logs))),
        float(np.sqrt(variance)),
        weakest([f.mark for f in parts]),
        "; ".join(dict.fromkeys(f.source for f in parts)),
    )


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """Return the rows of one of the package's CSV files, as text."""
    path = files("repair_horizon.classes").joinpath(f"{name}.csv")
    return tuple(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def rows_of(name: str, device_class: str) -> list[dict[str, str]]:
    """Return the rows of one file that hold for a class: its own and those of all classes."""
    return [r for r in rows(name) if r["device_class"] in (device_class, "all")]


def figure_of(row: dict[str, str]) -> Figure:
    """Return a row of the files as a figure."""
    return Figure(float(row["value"]), float(row["log_sd"]), Mark(row["mark"]), row["source"])


PIVOT_MONTHS = 12.0
"""Age at which an error of the pace leaves the price alone."""
SLOWS_OVER = 36.0
"""Months over which the last known pace dies away beyond a class's last age. The open camera offers
fall 1.7 % a month in their first two years and 0.65 % after ninety months (data/published)."""


@dataclass(frozen=True, eq=False)
class PriceCurve:
    """Share of launch price by age, in the grade the steps are counted from ("good").

    ``log share = centre(age) + level error + pace error * (age - PIVOT_MONTHS)``, both errors
    normal and independent, with the standard deviations below.

    Attributes
    ----------
    ages
        Months since launch, shape (k,).
    log_share
        Log of the share at them, shape (k,).
    level_log_sd, pace_log_sd
        Of the level, and of the monthly pace (log points a month).
    """

    ages: np.ndarray
    log_share: np.ndarray
    level_log_sd: float
    pace_log_sd: float
    mark: Mark
    source: str

    def at(self, age_months: ArrayLike) -> Figures:
        """Return share and width at ages, log-linear between the class's ages.

        Below the first age the nearest pace goes on; beyond the last it dies away over
        ``SLOWS_OVER``. The share never exceeds 1; ages below 0 are taken for 0.

        Parameters
        ----------
        age_months
            Months since launch, any shape.

        Examples
        --------
        >>> from repair_horizon.classes import class_knowledge
        >>> curve = class_knowledge("tablet").price_curve
        >>> curve.at([12, 24]).value.round(2).tolist()
        [0.67, 0.49]
        """
        age = np.maximum(np.asarray(age_months, dtype=float), 0.0)
        log_share = np.minimum(np.interp(age, self.ages, self.log_share) + self._beyond(age), 0.0)
        width = np.hypot(self.level_log_sd, self.pace_log_sd * (age - PIVOT_MONTHS))
        return Figures(np.exp(log_share), width, self.mark, self.source)

    def pace(self, age_months: float) -> Figure:
        """Return the monthly change of the log share at an age, its width in log points."""
        at = int(np.clip(np.searchsorted(self.ages, age_months), 1, len(self.ages) - 1))
        old = max(age_months - self.ages[-1], 0.0)
        slope = self._slope(at) * float(np.exp(-old / SLOWS_OVER))
        return Figure(slope, self.pace_log_sd, self.mark, self.source)

    def _slope(self, at: int) -> float:
        return float(np.diff(self.log_share)[at - 1] / np.diff(self.ages)[at - 1])

    def _beyond(self, age: np.ndarray) -> np.ndarray:
        before = np.minimum(age - self.ages[0], 0.0) * self._slope(1)
        old = np.maximum(age - self.ages[-1], 0.0)
        slowed = SLOWS_OVER * -np.expm1(-old / SLOWS_OVER)
        return np.asarray(before + slowed * self._slope(len(self.ages) - 1))


def price_curve(device_class: str) -> PriceCurve:
    """Return the curve of a class, the equal mixture of its brands' columns where it has two.

    The level's width is taken at ``PIVOT_MONTHS``; the pace's holds both columns' paces.
    """
    found = rows_of("price_curve", device_class)
    ages = sorted({float(r["age_months"]) for r in found})
    brands = sorted({r["brand"] for r in found})
    shares = {(r["brand"], float(r["age_months"])): _figure(r) for r in found}
    mixed = [mixture([shares[b, age] for b in brands]) for age in ages]
    logs = np.log([[shares[b, age].value for age in ages] for b in brands])
    paces = (logs[:, -1] - logs[:, 0]) / (ages[-1] - ages[0])
    pace_sds = [float(next(r["pace_log_sd"] for r in found if r["brand"] == b)) for b in brands]
    return PriceCurve(
        np.array(ages),
        np.log([f.value for f in mixed]),
        mixed[ages.index(PIVOT_MONTHS)].log_sd,
        float(np.sqrt(np.mean(np.square(pace_sds)) + np.var(paces))),
        weakest([f.mark for f in mixed]),
        mixed[0].source,
    )


def _figure(row: dict[str, str]) -> Figure:
    share, width = float(row["share_of_launch"]), float(row["level_log_sd"])
    return Figure(share, width, Mark(row["mark"]), row["source"])
