"""Stamps: whether what was worked out before still holds, told by a hash of what it rests on."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

_DATA = (".csv", ".parquet", ".toml")


def folder_stamp(folder: Path) -> str:
    """Hash the data files of a workspace.

    Parameters
    ----------
    folder
        The workspace; its CSV, Parquet and TOML files count, also those of partitioned logs.
    """
    whole = hashlib.sha256()
    for path in _data_files(folder):
        whole.update(path.relative_to(folder).as_posix().encode() + b"\0")
        whole.update(hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def data_size(folder: Path) -> int:
    """Bytes of the data files of a workspace."""
    return sum(path.stat().st_size for path in _data_files(folder))


def _data_files(folder: Path) -> Iterator[Path]:
    outside = {folder / "out", folder / "review"}
    for path in sorted(folder.rglob("*")):
        if path.suffix not in _DATA or not path.is_file():
            continue
        if not any(p in outside for p in path.parents):
            yield path


def program_stamp(what: Iterable[str]) -> str:
    """Hash texts together with the program that reads them, so that a change of it is seen."""
    whole = hashlib.sha256(program_files().encode())
    for text in what:
        whole.update(hashlib.sha256(text.encode()).digest())
    return whole.hexdigest()[:24]


@cache
def program_files() -> str:
    """Hash every file of the package, so that a change of it is seen without a number."""
    root = Path(__file__).resolve().parent.parent
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            whole.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()
