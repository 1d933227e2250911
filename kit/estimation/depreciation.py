"""Depreciation of working units: one joint fit per family on log(price / launch price)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.anchoring import price_panel
from kit.estimation.design import Points, Priors
from kit.estimation.joint import JointFit, fit_joint
from kit.estimation.panel import Models, Traits, dummies, models_of
from kit.logs import CannotSay, Logs

Floats = npt.NDArray[np.float64]

# Chosen on the published camera offers and on simulated families (tests/benchmark, seeds for
# choosing). Real offers drifted for years around the curve of age, and a drift goes on: against a
# plain AR(1) market, an independent error a quarter and a curve that flattens later, the mean
# error of the offers a year ahead fell from 0.191 to 0.162 (the last level carried on: 0.217),
# their mean from 0.105 to 0.027, and 80 % bands held 79 instead of 66 %. On simulated families
# the loss rose by two per cent, and bands and stop months became as wide as they should be.
PRICE_PRIORS = Priors(
    first_slope=(-0.55, 0.25),
    damp=0.70,
    long_slope=-0.03,
    stiffness=0.012,
    model_slope=0.02,
    drift=0.045,
    market=0.03,
    market_slow=0.09,
)
GRADE, CHANNEL, ASKING, STORAGE = "grade ", "channel ", "asking price", "storage doubling"
UNKNOWN_GRADE = "unknown"


@dataclass(frozen=True, eq=False)
class PriceCurves:
    """Fitted price curves of a family, and the base that prices are quoted at.

    ``base_grade`` and ``base_channel`` are the commonest in the family; ``base_storage`` is each
    model's own. ``basis`` is 'sold', or 'asking' where only asking prices are known.
    """

    fit: JointFit
    base_grade: str
    base_channel: str
    base_storage: Floats
    basis: str

    @property
    def models(self) -> Models:
        """The family's models."""
        return self.fit.panel.models

    def effect(self, trait: str) -> tuple[float, float]:
        """Log effect of a trait and its standard error; (0, 0) for the base, (0, 0.3) if unseen."""
        if trait in (GRADE + self.base_grade, CHANNEL + self.base_channel):
            return 0.0, 0.0
        if trait not in self.fit.layout.names:
            return 0.0, 0.3
        at = self.fit.layout.dense(trait)
        return float(self.fit.posterior.mean[at]), float(np.sqrt(self.fit.posterior.cov[at, at]))

    def points(self, model: npt.NDArray[np.int64], day: pd.DatetimeIndex) -> Points:
        """Points at the base grade, channel and storage."""
        return Points(model, day, np.zeros((len(model), len(self.fit.panel.traits.names))))


def working_prices(sales: pd.DataFrame) -> pd.DataFrame:
    """Rows of working units that bear on the price curve: sold ones, and asking prices."""
    return sales[(sales["condition"] != "as_is") & (sales["amount"] > 0)]


def fit_prices(
    logs: Logs, family_id: str, priors: Priors = PRICE_PRIORS
) -> PriceCurves | CannotSay:
    """Fit the price curves of one family.

    Parameters
    ----------
    logs
        The workspace's logs, or the family's.
    family_id
        The family.
    priors
        Prior means and standard deviations; the defaults are for used devices.

    Returns
    -------
    PriceCurves or CannotSay
        The latter if the family has no sale of a working unit.
    """
    family = logs.family(family_id)
    catalogue = family.tables["catalogue"]
    sales = working_prices(family.tables["sales"])
    if sales.empty:
        return CannotSay("no sale of a working unit in the family")
    models = models_of(catalogue)
    grade = sales["grade"].where(sales["grade"] != "", UNKNOWN_GRADE)
    asking = sales["price_type"] == "asking"
    base_grade = _commonest(grade[grade != UNKNOWN_GRADE], UNKNOWN_GRADE)
    base_channel = _commonest(sales["channel"], "")
    storage = catalogue["storage_gb"].to_numpy(dtype="float64")
    traits = _traits(
        sales, (grade, base_grade, base_channel), asking, storage[models.index(sales["model_id"])]
    )
    rows = sales.rename(columns={"sale_date": "day", "sale_id": "key"})
    now = max(logs.newest_day, sales["sale_date"].max())
    panel = price_panel(models, rows, traits, now, priors)
    basis = "asking" if asking.all() else "sold"
    return PriceCurves(fit_joint(panel, priors), base_grade, base_channel, storage, basis)


def _commonest(values: pd.Series, otherwise: str) -> str:
    counts = values.value_counts()
    return str(counts.index[0]) if len(counts) else otherwise


def _traits(
    sales: pd.DataFrame,
    grading: tuple[pd.Series, str, str],
    asking: pd.Series,
    base_storage: Floats,
) -> Traits:
    """Grade and channel indicators, asking offset and storage doublings, none of them constant."""
    grade, base_grade, base_channel = grading
    grades, grade_columns = dummies(grade, base_grade)
    channels, channel_columns = dummies(sales["channel"], base_channel)
    doubled = np.log2(sales["storage_gb"].to_numpy(dtype="float64") / base_storage)
    doubled = np.where(np.isfinite(doubled), doubled, 0.0)
    other, names = [], []
    if asking.any() and not asking.all():
        other.append(asking.to_numpy(dtype="float64"))
        names.append(ASKING)
    if np.any(doubled != 0):
        other.append(doubled)
        names.append(STORAGE)
    extra = np.column_stack(other) if other else np.zeros((len(sales), 0))
    all_names = [GRADE + g for g in grades] + [CHANNEL + c for c in channels] + names
    return Traits(
        tuple(all_names),
        np.hstack([grade_columns, channel_columns, extra]),
        np.full(len(all_names), 0.3),
        np.array([n != ASKING for n in all_names], dtype=bool),
    )
