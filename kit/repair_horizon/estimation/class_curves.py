"""The price curve of a device class as a prior of the joint model's level and slopes."""

from __future__ import annotations

from functools import cache

import numpy as np

from repair_horizon.classes import class_knowledge
from repair_horizon.classes.value_by_age import PIVOT_MONTHS
from repair_horizon.estimation.curve.design import KNOTS, CurvePrior, Priors, curve_prior

_LAST = 102.0


@cache
def class_curve(device_class: str) -> CurvePrior:
    """Return level and slopes that reproduce the class's share of launch price by age.

    The class's errors of level and pace are the prior's width; on top slopes may wander from one
    segment to the next and the first months may fall quicker, as in the engine's own prior.
    """
    curve = class_knowledge(device_class).price_curve
    ends = np.append(KNOTS, _LAST)
    log_share = np.log(curve.at(ends).value)
    mean = np.append(log_share[0], np.diff(log_share) / np.diff(ends) * 12.0)
    pace = np.append(-PIVOT_MONTHS * curve.pace_log_sd, np.full(len(KNOTS), 12 * curve.pace_log_sd))
    level = np.eye(len(mean))[0] * curve.level_log_sd
    cov = np.outer(level, level) + np.outer(pace, pace)
    shape = Priors(first_slope=(0.0, 0.05), stiffness=0.03, fast_phase=(0.0, 0.15), long_slope=0.0)
    cov[1:, 1:] += np.linalg.inv(curve_prior(shape)[1])
    return CurvePrior(mean, np.linalg.inv(cov))
