"""Logs kept as Parquet partitioned by family: ``sales/family_id=NAME/part-*.parquet``.

The layout is the open "hive" convention: the folder names the family, percent-encoded where a
name needs it, and rows of models that are in no family stand in
``family_id=__HIVE_DEFAULT_PARTITION__``. Rows, rules and ledger are those of the CSV. Two things
differ: a row's place is its part and its number in it, and a row that stands in another family's
folder is held, since whoever reads one family would never meet it there.

Rows keep the order of the log they came from in an own column ``x_row``: where two rows
contradict each other the earlier one counts, whichever folders they are in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, unquote

import pandas as pd

from kit.logs.faults import Fault, LogFault
from kit.logs.ledger import HELD, exception_rows
from kit.logs.parquet_text import printed
from kit.logs.reading import TableRead, check_frame, typed
from kit.logs.tables import Table

FOLDER = "family_id="
NO_FAMILY = "__HIVE_DEFAULT_PARTITION__"
ORDER = "x_row"
_REFERS = "refers_to_sale_id"
# Where a row stands; with a space, so that no column of a log can be meant.
FILE, ROW, FAMILY = "in file", "in row", "in family"
_PLACE = [FILE, ROW, FAMILY]


@dataclass(frozen=True)
class Part:
    """One Parquet file of a log, and the family its folder names ('' for rows of none)."""

    path: Path
    family_id: str

    @property
    def file(self) -> str:
        """Its path inside the workspace, as messages name it."""
        return "/".join(self.path.parts[-3:])

    def text(self, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Every value as text, or those of some columns, with the row's place (from 1).

        Raises
        ------
        LogFault
            If it is not a Parquet file that can be read.
        """
        import pyarrow as pa  # type: ignore[import-untyped]
        import pyarrow.parquet as pq  # type: ignore[import-untyped]

        try:
            with pq.ParquetFile(self.path) as file:
                names = [n for n in file.schema_arrow.names if columns is None or n in columns]
                table = file.read(columns=names)
            table.validate(full=True)  # a text that is no UTF-8 would fail when it is looked at
            text = printed(table.to_pandas().reset_index(drop=True))
        except (pa.ArrowException, OSError, ValueError, OverflowError, TypeError) as error:
            found = (str(error).strip().splitlines() or [type(error).__name__])[0]
            raise LogFault([Fault(self.file, None, "", found, "a Parquet file")]) from None
        place = {FILE: self.file, ROW: range(1, len(text) + 1), FAMILY: self.family_id}
        return text.assign(**place)


@dataclass(frozen=True, eq=False)
class PartsRead:
    """A partitioned log read: its rows, and the place of each line (``FILE, ROW, FAMILY``)."""

    read: TableRead
    places: pd.DataFrame


def can_be_partitioned(table: Table) -> bool:
    """Whether a log's rows belong to families; the catalogue itself says which, so it stays one."""
    names = {c.name for c in table.columns}
    return table.name != "catalogue" and bool(names & {"model_id", "family_id"})


def folder_of(family_id: str) -> str:
    """Name of a family's folder; '' is the folder for rows of no known model."""
    return FOLDER + (quote(family_id, safe="") if family_id else NO_FAMILY)


def parts_of(folder: Path, table: Table, families: Iterable[str]) -> list[Part]:
    """List a log's parts, in the order of their names.

    Parameters
    ----------
    folder
        The log's folder.
    table
        Its declaration.
    families
        Families of the catalogue.

    Raises
    ------
    LogFault
        If the log is not one that has families, a folder names none of the catalogue's, or
        anything else stands where parts are looked for; names that begin with . or _ are other
        programs' notes and are passed over.
    """
    if not can_be_partitioned(table):
        allowed = f"{table.name}.csv or {table.name}.parquet, in one file"
        raise LogFault([Fault(folder.name, None, "", "a folder", allowed)])
    known, faults, parts = list(families), [], []
    for path in _inside(folder):
        file = f"{folder.name}/{path.name}"
        name = unquote(path.name.removeprefix(FOLDER))
        name = "" if name == NO_FAMILY else name
        if not path.is_dir() or not path.name.startswith(FOLDER):
            faults.append(Fault(file, None, "", path.name, f"folders named {FOLDER}FAMILY"))
        elif name and name not in known:
            allowed = "a family of catalogue.csv: " + ", ".join(known)
            faults.append(Fault(file, None, "family_id", name, allowed))
        for part in _inside(path) if path.is_dir() else ():
            if part.is_file() and part.suffix == ".parquet":
                parts.append(Part(part, name))
            else:
                faults.append(Fault(f"{file}/{part.name}", None, "", part.name, "Parquet files"))
    if faults:
        raise LogFault(faults)
    return parts


