"""Columns and priors of the joint price model: one curve, its traits, and the pooled effects.

    y = b0 + sum_k s_k c_k(age) + h'g + [h (age-18)/12]'d + step (bs + w_m) + season
        + al_m + la_m (age-18)/12 + u_month + c_quarter,m + e

Dense columns first (level, curve, traits, traits by age, step, season), then one level, slope
and step per model, then one market effect per month. The damped slopes are a random walk on the
log change per year, with a quick first phase of unknown size on top: steep start, slower tail,
fading past the data.

Behind every fit is one linear problem, penalised weighted least squares:
V = (X'WX + P)^-1, mean = V (X'Wy + P m0). With P of known variance components this is Henderson's
mixed-model solution. Rows of the design come in a dense and a sparse block.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import linalg, sparse

from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.months import age_in_months, month_number


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of the design, kept in two blocks: dense (n, n_dense) and sparse (n, rest)."""

    dense: Floats
    sparse: sparse.csr_array

    def full(self) -> Floats:
        """Rows as one dense matrix."""
        return np.hstack([self.dense, self.sparse.toarray()])


@dataclass(frozen=True, eq=False)
class Posterior:
    """Posterior mean (p,) and covariance (p, p) of the coefficients, and the prior behind it."""

    mean: Floats
    cov: Floats
    prior_precision: Floats
    prior_pull: Floats


def posterior_of(gram: Floats, right: Floats, prior: tuple[Floats, Floats]) -> Posterior:
    """Posterior from normal equations X'WX (p, p) and X'Wy (p,), and prior precision and pull."""
    precision, pull = prior
    # Straight to the library, since small problems are mostly overhead; the transpose of a
    # symmetric matrix lies in memory as the library wants it.
    factor, fault = linalg.lapack.dpotrf((gram + precision).T, lower=1, overwrite_a=1)
    if fault:
        raise linalg.LinAlgError("the normal equations are not positive definite")
    # The inverse straight from the factor costs a third of solving for every unit vector.
    half, _ = linalg.lapack.dpotri(factor, lower=1, overwrite_c=1)
    cov = half + half.T
    cov[np.diag_indices_from(cov)] /= 2.0
    return Posterior(cov @ (right + pull), cov, precision, pull)


KNOTS = np.array([0, 3, 6, 12, 18, 24, 36, 48, 60, 78], dtype="float64")
_STARTS = np.array([0, 3, 6, 12, 18, 24, 36, 48, 60, 84], dtype="float64")
PIVOT_AGE = 18.0


@dataclass(frozen=True, eq=False)
class CurvePrior:
    """Mean (11,) and precision (11, 11) of the curve's level and its ten slopes per year."""

    mean: Floats
    precision: Floats


