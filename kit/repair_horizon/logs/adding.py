"""``add_row``: one row, checked as files are, whole or not at all; and how rows are appended.

What can be known already is not asked for: the identifier, today, the currency, and what a unit's
own rows say of it. The last rows added can be taken back.
"""

from __future__ import annotations

import csv
import io
import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import locked, write_text, write_whole
from repair_horizon.logs.consequences import FIXED, WORKING
from repair_horizon.logs.partitioning import append_parts, catalogue_rows, settle, stored_text
from repair_horizon.logs.partitions import read_parts
from repair_horizon.logs.reading import find_file, text_of, typed
from repair_horizon.logs.workspace import read_logs
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table
from repair_horizon.tables.settings import Settings, read_settings

SALT_FILE = "import_salt"


@dataclass(frozen=True, eq=False)
class Stored:
    """A table as it stands in the workspace: its file's text, and its rows as text.

    ``lines`` are the rows' lines in the file; a log partitioned by family has none.
    """

    path: Path
    content: str
    rows: pd.DataFrame
    lines: tuple[int, ...] = ()

    def places(self) -> list[str]:
        """Say where each row stands."""
        return [self._place(line) for line in self.lines or [0] * len(self.rows)]

    def next_place(self, lines: int) -> str:
        """Say where a row will stand that is added below ``lines`` lines of other rows added."""
        if self.path.is_dir():
            return self._place(0)
        there = self.content.count("\n") + (not self.content.endswith("\n"))
        return self._place(there + lines + 1)

    def _place(self, line: int) -> str:
        return f"{self.path.name} line {line}" if line else f"the log {self.path.name}"


def read_stored(workspace: Path, table: Table) -> Stored:
    """Read what a workspace holds of a table; nothing if it has no file.

    Raises ``LogFault`` if the file is broken, is a single Parquet file (rows are added to CSV, or
    as new parts of a log partitioned by family), or is a link: replacing a link would part the
    workspace from the file it led to.
    """
    path = find_file(workspace, table)
    if path is None:
        return Stored(workspace / f"{table.name}.csv", "", pd.DataFrame())
    if path.is_dir() and not path.is_symlink():
        catalogue = catalogue_rows(workspace)
        read_parts(path, table, catalogue)
        text = stored_text(path, table, catalogue)
        return Stored(path, "", text.apply(lambda s: s.str.strip()))
    if path.suffix != ".csv":
        allowed = f"{table.name}.csv, or a folder of parts: a single Parquet file is not added to"
        raise LogFault([Fault(path.name, None, "", path.name, allowed)])
    if path.is_symlink():
        allowed = f"{table.name}.csv itself: import into the workspace the link leads to"
        raise LogFault([Fault(path.name, None, "", "a link to another place", allowed)])
    text = text_of(path, table)
    rows = text.drop(columns="line").astype("str").apply(lambda s: s.str.strip())
    return Stored(path, path.read_bytes().decode("utf-8"), rows, tuple(text["line"].tolist()))


def append_rows(stored: Stored, rows: pd.DataFrame) -> None:
    """Add rows to a stored table, all or none.

    What is stored stays byte for byte, except that columns it lacks are added to every line. A
    log partitioned by family gets new parts, all or none for each family.
    """
    if stored.path.is_dir():
        append_parts(stored.path, TABLES[stored.path.name], rows)
        return
    content, header = stored.content, list(stored.rows.columns)
    ending = "\r\n" if "\r\n" in content.partition("\n")[0] + "\n" else "\n"
    new = [c for c in rows.columns if c not in header]
    if new or not content:
        header += new
        whole = stored.rows.reindex(columns=header, fill_value="")
        content = csv_text(whole, ending, header=True)
    elif not content.endswith(("\n", "\r")):
        content += ending
    added = rows.reindex(columns=header, fill_value="")
    replace_file(stored.path, content + csv_text(added, ending, header=False))


