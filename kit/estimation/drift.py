"""The quarterly drift of each model around its curve, eliminated before the rest is solved.

    c_{m,q} = rho c_{m,q-1} + shock,   stationary standard deviation ``sd``

A model's price stays above or below its curve for a year or so. Sales of one quarter share one
state, so a burst of sales teaches no more than the state can tell. There are many states, but a
row touches one, and a model's states touch no other model's: given the other coefficients they
are solved model by model (a Schur complement), and the posterior is the whole system's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from kit.estimation.market import market_precision
from kit.estimation.panel import Panel
from kit.estimation.penalised import (
    Posterior,
    Rows,
    explained_variance,
    normal_equations,
    posterior_of,
)

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

    def prior_precision(self, sd: float) -> Floats:
        """Precision of one model's states before any data, (quarters, quarters)."""
        shocks = market_precision(self.quarters, (DRIFT_RHO, 0.0))
        precision: Floats = shocks / ((1.0 - DRIFT_RHO**2) * sd**2)
        return precision


@dataclass(frozen=True, eq=False)
class Drift:
    """The states given the other coefficients theta.

    Their mean is ``mean`` (states,) at the posterior mean of theta, and moves by -``loads``
    (states, p) times theta's departure from it; ``spread`` (models, quarters, quarters) is their
    covariance at fixed theta; ``moved`` is loads times theta's covariance.
    """

    states: States
    mean: Floats
    loads: Floats
    spread: Floats
    moved: Floats

    @property
    def variance(self) -> Floats:
        """Variance of each state at fixed theta, (states,)."""
        return np.einsum("mqq->mq", self.spread).ravel()


def states_of(panel: Panel, last_month: int) -> States:
    """Lay out the states of a panel up to the quarter of its last month."""
    quarter = panel.month // 3
    first = int(min(quarter.min(initial=last_month // 3), last_month // 3))
    quarters = last_month // 3 - first + 1
    of_row = (panel.model * quarters + quarter - first).astype("int64")
    return States(of_row, len(panel.models.ids), first, quarters)


def solve_with_drift(
    rows: Rows,
    response: tuple[Floats, Floats],
    prior: tuple[Floats, Floats],
    drifting: tuple[States, float],
) -> tuple[Posterior, Drift]:
    """Solve the penalised least squares with a drift state for each model and quarter.

    Parameters
    ----------
    rows
        Design of all other coefficients, (n, p).
    response
        Observations and their inverse variances, (n,) each.
    prior
        Prior precision (p, p) and pull (p,) of the other coefficients.
    drifting
        The states and their stationary standard deviation.

    Returns
    -------
    tuple
        Posterior of the other coefficients, marginal over the states; and the states given them.
    """
    y, w = response
    states, sd = drifting
    m, q = states.models, states.quarters
    inner = np.repeat(states.prior_precision(sd)[None], m, axis=0)
    weight = np.bincount(states.of_row, w, m * q).reshape(m, q)
    inner[:, np.arange(q), np.arange(q)] += weight
    spread = np.linalg.inv(inner)
    shared = _summed(rows, w, states)
    seen = np.bincount(states.of_row, w * y, m * q)
    loads = (spread @ shared.reshape(m, q, -1)).reshape(m * q, -1)
    alone = (spread @ seen.reshape(m, q, 1)).ravel()
    gram, right = normal_equations(rows, y, w)
    posterior = posterior_of(gram - shared.T @ loads, right - shared.T @ alone, prior)
    mean = alone - loads @ posterior.mean
    return posterior, Drift(states, mean, loads, spread, loads @ posterior.cov)


def _summed(rows: Rows, w: Floats, states: States) -> Floats:
    """Weighted rows summed by state, (states, p)."""
    n, total = len(w), states.models * states.quarters
    by_state = sparse.csr_array((w, (states.of_row, np.arange(n))), shape=(total, n))
    return np.hstack([by_state @ rows.dense, (by_state @ rows.sparse).toarray()])


def fitted_variance(rows: Rows, posterior: Posterior, drift: Drift) -> Floats:
    """Variance of each row's fitted value, its state included, (n,)."""
    state, moved = drift.states.of_row, drift.moved
    own = np.einsum("ij,ij->i", drift.loads, moved) + drift.variance
    d = rows.dense.shape[1]
    at = rows.sparse.tocoo()
    cross = np.einsum("ij,ij->i", rows.dense, moved[state, :d])
    cross += np.bincount(at.row, at.data * moved[state[at.row], d + at.col], len(state))
    out: Floats = explained_variance(rows, posterior.cov) - 2.0 * cross + own[state]
    return out


def fitted_covariance(rows: Rows, posterior: Posterior, drift: Drift, chosen: Ints) -> Floats:
    """Covariance of the fitted values of a few rows of one model, (chosen, chosen)."""
    state = drift.states.of_row[chosen]
    full = np.hstack([rows.dense[chosen], rows.sparse[chosen].toarray()])
    folded = full - drift.loads[state]
    model, quarter = np.divmod(state, drift.states.quarters)
    own = drift.spread[model[0]][np.ix_(quarter, quarter)]
    out: Floats = folded @ posterior.cov @ folded.T + own
    return out


def squared_steps(drift: Drift, sold: Ints) -> Floats:
    """Expected squares that tell the states' stationary variance, one for each state with data.

    Parameters
    ----------
    drift
        From ``solve_with_drift``.
    sold
        Rows in each state, (states,).

    Returns
    -------
    ndarray
        From each sold model's first sale to its last: the first state squared, then each
        innovation squared over 1 - rho squared; all in the units of the variance.
    """
    m, q = drift.states.models, drift.states.quarters
    count = sold.reshape(m, q)
    begun = np.maximum.accumulate(count, axis=1) > 0
    ended = np.maximum.accumulate(count[:, ::-1], axis=1)[:, ::-1] > 0
    loads, moved = (a.reshape(m, q, -1) for a in (drift.loads, drift.moved))
    mean = drift.mean.reshape(m, q)
    now = mean**2 + np.einsum("mqq->mq", drift.spread) + np.einsum("mqp,mqp->mq", loads, moved)
    link = mean[:, 1:] * mean[:, :-1] + np.einsum("mqq->mq", drift.spread[:, 1:, :-1])
    link = link + np.einsum("mqp,mqp->mq", loads[:, 1:], moved[:, :-1])
    step = now[:, 1:] - 2 * DRIFT_RHO * link + DRIFT_RHO**2 * now[:, :-1]
    inside = begun[:, :-1] & ended[:, 1:]
    first = begun & ~np.hstack([np.zeros((m, 1), dtype=bool), begun[:, :-1]])
    return np.concatenate([now[first], step[inside] / (1 - DRIFT_RHO**2)])


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
    folded = rows.full() - share * drift.loads[reach.state]
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
    path[:, :, 0] = drift.mean[newest] - departure @ drift.loads[newest].T
    path[:, :, 0] += np.sqrt(drift.variance[newest]) * rng.standard_normal((len(departure), m))
    shock = sd * np.sqrt(1 - DRIFT_RHO**2)
    for h in range(ahead):
        fresh = shock * rng.standard_normal((len(departure), m))
        path[:, :, h + 1] = DRIFT_RHO * path[:, :, h] + fresh
    return path
