"""Every log of a workspace read, not yet checked against each other; and where its rows stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from repair_horizon.logs.now import days_of
from repair_horizon.logs.partitions import (
    FAMILY,
    FILE,
    ROW,
    can_be_partitioned,
    family_by_model,
    read_parts,
)
from repair_horizon.logs.reading import TableRead, empty_rows, find_file, read_table
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import CATALOGUE, REQUIRED_TABLES, TABLES, Table
from repair_horizon.tables.row_accounts import Ledger

# Logs that stay whole when families are chosen, though their rows belong to families: a class of
# devices shares its repair rates, so one family's estimates rest on the jobs of others.
SHARED = ("catalogue", "repairs")


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
    folder
        The workspace.
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
        rows = read_table(path, table)
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
