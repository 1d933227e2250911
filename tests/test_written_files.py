"""One way to write a file: whole or not at all, through no link, for its owner, no formula."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from repair_horizon.files.writing import (
    for_spreadsheet,
    guarded,
    make_folder,
    table_text,
    unguarded,
    write_whole,
)
from repair_horizon.scale import one_thread

ROOT = Path(__file__).parent.parent
KIT = ROOT / "kit" / "repair_horizon"
FORMULAS = ["=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1+1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_and_no_heading_begins_a_formula(text: str) -> None:
    """Wide forms, and marks of our own before them, are guarded too; figures stay figures."""
    table = pd.DataFrame({text: [text, f"'{text}", "-12.5", "plain", ""], "n": [1.5, -2, 0, 1, 2]})
    safe = for_spreadsheet(table)
    assert safe.columns[0] == f"'{text}"
    assert safe.iloc[:, 0].tolist() == [f"'{text}", f"''{text}", "-12.5", "plain", ""]
    assert safe["n"].tolist() == table["n"].tolist()
    assert f"'{text}" in table_text(table)


@given(st.text(alphabet="'=+-@\t\r\n1.e\uff1da", max_size=6))
def test_what_was_guarded_reads_back_as_it_was(text: str) -> None:
    marked = guarded(text)
    assert unguarded(pd.DataFrame({"a": [marked]}))["a"].tolist() == [text]
    assert marked[:1] not in set("=+@\t\r\n\uff1d")


def test_a_draft_follows_no_link_and_a_link_in_the_place_is_replaced(tmp_path: Path) -> None:
    """The names drafts had before are left alone, and nothing is written through the file's."""
    outside = tmp_path / "outside.txt"
    outside.write_text("mine")
    place = tmp_path / "out" / "table.csv"
    place.parent.mkdir()
    for name in (f".table.csv.{os.getpid()}.part", ".table.csv.part", "table.csv"):
        (place.parent / name).symlink_to(outside)
    write_whole(place, "new")
    assert (outside.read_text(), place.read_text()) == ("mine", "new")
    assert not place.is_symlink()


@pytest.mark.skipif(os.name == "nt", reason="no such rights there")
def test_new_files_and_folders_are_their_owner_s_only(tmp_path: Path) -> None:
    """A log keeps the rights it has, so that a partner who could read it still can."""
    write_whole(tmp_path / "out" / "2026-11" / "a.csv", "x")
    modes = [stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "out").rglob("*")]
    assert modes == [0o700, 0o600]
    log = tmp_path / "sales.csv"
    log.write_text("old")
    log.chmod(0o664)
    write_whole(log, "new", private=False)
    assert stat.S_IMODE(log.stat().st_mode) == 0o664


def test_what_cannot_be_written_leaves_no_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    write_whole(tmp_path / "a.csv", "old")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(tmp_path / "a.csv", "new")
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("a.csv", "old")]
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OSError, match=r"exists|Not a directory"):
        make_folder(tmp_path / "file")


def test_every_file_is_written_by_the_one_writer() -> None:
    """Whoever replaces, renames or drafts a file elsewhere has a reason that stands here."""
    allowed = {
        "files/writing.py": "the writer",
        "logs/partitioning.py": "whole folders change places",
    }
    marks = ("os.replace", "os.rename", "mkstemp", "NamedTemporaryFile", "os.link")
    found = {
        path.relative_to(KIT).as_posix()
        for path in KIT.rglob("*.py")
        if any(mark in path.read_text() for mark in marks)
    }
    assert found == set(allowed)


def test_importing_the_kit_changes_nothing_in_the_process() -> None:
    """Neither its variables, nor how numpy computes, nor what a caller's warnings do."""
    code = (
        "import os, sys, warnings\nimport threadpoolctl\nimport numpy\n"
        "def state():\n"
        "    blas = threadpoolctl.threadpool_info()\n"
        "    return dict(os.environ), numpy.geterr(), list(warnings.filters), blas, sys.path[:]\n"
        "before = state()\nimport repair_horizon\nassert state() == before, (before, state())\n"
    )
    ours = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    done = subprocess.run([sys.executable, "-c", code], env=ours, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_one_thread_computes_inside_and_the_caller_gets_his_back() -> None:
    """Asked of the libraries numpy and scipy brought, inside each other and after an error."""
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_info, threadpool_limits

    def threads() -> set[int]:
        return {lib["num_threads"] for lib in threadpool_info() if lib["user_api"] == "blas"}

    np.linalg.inv(np.eye(2))
    with threadpool_limits(2, "blas"):
        with one_thread():
            assert threads() == {1}
            with one_thread():
                assert threads() == {1}
            assert threads() == {1}
        assert threads() == {2}
        with pytest.raises(ValueError, match="mine"), one_thread():
            raise ValueError("mine")
        assert threads() == {2}
