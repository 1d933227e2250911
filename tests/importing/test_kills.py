"""Signal 9 at every step of an import or a partitioning: the old log or the new one, whole."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from repair_horizon.imports import import_file
from repair_horizon.logs.partitioning import partition

from .exports import HEADER, MAPPING
from .killing import Plan

# Some hundred imports, each in a process of its own that is killed or tries again.
pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent.parent
FAMILIES = 2
CATALOGUE = "model_id,family_id,device_class,launch_date\n" + "".join(
    f"m{i},f{i},phone,2020-01-01\n" for i in range(FAMILIES)
)
# What may lie in a workspace once nobody is at work: no draft or note of any kind. The files the
# system's locks are held on are empty and stay.
DONE = ("catalogue.csv", "import_salt", "review/", "sales", ".sales.lock", ".import_salt.lock")


def rows(first: int, last: int, price: str = "9.50") -> str:
    return "".join(
        f"{n};2025-01-{n % 28 + 1:02d};{price};m{n % FAMILIES};A\n" for n in range(first, last)
    )


def killed(tmp_path: Path, **how: Any) -> dict[str, Any]:
    plan = json.dumps(dataclasses.asdict(Plan(folder=str(tmp_path), **how)))
    command = [sys.executable, "-m", "tests.importing.killing", plan]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-3000:]
    told: dict[str, Any] = json.loads(done.stdout)
    return told


@pytest.fixture
def start(tmp_path: Path) -> Path:
    """Build a workspace with rows and a review, and an export of more that makes a salt too."""
    folder = tmp_path / "start"
    folder.mkdir()
    (folder / "catalogue.csv").write_text(CATALOGUE)
    (tmp_path / "map.toml").write_text(MAPPING)
    export = tmp_path / "export.csv"
    export.write_text(HEADER + rows(1, 40) + "40;yesterday;9.50;m1;A\n")
    import_file(export, folder, "sales", tmp_path / "map.toml")
    hashed = 'hash = ["Buyer"]\n' + MAPPING.replace("[columns]", '[columns]\nunit_id = "Buyer"')
    (tmp_path / "map.toml").write_text(hashed)
    odd = "9001;2025-01-02;dear;m1;A\n41;2025-01-03;1.00;m1;A\n9002;2025-01-03;1.00;other;A\n"
    export.write_text(HEADER + rows(40, 80) + odd)
    return folder


def judge(told: dict[str, Any]) -> None:
    """Old or new after every kill, new and tidy after the next try, and no long wait for it."""
    old, new = told["old"], told["new"]
    assert old["log"] != new["log"]
    assert told["again"] == new
    tidy(new)
    seen = set()
    for kill in told["kills"]:
        left, after = kill["left"], kill["next"]
        seen.add(left["log"])
        assert left["log"] in (old["log"], new["log"])
        finished = [f for f in left["files"] if not Path(f[0]).name.startswith((".", "_"))]
        assert all(f in old["files"] or f in new["files"] for f in finished)
        assert after == new
        assert kill["seconds"] < 5
    assert any(k["killed"] for k in told["kills"])
    assert seen == {old["log"], new["log"]}


def tidy(state: dict[str, Any]) -> None:
    assert all(name.startswith(DONE) for name, _ in state["files"]), state["files"]


def test_an_import_killed_at_any_step_leaves_the_old_log_or_the_new(
    tmp_path: Path, start: Path
) -> None:
    """And the next one ends, byte for byte, as one that was never killed; the review with it."""
    told = killed(tmp_path)
    judge(told)
    assert len(told["kills"]) > 15


def test_the_first_import_of_all_killed_at_any_step(tmp_path: Path, start: Path) -> None:
    """Where there is no log yet, there is none or the whole of it."""
    (start / "sales.csv").unlink()
    shutil.rmtree(start / "review")
    told = killed(tmp_path, how="copies")
    assert "catalogue.csv names none" in told["old"]["log"]  # no sale to tell the currency by
    judge(told)


def test_an_import_killed_at_any_moment_leaves_the_old_log_or_the_new(
    tmp_path: Path, start: Path
) -> None:
    """At sixteen moments of an import of some thousand rows, by the clock."""
    text = (tmp_path / "export.csv").read_text()
    (tmp_path / "export.csv").write_text(text + rows(400, 4000))
    told = killed(tmp_path, how="moments")
    assert sum(k["killed"] for k in told["kills"]) > 8
    for kill in told["kills"]:
        assert kill["left"]["log"] in (told["old"]["log"], told["new"]["log"])
        assert kill["next"] == told["new"]


def test_an_import_by_family_killed_at_any_step_leaves_the_old_log_or_the_new(
    tmp_path: Path, start: Path
) -> None:
    """Not the rows of some families and those of others missing; their order is as ever too."""
    partition(start, "sales")
    told = killed(tmp_path, how="copies")
    judge(told)
    assert len(told["kills"]) > 15


@pytest.mark.parametrize("again", [False, True], ids=["a file", "parts"])
def test_partitioning_killed_at_any_step_leaves_a_whole_log(
    tmp_path: Path, start: Path, again: bool
) -> None:
    """The same rows are read after every kill, the log as it was is there, and nothing stray."""
    was = (start / "sales.csv").read_bytes()
    if again:
        partition(start, "sales")
    told = killed(tmp_path, work="partition", how="copies")
    kept = ["sales.csv.before" if again else "sales.csv", hashlib.sha256(was).hexdigest()]
    for kill in told["kills"]:
        left, after = kill["left"], kill["next"]
        assert left["log"] == after["log"] == told["old"]["log"] == told["new"]["log"]
        assert kept in left["files"] or ["sales.csv.before", kept[1]] in left["files"]
        assert ["sales.csv.before", kept[1]] in after["files"]
        tidy(after)
        assert kill["seconds"] < 5
    assert len(told["kills"]) > 15
