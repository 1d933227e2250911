"""Imports killed, imports at once, and large ones."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from repair_horizon.files.writing import locked
from repair_horizon.logs import LogFault

from .exports import ROWS, Run, lines, stored

ROOT = Path(__file__).parent.parent.parent

_CHILD = """
import os, sys, time
from pathlib import Path
sys.path.insert(0, {root!r})
from repair_horizon.imports import import_file
if {hang}:
    def wait(a, b, *rest):
        print("ready", flush=True)
        time.sleep(60)
    os.replace = wait
folder = Path({folder!r})
got = import_file(folder / sys.argv[1], folder / "work", "sales", folder / "map.toml")
print(got.added)
"""


def child(folder: Path, export: str, *, hang: bool = False) -> subprocess.Popen[str]:
    code = _CHILD.format(root=str(ROOT), folder=str(folder), hang=hang)
    command = [sys.executable, "-c", code, export]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_a_killed_import_leaves_the_old_file_and_the_next_one_works(
    run: Run, tmp_path: Path, workspace: Path
) -> None:
    """Killed at the last step, the table is the old one; the lock left behind is no obstacle."""
    run(lines(*ROWS[:5]))
    before = (workspace / "sales.csv").read_bytes()
    (tmp_path / "more.csv").write_text(lines(*ROWS))
    with child(tmp_path, "more.csv", hang=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        os.kill(process.pid, signal.SIGKILL)
    assert (workspace / "sales.csv").read_bytes() == before
    assert len(list(workspace.glob(".sales.csv.*.tmp"))) == 1
    start = time.perf_counter()
    assert run(lines(*ROWS), name="more.csv").added == 15
    assert time.perf_counter() - start < 5
    assert sorted(p.name for p in workspace.iterdir()) == [".sales.lock", "sales.csv"]


def test_imports_at_once_lose_no_row(run: Run, tmp_path: Path, workspace: Path) -> None:
    """Four overlapping exports at the same time give every row once, an old lock or not."""
    run(lines(ROWS[0]))
    (workspace / ".sales.lock").unlink()
    (workspace / ".sales.lock").symlink_to("host 4194305 x")  # as the kit locked before
    for i in range(4):
        rows = [f"{n};2025-01-02;9.50;m1;A" for n in range(100 + i * 50, 200 + i * 50)]
        (tmp_path / f"part{i}.csv").write_text(lines(*rows))
    processes = [child(tmp_path, f"part{i}.csv") for i in range(4)]
    added = [int(p.communicate(timeout=120)[0]) for p in processes]
    keys = [r["sale_id"] for r in stored(workspace)]
    assert sum(added) == 250
    assert sorted(keys) == sorted({"shop-1"} | {f"shop-{n}" for n in range(100, 350)})
    assert sorted(p.name for p in workspace.iterdir()) == [".sales.lock", "sales.csv"]
    assert not (workspace / ".sales.lock").is_symlink()


def test_a_live_lock_is_respected(run: Run, tmp_path: Path, workspace: Path) -> None:
    """A lock whose owner runs is waited for, then told in one message; nothing is written."""
    run(lines(ROWS[0]))
    (tmp_path / "more.csv").write_text(lines(*ROWS))
    with child(tmp_path, "more.csv", hang=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        with (
            pytest.raises(LogFault, match="held by another import") as error,
            locked(workspace, "sales", patience=0.2),
        ):
            pass
        assert len(error.value.faults) == 1
        with locked(workspace, "repairs", patience=0.2):  # another table is another lock
            pass
        process.kill()
    with locked(workspace, "sales", patience=0.2):
        pass


def test_fifty_thousand_rows_take_seconds(run: Run) -> None:
    """A large export is read in well under a minute, so that nobody waits for a coffee."""
    rows = [f"{n};2025-01-{n % 28 + 1:02d};{n % 900}.50;m1;A" for n in range(50_000)]
    start = time.perf_counter()
    assert run(lines(*rows)).added == 50_000
    assert time.perf_counter() - start < 30
