"""Logs kept as Parquet partitioned by family: ``sales/family_id=NAME/part-*.parquet``.

The layout is the open "hive" convention: the folder names the family, percent-encoded where a
name needs it, and rows of models that are in no family stand in
``family_id=__HIVE_DEFAULT_PARTITION__``. Rows, rules and ledger are those of the CSV. Two things
differ: a row's place is its part and its number in it, and a row that stands in another family's
folder is held, since whoever reads one family would never meet it there.

Rows keep the order of the log they came from in an own column ``x_row``: where two rows
contradict each other the earlier one counts, whichever folders they are in.

Parts are read one by one, since a message names the part and the row in it: 0.18 of the 1.0 s that
reading and checking 100,000 sales in 60 parts takes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
import pandas as pd
import pyarrow as pa

from repair_horizon.logs.reading import TableRead, check_frame, printed, typed
from repair_horizon.tables.columns import KINDS, arrow_text
from repair_horizon.tables.faults import HELD, Fault, LogFault, exception_rows
from repair_horizon.tables.inputs import Table

FOLDER = "family_id="
NO_FAMILY = "__HIVE_DEFAULT_PARTITION__"
ORDER = "x_row"
# An import writes its parts under passing names, then one note, then gives them their names: with
# the note they all count, without it none does, wherever the import was killed.
ADDING = "_adding-"
# Where a row stands; with a space, so that no column of a log can be meant.
FILE, ROW, FAMILY = "in file", "in row", "in family"
PLACE = [FILE, ROW, FAMILY]
_NO_PARQUET = (pa.ArrowException, OSError, ValueError, OverflowError, TypeError)


@dataclass(frozen=True)
class Part:
    """One Parquet file of a log, and the family its folder names ('' for rows of none)."""

    path: Path
    family_id: str

    @property
    def file(self) -> str:
        """Its path inside the workspace, as messages name it."""
        return "/".join(self.path.parts[-3:])

    def text(self, columns: Sequence[str] | None = None) -> Any:
        """Every value as text, or those of some columns: a pyarrow table.

        Raises ``LogFault`` if it is not a Parquet file that can be read.
        """
        import pyarrow.parquet as pq

        try:
            with pq.ParquetFile(self.path) as file:
                names = [n for n in file.schema_arrow.names if columns is None or n in columns]
                table = file.read(columns=names)
            table.validate(full=True)  # a text that is no UTF-8 would fail when it is looked at
            return _as_text(table)
        except _NO_PARQUET as error:
            found = (str(error).strip().splitlines() or [type(error).__name__])[0]
            raise LogFault([Fault(self.file, None, "", found, "a Parquet file")]) from None


def _as_text(table: Any) -> Any:
    """Print a table as a CSV would have it; one that is text already only loses its marks."""
    kinds = [f.type for f in table.schema]
    if not all(pa.types.is_string(k) or pa.types.is_large_string(k) for k in kinds):
        printed_frame = printed(table.to_pandas().reset_index(drop=True))
        table = pa.Table.from_pandas(printed_frame, preserve_index=False)
    fields = [(name, pa.large_string()) for name in table.column_names]
    return table.replace_schema_metadata(None).cast(pa.schema(fields))


def joined(parts: Sequence[Part], texts: Sequence[Any]) -> pd.DataFrame:
    """Put the text of parts together, with the place of each row, in the log's own order.

    ``parts``, ``texts``: parts, and the text of each. Returns text columns (empty where a part has
    none) and ``PLACE``: part, row in it from 1, and family. Rows are in the order of ``ORDER``;
    those without one follow.
    """
    if not parts:
        return pd.DataFrame({FILE: pd.Categorical([]), ROW: [], FAMILY: pd.Categorical([])})
    rows = [t.num_rows for t in texts]
    whole = pa.concat_tables(texts, promote_options="default")
    part = np.repeat(np.arange(len(parts)), rows)
    row = np.concatenate([np.arange(1, n + 1) for n in rows])
    if ORDER in whole.column_names:
        number = pd.to_numeric(whole[ORDER].to_pandas(), errors="coerce")
        order = np.argsort(number.to_numpy(dtype="float64"), kind="stable")
        whole, part, row = whole.take(order), part[order], row[order]
    text: pd.DataFrame = whole.to_pandas().fillna("")
    families = sorted({p.family_id for p in parts})
    codes = np.array([families.index(p.family_id) for p in parts])
    text[FILE] = pd.Categorical.from_codes(part, [p.file for p in parts])
    text[ROW] = row
    text[FAMILY] = pd.Categorical.from_codes(codes[part], families)
    return text


def can_be_partitioned(table: Table) -> bool:
    """Whether a log's rows belong to families; the catalogue itself says which, so it stays one."""
    names = {c.name for c in table.columns}
    return table.name != "catalogue" and bool(names & {"model_id", "family_id"})


