"""Imports and partitionings killed with signal 9, each in a process of its own.

``python -m tests.importing.killing PLAN`` starts from a copy of a workspace, does the work in a
fork, kills it at its n-th step on the disc (n = 0, 1, 2 ... until it gets through), or after a
share of the time it takes, or copies what lies there at every step, which is what a kill would
leave and takes one run; and prints what lies there and what does after the next try. A step is
anything that changes the workspace: a file opened for writing, half of what is written to it,
a sync, a rename, link, removal or folder. Forks of one warmed process keep a hundred kills to
seconds; the test itself must not fork, as it has threads.
"""

from __future__ import annotations

import builtins
import hashlib
import io
import itertools
import json
import os
import re
import secrets
import shutil
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from repair_horizon.imports import import_file
from repair_horizon.logs import LogFault, read_logs
from repair_horizon.logs.partitioning import partition

_CHANGES = ("os.rename", "os.link", "os.symlink", "os.remove", "os.mkdir", "os.rmdir", "os.chmod")


@dataclass(frozen=True)
class Plan:
    """What is to be killed: an import of a table's export, or its partitioning."""

    folder: str
    work: str = "import"
    table: str = "sales"
    how: str = "steps"
    moments: int = 16

    @property
    def start(self) -> Path:
        return Path(self.folder) / "start"

    @property
    def place(self) -> Path:
        return Path(self.folder) / "work"

    def run(self) -> None:
        if self.work == "partition":
            partition(self.place, self.table)
            return
        folder = Path(self.folder)
        import_file(folder / "export.csv", self.place, self.table, folder / "map.toml")


@dataclass(frozen=True)
class State:
    """A workspace as it lies there, and its log as the kit reads it (or what it says)."""

    files: list[list[str]]
    log: str


class _Halved:
    """A file whose writes can be stopped halfway."""

    def __init__(self, file: Any, step: Callable[[], None]) -> None:
        self.file, self.step = file, step

    def write(self, content: Any) -> int:
        half = len(content) // 2
        self.file.write(content[:half])
        self.file.flush()
        self.step()
        self.file.write(content[half:])
        return len(content)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)

    def __enter__(self) -> _Halved:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()


def arm(place: Path, last: int | None) -> None:
    """Let this process kill itself before its ``last``-th step in a folder, from 0.

    Without ``last`` it goes on, and copies the folder before each step to ``copies/NUMBER``.
    """
    count, opened, sync = [0], builtins.open, os.fsync

    def step() -> None:
        if last is None:
            shutil.copytree(place, place.parent / "copies" / str(count[0]), symlinks=True)
        if count[0] == last:
            os.kill(os.getpid(), signal.SIGKILL)
        count[0] += 1

    def inside(path: object) -> bool:
        return isinstance(path, str | bytes | os.PathLike) and os.fsdecode(path).startswith(
            str(place)
        )

    def seen(event: str, args: tuple[Any, ...]) -> None:
        writes = event == "open" and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if (writes and inside(args[0])) or (event in _CHANGES and any(map(inside, args[:2]))):
            step()

    def halved(file: Any, mode: str = "r", *rest: Any, **named: Any) -> Any:
        real = opened(file, mode, *rest, **named)
        ours = isinstance(file, int) or inside(file)
        return _Halved(real, step) if ours and set(mode) & set("wxa") else real

    def synced(handle: int) -> None:
        step()
        sync(handle)

    builtins.open = io.open = halved
    os.fsync = synced
    sys.addaudithook(seen)


def forked(
    plan: Plan, steps: int | None = None, seconds: float | None = None, *, copied: bool = False
) -> bool:
    """Do the work in a fork, and tell whether it was killed.

    The fork keeps threads out of what it does: nothing was read with several before.
    """
    child = os.fork()
    if child == 0:
        try:
            if steps is not None or copied:
                arm(plan.place, steps)
            plan.run()
            os._exit(0)
        except BaseException:
            traceback.print_exc()
            os._exit(1)
    if seconds is not None:
        time.sleep(seconds)
        os.kill(child, signal.SIGKILL)
    status = os.waitpid(child, 0)[1]
    if os.WIFEXITED(status) and os.WEXITSTATUS(status):
        sys.exit("an import that was not killed failed")
    return os.WIFSIGNALED(status)


def files(plan: Plan) -> list[list[str]]:
    """Every file by name and content; names that are drawn are told by their beginning only."""
    found = []
    for path in sorted(plan.place.rglob("*")):
        name = re.sub(r"[0-9a-f]{12,32}", "N", str(path.relative_to(plan.place)))
        if path.is_symlink() or not path.is_dir():
            content = b"" if path.is_symlink() else path.read_bytes()
            found.append([name, hashlib.sha256(content).hexdigest()])
    return sorted(found)


def state(plan: Plan, known: dict[str, State]) -> State:
    """A workspace and what the kit reads in it; the same files are read once."""
    there = files(plan)
    if str(there) not in known:
        try:
            rows = read_logs(plan.place).tables[plan.table].drop(columns="line")
            log = hashlib.sha256(rows.to_csv(index=False).encode()).hexdigest()
        except LogFault as error:
            log = str(error)
        known[str(there)] = State(there, log)
    return known[str(there)]


def fresh(plan: Plan, start: Path | None = None) -> None:
    shutil.rmtree(plan.place, ignore_errors=True)
    shutil.copytree(start or plan.start, plan.place, symlinks=True)


def attempts(plan: Plan, took: float) -> Iterator[bool]:
    """Leave the workspace as one kill after the other does, and tell whether it was one."""
    if plan.how == "moments":
        for n in range(plan.moments):
            fresh(plan)
            yield forked(plan, seconds=took * (n + 0.5) / plan.moments)
    elif plan.how == "copies":
        fresh(plan)
        forked(plan, copied=True)
        for path in sorted((Path(plan.folder) / "copies").iterdir()):
            fresh(plan, path)
            yield True
    else:
        for n in itertools.count():
            fresh(plan)
            killed = forked(plan, n)
            yield killed
            if not killed:
                return


def main() -> None:
    """Print one line of JSON: the states before, after the whole work, and of every kill."""
    plan = Plan(**json.loads(sys.argv[1]))
    secrets.token_hex = lambda n=32: "5a" * n  # so that the salt is the same each time
    known: dict[str, State] = {}
    fresh(plan)
    told: dict[str, Any] = {"old": asdict(state(plan, known)), "kills": []}
    start = time.perf_counter()
    forked(plan)
    took = time.perf_counter() - start
    told["new"] = asdict(state(plan, known))
    forked(plan)
    told["again"] = asdict(state(plan, known))
    followed: dict[str, dict[str, Any]] = {}
    for killed in attempts(plan, took):
        left = state(plan, known)
        if str(left.files) not in followed:  # the same files left give the same next try
            followed[str(left.files)] = next_try(plan, known)
        told["kills"].append({"killed": killed, "left": asdict(left), **followed[str(left.files)]})
    print(json.dumps(told))


def next_try(plan: Plan, known: dict[str, State]) -> dict[str, Any]:
    """Do the same again, nobody killing it, and tell how long that took."""
    start = time.perf_counter()
    forked(plan)
    seconds = time.perf_counter() - start
    return {"seconds": seconds, "next": asdict(state(plan, known))}


if __name__ == "__main__":
    main()
