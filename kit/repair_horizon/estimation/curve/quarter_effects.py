"""The quarterly drift of each model around its curve.

    c_{m,q} = rho c_{m,q-1} + shock,   stationary standard deviation ``sd``

A model's price stays above or below its curve for a year or so. Sales of one quarter share one
state, so a burst of sales teaches no more than the state can tell. Here the states are found, and
read for rows and for days to come.

There are many states, but a row touches one, and a model's states touch no other model's: given
the other coefficients they are solved model by model, eliminated from the joint model's normal
equations (a Schur complement), and the posterior is the whole system's. A state touches the
family's columns and its own model's, so only these are kept and multiplied.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.cells import OWN, Cells, Sums, weighted_sums
from repair_horizon.estimation.curve.design import Layout, Posterior, Rows, posterior_of
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.tables.arrays import Floats, Ints

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


def states_of(panel: Panel, last_month: int) -> States:
    """Lay out the states of a panel up to the quarter of its last month."""
    quarter = panel.month // 3
    first = int(min(quarter.min(initial=last_month // 3), last_month // 3))
    quarters = last_month // 3 - first + 1
    of_row = (panel.model * quarters + quarter - first).astype("int64")
    return States(of_row, len(panel.models.ids), first, quarters)


def fitted_covariance(rows: Rows, posterior: Posterior, drift: Drift, chosen: Ints) -> Floats:
    """Covariance of the fitted values of a few rows of one model, (chosen, chosen)."""
    state, layout = drift.states.of_row[chosen], drift.layout
    model, quarter = np.divmod(state, drift.states.quarters)
    mine = [layout.models(i).start + model[0] for i in range(OWN)]
    touched = np.append(_family(layout), mine)  # no other model's columns are met
    full = np.hstack([rows.dense[chosen], rows.sparse[chosen].toarray()])[:, touched]
    folded = full - np.hstack([drift.common[state], drift.own[state]])
    own = drift.spread[model[0]][np.ix_(quarter, quarter)]
    out: Floats = folded @ posterior.cov[np.ix_(touched, touched)] @ folded.T + own
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


@dataclass(frozen=True, eq=False)
class Folded:
    """Rows that meet the family's columns (n, dense + months) and their model's own three (n, 3).

    All other columns are zero and not kept; ``model`` is (n,).
    """

    layout: Layout
    model: Ints
    family: Floats
    own: Floats

    def full(self) -> Floats:
        """Rows on all coefficients, (n, p): for few rows."""
        out = np.zeros((len(self.model), self.layout.size))
        out[:, _family(self.layout)] = self.family
        out[np.arange(len(out))[:, None], self._places] = self.own
        return out

    def times(self, theta: Floats) -> Floats:
        """Fitted values, (n,)."""
        own = np.einsum("ni,ni->n", self.own, theta[self._places])
        return np.asarray(self.family @ theta[_family(self.layout)] + own)

    def variance(self, cov: Floats) -> Floats:
        """Variance of each row's fitted value under the coefficients' covariance, (n,)."""
        at, places = _family(self.layout), self._places
        out: Floats = np.einsum("nf,nf->n", self.family @ cov[np.ix_(at, at)], self.family)
        for i in range(OWN):
            across = np.einsum("nf,nf->n", cov[np.ix_(places[:, i], at)], self.family)
            out += 2.0 * self.own[:, i] * across
            for j in range(OWN):
                out += self.own[:, i] * self.own[:, j] * cov[places[:, i], places[:, j]]
        return out

    @cached_property
    def _places(self) -> Ints:
        starts = [self.layout.models(i).start for i in range(OWN)]
        return np.asarray(self.model[:, None] + np.array(starts))


def with_drift(
    rows: Folded, drift: Drift, reach: Reach, sd: float
) -> tuple[Folded, Floats, Floats]:
    """Points with their states folded in.

    Returns
    -------
    tuple
        Rows whose variance includes the state's dependence on the other coefficients; the state's
        mean (n,); and the variance it adds at fixed coefficients (n,).
    """
    share = reach.share[:, None]
    folded = replace(
        rows,
        family=rows.family - share * drift.common[reach.state],
        own=rows.own - share * drift.own[reach.state],
    )
    mean = reach.share * drift.mean[reach.state]
    left = reach.share**2 * drift.variance[reach.state] + sd**2 * (1 - reach.share**2)
    return folded, mean, left


def drawn_states(
    drift: Drift, departure: Floats, scale: tuple[float, int], chance: Antithetic
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
    chance
        Source of chance; what is still to come has one of its own.

    Returns
    -------
    ndarray
        (draws, models, quarters to come + 1).
    """
    sd, ahead = scale
    later = chance.apart()
    m, q = drift.states.models, drift.states.quarters
    newest = np.arange(m) * q + q - 1
    path = np.empty((len(departure), m, ahead + 1))
    family = _family(drift.layout)  # a state meets no other model's coefficients
    path[:, :, 0] = drift.mean[newest] - departure[:, family] @ drift.common[newest].T
    for i in range(OWN):
        path[:, :, 0] -= departure[:, drift.layout.models(i)] * drift.own[newest, i]
    path[:, :, 0] += np.sqrt(drift.variance[newest]) * chance.normal(len(departure), m)
    shock = sd * np.sqrt(1 - DRIFT_RHO**2)
    for h in range(ahead):
        fresh = shock * later.normal(len(departure), m)
        path[:, :, h + 1] = DRIFT_RHO * path[:, :, h] + fresh
    return path


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
    cells: Cells,
    w: Floats,
    prior: tuple[Floats, Floats],
    drifting: tuple[States, float],
    between: bool = True,
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
    between
        Whether covariances between different models are wanted: no pass but the last needs them.

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
    posterior = _posterior(layout, sums, prior, between)
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


def _posterior(
    layout: Layout, sums: Sums, prior: tuple[Floats, Floats], between: bool
) -> Posterior:
    """Posterior from the normal equations, each model's three coefficients solved by themselves.

    A model's own meet no other model's, so that the inverse of a family of a thousand models costs
    a product of its models by what they share, not the cube of their number.
    """
    precision, pull = prior
    whole, family, m = sums.gram + precision, _family(layout), layout.n_models
    places = np.arange(OWN * m).reshape(OWN, m).T + layout.models(0).start
    inverse = np.linalg.inv(whole[places[:, :, None], places[:, None, :]])
    across = whole[places[:, :, None], family]
    loads = (inverse @ across).transpose(1, 0, 2).reshape(OWN * m, -1)
    left = whole[np.ix_(family, family)] - across.transpose(1, 0, 2).reshape(OWN * m, -1).T @ loads
    shared = posterior_of(left, np.zeros(len(left)), (np.zeros_like(left), np.zeros(len(left)))).cov
    moved, own = loads @ shared, slice(layout.models(0).start, layout.models(OWN - 1).stop)
    cov = np.zeros_like(whole)
    cov[np.ix_(family, family)] = shared
    cov[own, family], cov[family, own] = -moved, -moved.T
    if between:
        cov[own, own] = moved @ loads.T
    else:
        each = np.einsum("imk,jmk->mij", moved.reshape(OWN, m, -1), loads.reshape(OWN, m, -1))
        cov[places[:, :, None], places[:, None, :]] = each
    cov[places[:, :, None], places[:, None, :]] += inverse
    right, mean = sums.right + pull, np.empty(len(whole))
    mean[family] = shared @ (right[family] - loads.T @ right[own])
    mean[places] = (inverse @ right[places][:, :, None])[:, :, 0]
    mean[own] -= loads @ mean[family]
    return Posterior(mean, cov, precision, pull)


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
