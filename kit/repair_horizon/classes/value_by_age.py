"""What a class is worth by age: the share of its launch price that a sold unit fetches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from repair_horizon.classes.figures import Figure, Figures, Mark, mixture, rows_of, weakest

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
