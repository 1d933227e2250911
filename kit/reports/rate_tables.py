"""Tables of how repairs turn out: states, success and grades, with the jobs behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.estimation.rates import success_by_fault
from kit.estimation.readings import shares_after_reading
from kit.logs import CannotSay
from kit.reports.worked import Worked


def tries_table(worked: Worked) -> pd.DataFrame:
    """Repairs tried by listed fault, with the family's own success and its interval."""
    return success_by_fault(worked.logs.family(worked.family_id).tables["repairs"], worked.level)


def reading_table(worked: Worked) -> pd.DataFrame:
    """The likeliest state behind each listed fault once the first reading is known."""
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame()
    rates = worked.family.estimates.rates
    return shares_after_reading(worked.logs, worked.family_id, rates, worked.level)


def state_table(worked: Worked) -> pd.DataFrame:
    """What listed faults turn out to be, and how often repair succeeds, with the jobs behind."""
    columns = ["listed_fault", "state", "share", "share_lower", "share_upper", "n_found"]
    columns += ["success", "success_lower", "success_upper", "n_tried", "hours", "part_codes"]
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame(columns=columns)
    return worked.family.estimates.rates.states[columns]


def grade_table(worked: Worked) -> pd.DataFrame:
    """Grades after repair: price factor against the base grade, share, jobs."""
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame(columns=["grade", "factor", "share", "n"])
    grades = worked.family.estimates.rates.grades
    factor = [float(np.median(worked.family.grade[g])) for g in grades["grade"]]
    return grades.assign(factor=factor)[["grade", "factor", "share", "n"]]
