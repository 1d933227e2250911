"""Arrays by what they hold; the shape stands in the docstring of whoever takes or gives one."""

from __future__ import annotations

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


def tabled(columns: Columns) -> pd.DataFrame:
    """Return columns as a table; arrays of objects hold text."""
    texts = {name: "str" for name, values in columns.items() if values.dtype == object}
    return pd.DataFrame(columns).astype(texts)