@dataclass(frozen=True)
class Priors:
    """Prior means and standard deviations of one kind of price; log units, slopes per year.

    ``fast_phase`` is the slope at launch on top of the damped walk, dying away with age at
    ``fast_months``: offers for phones fall by half in six months, then a tenth in the next six.
    On invented families (tests/benchmark, seeds for choosing) it took pinball at 12 months from
    53.6 to 48.2 in small families and from 41.6 to 38.1 in big ones. ``curve`` stands for level
    and slopes where more is known of them than these figures say, ``broke`` is a step of the whole
    shop's market (``estimation.shop_knowledge``).
    """

    level: tuple[float, float] = (-0.1, 0.5)
    first_slope: tuple[float, float] = (-0.4, 0.25)
    fast_phase: tuple[float, float] = (-0.7, 0.7)
    fast_months: float = 5.0
    damp: float = 0.80
    long_slope: float = -0.05
    stiffness: float = 0.045
    trait_age_sd: float = 0.03
    step: tuple[float, float] = (-0.05, 0.07)
    season_sd: float = 0.03
    model_level: float = 0.10
    model_slope: float = 0.05
    model_step: float = 0.03
    unknown_price_sd: float = 0.5
    noise: float = 0.10
    drift: float = 0.05
    market: float = 0.045
    market_slow: float = 0.0
    with_step: bool = True
    with_season: bool = True
    curve: CurvePrior | None = None
    broke: MarketBreak | None = None

    @property
    def slow_share(self) -> float:
        """Standard deviation of the market's slow part over that of its quick one."""
        return self.market_slow / self.market


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each coefficient stands.

    ``names`` are the dense columns in order; models take three columns each (level, slope,
    step), then come the months ``first_month`` to ``last_month``.
    """

    names: tuple[str, ...]
    n_models: int
    first_month: int
    last_month: int

    @cached_property
    def n_dense(self) -> int:
        """Number of dense columns."""
        return len(self.names)

    @cached_property
    def n_months(self) -> int:
        """Number of monthly market effects."""
        return self.last_month - self.first_month + 1

    @cached_property
    def size(self) -> int:
        """Number of coefficients."""
        return self.n_dense + 3 * self.n_models + self.n_months

    def dense(self, name: str) -> int:
        """Position of a dense column."""
        return self.names.index(name)

    def models(self, part: int) -> slice:
        """Positions of the models' levels (0), slopes (1) or steps (2)."""
        return self._models[part]

    @cached_property
    def _models(self) -> tuple[slice, ...]:
        starts = [self.n_dense + part * self.n_models for part in range(3)]
        return tuple(slice(start, start + self.n_models) for start in starts)

    @cached_property
    def months(self) -> slice:
        """Positions of the market effects."""
        return slice(self.n_dense + 3 * self.n_models, self.size)


def layout_of(panel: Panel, priors: Priors) -> Layout:
    """Name the columns a panel needs."""
    names = ["level", *(f"slope from {k:g}" for k in KNOTS), *panel.traits.names]
    ageing = [n for n, a in zip(panel.traits.names, panel.traits.ageing, strict=True) if a]
    names += [f"{n} by age" for n in ageing]
    if priors.with_step and panel.models.steps:
        names.append("step")
    if priors.with_season:
        names += ["season cos", "season sin"]
    last = panel.now.year * 12 + panel.now.month - 1
    last = max(last, int(panel.month.max(initial=last)))
    first = int(panel.month.min(initial=last))
    return Layout(tuple(names), len(panel.models.ids), first, last)


def segments(age: Floats) -> Floats:
    """Years of age spent in each segment of the curve, (n, 10)."""
    upper = np.append(KNOTS[1:], np.inf)
    spent: Floats = np.clip(age[:, None] - KNOTS, 0.0, upper - KNOTS) / 12.0
    return spent


@dataclass(frozen=True, eq=False)
class Points:
    """Where the curve is wanted: model position, day, and trait values (n, k).

    ``aged`` gives the days at which age is read where a curve is held still, as for a part whose
    price has turned up; None means ``day``.
    """

    model: Ints
    day: pd.DatetimeIndex
    traits: Floats
    aged: pd.DatetimeIndex | None = None


def rows_at(
    layout: Layout, points: Points, models: Models, spec: tuple[Traits, pd.Timestamp]
) -> Rows:
    """Build design rows at given points.

    Months beyond the layout carry no market column; what the market may do there is added where
    the row is used (``repair_horizon.estimation.curve.market``).

    Parameters
    ----------
    layout, points, models
        Columns, places, and the models.
    spec
        The panel's traits (for their names and which ones change with age) and the day up to
        which is known.
    """
    traits, now = spec
    aged = points.day if points.aged is None else points.aged
    age = np.maximum(age_in_months(aged, models.launch_days[points.model]), 0.0)
    late = (age - PIVOT_AGE) / 12.0
    step = models.step(points.model, points.day, now)
    blocks = [np.ones((len(age), 1)), segments(age), trait_block(points.traits, traits, late)]
    if "step" in layout.names:
        blocks.append(step[:, None])
    if "season cos" in layout.names:
        turn = 2 * np.pi * (points.day.day_of_year.to_numpy() / 365.25)
        blocks.append(np.column_stack([np.cos(turn), np.sin(turn)]))
    month = month_number(points.day) - layout.first_month
    return Rows(np.hstack(blocks), _indicators(layout, points.model, (late, step), month))


