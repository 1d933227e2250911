"""The quarterly drift of each model around its curve.

    c_{m,q} = rho c_{m,q-1} + shock,   stationary standard deviation ``sd``

A model's price stays above or below its curve for a year or so. Sales of one quarter share one
state, so a burst of sales teaches no more than the state can tell. ``drift_solving`` finds the
states; here is what they say about rows and about days to come.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse

from kit.estimation.cells import OWN
from kit.estimation.design import Layout
from kit.estimation.panel import Panel
from kit.estimation.penalised import Posterior, Rows

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Correlation of a model's neighbouring quarters. On the published camera offers 0.8 and 0.9 did
# as well; on simulated families (tests/benchmark, seeds for choosing) likewise.
DRIFT_RHO = 0.8


@dataclass(frozen=True, eq=False)
class States:
    """Which state each row shares: model by model, every quarter from the first to the newest.

    ``of_row`` is (n,); state ``model * quarters + q`` is the q-th quarter after ``first``, a
    number of quarters since year 0.
    """

    of_row: Ints
    models: int
    first: int
    quarters: int

    def prior_covariance(self, sd: float) -> Floats:
        """Covariance of one model's states before any data, (quarters, quarters)."""
        return sd**2 * self._correlation

    def prior_precision(self, sd: float) -> Floats:
        """Inverse of ``prior_covariance``."""
        return self._unit_precision / sd**2

    @cached_property
    def _correlation(self) -> Floats:
        apart = np.abs(np.subtract.outer(np.arange(self.quarters), np.arange(self.quarters)))
        return np.asarray(DRIFT_RHO**apart, dtype="float64")

    @cached_property
    def _unit_precision(self) -> Floats:
        """Inverse of the correlations: that of an AR(1) has three diagonals."""
        link = np.eye(self.quarters) - DRIFT_RHO * np.eye(self.quarters, k=-1)
        left = np.append(1.0, np.full(self.quarters - 1, 1.0 - DRIFT_RHO**2))
        return np.asarray(link.T @ (link / left[:, None]), dtype="float64")


@dataclass(frozen=True, eq=False)
class Drift:
    """The states given the other coefficients theta.

    Their mean is ``mean`` (states,) at the posterior mean of theta, and moves by minus the loads
    times theta's departure from it. A state has no load on other models' coefficients: ``common``
    (states, dense + months) are its loads on the family's, ``own`` (states, 3) those on its
    model's level, slope and step. ``spread`` (models, quarters, quarters) is the covariance at
    fixed theta.
    """

    states: States
    layout: Layout
    mean: Floats
    common: Floats
    own: Floats
    spread: Floats

    @property
    def variance(self) -> Floats:
        """Variance of each state at fixed theta, (states,)."""
        return np.einsum("mqq->mq", self.spread).ravel()

    def loads_of(self, chosen: Ints) -> Floats:
        """Loads of some states on all coefficients, (chosen, p)."""
        layout, common = self.layout, self.common[chosen]
        out = np.zeros((len(chosen), layout.size))
        out[:, : layout.n_dense] = common[:, : layout.n_dense]
        out[:, layout.months] = common[:, layout.n_dense :]
        each, model = np.arange(len(chosen)), chosen // self.states.quarters
        for i in range(OWN):
            out[each, layout.models(i).start + model] = self.own[chosen, i]
        return out


def states_of(panel: Panel, last_month: int) -> States:
    """Lay out the states of a panel up to the quarter of its last month."""
    quarter = panel.month // 3
    first = int(min(quarter.min(initial=last_month // 3), last_month // 3))
    quarters = last_month // 3 - first + 1
    of_row = (panel.model * quarters + quarter - first).astype("int64")
    return States(of_row, len(panel.models.ids), first, quarters)


def fitted_covariance(rows: Rows, posterior: Posterior, drift: Drift, chosen: Ints) -> Floats:
    """Covariance of the fitted values of a few rows of one model, (chosen, chosen)."""
    state = drift.states.of_row[chosen]
    full = np.hstack([rows.dense[chosen], rows.sparse[chosen].toarray()])
    folded = full - drift.loads_of(state)
    model, quarter = np.divmod(state, drift.states.quarters)
    own = drift.spread[model[0]][np.ix_(quarter, quarter)]
    out: Floats = folded @ posterior.cov @ folded.T + own
    return out


@dataclass(frozen=True, eq=False)
class Reach:
    """The nearest known state of each point and the share of it that is left there."""

    state: Ints
    share: Floats


def reach_of(states: States, model: Ints, month: Ints) -> Reach:
    """Find the state behind each point; beyond the known quarters it fades by ``DRIFT_RHO``."""
    quarter = month // 3 - states.first
    inside = np.clip(quarter, 0, states.quarters - 1)
    share = DRIFT_RHO ** np.abs(quarter - inside).astype("float64")
    return Reach((model * states.quarters + inside).astype("int64"), share)


def with_drift(rows: Rows, drift: Drift, reach: Reach, sd: float) -> tuple[Rows, Floats, Floats]:
    """Points with their states folded in.

    Returns
    -------
    tuple
        Rows whose explained variance includes the state's dependence on the other coefficients;
        the state's mean (n,); and the variance it adds at fixed coefficients (n,).
    """
    share = reach.share[:, None]
    folded = rows.full() - share * drift.loads_of(reach.state)
    mean = reach.share * drift.mean[reach.state]
    left = reach.share**2 * drift.variance[reach.state] + sd**2 * (1 - reach.share**2)
    return Rows(folded, sparse.csr_array((len(folded), 0))), mean, left


def drawn_states(
    drift: Drift, departure: Floats, scale: tuple[float, int], rng: np.random.Generator
) -> Floats:
    """Draw each model's state in the newest quarter and carry it on.

    Parameters
    ----------
    drift
        The states given the other coefficients.
    departure
        Drawn coefficients less their posterior mean, (draws, p).
    scale
        Stationary standard deviation, and quarters to come.
    rng
        Source of chance.

    Returns
    -------
    ndarray
        (draws, models, quarters to come + 1).
    """
    sd, ahead = scale
    m, q = drift.states.models, drift.states.quarters
    newest = np.arange(m) * q + q - 1
    path = np.empty((len(departure), m, ahead + 1))
    path[:, :, 0] = drift.mean[newest] - departure @ drift.loads_of(newest).T
    path[:, :, 0] += np.sqrt(drift.variance[newest]) * rng.standard_normal((len(departure), m))
    shock = sd * np.sqrt(1 - DRIFT_RHO**2)
    for h in range(ahead):
        fresh = shock * rng.standard_normal((len(departure), m))
        path[:, :, h + 1] = DRIFT_RHO * path[:, :, h] + fresh
    return path