def csv_text(rows: pd.DataFrame, ending: str = "\n", *, header: bool = True) -> str:
    """Print rows as our logs are written."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator=ending)
    if header:
        writer.writerow(rows.columns)
    writer.writerows(rows.itertuples(index=False, name=None))
    return out.getvalue()


def replace_file(path: Path, content: str, *, private: bool = False) -> None:
    """Write a file so that a reader, or a crash, meets the old or the new one, nothing between."""
    try:
        write_whole(path, content, private=private)
    except OSError as error:
        found, allowed = error.strerror or str(error), "a file that can be written"
        raise LogFault([Fault(path.name, None, "", found, allowed)]) from None


def read_salt(workspace: Path, *, create: bool) -> str:
    """Return the workspace's salt for hashes, made once; without ``create``, a passing one.

    Two imports into different tables may both want to make it; the first one counts.

    Raises ``LogFault`` if it cannot be read or written.
    """
    path = workspace / SALT_FILE
    try:
        if create and not path.exists():
            _make_salt(path)
        if not path.exists():
            return secrets.token_hex(16)
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        found, allowed = getattr(error, "strerror", "") or str(error), "a file of our own making"
        raise LogFault([Fault(SALT_FILE, None, "", found, allowed)]) from None


def _make_salt(path: Path) -> None:
    with locked(path.parent, path.name):
        for draft in path.parent.glob(f".{path.name}.*.tmp"):  # of an import that was killed
            draft.unlink(missing_ok=True)
        if not path.exists():
            write_whole(path, secrets.token_hex(16) + "\n")


ALSO_CALLED = {
    "model": "catalogue",
    "sale": "sales",
    "quote": "part_quotes",
    "part_quote": "part_quotes",
    "manufacturer_quote": "maker_quotes",
    "repair": "repairs",
    "job": "repairs",
    "listing": "listings",
    "unit": "stock",
    "answer": "answers",
    "rate": "fx_rates",
    "fault": "fault_states",
}
OWN_SERIES = "added"
NUMBERED = ("sales", "part_quotes", "repairs", "listings", "stock")
ADDED = ".added.json"
REMEMBERED = 50


@dataclass(frozen=True)
class Added:
    """A row added: its table, and its values as written."""

    table: str
    row: Mapping[str, str]

    def __str__(self) -> str:
        """Say it on one line."""
        said = " ".join(f"{k}={v}" for k, v in self.row.items() if v)
        return f"{self.table}: {said}"


def table_named(name: str) -> Table:
    """Return the table a word means: its own name, or what one row of it is called.

    Raises ``LogFault`` if it means none.
    """
    known = name.lower().replace("-", "_").removesuffix(".csv")
    known = ALSO_CALLED.get(known, known)
    if known in TABLES:
        return TABLES[known]
    near = get_close_matches(known, [*TABLES, *ALSO_CALLED], 1, 0.6)
    allowed = f"did you mean {near[0]}?" if near else "one of " + ", ".join(TABLES)
    raise LogFault([Fault("add", None, "TABLE", name, allowed)])


def add_row(
    workspace: str | Path, table: str, values: Mapping[str, object], today: str | None = None
) -> Added:
    """Add one row to a log.

    Parameters
    ----------
    table
        A table or what one row of it is called: sale, quote, repair, listing, unit.
    values
        Columns and what stands in them. Left out, an identifier is the next of the rows added that
        day (added-20261129-1), a day that must be there is today, the currency is the workspace's,
        and what a unit's own rows say of it (its model, what it was bought with, whether it works)
        is taken from there.
    today
        YYYY-MM-DD; the computer's day if None.

    Raises
    ------
    LogFault
        With everything wrong; nothing is written then.
    """
    folder, found = Path(workspace), table_named(table)
    if not folder.is_dir():
        allowed = "a folder of logs: repair-horizon init --workspace FOLDER makes one"
        raise LogFault([Fault("--workspace", None, "", str(folder), allowed)])
    given = {k: _text(v) for k, v in values.items()}
    _check_names(found, given)
    day = today or f"{pd.Timestamp.today():%Y-%m-%d}"
    with locked(folder, found.name):
        settle(folder, found.name)
        stored = read_stored(folder, found)
        row = _filled(folder, found, given, stored.rows, day)
        _check_row(folder, found, row)
        new = pd.DataFrame([row])
        append_rows(stored, new)
        try:
            if not stored.path.is_dir():
                _check_whole(folder, found, row, len(stored.rows) + 2)
        except BaseException as error:
            _restore(stored.path, stored.content)
            # Logs that could not be read before, for want of a currency say, are no fault of it.
            if not isinstance(error, LogFault) or _can_be_read(folder):
                raise
            append_rows(stored, new)
        _remember(folder, found.name, row)
    return Added(found.name, row)


def undo(workspace: str | Path) -> Added:
    """Take the row added last back out.

    Raises ``LogFault`` if there is none, or it no longer stands in its log as it was added.
    """
    folder = Path(workspace)
    entries = _remembered(folder)
    if not entries:
        raise LogFault([Fault("--undo", None, "", "nothing added here", "a row added by add")])
    last = entries[-1]
    table, row = last.table, dict(last.row)
    with locked(folder, table):
        stored = read_stored(folder, TABLES[table])
        if not stored.content:
            found = "a partitioned log" if stored.path.is_dir() else "no such log"
            raise LogFault([Fault(table, None, "", found, f"a row of {table}.csv")])
        line = _line_of(stored.content, list(stored.rows.columns), row)
        at = stored.content.rfind(line)
        if at < 0 or stored.content[at - 1] not in "\r\n":
            allowed = "the row as it was added; it was changed since, so change it by hand"
            raise LogFault([Fault(f"{table}.csv", None, "", "another row", allowed)])
        replace_file(stored.path, stored.content[:at] + stored.content[at + len(line) :])
        write_text(folder / ADDED, _written(entries[:-1]))
    return Added(table, row)


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return str(value).strip()


def _check_names(table: Table, given: Mapping[str, str]) -> None:
    known = [c.name for c in table.columns]
    faults = []
    for name in given:
        if name not in known and not name.startswith("x_"):
            near = get_close_matches(name, known, 1, 0.5)
            allowed = f"did you mean {near[0]}?" if near else "one of " + ", ".join(known)
            faults.append(Fault(table.name, None, name, name, allowed))
    if faults:
        raise LogFault(faults)


def _filled(
    folder: Path, table: Table, given: Mapping[str, str], rows: pd.DataFrame, day: str
) -> dict[str, str]:
    """Values given and those that follow, in the order of the declaration."""
    settings = read_settings(folder)
    row = {**_of_the_unit(folder, table, given, settings), **given}
    if table.key and table.key not in row and table.name in NUMBERED:
        taken = list(rows[table.key]) if table.key in rows else []
        row[table.key] = next_identifier(taken, day)
    for column in table.columns:
        if not column.required or row.get(column.name):
            continue
        if column.kind in ("date", "moment"):
            row[column.name] = day
        elif column.kind == "month":
            row[column.name] = day[:7]
        elif column.kind == "currency" and column.name == "currency":
            row[column.name] = settings.currency or _only(folder)
    order = [c.name for c in table.columns] + [n for n in row if n.startswith("x_")]
    missing = [c for c in table.columns if c.required and not row.get(c.name)]
    if missing:
        raise LogFault(
            [
                Fault(table.name, None, c.name, "nothing", f"{c.meaning}: {c.allowed}")
                for c in missing
            ]
        )
    return {name: row[name] for name in order if name in row}


def next_identifier(taken: list[str], day: str) -> str:
    """Return the next identifier of the rows added on a day.

    The series is of rows added alone: a number that goes on in an export's would be taken when the
    export's own row of that number comes.

    Examples
    --------
    >>> next_identifier(["shop-4091", "added-20261129-1"], "2026-11-29")
    'added-20261129-2'
    """
    series = f"{OWN_SERIES}-{day.replace('-', '')}-"
    ends = [n.removeprefix(series) for n in taken if n.startswith(series)]
    numbers = [int(n) for n in ends if n.isdecimal() and len(n) < 10]
    return f"{series}{max(numbers, default=0) + 1}"


def settlement_currency(folder: Path) -> str:
    """Return the currency of the settings, or the only one the logs name; empty if none is."""
    return read_settings(folder).currency or _only(folder)


def _only(folder: Path) -> str:
    """Currency of the workspace, if its logs name one only."""
    found: set[str] = set()
    for name, column in (("sales", "currency"), ("catalogue", "launch_currency")):
        path = find_file(folder, TABLES[name])
        if path is None:
            continue
        whole = read_stored(folder, TABLES[name]).rows if path.is_dir() else None
        rows = text_of(path, TABLES[name]) if whole is None else whole
        found = {str(v).strip() for v in rows[column].unique()} - {""} if column in rows else set()
        if found:
            break
    return found.pop() if len(found) == 1 else ""


def _of_the_unit(
    folder: Path, table: Table, given: Mapping[str, str], settings: Settings
) -> dict[str, str]:
    """What the logs say of the unit a repair or a sale is of; nothing where they do not know it."""
    unit = given.get("unit_id", "")
    if table.name not in ("sales", "repairs") or not unit:
        return {}
    stock = read_stored(folder, TABLES["stock"]).rows
    mine = stock[stock["unit_id"] == unit] if "unit_id" in stock else stock.iloc[:0]
    if mine.empty:
        return {}
    owned = mine.iloc[-1]
    jobs = read_stored(folder, TABLES["repairs"]).rows
    jobs = jobs[jobs["unit_id"] == unit] if "unit_id" in jobs else jobs.iloc[:0]
    out = {"model_id": str(owned["model_id"])}
    if table.name == "repairs":
        return out | _fault_of(folder, owned)
    last = jobs.iloc[-1] if len(jobs) else None
    mended = last is not None and last.get("outcome", "") in FIXED
    out |= {"own_sale": "yes"}
    if settings.planned_channel:
        out["channel"] = settings.planned_channel
    if mended or owned["state"] == WORKING:
        grade = "" if last is None else str(last.get("grade_out", ""))
        return out | ({"grade": grade} if grade else {})
    fault = {"listed_fault": str(last["listed_fault"])} if last is not None else {}
    return out | {"condition": "as_is"} | fault


def _fault_of(folder: Path, owned: pd.Series) -> dict[str, str]:
    """Fault a unit was bought with: the only one of its family that may be what it now is."""
    catalogue = read_stored(folder, TABLES["catalogue"]).rows
    states = read_stored(folder, TABLES["fault_states"]).rows
    if states.empty or catalogue.empty:
        return {}
    family = catalogue.loc[catalogue["model_id"] == owned["model_id"], "family_id"]
    mine = states[states["family_id"].isin(family) & (states["state"] == owned["state"])]
    faults = list(dict.fromkeys(mine["listed_fault"]))
    return {"listed_fault": faults[0]} if len(faults) == 1 else {}


def _check_row(folder: Path, table: Table, row: Mapping[str, str]) -> None:
    """Type the row as its file would be read; name the nearest model where one is unknown."""
    read = typed(f"{table.name}.csv", table, pd.DataFrame([{**row, "line": 2}]))
    faults = [
        Fault(table.name, None, str(h.column), str(h.found), str(h.allowed))
        for h in read.held.itertuples()
    ]
    if "model_id" in row and table.name != "catalogue":
        rows = read_stored(folder, TABLES["catalogue"]).rows
        models = list(rows["model_id"]) if "model_id" in rows else []
        if row["model_id"] not in models:
            near = get_close_matches(row["model_id"], models, 1, 0.5)
            allowed = f"did you mean {near[0]}?" if near else "a model of catalogue.csv"
            faults.append(Fault(table.name, None, "model_id", row["model_id"], allowed))
    if faults:
        raise LogFault(faults)


def _check_whole(folder: Path, table: Table, row: Mapping[str, str], line: int) -> None:
    """Refuse a row that the whole of the logs would hold back or set aside."""
    lines = read_logs(folder).ledger.exceptions
    mine = row.get(table.key, f"line {line}")
    taken = lines[(lines["table"] == table.name) & (lines["row_id"] == mine)]
    if len(taken):
        allowed = "a row that would be used; nothing was written"
        raise LogFault([Fault(table.name, None, "", str(taken.iloc[-1]["reason"]), allowed)])


def _can_be_read(folder: Path) -> bool:
    try:
        read_logs(folder)
    except LogFault:
        return False
    return True


def _restore(path: Path, content: str) -> None:
    if content:
        replace_file(path, content)
    elif path.is_file():
        path.unlink()


def _line_of(content: str, header: list[str], row: Mapping[str, str]) -> str:
    ending = "\r\n" if "\r\n" in content.partition("\n")[0] + "\n" else "\n"
    whole = pd.DataFrame([row]).reindex(columns=header, fill_value="")
    return csv_text(whole, ending, header=False)


def _remembered(folder: Path) -> list[Added]:
    """Rows added of late, the last one last; nothing where the note of them is not ours."""
    try:
        found = json.loads((folder / ADDED).read_text(encoding="utf-8"))
        return [Added(e["table"], {str(k): str(v) for k, v in e["row"].items()}) for e in found]
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return []


def _written(entries: list[Added]) -> str:
    kept = [{"table": e.table, "row": dict(e.row)} for e in entries[-REMEMBERED:]]
    return json.dumps(kept, ensure_ascii=False)


def _remember(folder: Path, table: str, row: Mapping[str, str]) -> None:
    write_text(folder / ADDED, _written([*_remembered(folder), Added(table, row)]))
