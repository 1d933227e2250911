"""The month's folder: safe files, the bare notebook, failures marked, inputs recorded."""

import hashlib
import json
import re

import nbformat
import pandas as pd
import pytest
from demo_copies import some_families
from family_by_hand import family_by_hand
from hypothesis import given
from hypothesis import strategies as st
from pages_by_hand import Elements
from repair_horizon.files.writing import for_spreadsheet, slug, slugs, write_text
from repair_horizon.logs import LogFault, read_logs, read_settings
from repair_horizon.reports.made_from import template_notebook
from repair_horizon.reports.month import Order, write_month
from repair_horizon.reports.month_tables import read_saved, save_tables
from repair_horizon.reports.notebooks import FamilyTask, run_family
from repair_horizon.reports.sections.this_month import data_warnings
from repair_horizon.tables.outputs import OUTPUTS


class TestFiles:
    @given(st.text(max_size=80))
    def test_file_names_are_safe_whatever_the_identifier(self, name):
        assert re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,80}", slug(name))

    def test_identifiers_that_look_alike_get_files_of_their_own(self):
        names = ["a", "A", "a/", "../a", "a\x00", "CON", "index", "", "é", "e", "..", "a" * 300]
        names.append(slug("A"))
        assert len({s.lower() for s in slugs(names).values()}) == len(names)
        assert not {"con", "index", "", "nul"} & set(slugs(names).values())

    def test_text_that_a_spreadsheet_would_run_is_marked_and_figures_are_not(self):
        table = pd.DataFrame({"model_id": ["=1+1", "-2", "+x", "ok", "-x"], "bid": [-1.5] * 5})
        safe = for_spreadsheet(table)
        assert list(safe["model_id"]) == ["'=1+1", "-2", "'+x", "ok", "'-x"]
        assert list(safe["bid"]) == [-1.5] * 5

    def test_a_write_that_fails_leaves_the_old_file_and_no_other(self, tmp_path, monkeypatch):
        write_text(tmp_path / "a.html", "old")

        def refuse(*_):
            raise OSError("disk full")

        monkeypatch.setattr("repair_horizon.files.writing.os.replace", refuse)
        with pytest.raises(OSError, match="disk full"):
            write_text(tmp_path / "a.html", "new")
        assert [p.name for p in tmp_path.iterdir()] == ["a.html"]
        assert (tmp_path / "a.html").read_text() == "old"

    def test_saved_tables_read_back_with_identifiers_as_text(self, tmp_path):
        month = family_by_hand()
        odd = month.thresholds.assign(model_id=["007", "NA", "null", "1e5"])
        save_tables(month.with_tables(thresholds=odd), tmp_path)
        back = read_saved(tmp_path, "thresholds")
        assert list(back["model_id"]) == ["007", "NA", "null", "1e5"]
        assert list(back["buy_stop_median"].dropna()) == list(odd["buy_stop_median"].dropna())

    def test_every_table_of_a_family_is_read_back_as_it_was_written(self, tmp_path):
        """Its declaration alone says of what kind each column is."""
        month = family_by_hand()
        save_tables(month, tmp_path)
        for name, table in month.tables.items():
            declared, back = OUTPUTS[name], read_saved(tmp_path, name)
            assert list(back) == declared.names
            again = OUTPUTS[name].written(back)
            assert again.to_csv() == declared.written(table.reset_index(drop=True)).to_csv(), name


class TestNotebook:
    def test_the_template_is_bare_and_only_calls_the_library(self):
        notebook = nbformat.read(str(template_notebook()), as_version=4)
        code = [c for c in notebook.cells if c.cell_type == "code"]
        assert all(not c.outputs and c.execution_count is None for c in code)
        assert not any(re.search(r"^\s*(def|class|lambda)\b", c.source, re.M) for c in code)
        assert all(len(c.source.splitlines()) <= 16 for c in code)
        assert [c.metadata.get("tags") for c in code].count(["parameters"]) == 1


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    """The demo business; its last family's notebook is made to fail by ``broken_template``."""
    folder = tmp_path_factory.mktemp("workspace {braces}")
    return some_families(folder, ["vellfold", "grabvyx_console", "ulmvrist_watch"])


@pytest.fixture(scope="module")
def smallest(workspace):
    """The two families with the fewest sales, so that the month is made quickly."""
    logs = read_logs(workspace)
    counts = {f: len(logs.family(f).tables["sales"]) for f in logs.families}
    return sorted(counts, key=counts.__getitem__)[:2]


@pytest.fixture(scope="module")
def month(workspace, smallest):
    """A month in which the first of two families fails inside its notebook."""
    notebook = nbformat.read(str(template_notebook()), as_version=4)
    planted = f"if family_id == {smallest[0]!r}:\n    raise ValueError('planted <failure>')"
    notebook.cells.insert(3, nbformat.v4.new_code_cell(planted))
    broken = workspace / "broken.ipynb"
    nbformat.write(notebook, str(broken))
    seen = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("repair_horizon.reports.notebooks.template_notebook", lambda: broken)
        run = write_month(
            workspace,
            "2026-11",
            order=Order(families=smallest, draws=60),
            progress=lambda *said: seen.append(said),
        )
    return run, seen


