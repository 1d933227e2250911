"""The price curve of a device class as a prior of the joint model's level and slopes."""

from __future__ import annotations

from functools import cache

import numpy as np

from repair_horizon.classes import class_knowledge
from repair_horizon.classes.value_by_age import PIVOT_MONTHS
from repair_horizon.estimation.curve.design import KNOTS, CurvePrior, Priors, curve_prior

_LAST, WIDER, AT_LAUNCH = 102.0, 1.5, 0.5


@cache
def class_curve(device_class: str) -> CurvePrior:
    """Return level and slopes that reproduce the class's share of launch price by age.

    The class's errors are the prior's width: half of the level's at launch, when any device
    fetches near its launch price, all of it from twelve months on, and from then the pace's. On
    top slopes may wander from one segment to the next and the first months may fall quicker, as
    in the engine's own prior. All of it half as much again in variance. On invented shops of
    another make (the profit benchmark's, seeds for choosing) the mean error of a young shop's
    levels fell from 0.213 without the class to 0.180 a year ahead; the level's whole error at
    launch and a pace that turns about twelve months were worse by one to two per cent.
    """
    curve = class_knowledge(device_class).price_curve
    ends = np.append(KNOTS, _LAST)
    log_share = np.log(curve.at(ends).value)
    mean = np.append(log_share[0], np.diff(log_share) / np.diff(ends) * 12.0)
    first = KNOTS < PIVOT_MONTHS
    level = curve.level_log_sd * np.append(AT_LAUNCH, (1 - AT_LAUNCH) * first * 12 / PIVOT_MONTHS)
    pace = 12 * curve.pace_log_sd * np.append(0.0, ~first)
    cov = np.outer(level, level) + np.outer(pace, pace)
    shape = Priors(first_slope=(0.0, 0.05), stiffness=0.03, fast_phase=(0.0, 0.15), long_slope=0.0)
    cov[1:, 1:] += np.linalg.inv(curve_prior(shape)[1])
    return CurvePrior(mean, np.asarray(np.linalg.inv(WIDER * cov), dtype="float64"))
