"""Logs read once for many pages: ``read_once`` keeps one workspace's logs in this process.

Every family's notebook begins by reading the whole workspace; in a kernel that is kept between
notebooks the logs are there already. They are read anew when a file has changed, and when what
is kept is no longer what was read, since a notebook may do to them what it likes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from repair_horizon.logs.reading import find_file
from repair_horizon.logs.workspace import Logs, read_logs
from repair_horizon.tables.faults import LogFault
from repair_horizon.tables.inputs import TABLES


@dataclass(frozen=True, eq=False)
class _Kept:
    folder: Path
    as_of: str
    files: list[tuple[Any, ...]]
    logs: Logs
    content: list[int]


_kept: list[_Kept] = []


def read_once(folder: str | Path, as_of: str = "") -> Logs:
    """Return a workspace's logs, as known on a day, without reading again what has not changed.

    Parameters
    ----------
    folder
        The workspace.
    as_of
        Last day known (YYYY-MM-DD); empty for everything.

    Returns
    -------
    Logs
        The same object as long as files and logs are as they were.

    Raises
    ------
    LogFault
        As ``read_logs``.

    Examples
    --------
    >>> from repair_horizon.logs.once import read_once
    >>> read_once("data/demo") is read_once("data/demo")
    True
    """
    at, files = Path(folder), _stamp(Path(folder))
    for kept in _kept:
        same = kept.folder == at and kept.as_of == as_of and kept.files == files
        if same and kept.content == _content(kept.logs):
            return kept.logs
    _kept.clear()
    whole = read_logs(at)
    logs = whole.as_of(as_of) if as_of else whole
    _kept.append(_Kept(at, as_of, files, logs, _content(logs)))
    return logs


def _content(logs: Logs) -> list[int]:
    """Hash every table's values, so that a change made in memory is seen."""
    return [
        hash((name, tuple(t.columns), int(pd.util.hash_pandas_object(t).to_numpy().sum())))
        for name, t in logs.tables.items()
    ]


def _stamp(folder: Path) -> list[tuple[Any, ...]]:
    """Tell the files of the logs from changed ones: name, size, time of change, place on disk."""
    found: list[tuple[Any, ...]] = [(str(Path.cwd()),)]
    for path in _files(folder):
        try:
            at = path.stat()
        except OSError:
            continue
        found.append((str(path), at.st_size, at.st_mtime_ns, at.st_ino))
    return sorted(found)


def _files(folder: Path) -> Iterator[Path]:
    yield folder / "settings.toml"
    for table in TABLES.values():
        try:
            path = find_file(folder, table)
        except LogFault:
            continue
        if path is not None and path.is_dir():
            yield from path.rglob("*")
        elif path is not None:
            yield path
