"""Every log of a workspace read, not yet checked against each other; the day taken for now.

That day is the newest of the rows, unless it stands alone or lies ahead of today: a row dated 2031
by a slip of the pen would start every forecast there. Rows that tell of what happened (sales,
quotes, jobs, units bought, listings with a result) are therefore looked at together: what lies
after today, and a day alone far after all others, is held and sets nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.logs.partitions import (
    FAMILY,
    FILE,
    ROW,
    can_be_partitioned,
    family_by_model,
    read_parts,
)
from repair_horizon.logs.reading import TableRead, empty_rows, find_file, read_table
from repair_horizon.tables.faults import HELD, Fault, Ledger, LogFault, exception_rows
from repair_horizon.tables.inputs import CATALOGUE, REQUIRED_TABLES, TABLES, Table

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


# Logs that stay whole when families are chosen, though their rows belong to families: a class of
# devices shares its repair rates, so one family's estimates rest on the jobs of others.
SHARED = ("catalogue", "repairs")
# Text of the one log that grows long, left categorical until its rules have judged it: they drop
# rows several times, and look at words over and over.
CODED = frozenset(
    ("model_id", "currency", "channel", "grade", "condition", "listed_fault", "price_type")
) | {"record_type", "source_ref"}


@dataclass(frozen=True, eq=False)
class Gathered:
    """The logs as read.

    ``tables`` has typed rows, ``read`` the rows each file had, ``held`` ledger lines of rows that
    could not be read. ``files`` names each log's file or folder; ``places`` has, for partitioned
    logs, the part, row and family of each line. ``owners`` is the family of each line, for logs
    that are cut down to the families chosen. ``days`` are those of rows in no table.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    read: dict[str, int] = field(default_factory=dict)
    held: list[pd.DataFrame] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    places: dict[str, pd.DataFrame] = field(default_factory=dict)
    owners: dict[str, pd.Series] = field(default_factory=dict)
    days: list[pd.DataFrame] = field(default_factory=list)


def split_by_family(name: str) -> bool:
    """Whether choosing families leaves out rows of this log."""
    return can_be_partitioned(TABLES[name]) and name not in SHARED


def gather(folder: Path, families: Sequence[str] | None, narrow: bool) -> Gathered:
    """Read every log of a workspace.

    Parameters
    ----------
    families
        Families that will be kept; all if None.
    narrow
        Whether partitions of other families may be left unread.

    Raises
    ------
    LogFault
        If the frame of a file is broken, a needed one is missing, or a family is unknown; all
        faults of all files at once.
    """
    got, faults = Gathered(), []
    for name, table in TABLES.items():
        try:
            path = find_file(folder, table)
            if path is None:
                got.tables[name] = empty_rows(table)
                if name in REQUIRED_TABLES:
                    faults.append(Fault(f"{name}.csv", None, "", "no such file", "the file"))
                continue
            _read_into(got, (path, table), families, narrow)
        except LogFault as error:
            faults += error.faults
            got.tables[name] = empty_rows(table)
            continue
        if name == "catalogue":
            faults += _catalogue_faults(got, families)
    if faults:
        raise LogFault(faults)
    return got


def _catalogue_faults(got: Gathered, families: Sequence[str] | None) -> list[Fault]:
    rows, file = got.tables["catalogue"], got.files["catalogue"]
    if rows.empty and got.read["catalogue"]:
        held = got.held[-1].itertuples()
        return [Fault(file, int(h.line), h.column, h.found, h.allowed) for h in held]
    if rows.empty:
        add = "repair-horizon add catalogue model_id=... family_id=... device_class=..."
        return [Fault(file, None, "", "no model yet", f"at least one model: {add}")]
    known = list(dict.fromkeys(rows["family_id"]))
    unknown = [f for f in families or () if f not in known]
    return [Fault(file, None, "family_id", f, ", ".join(known)) for f in unknown]


def _read_into(
    got: Gathered, file: tuple[Path, Table], families: Sequence[str] | None, narrow: bool
) -> None:
    path, table = file
    name = table.name
    if path.is_dir():
        only = families if narrow and split_by_family(name) else None
        parts = read_parts(path, table, got.tables.get("catalogue", empty_rows(CATALOGUE)), only)
        rows, got.places[name] = parts.read, parts.places
        got.days.append(days_of({name: parts.others}))
        got.owners[name] = parts.places[FAMILY]
    else:
        rows = read_table(path, table, CODED if name == "sales" else ())
        if families is not None and split_by_family(name):
            got.owners[name] = _owners(rows, got.tables["catalogue"])
    if rows.unread is not None:
        got.days.append(days_of({name: rows.unread}))
    got.tables[name], got.read[name] = rows.rows, rows.read
    got.files[name] = path.name
    got.held.append(rows.held)


def _owners(read: TableRead, catalogue: pd.DataFrame) -> pd.Series:
    """Family of each line of a file, '' where its model is unknown."""
    rows = read.rows if read.unread is None else pd.concat([read.rows, read.unread])
    if "family_id" in rows:
        return rows.set_index("line")["family_id"]
    return rows.set_index("line")["model_id"].map(family_by_model(catalogue)).fillna("")


def of_families(
    tables: dict[str, pd.DataFrame], ledger: Ledger, got: Gathered, families: Sequence[str]
) -> tuple[dict[str, pd.DataFrame], Ledger]:
    """Keep what belongs to some families, of the logs that are split by family."""
    tables, read, lines = dict(tables), dict(ledger.read), ledger.exceptions
    for name in got.read:
        if not split_by_family(name):
            continue
        owner = got.owners[name]
        own = owner.index[owner.isin(families)]
        tables[name] = tables[name][tables[name]["line"].isin(own)]
        lines = lines[(lines["table"] != name) | lines["line"].isin(own)]
        read[name] = len(own)
    return tables, Ledger(read, lines.reset_index(drop=True))


def located(ledger: Ledger, got: Gathered) -> Ledger:
    """Name the file of each row not used; rows of partitioned logs are counted in their part."""
    lines = ledger.exceptions
    lines.insert(1, "file", lines["table"].map(got.files))
    for name, places in got.places.items():
        at = lines.index[lines["table"] == name]
        stands = places.loc[lines.loc[at, "line"]]
        lines.loc[at, "file"] = stands[FILE].to_numpy()
        lines.loc[at, "line"] = stands[ROW].to_numpy()
        if not TABLES[name].key:
            lines.loc[at, "row_id"] = [f"line {n}" for n in stands[ROW]]
    return Ledger(ledger.read, lines)
