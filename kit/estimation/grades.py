"""The declared order of the grades, put on effects that sales alone may have out of order."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import isotonic_regression

Floats = npt.NDArray[np.float64]


def ordered_effects(effects: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> Floats:
    """Closest effects that never rise from the first to the last, by weighted least squares.

    Parameters
    ----------
    effects
        Log effects, the best grade first, (grades,).
    weights
        Weight of each, above zero, usually one over its squared standard error; equal if None.

    Returns
    -------
    ndarray
        Neighbours out of order share their weighted mean (pool adjacent violators); Barlow,
        Bartholomew, Bremner and Brunk (1972), Statistical Inference under Order Restrictions.
    """
    values = np.asarray(effects, dtype="float64")
    out: Floats = isotonic_regression(values, weights=weights, increasing=False).x
    return out
