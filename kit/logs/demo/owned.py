"""Which repaired unit each own sale sold, so that repairs and sales can be joined by unit."""

from __future__ import annotations

import pandas as pd

_SOONEST, _LATEST = 4, 90


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
    sales, repairs = sales.copy(), repairs.copy()
    fixed = repairs[repairs["outcome"].str.startswith("fixed")]
    ready = {
        m: list(zip(pd.to_datetime(g["opened"]), g.index, strict=True))
        for m, g in fixed.groupby("model_id")
    }
    own = sales[(sales["own_sale"] == "yes") & (sales["condition"] == "working")]
    spare = 5001
    for i, row in own.iterrows():
        job = _take(ready.get(row["model_id"], []), pd.Timestamp(row["sale_date"]))
        if job is None:
            sales.loc[i, "unit_id"] = f"U{spare}"
            spare += 1
            continue
        sales.loc[i, "unit_id"] = repairs.loc[job, "unit_id"]
        repairs.loc[job, "grade_out"] = row["grade"]
    return sales, repairs


def _take(ready: list[tuple[pd.Timestamp, int]], day: pd.Timestamp) -> int | None:
    """Take the newest job opened 4 to 90 days before a sale out of those ready."""
    for at in range(len(ready) - 1, -1, -1):
        if _SOONEST <= (day - ready[at][0]).days <= _LATEST:
            return ready.pop(at)[1]
    return None
