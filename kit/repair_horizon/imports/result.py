"""What becomes of every record of an import: new, there already, held; and its review file."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import for_spreadsheet, unguarded
from repair_horizon.imports.mapping import NUMBERS
from repair_horizon.imports.raw_rows import Inference
from repair_horizon.imports.sources import Source, note
from repair_horizon.logs.adding import Stored, csv_text, replace_file
from repair_horizon.tables.faults import COLUMNS, HELD, SET_ASIDE, Fault, LogFault
from repair_horizon.tables.inputs import Table

THERE = "already there"


def new_rows(rows: pd.DataFrame, stored: Stored, table: Table) -> list[pd.DataFrame]:
    """Say which rows are not to be added.

    Parameters
    ----------
    rows
        Rows in our columns, as text, in the file's order.
    stored
        The table as it stands in the workspace.
    table
        The declaration; rows meet by its key, or as a whole where it has none.

    Returns
    -------
    list of DataFrame
        Notes: rows stored already or met earlier in the file are "already there"; a different
        row under a key that is taken is held, with the columns that differ, where the other one
        stands (or will, once the file is imported), and how to accept a correction.
    """
    names = [c.name for c in table.columns if c.name in rows or c.name in stored.rows]
    mine, theirs = (_comparable(f, names, table) for f in (rows, stored.rows))
    known: dict[object, list[tuple[str, ...]]] = {}
    where: dict[object, str] = {}
    for values, place in zip(theirs, stored.places(), strict=True):
        key = _key(values, names, table)
        known.setdefault(key, []).append(values)
        where.setdefault(key, place)
    before = {key: len(values) for key, values in known.items()}
    same: dict[str, list[object]] = {}
    other: list[tuple[object, str, str, str]] = []
    below = 0
    for row, values in zip(rows.index, mine, strict=True):
        key = _key(values, names, table)
        taken = known.setdefault(key, [])
        if values in taken:
            there = "in the workspace" if values in taken[: before.get(key, 0)] else "in the file"
            same.setdefault(f"the same row {there}", []).append(row)
        elif taken:
            differs, says, has = _difference(values, taken[0], names)
            other.append((row, differs, says, _ways_out(says, has, where[key])))
        else:
            taken.append(values)
            where[key] = stored.next_place(below)
            below += 1 + sum(v.count("\n") for v in values)
    out = [note(pd.Index(there), THERE, reason) for reason, there in same.items()]
    if other:
        index, column, found, allowed = zip(*other, strict=True)
        about = {"column": list(column), "found": list(found), "allowed": list(allowed)}
        out.append(note(pd.Index(index), HELD, f"another row has this {table.key}", **about))
    return out


def _ways_out(found: str, has: str, place: str) -> str:
    """Say what another row of the same key has, and how to accept a correction."""
    right = f"{found} is right, write it there" if found else "nothing is right, empty it there"
    return f"{has or 'nothing'}, as {place} has it; if {right}: the next import then takes it so"


def _comparable(frame: pd.DataFrame, names: list[str], table: Table) -> list[tuple[str, ...]]:
    """Rows as tuples of text in which equal values are written equally."""
    text = frame.reindex(columns=names, fill_value="")
    for name in names:
        if table.column(name).kind in NUMBERS:
            text[name] = text[name].map(_plain_number)
    return [tuple(values) for values in text.itertuples(index=False, name=None)]


def _plain_number(text: str) -> str:
    """Write 12.50, +12.5 and 012.5 in one way."""
    found = re.fullmatch(r"([+-]?)0*(\d*)(?:\.(\d*?)0*)?", text)
    if not text or not found:
        return text
    sign = "-" if found[1] == "-" else ""
    body = (found[2] or "0") + (f".{found[3]}" if found[3] else "")
    return body if body == "0" else sign + body


def _key(values: tuple[str, ...], names: list[str], table: Table) -> object:
    return values[names.index(table.key)] if table.key else values


def _difference(
    values: tuple[str, ...], taken: tuple[str, ...], names: list[str]
) -> tuple[str, str, str]:
    """Name the columns that differ, what the file says and what is stored."""
    odd = [i for i in range(len(names)) if values[i] != taken[i]]
    return (
        "; ".join(names[i] for i in odd),
        "; ".join(values[i] for i in odd),
        "; ".join(taken[i] for i in odd),
    )


ADDED = "added"


@dataclass(frozen=True, eq=False)
class ImportResult:
    """The end of an import.

    Attributes
    ----------
    file, table
        Name of the export and of our table.
    rows_in_file
        Records read. Where the mapping unpivots columns, each cell of them is a record.
    rows
        The rows added (or, in a preview, that would be), in our columns, as text.
    ledger
        One line per record not added, with the columns of ``tables.faults.COLUMNS``; its
        status is "already there", "set aside" or "held for review".
    inferred
        What is known about the file and how: declared, or proved by which value.
    preview
        Whether nothing was written.
    review
        The file that lists the records held or set aside, if there are any and it was written.
    unknown
        Words for faults and states in rows added or there already that are no code of the family
        nor of its class: the rows come in and tell nothing by them.
    """

    file: str
    table: str
    rows_in_file: int
    rows: pd.DataFrame
    ledger: pd.DataFrame
    inferred: tuple[Inference, ...]
    preview: bool
    review: Path | None = None
    unknown: tuple[Fault, ...] = ()

    @property
    def added(self) -> int:
        """Rows added."""
        return len(self.rows)

    @property
    def already_there(self) -> int:
        """Records the workspace, or an earlier line of the file, holds already."""
        return self._count(THERE)

    @property
    def set_aside(self) -> int:
        """Records set aside with a reason."""
        return self._count(SET_ASIDE)

    @property
    def held(self) -> int:
        """Records held for review."""
        return self._count(HELD)

    def _count(self, status: str) -> int:
        return int((self.ledger["status"] == status).sum())

    def reasons(self) -> pd.DataFrame:
        """Return how many records each reason took, the most frequent first."""
        table = self.ledger.groupby(["status", "reason"]).size().rename("rows").reset_index()
        return table.sort_values(["rows", "reason"], ascending=[False, True], ignore_index=True)

    def held_lines(self) -> list[Fault]:
        """Return what holds each record that is held: its line, column, and what is allowed."""
        held = self.ledger[self.ledger["status"] == HELD]
        return [
            Fault(self.file, int(r["line"]), r["column"], r["found"] or r["reason"],
                  r["allowed"] or r["reason"])
            for r in held.to_dict("records")
        ]  # fmt: skip

    def summary(self) -> pd.DataFrame:
        """Return the counts and everything inferred, as columns what, value, how."""
        counts = {
            "rows in file": self.rows_in_file,
            "would be added" if self.preview else ADDED: self.added,
            THERE: self.already_there,
            SET_ASIDE: self.set_aside,
            HELD: self.held,
        }
        lines = [(what, str(n), "counted") for what, n in counts.items()]
        lines += [
            (f"- {reason}", str(n), status)
            for status, reason, n in self.reasons().itertuples(index=False, name=None)
        ]
        lines += [(i.what, i.value, i.how) for i in self.inferred]
        return pd.DataFrame(lines, columns=["what", "value", "how"])


def one_status_each(notes: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Give every record that is not added one line.

    The first reason to set a record aside wins; else everything that holds it is joined.
    """
    said = pd.concat([n for n in notes if len(n)] or list(notes), ignore_index=True)
    aside = said[said["status"] != HELD].drop_duplicates("row")
    held = said[(said["status"] == HELD) & ~said["row"].isin(aside["row"])]
    if held.empty:
        return aside.sort_values("row", ignore_index=True)
    words = {c: (c, _joined) for c in ("reason", "column", "found", "allowed")}
    held = held.groupby("row", as_index=False).agg(**words).assign(status=HELD)
    return pd.concat([aside, held], ignore_index=True).sort_values("row", ignore_index=True)


