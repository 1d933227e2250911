"""Sums by cell and eliminated drift states give what the whole system, solved densely, gives."""

import numpy as np
import pytest
from repair_horizon.estimation.curve.cells import cells_of, fitted, weighted_sums
from repair_horizon.estimation.curve.design import Points, Priors, layout_of, rows_at
from repair_horizon.estimation.curve.quarter_effects import (
    Drift,
    fitted_variance,
    moved_by,
    solve_with_drift,
    squared_steps,
    states_of,
)
from scipy import linalg

from tests.benchmark.simulator import SMALL, panel_at, simulate

ORIGIN, SD = 40, 0.04


@pytest.fixture(scope="module", params=[True, False], ids=["with step", "without step"])
def system(request):
    """A simulated family: its cells, and the dense rows of coefficients and drift states."""
    panel = panel_at(simulate(31, SMALL), ORIGIN)
    priors = Priors(with_step=request.param)
    layout = layout_of(panel, priors)
    points = Points(panel.model, panel.day, panel.traits.values)
    rows = rows_at(layout, points, panel.models, (panel.traits, panel.now))
    states = states_of(panel, layout.last_month)
    total = states.models * states.quarters
    cells = cells_of(panel, layout, rows.dense, (states.of_row, total))
    weight = np.random.default_rng(1).uniform(20, 150, len(panel.y))
    touched = np.zeros((len(panel.y), total))
    touched[np.arange(len(panel.y)), states.of_row] = 1.0
    assert len(panel.y) > 30
    assert len(cells.model) < len(panel.y), "some cell must hold several rows"
    return panel, layout, rows, states, cells, weight, np.hstack([rows.full(), touched])


def loads(drift: Drift) -> np.ndarray:
    """Loads of all states on all coefficients, (states, p)."""
    layout, each = drift.layout, np.arange(len(drift.mean))
    out = np.zeros((len(each), layout.size))
    out[:, : layout.n_dense] = drift.common[:, : layout.n_dense]
    out[:, layout.months] = drift.common[:, layout.n_dense :]
    for i in range(drift.own.shape[1]):
        out[each, layout.models(i).start + each // drift.states.quarters] = drift.own[:, i]
    return out


def test_sums_by_cell_are_the_normal_equations(system) -> None:
    panel, _, rows, states, cells, weight, whole = system
    sums = weighted_sums(cells, weight[cells.order])
    x = rows.full()
    gram, right = x.T @ (x * weight[:, None]), x.T @ (weight * panel.y)
    np.testing.assert_allclose(sums.gram, gram, rtol=1e-10, atol=1e-9)
    np.testing.assert_allclose(sums.right, right, rtol=1e-10, atol=1e-9)
    touched = whole[:, -states.models * states.quarters :]
    np.testing.assert_allclose(sums.weight, touched.T @ weight)
    np.testing.assert_allclose(sums.seen, touched.T @ (weight * panel.y))


def test_eliminated_states_are_those_of_the_whole_system(system) -> None:
    """Means, covariances and fitted values against one Cholesky of all coefficients and states."""
    panel, layout, _, states, cells, weight, whole = system
    rng = np.random.default_rng(2)
    root = np.tril(rng.normal(0, 0.1, (layout.size, layout.size)), -1) + 4 * np.eye(layout.size)
    whose = np.full(layout.size, -1)  # no prior ties one model to another
    for i in range(3):
        whose[layout.models(i)] = np.arange(layout.n_models)
    tied = (whose[:, None] == whose) | (whose[:, None] < 0) | (whose < 0)
    prior = (root @ root.T * tied, rng.normal(0, 1, layout.size))
    posterior, drift = solve_with_drift(cells, weight[cells.order], prior, (states, SD))
    own = [states.prior_precision(SD)] * states.models
    precision = linalg.block_diag(prior[0], *own)
    cov = np.linalg.inv(whole.T @ (whole * weight[:, None]) + precision)
    pull = np.concatenate([prior[1], np.zeros(len(precision) - layout.size)])
    mean = cov @ (whole.T @ (weight * panel.y) + pull)
    p = layout.size
    np.testing.assert_allclose(posterior.mean, mean[:p], atol=1e-10)
    np.testing.assert_allclose(posterior.cov, cov[:p, :p], atol=1e-10)
    np.testing.assert_allclose(drift.mean, mean[p:], atol=1e-10)
    moved = moved_by(drift, posterior.cov)
    np.testing.assert_allclose(drift.variance + moved.variance, np.diag(cov)[p:], atol=1e-10)
    np.testing.assert_allclose(-loads(drift) @ posterior.cov, cov[p:, :p], atol=1e-10)
    values = fitted(cells, posterior.mean, drift.mean)
    np.testing.assert_allclose(values, (whole @ mean)[cells.order], atol=1e-10)
    spread = fitted_variance(cells, posterior.cov, drift, moved)
    dense = np.einsum("ij,ij->i", whole @ cov, whole)[cells.order]
    np.testing.assert_allclose(spread, dense, atol=1e-10)
    # All but the last pass leave out what different models share.
    less, _ = solve_with_drift(cells, weight[cells.order], prior, (states, SD), between=False)
    np.testing.assert_allclose(less.mean, posterior.mean, atol=1e-10)
    again = fitted_variance(cells, less.cov, drift, moved_by(drift, less.cov))
    np.testing.assert_allclose(again, spread, atol=1e-10)
    everywhere = np.ones(len(drift.mean), dtype="int64")
    steps = squared_steps(drift, moved, everywhere)
    second = cov[p:, p:] + np.outer(mean[p:], mean[p:])
    assert steps.sum() == pytest.approx(_expected(second, states), rel=1e-9)


def _expected(second: np.ndarray, states) -> float:
    """Sum of first squares and innovations, state by state, from all second moments."""
    rho, total = 0.8, 0.0
    for model in range(states.models):
        at = model * states.quarters
        total += second[at, at]
        for k in range(at + 1, at + states.quarters):
            step = second[k, k] - 2 * rho * second[k, k - 1] + rho**2 * second[k - 1, k - 1]
            total += step / (1 - rho**2)
    return total
