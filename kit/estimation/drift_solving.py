"""The joint model's normal equations with each model's drift states eliminated.

There are many states, but a row touches one, and a model's states touch no other model's: given
the other coefficients they are solved model by model (a Schur complement), and the posterior is
the whole system's. A state touches the family's columns and its own model's, so only these are
kept and multiplied.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.estimation.cells import OWN, Cells, Sums, weighted_sums
from kit.estimation.design import Layout
from kit.estimation.drift import DRIFT_RHO, Drift, States
from kit.estimation.penalised import Posterior, posterior_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Moved:
    """Loads times theta's covariance, where a row or a load can meet it: see ``Drift``.

    ``common`` (states, dense + months), ``own`` (states, 3); ``variance`` (states,) is what the
    loads add to each state's variance, ``link`` (models, quarters - 1) to its covariance with
    the quarter before.
    """

    common: Floats
    own: Floats
    variance: Floats
    link: Floats


def solve_with_drift(
    cells: Cells, w: Floats, prior: tuple[Floats, Floats], drifting: tuple[States, float]
) -> tuple[Posterior, Drift]:
    """Solve the penalised least squares with a drift state for each model and quarter.

    Parameters
    ----------
    cells
        The family's rows.
    w
        Inverse variances of the prices, (n,), in the order of the cells.
    prior
        Prior precision (p, p) and pull (p,) of the other coefficients.
    drifting
        The states and their stationary standard deviation.

    Returns
    -------
    tuple
        Posterior of the other coefficients, marginal over the states; and the states given them.
    """
    states, sd = drifting
    layout, m, q = cells.layout, states.models, states.quarters
    sums = weighted_sums(cells, w)
    spread = _spread(states, sd, sums.weight.reshape(m, q))
    common = (spread @ sums.common.reshape(m, q, -1)).reshape(m * q, -1)
    own = spread @ sums.own.reshape(m, q, OWN)
    alone = (spread @ sums.seen.reshape(m, q, 1)).ravel()
    _take_out(layout, (sums.gram, sums.right), sums, (common, own, alone))
    posterior = posterior_of(sums.gram, sums.right, prior)
    family, models = _parts(layout, posterior.mean)
    mean = alone - common @ family - np.einsum("mqi,mi->mq", own, models).ravel()
    return posterior, Drift(states, layout, mean, common, own.reshape(m * q, OWN), spread)


def _spread(states: States, sd: float, weight: Floats) -> Floats:
    """Covariance of each model's states, (models, quarters, quarters), given their precisions."""
    sold, at = weight.any(axis=1), np.arange(states.quarters)
    out = np.empty((states.models, states.quarters, states.quarters))
    out[~sold] = states.prior_covariance(sd)
    inner = np.repeat(states.prior_precision(sd)[None], int(sold.sum()), axis=0)
    inner[:, at, at] += weight[sold]
    out[sold] = np.linalg.inv(inner)
    return out


def _take_out(
    layout: Layout,
    equations: tuple[Floats, Floats],
    sums: Sums,
    solved: tuple[Floats, Floats, Floats],
) -> None:
    """Take the states out of the normal equations (in place): their Schur complement."""
    gram, right = equations
    common, own, alone = solved
    m, q, _ = own.shape
    seen, blocks = np.flatnonzero(sums.weight), _blocks(layout)
    family = sums.common[seen].T @ np.column_stack([common[seen], alone[seen]])
    shared = sums.own.reshape(m, q, OWN).transpose(0, 2, 1)
    across, within = shared @ common.reshape(m, q, -1), shared @ own
    lost, each = shared @ alone.reshape(m, q, 1), np.arange(m)
    for to, source in blocks:
        right[to] -= family[source, -1]
        for other, column in blocks:
            gram[to, other] -= family[source, column]
    for i in range(OWN):
        at = layout.models(i)
        right[at] -= lost[:, i, 0]
        for to, source in blocks:
            gram[at, to] -= across[:, i, source]
            gram[to, at] -= across[:, i, source].T
        for j in range(OWN):
            gram[at.start + each, layout.models(j).start + each] -= within[:, i, j]