def folder_of(family_id: str) -> str:
    """Name of a family's folder; '' is the folder for rows of no known model."""
    return FOLDER + (quote(family_id, safe="") if family_id else NO_FAMILY)


def parts_of(folder: Path, table: Table, families: Iterable[str]) -> list[Part]:
    """List a log's parts, in the order of their names.

    ``families``: families of the catalogue. Raises ``LogFault`` if the log is not one that has
    families, a folder names none of the catalogue's, or anything else stands where parts are looked
    for; names that begin with . or _ are other programs' notes and are passed over.
    """
    if not can_be_partitioned(table):
        allowed = f"{table.name}.csv or {table.name}.parquet, in one file"
        raise LogFault([Fault(folder.name, None, "", "a folder", allowed)])
    known, faults, parts = list(families), [], []
    added = {draft_of(p.name.removeprefix(ADDING)) for p in folder.glob(f"{ADDING}*")}
    for path in _inside(folder):
        file = f"{folder.name}/{path.name}"
        name = unquote(path.name.removeprefix(FOLDER))
        name = "" if name == NO_FAMILY else name
        if not path.is_dir() or not path.name.startswith(FOLDER):
            faults.append(Fault(file, None, "", path.name, f"folders named {FOLDER}FAMILY"))
        elif name and name not in known:
            allowed = "a family of catalogue.csv: " + ", ".join(known)
            faults.append(Fault(file, None, "family_id", name, allowed))
        for part in _parts_in(path, added) if path.is_dir() else ():
            if part.name in added or (part.is_file() and part.suffix == ".parquet"):
                parts.append(Part(part, name))
            else:
                faults.append(Fault(f"{file}/{part.name}", None, "", part.name, "Parquet files"))
    if faults:
        raise LogFault(faults)
    return parts


def _inside(folder: Path) -> list[Path]:
    return sorted(p for p in folder.iterdir() if not p.name.startswith((".", "_")))


def _parts_in(place: Path, added: Iterable[str]) -> list[Path]:
    """What stands in a family's folder, with the parts of an import that is as good as done."""
    return [*_inside(place), *(p for p in (place / name for name in added) if p.is_file())]


def part_name(number: str) -> str:
    """Name of a part."""
    return f"part-{number}.parquet"


def draft_of(number: str) -> str:
    """Name of a part until it is whole; it begins with a dot, so that readers pass it over."""
    return f".{part_name(number)}.tmp"


_REFERS, _RESULT = "refers_to_sale_id", "result"


@dataclass(frozen=True, eq=False)
class PartsRead:
    """A partitioned log read: its rows, and the place of each line (``PLACE``).

    ``others`` has the days of the rows left unread, and a listing's result.
    """

    read: TableRead
    places: pd.DataFrame
    others: pd.DataFrame


def read_parts(
    folder: Path, table: Table, catalogue: pd.DataFrame, families: Sequence[str] | None = None
) -> PartsRead:
    """Read a partitioned log.

    Parameters
    ----------
    folder
        The log's folder.
    catalogue
        Rows of the catalogue, for the family of each model.
    families
        Read only these. Of the other parts only the identifiers are looked at, and a row is
        brought along where it bears on one of theirs (the same identifier again, or a refund).

    Raises
    ------
    LogFault
        If a part cannot be read or has columns it should not; all such faults at once.
    """
    parts = parts_of(folder, table, dict.fromkeys(catalogue["family_id"]))
    wanted = [p for p in parts if families is None or p.family_id in families]
    texts = _texts(wanted, table)
    others = [p for p in parts if p not in wanted]
    looked = [p.text([table.key, _REFERS, table.date, _RESULT]) for p in others]
    if others and table.key:
        near = _bearing_on(texts, looked, table)
        found = [p for p, bears in zip(others, near, strict=True) if bears]
        wanted, texts = [*wanted, *found], [*texts, *_texts(found, table)]
        looked = [t for t, bears in zip(looked, near, strict=True) if not bears]
    text = joined(wanted, texts).reindex(columns=_columns(texts, table), fill_value="")
    return _typed_parts(table, text, catalogue, _days(looked, table))


