"""What was worked out before, kept in a folder by a hash of what it rests on.

A kept file is read by building records of the kit's own from plain values, arrays and frames:
nothing in it is run, whoever wrote it. What cannot be read is worked out anew; a folder that
cannot be written costs time, not the answer.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import pyarrow as pa

from repair_horizon.files.writing import write_whole

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


def interpreter() -> str:
    """Version of Python."""
    return ".".join(str(n) for n in sys.version_info[:3])


def versions(names: Iterable[str]) -> dict[str, str]:
    """Version of each distribution, or that it is not installed."""
    out = {}
    for name in names:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed"
    return out


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


T = TypeVar("T")
KIT = __name__.partition(".")[0]
_PLAIN = (type(None), bool, int, float, str)


@dataclass(frozen=True)
class Keeper:
    """A folder of kept results; None keeps none."""

    folder: Path | None = None

    def of(self, name: str, rests_on: Sequence[str], make: Callable[[], T]) -> T:
        """Return what is kept under a name, or make it and keep it in place of what was.

        Parameters
        ----------
        name
            Of letters, digits and hyphens; one result is kept for each.
        rests_on
            Texts that tell all the result rests on, beside the program.
        make
            Works it out.
        """
        found: T | None = self.find(name, rests_on)
        return self.keep(name, rests_on, make()) if found is None else found

    def beside(self, name: str) -> Keeper:
        """Return a folder within this one, for results of the same names that rest on others."""
        return FORGETS if self.folder is None else Keeper(self.folder / name)

    def find(self, name: str, rests_on: Sequence[str]) -> Any:
        """Return what is kept under a name, None where nothing is that rests on the same."""
        if self.folder is None:
            return None
        with suppress(OSError, ValueError, LookupError, TypeError, AttributeError, ImportError):
            return unpacked(_path(self.folder, name, rests_on).read_bytes())
        return None

    def keep(self, name: str, rests_on: Sequence[str], made: T) -> T:
        """Keep a result in place of what was kept under its name, and return it."""
        if self.folder is not None:
            with suppress(OSError, TypeError, ValueError):
                for old in self.folder.glob(f"{name}.*"):
                    old.unlink()
                write_whole(_path(self.folder, name, rests_on), packed(made, exact=True))
        return made


FORGETS = Keeper()


def keeper_of(workspace: Path) -> Keeper:
    """What keeps results in a workspace: only where it has a folder for results."""
    place = workspace / "out"
    return Keeper(place / ".kept") if place.is_dir() else FORGETS


def _path(folder: Path, name: str, rests_on: Sequence[str]) -> Path:
    return folder / f"{name}.{program_stamp(rests_on)}"


def stamp_of(values: Iterable[object]) -> str:
    """Hash of values, one after the other."""
    whole = hashlib.sha256()
    for value in values:
        whole.update(packed(value))
    return whole.hexdigest()


def packed(value: object, *, exact: bool = False) -> bytes:
    """Write a value of records, containers, arrays and frames down as bytes; see ``unpacked``.

    Raises
    ------
    TypeError
        If it holds something else, or ``exact`` and a frame would not come back as it is.
    """
    packing = _Packing(exact)
    told = json.dumps(packing.node(value)).encode()
    return b"%d\n" % len(told) + told + b"".join(packing.blobs)


def unpacked(data: bytes) -> Any:
    """Build the value again; what was one object is one object again.

    Examples
    --------
    >>> unpacked(packed({"a": (1, float("inf"))}))
    {'a': (1, inf)}
    """
    size, _, rest = data.partition(b"\n")
    told = int(size)
    return _Unpacking(memoryview(rest)[told:]).value(json.loads(rest[:told]))


def _same(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    return (
        one.dtypes.equals(other.dtypes)
        and one.columns.dtype == other.columns.dtype
        and one.index.dtype == other.index.dtype
        and one.equals(other)
    )


class _Packing:
    def __init__(self, exact: bool) -> None:
        self.exact = exact
        self.blobs: list[bytes | memoryview] = []
        self.at = 0
        self.seen: dict[int, tuple[int, object]] = {}

    def blob(self, data: bytes | memoryview) -> list[int]:
        place = [self.at, len(data)]
        padded = -len(data) % 64
        self.blobs += [data, b"\0" * padded]
        self.at += len(data) + padded
        return place

    def node(self, value: object) -> object:
        """A plain value as it is, a list [kind, what] of anything else."""
        if type(value) in _PLAIN:
            return value
        if type(value) in (tuple, list):
            return [type(value).__name__, [self.node(v) for v in value]]  # type: ignore[attr-defined]
        if id(value) in self.seen:
            return ["same", self.seen[id(value)][0]]
        out = [*self._made(value), len(self.seen)]
        self.seen[id(value)] = (len(self.seen), value)
        return out

    def _made(self, value: object) -> tuple[str, object]:
        if (
            is_dataclass(value)
            and not isinstance(value, type)
            and type(value).__module__.startswith(f"{KIT}.")
        ):
            known = {f.name: self.node(getattr(value, f.name)) for f in fields(value)}
            return "record", [type(value).__module__, type(value).__qualname__, known]
        if isinstance(value, dict):
            return "dict", [[self.node(k), self.node(v)] for k, v in value.items()]
        if isinstance(value, np.ndarray):
            if value.dtype == object and value.ndim == 1:
                return "objects", [self.node(v) for v in value.tolist()]
            data = np.ascontiguousarray(value)
            return "array", [data.dtype.str, list(value.shape), *self.blob(data.tobytes())]
        if isinstance(value, pd.DataFrame):
            return "frame", self._framed(value)
        if isinstance(value, pd.DatetimeIndex):
            return "days", self.node(value.to_numpy())
        if isinstance(value, pd.Timestamp):
            return "time", [str(value), value.unit]
        if isinstance(value, Path):
            return "path", str(value)
        if type(value).__name__ == "csr_array":
            parts = [value.data, value.indices, value.indptr]  # type: ignore[attr-defined]
            return "sparse", [*map(self.node, parts), list(value.shape)]  # type: ignore[attr-defined]
        raise TypeError(f"not to be kept: {type(value)}")

    def _framed(self, frame: pd.DataFrame) -> list[int]:
        table = pa.Table.from_pandas(frame)
        if self.exact and not _same(frame, table.to_pandas()):
            raise TypeError("a table whose cells would come back as others")
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, table.schema) as stream:
            stream.write_table(table)
        return self.blob(memoryview(sink.getvalue()))


class _Unpacking:
    def __init__(self, blobs: memoryview) -> None:
        self.blobs = blobs
        self.seen: dict[int, object] = {}

    def value(self, node: Any) -> Any:
        if not isinstance(node, list):
            return node
        kind, what = node[0], node[1]
        if kind == "same":
            return self.seen[what]
        if kind in ("tuple", "list"):
            made = [self.value(v) for v in what]
            return tuple(made) if kind == "tuple" else made
        out = self.seen[node[2]] = getattr(self, f"_{kind}")(what)
        return out

    def _record(self, what: list[Any]) -> object:
        module, name, known = what
        if not module.startswith(f"{KIT}."):
            raise ValueError(module)
        of = getattr(import_module(module), name)
        if not (isinstance(of, type) and is_dataclass(of)):
            raise TypeError(name)
        if {f.name for f in fields(of)} != set(known):
            raise ValueError(name)
        out = object.__new__(of)
        for field, node in known.items():
            object.__setattr__(out, field, self.value(node))
        return out

    def _dict(self, what: list[Any]) -> dict[Any, Any]:
        return {self.value(k): self.value(v) for k, v in what}

    def _objects(self, what: list[Any]) -> object:
        out = np.empty(len(what), dtype=object)
        out[:] = [self.value(v) for v in what]
        return out

    def _array(self, what: list[Any]) -> object:
        dtype, shape, at, size = what
        return np.frombuffer(self.blobs[at : at + size], dtype).reshape(shape).copy()

    def _frame(self, what: list[int]) -> pd.DataFrame:
        at, size = what
        table = pa.ipc.open_stream(pa.py_buffer(self.blobs[at : at + size])).read_all()
        frame: pd.DataFrame = table.to_pandas()
        return frame

    def _days(self, what: list[Any]) -> pd.DatetimeIndex:
        return pd.DatetimeIndex(self.value(what))

    def _time(self, what: list[str]) -> pd.Timestamp:
        return pd.Timestamp(what[0]).as_unit(what[1])

    def _path(self, what: str) -> Path:
        return Path(what)

    def _sparse(self, what: list[Any]) -> object:
        from scipy import sparse

        data, indices, indptr = (self.value(v) for v in what[:3])
        return sparse.csr_array((data, indices, indptr), shape=tuple(what[3]))