def trait_block(values: Floats, traits: Traits, late: Floats) -> Floats:
    """Columns of trait values (n, k), and of ageing ones by years past ``PIVOT_AGE``, (n,)."""
    return np.hstack([values, values[:, traits.ageing] * late[:, None]])


def _indicators(
    layout: Layout, model: Ints, by_age: tuple[Floats, Floats], month: Ints
) -> sparse.csr_array:
    late, step = by_age
    n, m = len(model), layout.n_models
    inside = (month >= 0) & (month < layout.n_months)
    step = step if "step" in layout.names else np.zeros(n)
    row = np.concatenate([np.arange(n)] * 3 + [np.flatnonzero(inside)])
    col = np.concatenate([model, m + model, 2 * m + model, 3 * m + month[inside]])
    val = np.concatenate([np.ones(n), late, step, np.ones(int(inside.sum()))])
    return sparse.csr_array((val, (row, col)), shape=(n, 3 * m + layout.n_months))


def curve_prior(priors: Priors) -> tuple[Floats, Floats]:
    """Mean (10,) and precision (10, 10) of the slopes: a damped walk plus the fast phase.

    The phase adds a z_k to slope k, with a ~ N(``fast_phase``) and z_k the mean of
    exp(-age / ``fast_months``) over segment k.
    """
    gap = np.diff(_STARTS) / 12.0
    psi = priors.damp**gap
    k = len(_STARTS)
    link = np.eye(k)
    link[np.arange(1, k), np.arange(k - 1)] = -psi
    mean = np.concatenate([[priors.first_slope[0]], priors.long_slope * (1 - psi)])
    sd = np.concatenate([[priors.first_slope[1]], priors.stiffness * np.sqrt(gap)])
    ends = np.append(KNOTS, 102.0)
    quick = priors.fast_months
    share = -quick * np.diff(np.exp(-ends / quick)) / np.diff(ends)
    walk = link.T @ np.diag(sd**-2.0) @ link
    # Sherman-Morrison: the precision of the walk's covariance plus one of rank one.
    turned = walk @ share
    gain = priors.fast_phase[1] ** 2 / (1.0 + priors.fast_phase[1] ** 2 * (share @ turned))
    precision = walk - gain * np.outer(turned, turned)
    return np.linalg.solve(link, mean) + priors.fast_phase[0] * share, precision


def level_and_slopes(priors: Priors) -> CurvePrior:
    """Prior of the curve's level and slopes: the one given, or what the priors' figures say."""
    if priors.curve is not None:
        return priors.curve
    slopes, precision = curve_prior(priors)
    whole = np.zeros((len(KNOTS) + 1, len(KNOTS) + 1))
    whole[0, 0], whole[1:, 1:] = priors.level[1] ** -2.0, precision
    return CurvePrior(np.append(priors.level[0], slopes), whole)


def dense_prior(layout: Layout, traits: Traits, priors: Priors) -> tuple[Floats, Floats]:
    """Prior mean (n_dense,) and precision (n_dense, n_dense) of the dense columns."""
    mean, precision = np.zeros(layout.n_dense), np.zeros((layout.n_dense, layout.n_dense))
    k = len(KNOTS)
    whole = level_and_slopes(priors)
    mean[: k + 1], precision[: k + 1, : k + 1] = whole.mean, whole.precision
    known = dict(zip(traits.names, zip(traits.expected, traits.sd, strict=True), strict=True))
    for i, name in enumerate(layout.names):
        if name in known:
            mean[i], precision[i, i] = known[name][0], known[name][1] ** -2.0
        elif name.endswith(" by age"):
            precision[i, i] = priors.trait_age_sd**-2.0
        elif name == "step":
            mean[i], precision[i, i] = priors.step[0], priors.step[1] ** -2.0
        elif name.startswith("season"):
            precision[i, i] = priors.season_sd**-2.0
    return mean, precision
