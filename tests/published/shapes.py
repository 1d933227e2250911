"""Curves of the published fits, laid out for the kit's fitter."""

import numpy as np
from repair_horizon.estimation.simple_curves import Shape, log_grid

SATURATING = Shape(
    ("ceiling",),
    ("rate",),
    lambda x, r: -np.expm1(-r[0] * x)[:, None],
    lambda x, r: (x * np.exp(-r[0] * x))[None, :, None],
    log_grid,
)
POWER = Shape(
    ("unit",),
    ("power",),
    lambda x, r: (x ** r[0])[:, None],
    lambda x, r: (np.log(x) * x ** r[0])[None, :, None],
    lambda x: np.linspace(-10.0, 10.0, 161),
)
TWO_SPEED = Shape(
    ("fast", "slow"),
    ("fast rate", "slow rate"),
    lambda x, r: np.exp(-np.outer(x, r)),
    lambda x, r: -(x[:, None] * np.exp(-np.outer(x, r)))[None] * np.eye(2)[:, None, :],
    lambda x: log_grid(x)[::3],
)
