"""The rows of one family summed by cell, so that indicator columns cost no products.

A cell is a model in a month. Its rows share one market effect, one drift state and one model's
level, slope and step, so all products of indicator columns come from sums over cells; only the
dense columns are multiplied row by row. The same normal equations as of the whole design, at a
cost per row that depends on neither the number of models nor that of months.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from repair_horizon.estimation.curve.design import PIVOT_AGE, Layout
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.tables.arrays import Floats, Ints

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
    starts: tuple[Ints, Ints, Ints] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Derive once what every pass needs."""
        of_row = np.repeat(np.arange(len(self.model)), np.diff(self.start))
        object.__setattr__(self, "of_row", of_row)
        by_time = np.argsort(self.month, kind="stable").astype("int64")
        object.__setattr__(self, "by_time", by_time)
        groups = (self.model, self.state, self.month[by_time])
        starts = tuple(np.flatnonzero(np.diff(g, prepend=-1)) for g in groups)
        object.__setattr__(self, "starts", starts)

    @property
    def own(self) -> Floats:
        """What a row's model multiplies: one, late age and step, (n, 3)."""
        return self.columns[:, :OWN]

    @property
    def dense(self) -> Floats:
        """The dense columns, (n, dense)."""
        return self.columns[:, OWN:-1]

    @property
    def y(self) -> Floats:
        """What is explained, (n,)."""
        return self.columns[:, -1]

    def by_model(self, values: Floats) -> Floats:
        """Sum values of cells by model, (models, ...); the cells lie in its order."""
        return _summed(values, self.model, (self.starts[0], self.layout.n_models))

    def by_state(self, values: Floats) -> Floats:
        """Sum values of cells by drift state, (states, columns); the cells lie in its order."""
        return _summed(values, self.state, (self.starts[1], self.states))

    def by_month(self, values: Floats) -> Floats:
        """Sum values of cells by month, (months, columns)."""
        month = self.month[self.by_time]
        return _summed(values[self.by_time], month, (self.starts[2], self.layout.n_months))


def _summed(values: Floats, group: Ints, groups: tuple[Ints, int]) -> Floats:
    """Sum rows by a group number that never falls; ``groups``: where each starts, how many."""
    starts, number = groups
    out = np.zeros((number, *values.shape[1:]))
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
    step = dense[:, layout.dense("step")] if "step" in layout.names else np.zeros(len(late))
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
    weighted = w[:, None] * cells.columns
    summed = [np.add.reduceat(weighted, cells.start[:-1], axis=0)]
    for i in range(1, OWN):  # one by one: of many rows each product is large
        product = cells.columns[:, [i]] * weighted
        summed.append(np.add.reduceat(product, cells.start[:-1], axis=0))
    cell = summed[0]
    model = cells.by_model(np.stack(summed, axis=1))
    state = cells.by_state(cell)
    common = np.zeros((cells.states, layout.n_dense + layout.n_months))
    common[:, : layout.n_dense] = state[:, OWN:-1]
    common[cells.state, layout.n_dense + cells.month] = cell[:, 0]
    gram, right = _normal_equations(cells, weighted, cell, model)
    return Sums(gram, right, state[:, 0], state[:, -1], common, state[:, :OWN])


def _normal_equations(
    cells: Cells, weighted: Floats, cell: Floats, model: Floats
) -> tuple[Floats, Floats]:
    """Put X'WX and X'Wy together from sums by row, by cell and by model (models, 3, columns)."""
    layout, month = cells.layout, cells.by_month(cell)
    d, each = layout.n_dense, np.arange(layout.n_models)
    gram, right = np.zeros((layout.size, layout.size)), np.zeros(layout.size)
    family = cells.dense.T @ weighted[:, OWN:]
    gram[:d, :d], right[:d] = family[:, :-1], family[:, -1]
    months = layout.months
    for i in range(OWN):
        at = layout.models(i)
        right[at] = model[:, i, -1]
        gram[at, :d] = model[:, i, OWN:-1]
        gram[:d, at] = model[:, i, OWN:-1].T
        for j in range(OWN):
            gram[at.start + each, layout.models(j).start + each] = model[:, i, j]
        gram[at.start + cells.model, months.start + cells.month] = cell[:, i]
        gram[months, at] = gram[at, months].T
    right[months] = month[:, -1]
    gram[months, :d] = month[:, OWN:-1]
    gram[:d, months] = month[:, OWN:-1].T
    time = np.arange(months.start, months.stop)
    gram[time, time] = month[:, 0]
    return gram, right


def fitted(cells: Cells, theta: Floats, state: Floats) -> Floats:
    """Fitted values with their drift states (states,), in the order of the cells, (n,)."""
    layout = cells.layout
    own = np.column_stack([theta[layout.models(i)] for i in range(OWN)])[cells.model]
    own[:, 0] += theta[layout.months][cells.month] + state[cells.state]
    out: Floats = cells.dense @ theta[: layout.n_dense]
    out += np.einsum("ij,ij->i", cells.own, own[cells.of_row])
    return out
