"""Money: every line is rounded to cents, half to even; a bid is rounded down."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def cents(amount: Any) -> Floats:
    """Round to cents, half to even; a value that is a tie but for binary noise counts as a tie."""
    out: Floats = np.asarray(amount, dtype="float64") * 100.0
    if np.ndim(out):
        # In place: much of a page's arithmetic is done here, on draws by months by grades.
        np.rint(np.round(out, 6, out=out), out=out)
        out /= 100.0
    else:
        out = np.rint(np.round(out, 6)) / 100.0
    return out


def round_down(amount: Any, increment: float) -> Floats:
    """Round down to a multiple of the bid increment."""
    steps = np.round(np.asarray(amount, dtype="float64") / increment, 6)
    out: Floats = np.round(np.floor(steps) * increment, 6)
    return out