class TestMonth:
    def test_a_family_that_fails_is_marked_and_the_others_finish(self, month, smallest):
        run, seen = month
        assert run.failed == {smallest[0]: "ValueError: planted <failure>"}
        assert sorted((f, s) for f, s, _ in seen) == sorted(
            [(smallest[0], "failed"), (smallest[1], "done")]
        )
        index = run.index.read_text(encoding="utf-8")
        assert "planted &lt;failure&gt;" in index
        assert f'href="{smallest[1]}.html"' in index
        assert not (run.folder / f"{smallest[0]}.html").exists()
        assert (run.folder / f"{smallest[1]}.html").stat().st_size > 50_000

    def test_thresholds_have_the_agreed_columns_and_months(self, month):
        table = pd.read_csv(month[0].folder / "thresholds.csv", dtype=str)
        assert list(table.columns) == OUTPUTS["thresholds"].names
        assert ",".join(table.columns).startswith(
            "family_id,model_id,listed_fault,max_bid,binding_limit,expected_profit,"
            "probability_loss,probability_win,bid_next_month,buy_stop_lower,buy_stop_median,"
            "buy_stop_upper,repair_stop_lower,repair_stop_median,repair_stop_upper,n_sales,"
            "confidence,verdict,reason,"
        )
        assert table["buy_stop_median"].dropna().str.fullmatch(r"\d{4}-\d{2}").all()
        assert table["caution"].str.contains("registry, ownership and locks").all()
        assert len(table) > 5

    def test_rows_set_aside_are_those_of_the_whole_workspace(self, month, workspace):
        listed = pd.read_csv(month[0].folder / "set_aside.csv", dtype=str)
        assert len(listed) == len(read_logs(workspace).ledger.exceptions)

    def test_the_settings_used_stay_beside_the_month(self, month, workspace):
        kept = month[0].folder / "used" / "settings.toml"
        assert kept.read_text(encoding="utf-8") == (workspace / "settings.toml").read_text("utf-8")

    def test_the_record_names_inputs_by_hash_and_no_place(self, month, workspace):
        text = (month[0].folder / "run.json").read_text(encoding="utf-8")
        record = json.loads(text)
        digest = hashlib.sha256((workspace / "sales.csv").read_bytes()).hexdigest()
        assert record["data_sha256"]["sales"] == digest
        assert (record["month"], record["draws"], record["seed"]) == ("2026-11", 60, 1)
        assert [f["status"] for f in record["families"]].count("failed") == 1
        assert str(workspace) not in text

    def test_the_page_has_charts_and_tables_and_says_the_data_are_invented(self, month, smallest):
        page = (month[0].folder / f"{smallest[1]}.html").read_text(encoding="utf-8")
        tags = Elements(page).tags
        assert len([a for _, a in tags if a.get("class") == "chart"]) >= 5
        assert len([t for t, _ in tags if t == "table"]) >= 6
        assert 'class="invented"' in page
        assert "Traceback" not in page

    def test_one_family_run_again_keeps_the_others_of_the_same_inputs(
        self, month, workspace, smallest
    ):
        run = write_month(workspace, "2026-11", order=Order(families=smallest[:1], draws=60))
        assert not run.failed
        assert sorted(r.family_id for r in run.families) == sorted(smallest)
        table = pd.read_csv(run.folder / "thresholds.csv", dtype=str)
        assert set(table["family_id"]) == set(smallest)

    def test_what_cannot_be_asked_for_is_said_before_anything_is_written(self, workspace):
        for order in (Order(families=["nobody"]), Order(as_of="31.10.2026")):
            with pytest.raises(LogFault, match="allowed"):
                write_month(workspace, "2025-01", order=order)
        with pytest.raises(LogFault, match="2026-13"):
            write_month(workspace, "2026-13")
        assert not (workspace / "out" / "2025-01").exists()

    def test_a_notebook_that_leaves_early_is_a_failure(self, tmp_path):
        cells = [nbformat.v4.new_code_cell(s) for s in ("import sys", "sys.exit(0)", "1")]
        for cell in cells[:1]:
            cell.metadata["tags"] = ["parameters"]
        path = tmp_path / "leaves.ipynb"
        nbformat.write(nbformat.v4.new_notebook(cells=cells), str(path))
        run = run_family(FamilyTask("f", "f", "F", "", tmp_path, {}), path)
        assert run.status == "failed"
        assert "did not run" in run.reason
        assert not (tmp_path / "f.html").exists()

    def test_stale_logs_are_warned_of(self, workspace):
        logs, settings = read_logs(workspace), read_settings(workspace)
        fresh = data_warnings(logs, settings, pd.Timestamp("2026-11-01"))
        stale = data_warnings(logs, settings, pd.Timestamp("2027-06-01"))
        assert next(w for w in stale if w not in fresh).startswith("The newest of the sales")
