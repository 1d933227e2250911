"""The rows of one family summed by cell, so that indicator columns cost no products.

A cell is a model in a month. Its rows share one market effect, one drift state and one model's
level, slope and step, so all products of indicator columns come from sums over cells; only the
dense columns are multiplied row by row. The same normal equations as of the whole design, at a
cost per row that depends on neither the number of models nor that of months.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from kit.estimation.design import PIVOT_AGE, Layout
from kit.estimation.panel import Panel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# What stands before the dense columns in ``Cells.columns``: one, (age - 18) / 12 and the step.
OWN = 3


@dataclass(frozen=True, eq=False)
class Cells:
    """Rows in the order of their cells, and where each cell belongs.

    ``order`` (n,) puts the panel's rows into the order of all that follows; ``columns`` (n,
    3 + dense + 1) holds one, late age, step, the dense columns and y. ``start`` (cells + 1,)
    bounds each cell's rows; ``model``, ``month`` (from the first of the layout) and ``state``
    (cells,) say which it is, ``of_row`` (n,) the cell of each row. ``states`` is the number of
    drift states.
    """

    layout: Layout
    order: Ints
    columns: Floats
    start: Ints
    model: Ints
    month: Ints
    state: Ints
    states: int
    of_row: Ints = field(init=False)
    by_time: Ints = field(init=False)

    def __post_init__(self) -> None:
        """Derive once what every pass needs."""
        of_row = np.repeat(np.arange(len(self.model)), np.diff(self.start))
        object.__setattr__(self, "of_row", of_row)
        by_time = np.argsort(self.month, kind="stable").astype("int64")
        object.__setattr__(self, "by_time", by_time)

    @property
    def dense(self) -> Floats:
        """The dense columns, (n, dense)."""
        return self.columns[:, OWN:-1]

    @property
    def y(self) -> Floats:
        """What is explained, (n,)."""
        return self.columns[:, -1]

    def by_model(self, values: Floats) -> Floats:
        """Sum values of cells by model, (models, columns); the cells lie in its order."""
        return _summed(values, self.model, self.layout.n_models)

    def by_state(self, values: Floats) -> Floats:
        """Sum values of cells by drift state, (states, columns); the cells lie in its order."""
        return _summed(values, self.state, self.states)

    def by_month(self, values: Floats) -> Floats:
        """Sum values of cells by month, (months, columns)."""
        return _summed(values[self.by_time], self.month[self.by_time], self.layout.n_months)


def _summed(values: Floats, group: Ints, groups: int) -> Floats:
    """Sum rows by a group number that never falls, (groups, columns)."""
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    out = np.zeros((groups, values.shape[1]))
    out[group[starts]] = np.add.reduceat(values, starts, axis=0)
    return out


@dataclass(frozen=True, eq=False)
class Sums:
    """Weighted sums of one pass: normal equations, and what each drift state shares with them.

    ``gram`` (p, p) and ``right`` (p,) are X'WX and X'Wy without drift. ``weight``, ``seen``
    (states,) are the sums of w and w y; ``common`` (states, dense + months) and ``own`` (states,
    3) the weighted sums of the family's columns and of the model's own.
    """

    gram: Floats
    right: Floats
    weight: Floats
    seen: Floats
    common: Floats
    own: Floats


def cells_of(panel: Panel, layout: Layout, dense: Floats, states: tuple[Ints, int]) -> Cells:
    """Order a panel's rows by cell.

    Parameters
    ----------
    panel, layout
        Prices and the columns of their model.
    dense
        Dense columns of the design, (n, dense).
    states
        Drift state of each row, (n,), and the number of states.
    """
    of_row, total = states
    month = panel.month - layout.first_month
    number = panel.model * layout.n_months + month
    order = np.argsort(number, kind="stable").astype("int64")
    cell, start = np.unique(number[order], return_index=True)
    late = (panel.age - PIVOT_AGE) / 12.0
    step = np.zeros(len(late))
    if "step" in layout.names:
        step = panel.models.step(panel.model, panel.day, panel.now)
    columns = np.column_stack([np.ones(len(late)), late, step, dense, panel.y])
    return Cells(
        layout,
        order,
        columns[order],
        np.append(start, len(order)).astype("int64"),
        (cell // layout.n_months).astype("int64"),
        (cell % layout.n_months).astype("int64"),
        of_row[order[start]],
        total,
    )


def weighted_sums(cells: Cells, w: Floats) -> Sums:
    """All weighted sums of one pass; ``w`` (n,) in the order of the cells."""
    layout = cells.layout
    cell = np.add.reduceat(w[:, None] * cells.columns, cells.start[:-1], axis=0)
    model = [cells.by_model(cell)]
    for column in (1, 2):
        weighted = (w * cells.columns[:, column])[:, None] * cells.columns
        model.append(cells.by_model(np.add.reduceat(weighted, cells.start[:-1], axis=0)))
    month = cells.by_month(cell)
    state = cells.by_state(cell)
    common = np.zeros((cells.states, layout.n_dense + layout.n_months))
    common[:, : layout.n_dense] = state[:, OWN:-1]
    common[cells.state, layout.n_dense + cells.month] = cell[:, 0]
    gram, right = _normal_equations(cells, w, cell, (np.stack(model), month))
    return Sums(gram, right, state[:, 0], state[:, -1], common, state[:, :OWN])


def _normal_equations(
    cells: Cells, w: Floats, cell: Floats, summed: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Put X'WX and X'Wy together from sums by cell, by model (3, models, columns) and by month."""
    layout, (model, month) = cells.layout, summed
    d, each = layout.n_dense, np.arange(layout.n_models)
    gram, right = np.zeros((layout.size, layout.size)), np.zeros(layout.size)
    weighted = cells.dense * w[:, None]
    gram[:d, :d] = cells.dense.T @ weighted
    right[:d] = weighted.T @ cells.y
    for i in range(OWN):
        at = layout.models(i)
        right[at] = model[i, :, -1]
        gram[at, :d] = model[i, :, OWN:-1]
        for j in range(OWN):
            gram[at.start + each, layout.models(j).start + each] = model[i, :, j]
        gram[at.start + cells.model, layout.months.start + cells.month] = cell[:, i]
        gram[layout.months, at] = gram[at, layout.months].T
        gram[:d, at] = gram[at, :d].T
    right[layout.months] = month[:, -1]
    gram[layout.months, :d] = month[:, OWN:-1]
    gram[:d, layout.months] = gram[layout.months, :d].T
    gram[layout.months, layout.months] = np.diag(month[:, 0])
    return gram, right


def fitted(cells: Cells, theta: Floats, state: Floats) -> Floats:
    """Fitted values with their drift states (states,), in the order of the cells, (n,)."""
    layout = cells.layout
    level, slope, step = (theta[layout.models(i)][cells.model] for i in range(OWN))
    level = level + theta[layout.months][cells.month] + state[cells.state]
    out: Floats = cells.dense @ theta[: layout.n_dense]
    out += np.repeat(level, np.diff(cells.start))
    out += cells.columns[:, 1] * np.repeat(slope, np.diff(cells.start))
    out += cells.columns[:, 2] * np.repeat(step, np.diff(cells.start))
    return out
