"""Depreciation of working units: one joint fit per family on log(price / launch price).

The declared order of the grades is put on effects that sales alone may have out of order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.curve.design import Points, Priors
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.curve.panel import Models
from repair_horizon.estimation.pooled_curves import PooledCurves, class_curve
from repair_horizon.estimation.pooled_effects import BETWEEN_SD, UsualEffects, usual_effects
from repair_horizon.estimation.price_rows import (
    CHANNEL,
    GRADE,
    NO_SALE,
    STORAGE,
    TRAIT_SD,
    doublings,
    price_rows,
)
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.arrays import Floats, Ints

# Chosen on the published camera offers and on simulated families (tests/benchmark, seeds for
# choosing). Real offers drifted for years around the curve of age, and a drift goes on: against a
# plain AR(1) market, an independent error a quarter and a curve that flattens later, the mean
# error of the offers a year ahead fell from 0.191 to 0.162 (the last level carried on: 0.217),
# their mean from 0.105 to 0.027, and 80 % bands held 79 instead of 66 %. On simulated families
# the loss rose by two per cent, and bands and stop months became as wide as they should be.
# Retaken now that a family starts from its class, tablets standing in for cameras: 0.189 and 68 %
# (0.205 and 63 % while a class's last pace went on for ever); from these priors alone 0.170 and
# 76 %, from consoles 0.186 and 69 %. A wider class gains nothing.
# Stiffness and model slope 0.03 (0.012 and 0.02 before): level bands of big simulated families
# two years ahead hold 80-87 % instead of 72-82, at the same loss. Season 0.015 and trait by age
# 0.02 (0.03 both before) and families' grades 0.08 apart (0.10): a year's sales cannot tell a
# season from the market. Loss of simulated families -0.4 % big and -1.2 % small, level error -2 to
# -3 %; in shops of another make (profit benchmark, seeds for choosing) level errors of a young one
# from 0.098 to 0.094 a month and from 0.151 to 0.146 a year ahead.
PRICE_PRIORS = Priors(
    first_slope=(-0.55, 0.25),
    damp=0.70,
    long_slope=-0.035,
    stiffness=0.03,
    season_sd=0.015,
    trait_age_sd=0.02,
    model_slope=0.03,
    drift=0.045,
    market=0.03,
    market_slow=0.09,
)


@dataclass(frozen=True, eq=False)
class PriceCurves:
    """Fitted price curves of a family, and the base that prices are quoted at.

    ``base_grade`` and ``base_channel`` are the commonest in the family; ``base_storage`` is each
    model's own. ``basis`` is 'sold', or 'asking' where only asking prices are known.
    ``others`` is how many other families the effects of grade, channel and storage start from.
    """

    fit: JointFit
    base_grade: str
    base_channel: str
    base_storage: Floats
    basis: str
    others: int = 0

    @property
    def never_sold(self) -> tuple[str, ...]:
        """Traits known from other families only."""
        traits = self.fit.panel.traits
        return tuple(n for i, n in enumerate(traits.names) if not traits.values[:, i].any())

    @property
    def models(self) -> Models:
        """The family's models."""
        return self.fit.panel.models

    def effect(self, trait: str) -> tuple[float, float]:
        """Log effect of a trait and its standard error; (0, 0) for the base, (0, 0.3) if unseen."""
        if trait in (GRADE + self.base_grade, CHANNEL + self.base_channel):
            return 0.0, 0.0
        if trait not in self.fit.layout.names:
            return 0.0, TRAIT_SD
        at = self.fit.layout.dense(trait)
        return float(self.fit.posterior.mean[at]), float(np.sqrt(self.fit.posterior.cov[at, at]))

    def traits(self, model: Ints, rows: pd.DataFrame) -> Floats:
        """Traits of rows by ``grade``, ``channel`` and ``storage_gb`` where there, (n, traits)."""
        names = self.fit.panel.traits.names
        values = np.zeros((len(rows), len(names)))
        for key, prefix in (("grade", GRADE), ("channel", CHANNEL)):
            for at, name in enumerate(names):
                if key in rows and name.startswith(prefix):
                    values[:, at] = rows[key] == name.removeprefix(prefix)
        if STORAGE in names and "storage_gb" in rows:
            doubled = doublings(rows["storage_gb"], self.base_storage[model])
            values[:, names.index(STORAGE)] = doubled
        return values

    def points(self, model: Ints, day: pd.DatetimeIndex) -> Points:
        """Points at the base grade, channel and storage."""
        return Points(model, day, np.zeros((len(model), len(self.fit.panel.traits.names))))


def fit_prices(
    logs: Logs,
    family_id: str,
    usual: UsualEffects | None = None,
    curves: PooledCurves | None = None,
    broke: MarketBreak | None = None,
) -> PriceCurves | CannotSay:
    """Fit the price curves of one family.

    Parameters
    ----------
    logs
        The workspace's logs, or the family's.
    usual
        What all families say of grades, channels and storage; that of ``logs`` if None, which
        then should be the whole workspace's.
    curves
        What all families say of the fall with age; the class's curve alone if None and the family
        has no sale, else the priors.
    broke
        A step of the whole shop's market (``market_breaks``).

    Returns
    -------
    PriceCurves or CannotSay
        The latter if the family has neither a sale of a working unit nor a launch price. Without
        a sale the class's curve times the launch price stands, wide.
    """
    rows = price_rows(logs, family_id, PRICE_PRIORS)
    if isinstance(rows, CannotSay):
        return rows
    usual = usual_effects(logs) if usual is None else usual
    kind = logs.class_of[family_id]
    priors = PRICE_PRIORS if broke is None else replace(PRICE_PRIORS, broke=broke)
    if curves is not None:
        priors = replace(priors, curve=curves.prior(family_id, kind))
    elif rows.basis == NO_SALE:
        priors = replace(priors, curve=class_curve(kind))
    steps = _grade_steps(kind, rows.base_grade, logs.grade_order)
    fit = fit_joint(usual.applied(family_id, rows, steps).panel, priors)
    base = (rows.base_grade, rows.base_channel, rows.base_storage)
    return PriceCurves(fit, *base, rows.basis, usual.others(family_id))


def _grade_steps(
    device_class: str, base: str, order: Sequence[str]
) -> dict[str, tuple[float, float]]:
    """Log effect and standard deviation of each grade against the base one, by the class."""
    if base not in order:
        return {}
    knowledge = class_knowledge(device_class)
    steps = {g: knowledge.grade_step(g, order) for g in order}
    return {
        GRADE + g: (s.value - steps[base].value, float(np.hypot(s.log_sd, BETWEEN_SD)))
        for g, s in steps.items()
        if g != base
    }


def ordered_effects(effects: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """Closest effects that never rise from the first to the last, by weighted least squares.

    Parameters
    ----------
    effects
        Log effects, the best grade first, (grades,).
    weights
        Weight of each, above zero, usually one over its squared standard error; equal if None.

    Returns
    -------
    ndarray
        Neighbours out of order share their weighted mean (pool adjacent violators); Barlow,
        Bartholomew, Bremner and Brunk (1972), Statistical Inference under Order Restrictions.
    """
    values = np.asarray(effects, dtype="float64")
    if (np.diff(values) < 0).all():
        return values.copy()
    from scipy.optimize import isotonic_regression  # slow to import, and most are in order

    out: Floats = isotonic_regression(values, weights=weights, increasing=False).x
    return out
