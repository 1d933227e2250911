"""Logs read once for all families: the warmed process holds them, and its forks inherit them.

Every family's notebook begins by reading the whole workspace. In a fork, ``read_logs`` hands it
the logs that were read before the fork, if no file has changed since; whatever the notebook does
to them stays in its fork. Nothing here is used outside the warmed process.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import repair_horizon.logs
from repair_horizon.estimation.pooled_effects import usual_effects
from repair_horizon.logs import LogFault, Logs
from repair_horizon.logs.reading import find_file
from repair_horizon.tables.inputs import TABLES

_read = repair_horizon.logs.read_logs
_held: dict[Path, tuple[list[tuple[Any, ...]], Logs]] = {}


def hold(workspace: str) -> None:
    """Read a workspace's logs and hold them, in place of those held before.

    What all families say of grades and channels is worked out with them, since every family's
    fit asks for it. What cannot be read is left to the notebook, whose own attempt says why.
    """
    folder = Path(workspace).resolve()
    seen = _stamp(folder)
    if folder in _held and _held[folder][0] == seen:
        return
    _held.clear()
    try:
        logs = replace(_read(folder), folder=Path(workspace))
    except (LogFault, OSError, ValueError):
        return
    with suppress(Exception):  # whatever it is, each family's page meets it and says so
        usual_effects(logs)
    _held[folder] = (seen, logs)
    repair_horizon.logs.read_logs = read_held


def read_held(folder: str | Path, *choices: Any, **more: Any) -> Logs:
    """Do what ``read_logs`` does, without reading again what is held and has not changed."""
    at = Path(folder).resolve()
    if not choices and not more and at in _held and _held[at][0] == _stamp(at):
        logs = _held[at][1]
        return logs if logs.folder == Path(folder) else replace(logs, folder=Path(folder))
    return _read(folder, *choices, **more)


def _stamp(folder: Path) -> list[tuple[Any, ...]]:
    """Tell the files of the logs from changed ones: name, size, time of change, place on disk."""
    found = []
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
