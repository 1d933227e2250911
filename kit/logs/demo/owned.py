"""Which repaired unit each own sale sold, so that repairs and sales can be joined by unit."""

from __future__ import annotations

import numpy as np
import pandas as pd

_SOONEST, _LATEST, _FIRST_SPARE = 4, 90, 5001


def link_units(sales: pd.DataFrame, repairs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give own working sales the unit repaired last before them, and the job the grade sold.

    Sales no job explains get a unit of their own (bought working, or before the job log began).

    Parameters
    ----------
    sales, repairs
        Text tables in order of their days.

    Returns
    -------
    tuple
        Both tables with ``unit_id`` and ``grade_out`` in agreement.
    """
    ready: dict[str, list[tuple[pd.Timestamp, int]]] = {}
    opened = pd.to_datetime(repairs["opened"]).to_list()
    for at in np.flatnonzero(repairs["outcome"].str.startswith("fixed")):
        ready.setdefault(repairs["model_id"].iloc[at], []).append((opened[at], int(at)))
    days = pd.to_datetime(sales["sale_date"]).to_list()
    models, sold_as = sales["model_id"].to_list(), sales["grade"].to_list()
    own = (sales["own_sale"] == "yes") & (sales["condition"] == "working")
    units, grades = sales["unit_id"].to_list(), repairs["grade_out"].to_list()
    jobs, spare = repairs["unit_id"].to_list(), _FIRST_SPARE
    for i in np.flatnonzero(own):
        job = _take(ready.get(models[i], []), days[i])
        if job is None:
            units[i], spare = f"U{spare}", spare + 1
        else:
            units[i], grades[job] = jobs[job], sold_as[i]
    return sales.assign(unit_id=units), repairs.assign(grade_out=grades)


def _take(ready: list[tuple[pd.Timestamp, int]], day: pd.Timestamp) -> int | None:
    """Take the newest job opened 4 to 90 days before a sale out of those ready."""
    for at in range(len(ready) - 1, -1, -1):
        if _SOONEST <= (day - ready[at][0]).days <= _LATEST:
            return ready.pop(at)[1]
    return None