def _blocks(layout: Layout) -> tuple[tuple[slice, slice], ...]:
    """Where the dense coefficients and the months stand among all, and among the family's own."""
    d, months = layout.n_dense, layout.n_months
    return (slice(0, d), slice(0, d)), (layout.months, slice(d, d + months))


def _family(layout: Layout) -> Ints:
    """Positions of the dense coefficients and the months."""
    months = np.arange(layout.months.start, layout.months.stop)
    return np.concatenate([np.arange(layout.n_dense), months])


def _parts(layout: Layout, theta: Floats) -> tuple[Floats, Floats]:
    """Family's coefficients (dense + months,) and the models' own (models, 3)."""
    return theta[_family(layout)], np.column_stack([theta[layout.models(i)] for i in range(OWN)])


def moved_by(drift: Drift, cov: Floats) -> Moved:
    """Work out how the states move with the other coefficients, whose covariance is ``cov``."""
    layout, m, q = drift.layout, drift.states.models, drift.states.quarters
    family, own = _family(layout), drift.own.reshape(m, q, OWN)
    places = np.stack([np.arange(layout.n_models) + layout.models(i).start for i in range(OWN)])
    across = cov[places.T[:, :, None], family]
    within = cov[places.T[:, :, None], places.T[:, None, :]]
    loads = drift.common.reshape(m, q, -1)
    common = (drift.common @ cov[np.ix_(family, family)]).reshape(m, q, -1) + own @ across
    mine = loads @ across.transpose(0, 2, 1) + own @ within
    variance = np.einsum("mqk,mqk->mq", loads, common) + np.einsum("mqi,mqi->mq", own, mine)
    link = np.einsum("mqk,mqk->mq", loads[:, 1:], common[:, :-1])
    link += np.einsum("mqi,mqi->mq", own[:, 1:], mine[:, :-1])
    return Moved(common.reshape(m * q, -1), mine.reshape(m * q, OWN), variance.ravel(), link)


def fitted_variance(cells: Cells, cov: Floats, drift: Drift, moved: Moved) -> Floats:
    """Variance of each row's fitted value, its state included, in the order of the cells, (n,)."""
    layout, d = cells.layout, cells.layout.n_dense
    state, months, row = cells.state, cells.layout.months.start + cells.month, cells.of_row
    own = np.stack([layout.models(i).start + cells.model for i in range(OWN)], axis=1)
    within = cov[own[:, :, None], own[:, None, :]][row]
    out: Floats = np.einsum("ni,nij,nj->n", cells.own, within, cells.own)
    alone = 2.0 * (cov[own, months[:, None]] - moved.own[state])
    alone[:, 0] += cov[months, months] + moved.variance[state] + drift.variance[state]
    alone[:, 0] -= 2.0 * moved.common[state, d + cells.month]
    out += np.einsum("ni,ni->n", cells.own, alone[row])
    beside = (cov[months, :d] - moved.common[state, :d])[row]
    for i in range(OWN):
        beside += cells.columns[:, [i]] * cov[own[:, i], :d][row]
    out += np.einsum("nd,nd->n", cells.dense @ cov[:d, :d] + 2.0 * beside, cells.dense)
    return out


def squared_steps(drift: Drift, moved: Moved, sold: Ints) -> Floats:
    """Expected squares that tell the states' stationary variance, one for each state with data.

    Parameters
    ----------
    drift, moved
        From ``solve_with_drift`` and ``moved_by``.
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
    mean = drift.mean.reshape(m, q)
    now = mean**2 + np.einsum("mqq->mq", drift.spread) + moved.variance.reshape(m, q)
    link = mean[:, 1:] * mean[:, :-1] + np.einsum("mqq->mq", drift.spread[:, 1:, :-1])
    link = link + moved.link
    step = now[:, 1:] - 2 * DRIFT_RHO * link + DRIFT_RHO**2 * now[:, :-1]
    inside = begun[:, :-1] & ended[:, 1:]
    first = begun & ~np.hstack([np.zeros((m, 1), dtype=bool), begun[:, :-1]])
    return np.concatenate([now[first], step[inside] / (1 - DRIFT_RHO**2)])
