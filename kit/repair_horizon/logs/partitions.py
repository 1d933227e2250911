"""Logs kept as Parquet partitioned by family: ``sales/family_id=NAME/part-*.parquet``.

The layout is the open "hive" convention: the folder names the family, percent-encoded where a
name needs it, and rows of models that are in no family stand in
``family_id=__HIVE_DEFAULT_PARTITION__``. Rows, rules and ledger are those of the CSV. Two things
differ: a row's place is its part and its number in it, and a row that stands in another family's
folder is held, since whoever reads one family would never meet it there.

Rows keep the order of the log they came from in an own column ``x_row``: where two rows
contradict each other the earlier one counts, whichever folders they are in.

Turn a log into Parquet partitioned by family, or set one that is partitioned right again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from repair_horizon.logs.parts import FAMILY, PLACE, Part, joined, parts_of
from repair_horizon.logs.reading import TableRead, check_frame, typed
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import Table
from repair_horizon.tables.row_accounts import HELD, exception_rows

_REFERS = "refers_to_sale_id"


@dataclass(frozen=True, eq=False)
class PartsRead:
    """A partitioned log read: its rows, and the place of each line (``logs.parts.PLACE``)."""

    read: TableRead
    places: pd.DataFrame


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
    others = [p for p in parts if p not in wanted]
    if others and table.key:
        near, rows = _bearing_on(texts, others, table)
        wanted, texts = [*wanted, *near], [*texts, *rows]
    text = joined(wanted, texts).reindex(columns=_columns(texts, table), fill_value="")
    return _typed_parts(table, text, catalogue)


def _columns(texts: Sequence[Any], table: Table) -> list[str]:
    names = dict.fromkeys(n for t in texts for n in t.column_names)
    return [*dict.fromkeys([*names, *table.required]), *PLACE]


def _typed_parts(table: Table, text: pd.DataFrame, catalogue: pd.DataFrame) -> PartsRead:
    if "family_id" in table.required:
        stands = text[FAMILY].astype("str")
        text["family_id"] = text["family_id"].where(text["family_id"] != "", stands)
    text["line"] = range(1, len(text) + 1)
    places = text.set_index("line")[PLACE]
    got = typed(table.name, table, text.drop(columns=PLACE))
    held = _misplaced(table, got.rows, places, catalogue)
    rows = got.rows[~got.rows["line"].isin(held["line"])]
    whole = pd.concat([got.held, held], ignore_index=True) if len(held) else got.held
    return PartsRead(TableRead(rows, got.read, whole), places)


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


def _bearing_on(
    chosen: Sequence[Any], others: Sequence[Part], table: Table
) -> tuple[list[Part], list[Any]]:
    """Parts with rows that decide over a chosen row: they share or refer to its identifier.

    A row so found may itself be undone by a third one with its identifier, which must come too.
    Whole parts come, since it is rare; their other rows are left out with their families.
    """
    key = table.key
    own, texts = _identifiers(chosen, [key]), [p.text([key, _REFERS]) for p in others]
    theirs = _identifiers(texts, [key, _REFERS])
    wanted = own.loc[own[key] != "", key].unique()
    near = theirs.isin(wanted).any(axis=1)
    wanted = theirs.loc[near & (theirs[key] != ""), key].unique()
    near |= theirs[key].isin(wanted)
    part = np.repeat(np.arange(len(texts)), [t.num_rows for t in texts])
    found = [others[i] for i in np.unique(part[near.to_numpy()])]
    return found, _texts(found, table)


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
