"""The coverage-guided harness at its smallest: the same inputs every time, seconds of them."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

from .seeds import write_seeds
from .targets import TARGETS

ROOT = Path(__file__).parent.parent.parent
RUNS = {
    "log": 150,
    "workspace": 12,
    "catalogue": 6,
    "settings": 3000,
    "import": 50,
    "workbook": 40,
    "answers": 30,
    "ask": 25,
}


@pytest.fixture(scope="module")
def seeds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("seeds")
    write_seeds(folder)
    return folder


@pytest.mark.parametrize("target", list(TARGETS))
def test_the_inputs_to_start_from_break_nothing(seeds: Path, tmp_path: Path, target: str) -> None:
    """The demo business, cut small, and each kind of export pass every check."""
    inputs = sorted((seeds / target).iterdir())
    assert inputs
    for path in inputs:
        TARGETS[target](path.read_bytes(), tmp_path)


@pytest.fixture(scope="module")
def fuzzed() -> str:
    """What one run over all targets prints; the instrumented kit is imported once for all."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris has no wheel for this system")
    runs = [f"{target}={n}" for target, n in RUNS.items()]
    command = [sys.executable, "-m", "tests.fuzz", "0", "--runs", *runs]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)
    return done.stdout


@pytest.mark.parametrize("target", list(TARGETS))
def test_a_fixed_number_of_fuzzed_inputs_break_nothing(fuzzed: str, target: str) -> None:
    """One seed, one number of inputs; the hour of it is run by hand."""
    assert f"{target}: {RUNS[target]} inputs, clean" in fuzzed, fuzzed[-4000:]


def test_the_checks_of_a_target_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that drops a row, and one that breaks, are both noticed."""
    from . import targets

    data = bytes([targets.NAMES.index("sales")]) + targets.SALES
    read = targets.read_table

    def dropping(path: Path, table: object) -> object:
        got = read(path, table)
        return type(got)(got.rows.iloc[1:], got.read, got.held)

    monkeypatch.setattr(targets, "read_table", dropping)
    with pytest.raises(AssertionError, match="rows are lost"):
        targets.read_a_log(data, tmp_path)

    def broken(path: Path, table: object) -> object:
        raise KeyError("model_id")

    monkeypatch.setattr(targets, "read_table", broken)
    with pytest.raises(KeyError):
        targets.read_a_log(data, tmp_path)
