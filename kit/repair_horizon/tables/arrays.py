"""Arrays by what they hold; the shape stands in the docstring of whoever takes or gives one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]
Columns = dict[str, npt.NDArray[Any]]
"""Columns of a table that is put together from many: one frame at the end costs far less."""


def quantiles(values: Floats, levels: Sequence[float]) -> Floats:
    """Quantiles down the first axis, (levels, ...): numpy's usual ones, which take thrice as long.

    Examples
    --------
    >>> quantiles(np.array([[1.0], [2.0], [4.0]]), [0.5, 0.75]).ravel().tolist()
    [2.0, 3.0]
    """
    ordered = np.sort(values, axis=0)  # what is missing comes last
    at = np.asarray(levels) * (len(ordered) - 1)
    low = at.astype("int64")
    share = np.expand_dims(at - low, tuple(range(1, values.ndim)))
    high = ordered[np.minimum(low + 1, len(ordered) - 1)]
    out = ordered[low] * (1 - share) + high * share
    return np.asarray(np.where(np.isnan(ordered[-1]), np.nan, out))


def tabled(columns: Columns) -> pd.DataFrame:
    """Return columns as a table; arrays of objects hold text."""
    texts = {name: "str" for name, values in columns.items() if values.dtype == object}
    return pd.DataFrame(columns).astype(texts)
