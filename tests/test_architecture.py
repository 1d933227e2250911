"""The house rules that a reader of the tree may rely on; the walls stand in pyproject.toml."""

import ast
import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parent.parent
KIT = ROOT / "kit" / "repair_horizon"
MODULES = sorted(KIT.rglob("*.py"))
OWNERS = {
    "statsmodels": {"estimation", "backtest"},
    # views name the type of what they draw, and load it only then.
    "plotly": {"charts", "reports", "share", "explorer", "views"},
    "papermill": {"reports"},
    "nbconvert": {"reports"},
    "nbclient": {"reports"},
    "ipywidgets": {"explorer"},
    "distributed": {"scale"},
    # argparse.Namespace is the type of what the parser hands to a command.
    "argparse": {"cli", "commands"},
}


def imported(path: Path) -> set[str]:
    """First names of everything a module imports, at any depth."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.split(".")[0])
    return names


def test_data_flows_one_way() -> None:
    """The walls of pyproject.toml hold: a stage imports only itself and what stands above it."""
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout[-3000:]


def test_each_heavy_library_has_its_owners() -> None:
    for path in MODULES:
        stage = path.relative_to(KIT).parts[0].removesuffix(".py")
        for name in imported(path) & set(OWNERS):
            assert stage in OWNERS[name], f"{path.relative_to(KIT)} imports {name}"


def test_no_file_name_is_used_twice() -> None:
    """A line of code knows its room: no two files share a name, and none is called a heap."""
    names = Counter(p.stem for p in MODULES if p.stem != "__init__")
    assert [n for n, times in names.items() if times > 1] == []
    assert not set(names) & {"utils", "util", "helpers", "common", "base", "core", "misc"}


def test_reading_logs_loads_neither_statsmodels_nor_plotly() -> None:
    """Checking logs stays cheap: the heavy stages load only when asked for."""
    code = (
        "import sys, repair_horizon.cli, repair_horizon.logs\n"
        "print([m for m in ('statsmodels', 'plotly', 'papermill', 'scipy') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert out.stdout.strip() == "[]", out.stderr


def test_the_data_dictionary_is_the_declarations() -> None:
    """data/README.md is generated; regenerate it with tables.dictionary.dictionary()."""
    from repair_horizon.tables.dictionary import dictionary

    assert (ROOT / "data" / "README.md").read_text(encoding="utf-8") == dictionary()


def test_notebooks_are_committed_without_outputs_but_for_the_guide() -> None:
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        for cell in json.loads(path.read_text())["cells"]:
            assert not cell.get("outputs"), path.name
            assert not cell.get("execution_count"), path.name
            source = "".join(cell["source"])
            assert "\ndef " not in "\n" + source, path.name
