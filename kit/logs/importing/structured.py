"""Exports that name the kind of every value themselves: JSON lines, and what Parquet shares."""

from __future__ import annotations

import datetime
import json
from typing import Any

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.mapping import ImportMapping
from kit.logs.importing.rows import RawRow, RawTable
from kit.logs.importing.unpacking import MAX_COLUMNS


class _Number(str):
    """A JSON number, kept as it is written."""


def json_rows(text: str, mapping: ImportMapping, file: str) -> RawTable:
    """Read one JSON object per line; a line that is none becomes a row with a problem.

    Raises
    ------
    LogFault
        If no line holds an object, or the objects name more than 1,000 columns.
    """
    found: list[tuple[int, dict[str, Any] | str]] = []
    names: dict[str, None] = {}
    for line, part in enumerate(text.split("\n"), 1):
        if line <= mapping.skip_rows:
            continue
        if not part.strip():
            found.append((line, {}))
            continue
        record = _object(part)
        found.append((line, record))
        names |= dict.fromkeys(record) if isinstance(record, dict) else {}
        if len(names) > MAX_COLUMNS:
            allowed = f"at most {MAX_COLUMNS} columns"
            raise LogFault([Fault(file, line, "", f"{len(names)} columns", allowed)])
    if found and found[-1][1] == {}:
        found.pop()
    if not names:
        raise LogFault([Fault(file, None, "", "no object", "one JSON object per line")])
    header = list(names)
    rows = [_json_row(line, got, (header, mapping.needed)) for line, got in found]
    return RawTable(header, 1, rows)


def _object(part: str) -> dict[str, Any] | str:
    try:
        got = json.loads(
            part,
            parse_float=_Number,
            parse_int=_Number,
            parse_constant=_no_constant,
            object_pairs_hook=_once_each,
        )
        json.dumps(got, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        return "half a character (a lone surrogate)"
    except (ValueError, RecursionError) as error:
        return f"not a JSON object: {error}"
    return got if isinstance(got, dict) else "not a JSON object"


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no number")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    got = dict(pairs)
    if len(got) != len(pairs):
        raise ValueError("a name stands twice")
    return got


def _json_row(line: int, got: dict[str, Any] | str, names: tuple[list[str], list[str]]) -> RawRow:
    """Print one object's values; ``names`` are every column met and those wanted."""
    if isinstance(got, str):
        return RawRow(line, [], (), got)
    header, needed = names
    nested = [n for n in needed if isinstance(got.get(n), dict | list)]
    if nested:
        return RawRow(line, [], (), f"a nested value in {nested[0]}, allowed: a single value")
    cells, exact = [], []
    for name in header:
        value = got.get(name)
        exact.append(isinstance(value, _Number))
        if value is None or isinstance(value, dict | list):
            cells.append("")
        elif isinstance(value, bool):
            cells.append("yes" if value else "no")
        else:
            cells.append(str(value).strip())
    return RawRow(line, cells, exact)


def value_text(value: Any) -> str:
    """Print a typed value as our logs write it."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        # Spreadsheets keep 15 digits; a longer identifier is cut short, and must look so.
        return str(int(value)) if abs(value) < 1e15 else f"{value:e}"
    return value.isoformat(" ") if isinstance(value, datetime.datetime) else str(value).strip()
