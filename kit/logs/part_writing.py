"""Write rows of a log as Parquet parts by family, every field as the text it was."""

from __future__ import annotations

import os
import uuid
from contextlib import suppress
from pathlib import Path

import pandas as pd

from kit.logs.faults import Fault, LogFault
from kit.logs.partitions import family_by_model
from kit.logs.parts import ORDER, PLACE, folder_of, joined, parts_of
from kit.logs.reading import find_file, read_table
from kit.logs.tables import CATALOGUE, Table


def catalogue_rows(workspace: Path) -> pd.DataFrame:
    """Rows of the catalogue, which says the family of each model.

    Raises
    ------
    LogFault
        If it is missing or broken.
    """
    path = find_file(workspace, CATALOGUE)
    if path is None:
        allowed = "the file, since it says which family a model is in"
        raise LogFault([Fault("catalogue.csv", None, "", "no such file", allowed)])
    return read_table(path, CATALOGUE).rows


def stored_text(folder: Path, table: Table, catalogue: pd.DataFrame) -> pd.DataFrame:
    """Every row of a partitioned log as text, in the order of the log it came from."""
    parts = parts_of(folder, table, dict.fromkeys(catalogue["family_id"]))
    return joined(parts, [p.text() for p in parts]).drop(columns=PLACE)


def families_of(text: pd.DataFrame, catalogue: pd.DataFrame) -> pd.Series:
    """Family of each row of text, '' where its model is in none."""
    if "family_id" in text:
        named = text["family_id"].str.strip()
        return named.where(named.isin(catalogue["family_id"]), "")
    return text["model_id"].str.strip().map(family_by_model(catalogue)).fillna("")


def write_parts(folder: Path, text: pd.DataFrame, families: pd.Series) -> dict[str, int]:
    """Write rows into new parts of their families' folders, each part whole or not at all.

    Parameters
    ----------
    folder
        The log's folder; made if need be.
    text
        Rows, every column text, with ``ORDER``.
    families
        Family of each row, '' for none; aligned with ``text``.

    Returns
    -------
    dict
        Family to rows written.

    Raises
    ------
    LogFault
        If a folder or file cannot be written.
    """
    written = {}
    for family, rows in text.groupby(families, sort=True):
        place = folder / folder_of(str(family))
        try:
            place.mkdir(parents=True, exist_ok=True)
            _write_part(place / f"part-{uuid.uuid4().hex[:12]}.parquet", rows)
        except OSError as error:
            found, allowed = error.strerror or str(error), "a folder that can be written"
            raise LogFault(
                [Fault(f"{folder.name}/{place.name}", None, "", found, allowed)]
            ) from None
        written[str(family)] = len(rows)
    return written


def _write_part(path: Path, rows: pd.DataFrame) -> None:
    # A name that begins with a dot is passed over by readers, so that none meets half a part.
    draft = path.with_name(f".{path.name}.tmp")
    try:
        rows.to_parquet(draft, index=False)
        with open(draft, "rb") as file:
            os.fsync(file.fileno())
        os.replace(draft, path)
    finally:
        with suppress(FileNotFoundError):
            draft.unlink()


def append_parts(folder: Path, table: Table, rows: pd.DataFrame) -> None:
    """Add rows of text to a partitioned log, after those it has.

    Each family's rows come whole or not at all. A crash between two families leaves some rows to
    be added; importing the same file again adds just those.
    """
    catalogue = catalogue_rows(folder.parent)
    stored = stored_text(folder, table, catalogue)
    last = pd.to_numeric(stored.get(ORDER, pd.Series(dtype="str")), errors="coerce").max()
    first = len(stored) if pd.isna(last) else max(int(last), len(stored))
    text = rows.fillna("").astype("str").reset_index(drop=True)
    text[ORDER] = [str(first + 1 + i) for i in range(len(text))]
    write_parts(folder, text, families_of(text, catalogue))
