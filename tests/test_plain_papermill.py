"""The family's notebook needs nothing but papermill: from any folder, and its charts survive."""

import importlib
import os
import shutil
import subprocess
import sys
import tomllib
from html import escape
from pathlib import Path

import nbformat
import papermill
import pytest
from demo_copies import some_families
from family_by_hand import family_by_hand
from nbconvert import HTMLExporter
from pages_by_hand import all_charts, as_notebook
from repair_horizon.reports.html import FIGURE_TYPE, PAGE_VARIABLE
from repair_horizon.reports.made_from import template_notebook
from repair_horizon.reports.page import PageExporter, page_parts

ROOT = Path(__file__).parent.parent


def test_parameters_are_typed_and_described() -> None:
    found = papermill.inspect_notebook(str(template_notebook()))
    assert found["family_id"]["inferred_type_name"] == "str"
    assert found["seed"]["inferred_type_name"] == "int"
    assert all(p["help"] for p in found.values())


@pytest.fixture(scope="module")
def executed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run by papermill's own command from an empty folder, with a seed.

    The kit stands in a tree of its own, whose demo business is two families of the whole one.
    """
    folder, tree = (tmp_path_factory.mktemp(name) for name in ("elsewhere", "tree"))
    shutil.copytree(ROOT / "kit", tree / "kit", ignore=shutil.ignore_patterns("__pycache__"))
    some_families(tree / "data" / "demo", ["ulmvrist_watch", "grabvyx_console"])
    words = ["-p", "family_id", "ulmvrist_watch", "-p", "seed", "7", "-p", "draws", "60"]
    words += ["-k", "python3", "--no-progress-bar"]
    env = {**os.environ, "PYTHONPATH": str(tree / "kit")}
    env.pop("PLOTLY_RENDERER", None)
    command = [sys.executable, "-m", "papermill", str(template_notebook()), "out.ipynb", *words]
    done = subprocess.run(command, cwd=folder, env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    return folder / "out.ipynb"


def test_it_runs_from_any_folder_on_the_demo_where_no_workspace_is_named(executed: Path) -> None:
    notebook = nbformat.read(str(executed), as_version=4)
    assert "ulmvrist" in str([c.get("outputs") for c in notebook.cells]).lower()
    assert [p.name for p in executed.parent.iterdir()] == ["out.ipynb"]


def test_its_charts_survive_nbconvert(executed: Path) -> None:
    """The stock exporter drops plotly's own data; the library stands in the page once."""
    notebook = nbformat.read(str(executed), as_version=4)
    charts = sum(
        FIGURE_TYPE in o.get("data", {}) for c in notebook.cells for o in c.get("outputs", [])
    )
    html, _ = HTMLExporter().from_notebook_node(notebook)
    assert html.count("Plotly.newPlot(") == charts >= 5
    assert executed.stat().st_size < 12_000_000


def test_a_plain_export_cuts_no_title_and_draws_the_rows(executed: Path) -> None:
    """A title stands above its drawing, where a phone breaks it; rows bring their style along."""
    notebook = nbformat.read(str(executed), as_version=4)
    shown = [o["data"] for c in notebook.cells for o in c.get("outputs", []) if "data" in o]
    charts = [d["text/html"] for d in shown if FIGURE_TYPE in d]
    titles = [d[FIGURE_TYPE]["layout"]["meta"]["title"] for d in shown if FIGURE_TYPE in d]
    for html, title in zip(charts, titles, strict=True):
        assert html.startswith("<p ")
        assert html.partition("</p>")[0].endswith(f">{escape(title)}")
        assert '"title":{"font"' in html, "the drawing has the title a second time"
        assert '"responsive": true' in html
    pictures = [d["text/html"] for d in shown if 'class="picture' in d.get("text/html", "")]
    assert len(pictures) == 3
    assert all(html.startswith("<style>.picture {") for html in pictures)


def test_a_chart_keeps_to_the_renderer_that_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    chart = all_charts(family_by_hand())[0]
    monkeypatch.delenv(PAGE_VARIABLE, raising=False)
    monkeypatch.delenv("PLOTLY_RENDERER", raising=False)
    assert {FIGURE_TYPE, "text/html"} <= set(chart._repr_mimebundle_())
    monkeypatch.setenv(PAGE_VARIABLE, "1")
    assert set(chart._repr_mimebundle_()) == {FIGURE_TYPE, "text/plain"}
    monkeypatch.delenv(PAGE_VARIABLE)
    monkeypatch.setenv("PLOTLY_RENDERER", "json")
    assert "text/html" not in chart._repr_mimebundle_()


def test_the_exporter_is_nbconverts_by_its_entry_point_and_gives_the_same_words() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    place = declared["project"]["entry-points"]["nbconvert.exporters"]["repair-horizon"]
    module, _, name = place.partition(":")
    assert getattr(importlib.import_module(module), name) is PageExporter
    notebook = as_notebook(all_charts(family_by_hand()))
    html, told = PageExporter().from_notebook_node(notebook)  # type: ignore[no-untyped-call]
    assert told["output_extension"] == ".html"
    parts = page_parts(notebook, "x")
    assert html.count('class="chart"') == sum(len(b.pieces) for b in parts.blocks)
