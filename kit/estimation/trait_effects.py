"""What one family's own sales say of grades, channels and storage, without any price curve.

Sales of one model in one quarter are held against each other, so that neither the model's level
nor its fall comes into it; Student-t weights keep out what is not what it is labelled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from kit.estimation.panel import Panel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# An estimate wider than this says nothing that the prior does not.
WIDEST = 0.5
_NU, _PASSES, _START_NOISE, _NOISE_WORTH, _LOOSE_SD = 4.0, 5, 0.10, 4.0, 0.5


@dataclass(frozen=True, eq=False)
class FamilyEffects:
    """One family's own log effects, (k,), against its base, and their covariance (k, k).

    ``base`` are the traits whose effect is zero by choice, such as 'grade B'.
    """

    family_id: str
    names: tuple[str, ...]
    base: tuple[str, ...]
    estimate: Floats
    cov: Floats

    def contrast(self, trait: str, against: str) -> tuple[float, float] | None:
        """Log effect of one trait less another's and its variance; None if one was never sold.

        ``against`` is empty for traits that are none of several, such as storage.
        """
        load = np.zeros(len(self.names))
        for name, sign in ((trait, 1.0), (against, -1.0)):
            if name in self.names:
                load[self.names.index(name)] += sign
            elif name and name not in self.base:
                return None
        variance = float(load @ self.cov @ load)
        return (float(load @ self.estimate), variance) if 0 < variance < WIDEST**2 else None


def effects_alone(panel: Panel) -> tuple[Floats, Floats]:
    """One family's trait effects from sales of the same model in the same quarter.

    Parameters
    ----------
    panel
        The family's prices.

    Returns
    -------
    tuple
        Log effects (k,) and their covariance (k, k): least squares on what differs within a
        model's quarter, the fall within it taken out by age, with Student-t weights.
    """
    k = len(panel.traits.names)
    columns = np.column_stack([panel.traits.values, panel.age / 12.0, panel.y])
    number = panel.model * (panel.month.max() // 3 + 1) + panel.month // 3
    _, cell = np.unique(number, return_inverse=True)
    cells = int(cell.max()) + 1
    weight, noise = _first_weights(panel), _START_NOISE
    loose = np.eye(k + 1) / _LOOSE_SD**2
    left_over = max(len(cell) - cells - k - 1, 0)
    for _ in range(_PASSES):
        within = columns - _means(columns, weight, (cell, cells))[cell]
        x, y = within[:, :-1], within[:, -1]
        cov = np.linalg.inv(x.T @ (x * weight[:, None]) / noise**2 + loose)
        estimate = cov @ (x.T @ (weight * y)) / noise**2
        square = (y - x @ estimate) ** 2
        weight = (_NU + 1) / (_NU + square / noise**2)
        spread = weight @ square + _NOISE_WORTH * _START_NOISE**2
        noise = float(np.sqrt(spread / (left_over + _NOISE_WORTH)))
    return np.asarray(estimate[:k]), np.asarray(cov[:k, :k], dtype="float64")


def _first_weights(panel: Panel) -> Floats:
    """Weights by the distance from a model's own median: of two sales in a cell one may be wrong.

    Within its cell an amount with a slipped decimal looks no worse than the sale beside it.
    """
    off = np.empty(len(panel.y))
    for model in np.unique(panel.model):
        mine = panel.model == model
        off[mine] = np.abs(panel.y[mine] - np.median(panel.y[mine]))
    spread = max(float(np.median(off)) / 0.6745, _START_NOISE)
    return np.asarray((_NU + 1) / (_NU + (off / spread) ** 4))


def _means(columns: Floats, weight: Floats, cells: tuple[npt.NDArray[np.int64], int]) -> Floats:
    """Weighted mean of each column in each cell, (cells, columns)."""
    cell, number = cells
    total = np.bincount(cell, weight, number)
    sums = [np.bincount(cell, weight * column, number) for column in columns.T]
    out: Floats = np.column_stack(sums) / total[:, None]
    return out
