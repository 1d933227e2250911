"""Arrays by what they hold; the shape stands in the docstring of whoever takes or gives one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Texts = npt.NDArray[np.object_]
