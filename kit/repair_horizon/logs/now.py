"""The day taken for now: the newest of the rows, unless it stands alone or lies ahead of today.

A row dated 2031 by a slip of the pen would start every forecast there. Rows that tell of what
happened (sales, quotes, jobs, units bought, listings with a result) are therefore looked at
together: what lies after today, and a day alone far after all others, is held and sets nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.row_accounts import HELD, exception_rows

PAST = ("sales", "part_quotes", "maker_quotes", "repairs", "listings", "stock")
# A gap is far when it is this many times the usual one between the days with rows, and at least a
# quarter. So many rows may stand behind it: one, two of many, or one in a thousand.
_TIMES, _LEAST_DAYS, _MANY, _ALONE, _OTHERS = 20.0, 92.0, 50, 1000, 3
# Whoever takes up an old log again today writes rows far after all others, and is believed.
_FRESH_DAYS = 45.0
# Where more than this lies after today, and not just a slip or two, the clock is wrong.
_CLOCK_SHARE, _CLOCK_ROWS = 0.05, 10
_USUAL_OF = 60


@dataclass(frozen=True)
class LastDay:
    """The last day that is believed, today by the clock or the caller, and what is to be told."""

    day: pd.Timestamp
    today: pd.Timestamp
    notes: tuple[str, ...] = ()

    def late(self, name: str, rows: pd.DataFrame) -> list[pd.DataFrame]:
        """Hold rows of a table that tell of what happened after the last day believed."""
        if name not in PAST or rows.empty:
            return []
        days = rows[TABLES[name].date]
        late = told_of(name, rows) & (days > self.day)
        if not late.any():
            return []
        ahead = late & (days > self.today)
        alone = f"alone, far after all other rows (the last of which is of {self.day:%Y-%m-%d})"
        return [
            self._held(name, rows[ahead], f"dated after today ({self.today:%Y-%m-%d})"),
            self._held(name, rows[late & ~ahead], alone),
        ]

    def _held(self, name: str, rows: pd.DataFrame, reason: str) -> pd.DataFrame:
        date = TABLES[name].date
        found = rows[date].dt.strftime("%Y-%m-%d").to_numpy()
        held = exception_rows(name, rows, HELD, reason)
        return held.assign(column=date, found=found, allowed=f"up to {self.day:%Y-%m-%d}")


def told_of(name: str, rows: pd.DataFrame) -> pd.Series:
    """Whether rows tell of what happened; a listing without a result lies ahead."""
    happened = rows[TABLES[name].date].notna()
    return happened & (rows["result"] != "") if name == "listings" else happened


def days_of(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return ``table``, ``day`` and how many ``rows`` of it tell of what happened that day."""
    found = [
        t.loc[told_of(n, t), TABLES[n].date]
        .value_counts()
        .rename_axis("day")
        .reset_index(name="rows")
        .assign(table=n)
        for n, t in tables.items()
        if n in PAST and len(t)
    ]
    return (
        pd.concat(found, ignore_index=True)
        if found
        else pd.DataFrame(columns=["day", "rows", "table"])
    )


def last_day(days: pd.DataFrame, today: pd.Timestamp) -> LastDay:
    """Find the last day that is believed.

    ``days``: from ``days_of``: of all families, also of those not read further; ``today``: by the
    clock, or by whoever asks.
    """
    if days.empty:
        return LastDay(today, today)
    by = days.groupby("day")
    counts = pd.DataFrame({"size": by["rows"].sum(), "nunique": by["table"].nunique()})
    rows = int(counts["size"].sum())
    ahead = int(counts.loc[counts.index > today, "size"].sum())
    notes: tuple[str, ...] = ()
    if ahead > max(_CLOCK_ROWS, _CLOCK_SHARE * rows) or ahead > rows / 2:
        notes = (f"{ahead} rows lie after today, {today:%Y-%m-%d} by the clock: the rows are "
                 "believed, not the clock.",)  # fmt: skip
        newest = pd.Timestamp(counts.index[-1])
        return LastDay(_not_alone(counts, None) or newest, newest, notes)
    counts = counts[counts.index <= today]
    return LastDay(_not_alone(counts, today) or today, today, notes)


def _not_alone(counts: pd.DataFrame, today: pd.Timestamp | None) -> pd.Timestamp | None:
    """Walk back from the newest day over every one that stands alone far after the others.

    Rows near ``today`` are believed; without a day to go by (None) none is for that. None where
    no row is left.
    """
    days = counts.index.to_numpy().astype("datetime64[s]")
    rows = counts["size"].to_numpy()
    tables = counts["nunique"].to_numpy()
    may = max(1 + int(rows.sum() >= _MANY), int(rows.sum()) // _ALONE)
    last, alone = len(days) - 1, 0
    while last >= _OTHERS:
        gaps = np.diff(days[: last + 1]) / np.timedelta64(1, "D")
        usual = float(np.median(gaps[-1 - _USUAL_OF : -1]))
        # One slip brings one row, or the same one twice; two tables that agree are no slip.
        alone += 1 if tables[last] == 1 and rows[last] <= 2 else int(rows[last])
        near = today is not None and (today - pd.Timestamp(days[last])).days <= _FRESH_DAYS
        if gaps[-1] > max(_LEAST_DAYS, _TIMES * usual) and alone <= may and not near:
            return _not_alone(counts.iloc[:last], today)
        if alone > may:
            break
        last -= 1
    return pd.Timestamp(days[-1]) if len(days) else None
