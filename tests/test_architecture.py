"""The house rules that a reader of the tree may rely on."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
KIT = ROOT / "kit"
STAGES = ["logs", "scale", "estimation", "decisions", "backtest", "reports", "commands", "cli"]
OWNERS = {
    "statsmodels": "estimation",
    "plotly": "reports",
    "papermill": "reports",
    "nbconvert": "reports",
    "ipywidgets": "reports",
    "distributed": "scale",
    "argparse": "cli",
}
# argparse.Namespace is the type of what the parser hands to a command.
ALLOWED = {("commands", "argparse")}
MODULES = sorted(KIT.rglob("*.py"))


def stage_of(path: Path) -> str:
    first = path.relative_to(KIT).parts[0]
    return first.removesuffix(".py")


def imports_of(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names += [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names += [f"{node.module}.{a.name}" for a in node.names]
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(KIT)))
def test_data_flows_one_way(path: Path) -> None:
    """A stage imports only itself and the stages above it in the list."""
    stage = stage_of(path)
    if stage in ("__init__", "__main__"):
        return
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] != "kit" or len(parts) < 2 or parts[1] not in STAGES:
            continue
        assert STAGES.index(parts[1]) <= STAGES.index(stage), f"{stage} imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(KIT)))
def test_each_heavy_library_has_one_owner(path: Path) -> None:
    stage = stage_of(path)
    for name in imports_of(path):
        owner = OWNERS.get(name.split(".")[0])
        if owner and (stage, name.split(".")[0]) not in ALLOWED:
            assert stage == owner, f"{stage} imports {name}, which {owner} owns"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(KIT)))
def test_modules_stay_short_and_are_named_after_their_work(path: Path) -> None:
    limit = 300 if path.name in ("tables.py", "settings.py") else 250  # declarations are data
    assert len(path.read_text().splitlines()) <= limit
    assert path.stem not in {"utils", "util", "helpers", "common", "base", "core", "misc"}


def test_reading_logs_loads_neither_statsmodels_nor_plotly() -> None:
    """Checking logs stays cheap: the heavy stages load only when asked for."""
    code = (
        "import sys, kit.cli, kit.logs\n"
        "print([m for m in ('statsmodels', 'plotly', 'papermill', 'scipy') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert out.stdout.strip() == "[]", out.stderr


def test_the_data_dictionary_is_the_declarations() -> None:
    """data/README.md is generated; regenerate it with kit.logs.dictionary.dictionary()."""
    from kit.logs.dictionary import dictionary

    assert (ROOT / "data" / "README.md").read_text(encoding="utf-8") == dictionary()


def test_notebooks_are_committed_without_outputs_but_for_the_guide() -> None:
    import json

    for path in (ROOT / "notebooks").glob("*.ipynb"):
        for cell in json.loads(path.read_text())["cells"]:
            assert not cell.get("outputs"), path.name
            assert not cell.get("execution_count"), path.name
            source = "".join(cell["source"])
            assert "\ndef " not in "\n" + source, path.name