def _joined(words: pd.Series) -> str:
    return "; ".join(dict.fromkeys(str(w) for w in words if str(w)))


def ledger_of(notes: pd.DataFrame, source: Source, keys: pd.Series, table: Table) -> pd.DataFrame:
    """Turn one line per record into lines of the ledger.

    ``notes``: one note per record not added; ``keys``: their keys, as far as they are known;
    ``table``: the table they were meant for.
    """
    line = notes["row"].map(source.line).astype("int64")
    key = keys.reindex(notes["row"], fill_value="").set_axis(notes.index).astype("str")
    row_id = key.where(key != "", "line " + line.astype("str"))
    out = notes.assign(table=table.name, line=line, row_id=row_id)
    return out[list(COLUMNS)].astype({c: "str" for c in COLUMNS if c != "line"})


_LONGEST_STEM = 120
_SAID = ("status", "reason", "line", "column", "found", "allowed")


def review_path(workspace: Path, table: str, export: str) -> Path:
    """Return the review file of an export: review/TABLE-EXPORT.csv."""
    stem = export.removesuffix(".gz").rpartition(".")[0]
    # Names in another encoding than the system's, and names as long as the system allows.
    plain = stem.encode("utf-8", "replace").decode("utf-8")
    if len(plain.encode()) > _LONGEST_STEM:
        mark = hashlib.sha256(plain.encode()).hexdigest()[:8]
        plain = plain.encode()[:_LONGEST_STEM].decode("utf-8", "ignore") + "-" + mark
    return workspace / "review" / f"{table}-{plain}.csv"


def read_review(path: Path) -> pd.DataFrame:
    """Read a review file; it has no rows if there is none.

    Raises ``LogFault`` if somebody's changes have made it unreadable; it is not overwritten then.
    """
    if path.parent.exists() and not path.parent.is_dir():
        raise LogFault([Fault(path.parent.name, None, "", "no folder", "a folder for reviews")])
    if path.parent.is_symlink():
        found, allowed = "a link to another place", "a folder of this workspace"
        raise LogFault([Fault(path.parent.name, None, "", found, allowed)])
    if not path.exists():
        return pd.DataFrame()
    try:
        return unguarded(pd.read_csv(path, dtype=str, na_filter=False, encoding="utf-8-sig"))
    except (ValueError, OSError) as error:
        allowed = "a review file as it was written, or none: move it away"
        raise LogFault([Fault(path.name, None, "", str(error), allowed)]) from None


def write_review(path: Path, ledger: pd.DataFrame, rows: pd.DataFrame, export: str) -> bool:
    """Write the rows held or set aside, with our columns and, as x_ columns, what was said.

    An export imported again replaces its own rows; rows of another export of the same name stay,
    so that a new download does not wipe out what is still to be looked at.

    ``ledger``: lines of the ledger that are held or set aside; ``rows``: the same records in our
    columns, as text, in the same order; ``export``: which export it was: its name and the beginning
    of its hash. Returns whether there is a review file now.
    """
    said = ledger[list(_SAID)].add_prefix("x_").reset_index(drop=True)
    new = pd.concat([said, rows.reset_index(drop=True)], axis=1).assign(x_export=export)
    old = read_review(path)
    if len(old):
        old = old[old["x_export"] != export] if "x_export" in old else old
        new = pd.concat([old, new], ignore_index=True).fillna("")
    if new.empty:
        path.unlink(missing_ok=True)
        return False
    replace_file(path, csv_text(for_spreadsheet(new)), private=True)
    return True
