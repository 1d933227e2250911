"""A Parquet file as the text a CSV of it would hold, so that one set of rules reads both."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from repair_horizon.files.sizes import check_size
from repair_horizon.tables.faults import Fault, LogFault

# What the Parquet reader raises for damaged files, and dates beyond those pandas knows.
_NO_PARQUET = (ValueError, OSError, OverflowError, NotImplementedError, TypeError, KeyError)


def parquet_text(path: Path) -> pd.DataFrame:
    """Read every value of a Parquet file as text.

    Raises
    ------
    LogFault
        If it is no whole Parquet file, unpacks to far more than the memory, or holds texts or
        days nobody could print.
    """
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        check_size(path, sum(file.metadata.row_group(i).total_byte_size for i in groups))
        table = file.read()
        table.validate(full=True)  # a text may be no UTF-8, and would fail when it is looked at
        return printed(table.to_pandas())
    except LogFault:
        raise
    except _NO_PARQUET as error:
        found = (str(error).splitlines() or [""])[0]
        raise LogFault([Fault(path.name, None, "", found, "a whole Parquet file")]) from None


def printed(frame: pd.DataFrame) -> pd.DataFrame:
    """Print typed values as text the way the CSV has them, missing ones empty."""
    out = pd.DataFrame(index=range(len(frame)))
    for name in frame.columns:
        values = frame[name].reset_index(drop=True)
        if pd.api.types.is_datetime64_any_dtype(values):
            text = values.dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(values):
            text = values.map(lambda v: format(v, ".12g"))
        else:
            text = values.astype(str)
        out[name] = text.where(values.notna(), "").astype("str")
    return out