def _inside(folder: Path) -> list[Path]:
    return sorted(p for p in folder.iterdir() if not p.name.startswith((".", "_")))


def read_parts(
    folder: Path, table: Table, catalogue: pd.DataFrame, families: Sequence[str] | None = None
) -> PartsRead:
    """Read a partitioned log.

    Parameters
    ----------
    folder
        The log's folder.
    table
        Its declaration.
    catalogue
        Rows of the catalogue, for the family of each model.
    families
        Read only these. Of the other parts only the identifiers are looked at, and a row is
        brought along where it bears on one of theirs (the same identifier again, or a refund).

    Returns
    -------
    PartsRead

    Raises
    ------
    LogFault
        If a part cannot be read or has columns it should not; all such faults at once.
    """
    parts = parts_of(folder, table, dict.fromkeys(catalogue["family_id"]))
    wanted = [p for p in parts if families is None or p.family_id in families]
    texts = _texts(wanted, table)
    if len(wanted) < len(parts):
        texts += _bearing_on(texts, [p for p in parts if p not in wanted], table)
    return _typed_parts(table, texts, catalogue)


def _typed_parts(table: Table, texts: list[pd.DataFrame], catalogue: pd.DataFrame) -> PartsRead:
    text = pd.concat([*texts, _no_text(table)], ignore_index=True).fillna("")
    if ORDER in text:
        # Rows of parts without the column follow the others, as rows added later would.
        order = pd.to_numeric(text[ORDER], errors="coerce").sort_values(kind="stable")
        text = text.loc[order.index].reset_index(drop=True)
    text["line"] = range(1, len(text) + 1)
    places = text.set_index("line")[_PLACE]
    got = typed(table.name, table, text)
    held = _misplaced(table, got.rows, places, catalogue)
    rows = got.rows[~got.rows["line"].isin(held["line"])]
    whole = pd.concat([got.held, held], ignore_index=True) if len(held) else got.held
    return PartsRead(TableRead(rows, got.read, whole), places)


def _no_text(table: Table) -> pd.DataFrame:
    text = {c: pd.Series(dtype="str") for c in (*table.required, FILE, FAMILY)}
    return pd.DataFrame({**text, ROW: pd.Series(dtype="int64")})


def _texts(parts: Iterable[Part], table: Table) -> list[pd.DataFrame]:
    texts: list[pd.DataFrame] = []
    faults: list[Fault] = []
    for part in parts:
        try:
            text = part.text()
            if "family_id" in table.required and "family_id" not in text:
                text["family_id"] = part.family_id
            check_frame(part.file, table, list(text.columns.drop(_PLACE)))
        except LogFault as error:
            faults += error.faults
        else:
            texts.append(text)
    if faults:
        raise LogFault(faults)
    return texts


def _bearing_on(chosen: list[pd.DataFrame], others: list[Part], table: Table) -> list[pd.DataFrame]:
    """Rows of other parts that decide over a chosen row: they share or refer to its identifier.

    A row so found may itself be undone by a third one with its identifier, which comes along too.
    """
    if not table.key:
        return []
    names = [table.key, _REFERS]
    own = {i for t in chosen for i in t[table.key].str.strip()} - {""}
    ids = {p: p.text(names).reindex(columns=names, fill_value="") for p in others}
    ids = {p: t.apply(lambda values: values.str.strip()) for p, t in ids.items()}
    near = {p: t.isin(own).any(axis=1) for p, t in ids.items()}
    theirs = {i for p, t in ids.items() for i in t.loc[near[p], table.key]} - {""}
    rows = {p: near[p] | t[table.key].isin(theirs) for p, t in ids.items()}
    return [t[rows[p]] for p in others if rows[p].any() for t in _texts([p], table)]


def _misplaced(
    table: Table, rows: pd.DataFrame, places: pd.DataFrame, catalogue: pd.DataFrame
) -> pd.DataFrame:
    """Hold rows that stand in the folder of another family than their model's, or their own."""
    column = "model_id" if "model_id" in rows else "family_id"
    belongs = rows[column]
    if column == "model_id":
        belongs = belongs.map(family_by_model(catalogue)).fillna("")
    stands = rows["line"].map(places[FAMILY])
    odd = (belongs != stands) & (belongs != "")
    held = exception_rows(table.name, rows[odd], HELD, "in the folder of another family")
    return held.assign(
        column=column,
        found=rows.loc[odd, column].to_numpy(),
        allowed=[f"rows of {f or 'no family'}; `partition` puts them right" for f in stands[odd]],
    )


def family_by_model(catalogue: pd.DataFrame) -> Mapping[str, str]:
    """Family of each model; the first where the catalogue names one twice."""
    first = catalogue.drop_duplicates("model_id")
    return dict(zip(first["model_id"], first["family_id"], strict=True))