def _days(texts: Sequence[Any], table: Table) -> pd.DataFrame:
    """Type the day of each row, as far as it is one, and keep a listing's result."""
    if not table.date:
        return pd.DataFrame()
    text = _identifiers(texts, [table.date, _RESULT])
    read = KINDS[table.column(table.date).kind].read
    day, bad = read(arrow_text(text[table.date]))
    return text.assign(**{table.date: pd.Series(day, index=text.index).mask(bad)})


def _columns(texts: Sequence[Any], table: Table) -> list[str]:
    names = dict.fromkeys(n for t in texts for n in t.column_names)
    return [*dict.fromkeys([*names, *table.required]), *PLACE]


def _typed_parts(
    table: Table, text: pd.DataFrame, catalogue: pd.DataFrame, others: pd.DataFrame
) -> PartsRead:
    if "family_id" in table.required:
        stands = text[FAMILY].astype("str")
        text["family_id"] = text["family_id"].where(text["family_id"] != "", stands)
    text["line"] = range(1, len(text) + 1)
    places = text.set_index("line")[PLACE]
    got = typed(table.name, table, text.drop(columns=PLACE))
    held = _misplaced(table, got.rows, places, catalogue)
    rows = got.rows[~got.rows["line"].isin(held["line"])]
    whole = pd.concat([got.held, held], ignore_index=True) if len(held) else got.held
    return PartsRead(TableRead(rows, got.read, whole, got.unread), places, others)


def _texts(parts: Sequence[Part], table: Table) -> list[Any]:
    """Text of every part, once each has the columns it should; all faults at once."""
    texts: list[Any] = []
    faults: list[Fault] = []
    said_by_folder = ["family_id"] if "family_id" in table.required else []
    for part in parts:
        try:
            text = part.text()
            check_frame(part.file, table, [*text.column_names, *said_by_folder])
        except LogFault as error:
            faults += error.faults
        else:
            texts.append(text)
    if faults:
        raise LogFault(faults)
    return texts


def _bearing_on(chosen: Sequence[Any], others: Sequence[Any], table: Table) -> list[bool]:
    """Tell which parts hold rows that decide over a chosen row: one names the other's identifier.

    A row so found may itself be undone by a third one with its identifier, which must come too.
    Whole parts come, since it is rare; their other rows are left out with their families.
    """
    key = table.key
    own, theirs = _identifiers(chosen, [key, _REFERS]), _identifiers(others, [key, _REFERS])
    wanted = own.loc[own[key] != "", key].unique()
    near = theirs.isin(wanted).any(axis=1)
    elsewhere = own.loc[(own[_REFERS] != "") & ~own[_REFERS].isin(wanted), _REFERS]
    near |= theirs[key].isin(elsewhere)
    wanted = theirs.loc[near & (theirs[key] != ""), key].unique()
    near |= theirs[key].isin(wanted)
    part = np.repeat(np.arange(len(others)), [t.num_rows for t in others])
    found = set(part[near.to_numpy()].tolist())
    return [i in found for i in range(len(others))]


def _identifiers(texts: Sequence[Any], names: list[str]) -> pd.DataFrame:
    """Some columns of all parts, one under the other, as they are compared."""
    there = [t.select([n for n in names if n in t.column_names]) for t in texts]
    whole = pa.concat_tables(there, promote_options="default").to_pandas() if there else None
    frame = pd.DataFrame(columns=names, dtype="str") if whole is None else whole
    frame = frame.reindex(columns=names).astype("str").fillna("")
    return frame.apply(lambda values: values.str.strip())


def _misplaced(
    table: Table, rows: pd.DataFrame, places: pd.DataFrame, catalogue: pd.DataFrame
) -> pd.DataFrame:
    """Hold rows that stand in the folder of another family than their model's, or their own."""
    column = "model_id" if "model_id" in rows else "family_id"
    belongs = rows[column]
    if column == "model_id":
        belongs = belongs.map(family_by_model(catalogue)).fillna("")
    stands = places.loc[rows["line"], FAMILY].astype("str").set_axis(rows.index)
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
