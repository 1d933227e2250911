"""A month survives what goes wrong in it, says it once, and is taken up where it stopped."""

import json
import os
import subprocess
from dataclasses import replace
from functools import cache
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from demo_copies import DEMO, demo_logs, demo_logs_of, some_families
from light_kernel import light_kernels
from repair_horizon.cli import main
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.files import writing as unwritable
from repair_horizon.files.writing import write_text
from repair_horizon.logs import read_logs, read_settings
from repair_horizon.reports import made_from as record
from repair_horizon.reports import month as month_module
from repair_horizon.reports import notebooks as running
from repair_horizon.reports.family import family_month
from repair_horizon.reports.made_from import DONE, input_digests, keep_stamp, template_notebook
from repair_horizon.reports.month import Order, write_month
from repair_horizon.reports.notebooks import FamilyRun
from repair_horizon.shop import Shop
from repair_horizon.tables.months import parse_month

MONTH, GOOD, OTHER = "2026-11", "ulmvrist_watch", "grabvyx_console"


@pytest.fixture
def workspace(tmp_path):
    return some_families(tmp_path, [GOOD, OTHER], draws=20)


@cache
def read_of(place, *files):
    """The logs of a workspace, read once for the same bytes in the same files."""
    return read_logs(place)


def read(place):
    """What ``read_logs`` says of a workspace, without reading what was read before."""
    files = [place / "settings.toml", *sorted(place.glob("*.csv"))]
    return read_of(place, *((path.name, path.read_bytes()) for path in files))


def planted(workspace, cells, monkeypatch, alone=False):
    """Let a family's notebook run some code of its own before its work, or in its place."""
    notebook = nbformat.read(str(template_notebook()), as_version=4)
    if alone:
        notebook.cells = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", [])]
    for family, code in cells.items():
        body = "\n    ".join(code.splitlines())
        text = f"if family_id == {family!r}:\n    {body}"
        notebook.cells.insert(1, nbformat.v4.new_code_cell(text))
    path = workspace / "planted.ipynb"
    nbformat.write(notebook, str(path))
    for module in (running, record):
        monkeypatch.setattr(module, "template_notebook", lambda: path)


def files(folder):
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())


def test_families_that_fail_in_every_way_are_marked_and_the_rest_completes(tmp_path, monkeypatch):
    """One raises, one hangs, one asks for too much memory, one is killed, one leaves; one works."""
    cells = {
        "raises": "raise ValueError('planted')",
        "hangs": "import time; time.sleep(600)",
        "hungry": "import numpy; held = [numpy.empty(10**8) for n in range(50)]",
        "killed": "import os; os.kill(os.getpid(), 9)",
        "leaves": "import os; os._exit(0)",
    }
    workspace, seen = some_families(tmp_path, [GOOD]), {}
    with open(workspace / "catalogue.csv", "a", encoding="utf-8") as file:
        file.writelines(f"{family}_1,{family},phone,,,2024-01-01,,,,\n" for family in cells)
    planted(workspace, cells, monkeypatch)
    order = Order([GOOD, *cells], draws=20, time_limit=60, memory_limit=3)

    def progress(family, status, seconds):
        seen[family] = status

    # Only the one that hangs needs a limit that short, and it must not hold for the others.
    real = running.run_family

    def run_family(task):
        short = task.family_id == "hangs"
        limits = replace(task.limits, seconds=2) if short else task.limits
        return real(replace(task, limits=limits))

    monkeypatch.setattr(running, "run_family", run_family)
    with light_kernels():
        run = write_month(workspace, MONTH, order=order, progress=progress)
    assert run.failed["raises"] == "ValueError: planted"
    assert run.failed["hangs"].startswith("it took longer than the time limit of 2 s")
    assert run.failed["hungry"].startswith("ran out of memory (limit 3 GB)")
    assert run.failed["killed"].startswith("ran out of memory or was killed (signal 9)")
    assert run.failed["leaves"].startswith("its kernel left with status 0 in cell")
    assert seen == {**dict.fromkeys(cells, "failed"), GOOD: DONE}
    assert sorted(p.stem for p in run.folder.glob("*.html")) == ["index", GOOD]
    assert {p.name for p in (run.folder / "tables").iterdir()} == {GOOD, "index.json"}
    index = run.index.read_text(encoding="utf-8")
    assert all(reason.split(":")[0] in index for reason in run.failed.values())


class TestNotWritable:
    """One message, exit status 1, no traceback, nothing half-written."""

    def said(self, workspace, capsys, *more):
        status = main(["report", "--workspace", str(workspace), "--month", MONTH, *more])
        out, err = capsys.readouterr()
        assert status == 1
        assert "Traceback" not in out + err
        assert len(err.strip().splitlines()) == 1
        return err

    def test_a_file_in_place_of_the_folder(self, workspace, capsys):
        (workspace / "out").write_text("in the way")
        err = self.said(workspace, capsys, "--family", GOOD)
        assert err.startswith(f"{workspace / 'out'}")
        assert "choose a folder that may be written to" in err
        assert (workspace / "out").read_text() == "in the way"

    def test_a_disk_that_is_full_when_a_page_is_written(self, workspace, capsys, monkeypatch):
        real = write_text

        def full(path, text):
            if path.suffix == ".html":
                raise OSError(28, "No space left on device", str(path))
            real(path, text)

        monkeypatch.setattr(running, "write_text", full)
        planted(workspace, {GOOD: "display('a page')"}, monkeypatch, alone=True)
        err = self.said(workspace, capsys, "--family", GOOD)
        assert "No space left on device" in err
        assert "make room and run again: finished families are kept" in err
        assert not list((workspace / "out" / MONTH).glob("*.html"))

    @pytest.mark.parametrize("workers", [1, 2])
    def test_a_disk_that_is_full_inside_the_notebook(self, workspace, capsys, monkeypatch, workers):
        """``/dev/full`` refuses every byte, as a full disk does."""
        cell = "with open('/dev/full', 'w') as file:\n    file.write('x')"
        if workers == 1:
            planted(workspace, dict.fromkeys([GOOD, OTHER], cell), monkeypatch)
            err = self.said(workspace, capsys, "--family", GOOD, "--family", OTHER)
            assert "No space left on device" in err
            assert files(workspace / "out" / MONTH) == ["plotly.min.js"]
        else:  # in workers of their own the failure must still come back as one
            (workspace / "out" / MONTH).mkdir(parents=True)
            for family in (GOOD, OTHER):
                (workspace / "out" / MONTH / f"{family}.html").mkdir()
            words = ("--family", GOOD, "--family", OTHER, "--workers", "2")
            assert "cannot be written" in self.said(workspace, capsys, *words)

    def test_a_disk_that_really_fills_up(self, workspace, capsys):
        """A small file system of its own; it holds the drawing library and no page."""
        place = workspace / "out"
        place.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=5100k", "tmpfs", str(place)]
        if os.name != "posix" or subprocess.run(mount, capture_output=True).returncode:
            pytest.skip("no file system may be mounted here")
        try:
            err = self.said(workspace, capsys, "--family", GOOD)
            assert "No space left on device" in err
            left = files(place / MONTH)
            assert f"{GOOD}.html" not in left
            assert not [f for f in left if f.endswith((".part", ".trial"))]
        finally:
            subprocess.run(["umount", str(place)], check=True)

    def test_a_folder_that_may_only_be_read(self, workspace, capsys):
        place = workspace / "out"
        place.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(place)]
        if os.name != "posix" or subprocess.run(mount, capture_output=True).returncode:
            pytest.skip("no file system may be mounted here")
        try:
            err = self.said(workspace, capsys, "--family", GOOD)
            assert "Read-only file system" in err
        finally:
            subprocess.run(["umount", str(place)], check=True)

    @pytest.mark.parametrize(
        ("words", "place", "stops"),
        [
            ("OSError: [Errno 28] No space left on device", "/m", True),
            ("[Errno 30] Read-only file system: '/elsewhere/x'", "/m", True),
            ("[Errno 13] Permission denied: '/m/tables/a.csv'", "/m", True),
            ("[Errno 13] Permission denied: '/data/sales.csv'", "/m", False),
            ("[Errno 2] No such file or directory: '/m/x'", "/m", False),
            ("ValueError: 28", "/m", False),
        ],
    )
    def test_only_failures_to_write_stop_the_whole_run(self, words, place, stops):
        found = unwritable.said_in_a_cell(words, Path(place))
        assert (found is not None) == stops
        assert found is None or unwritable.stops_the_run(found)


@pytest.fixture
def quick(workspace, monkeypatch):
    """Months whose families only leave a page and a table, to see which are run."""

    def run_family(task):
        place = task.folder / "tables" / task.slug
        write_text(task.folder / f"{task.slug}.html", task.title)
        write_text(place / "models.csv", "model_id\n")
        write_text(place / "page.json", "{}")
        keep_stamp(task.folder, task.slug, task.stamp, "said")
        return FamilyRun(task.family_id, task.slug, DONE, 1.0, inputs=task.stamp.inputs)

    monkeypatch.setattr(running, "run_family", run_family)
    monkeypatch.setattr(month_module, "read_logs", read)
    monkeypatch.setattr(month_module, "write_month_files", lambda *_: None)

    def run(**order):
        seen = {"done": set(), "kept": set()}
        write_month(
            workspace,
            MONTH,
            order=Order(**order),
            progress=lambda family, status, seconds: seen[status].add(family),
        )
        return seen

    return run


def change(workspace, name, column, value, row=0, where=None):
    """Change one cell of a log as a text, leaving every other byte of the table."""
    path = workspace / f"{name}.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    at = table.index[where(table)][row] if where else row
    table.loc[at, column] = value
    table.to_csv(path, index=False)


class TestResume:
    def test_nothing_is_made_twice_from_the_same_inputs(self, quick, workspace):
        every = set(read(workspace).families)
        assert quick() == {"done": every, "kept": set()}
        assert quick() == {"done": set(), "kept": every}
        assert quick(again=True, families=[GOOD]) == {"done": {GOOD}, "kept": set()}

    def test_a_changed_sale_reruns_its_own_family_only(self, quick, workspace):
        every = set(read(workspace).families)
        quick()
        logs = read(workspace).family(OTHER)
        newest = read(workspace).newest_day
        sales = logs.tables["sales"]
        one = sales.loc[sales["sale_date"] < newest, "sale_id"].iloc[0]
        change(workspace, "sales", "gross_amount", "411.00", where=lambda t: t["sale_id"] == one)
        assert quick() == {"done": {OTHER}, "kept": every - {OTHER}}
        assert quick()["done"] == set()

    def test_what_all_share_reruns_all(self, quick, workspace):
        every = set(read(workspace).families)
        quick()
        change(workspace, "fx_rates", "rate", "1.3")
        assert quick()["done"] == every
        settings = workspace / "settings.toml"
        settings.write_text(settings.read_text(encoding="utf-8") + "\n# looked at\n")
        assert quick()["done"] == every
        (workspace / "backtest").mkdir()
        words = "factor,coverage,sales,origins,supported_months,words\n1.2,0.7,99,9,12,wider\n"
        (workspace / "backtest" / "calibration.csv").write_text(words)
        assert quick()["done"] == every
        asked = {"seed": 5, "draws": 100, "as_of": "2026-10-01"}
        for n in range(3):
            assert quick(**dict(list(asked.items())[: n + 1]))["done"] == every
        assert quick(**asked)["done"] == set()

    def test_another_template_or_program_reruns_all(self, quick, workspace, monkeypatch):
        every = set(read(workspace).families)
        quick()
        planted(workspace, {GOOD: "pass"}, monkeypatch)
        assert quick()["done"] == every
        monkeypatch.setattr(record, "program_files", lambda: "edited")
        assert quick()["done"] == every
        monkeypatch.setattr(record, "_PACKAGES", ("pytest",))
        assert quick()["done"] == every

    def test_what_does_not_stand_as_it_was_written_is_made_again(self, quick, workspace):
        """A page gone or cut, a table gone, a stamp torn, a file too many."""
        quick()
        page = workspace / "out" / MONTH / f"{GOOD}.html"
        tables = page.parent / "tables" / GOOD
        for damage in (
            page.unlink,
            lambda: page.write_text(""),
            (tables / "models.csv").unlink,
            lambda: (tables / "made_from.json").write_text('{"inputs": "'),
            lambda: (tables / "extra.csv").write_text("x\n"),
        ):
            damage()
            assert quick()["done"] == {GOOD}

    def test_a_run_broken_off_is_taken_up_where_it_stopped(self, quick, workspace, monkeypatch):
        every = read(workspace).families
        real = running.run_family

        def stopped(task):
            if task.family_id == every[1]:
                raise KeyboardInterrupt
            return real(task)

        monkeypatch.setattr(running, "run_family", stopped)
        with pytest.raises(KeyboardInterrupt):
            quick()
        monkeypatch.setattr(running, "run_family", real)
        assert quick() == {"done": set(every[1:]), "kept": set(every[:1])}


@pytest.fixture(scope="module")
def logs():
    return demo_logs().as_of("2026-11-30")


class TestDigests:
    """The hash of a family covers what its page is made from, and nothing else."""

    def changed(self, logs, name, column, value, chosen):
        table = logs.tables[name].copy()
        table.loc[table.index[chosen(table)][0], column] = value
        return replace(logs, tables={**logs.tables, name: table})

    def differing(self, logs, other):
        old, new = (input_digests(x, logs.families, ["s"]) for x in (logs, other))
        return {f for f in old if old[f] != new[f]}

    @pytest.mark.parametrize(
        ("name", "column", "value"),
        [
            ("catalogue", "model_name", "Other"),
            ("sales", "amount", 1.0),
            ("part_quotes", "lead_days", 99.0),
            ("maker_quotes", "price", 1.0),
            ("fault_states", "bench_hours", 9.0),
            ("listings", "current_bid", 9.0),
            ("stock", "location", "elsewhere"),
        ],
    )
    def test_a_row_of_its_own_changes_its_hash_and_no_other(self, logs, name, column, value):
        table = logs.tables[name]
        keys = logs.tables["catalogue"].set_index("model_id")["family_id"]
        owner = table["family_id"] if "family_id" in table else table["model_id"].map(keys)
        family = owner.iloc[0]
        other = self.changed(logs, name, column, value, lambda _: (owner == family).to_numpy())
        assert self.differing(logs, other) == {family}

    def test_a_job_counts_for_its_device_class(self, logs):
        catalogue = logs.tables["catalogue"]
        job = logs.tables["repairs"].iloc[0]
        kind = catalogue.set_index("model_id")["device_class"][job["model_id"]]
        of_kind = set(catalogue.loc[catalogue["device_class"] == kind, "family_id"])
        other = self.changed(
            logs, "repairs", "bench_hours", 9.0, lambda t: (t["job_id"] == job["job_id"]).to_numpy()
        )
        assert self.differing(logs, other) == of_kind
        assert len(of_kind) > 1

    def test_a_newer_day_and_a_row_set_aside_are_told_on_every_page(self, logs):
        every = set(logs.families)
        day = logs.newest_day + pd.Timedelta(days=2)
        newer = self.changed(logs, "sales", "sale_date", day, lambda t: t["model_id"] != "")
        assert self.differing(logs, newer) == every
        fewer = replace(logs.ledger, exceptions=logs.ledger.exceptions.iloc[1:])
        assert self.differing(logs, replace(logs, ledger=fewer)) == every

    def test_where_a_row_stands_in_its_file_does_not_count(self, logs):
        moved = logs.tables["sales"].assign(line=logs.tables["sales"]["line"] + 7)
        other = replace(logs, tables={**logs.tables, "sales": moved})
        assert self.differing(logs, other) == set()

    def test_where_the_hash_is_the_same_the_tables_are(self):
        """Halve what another class's family sells for and needs: nothing of this family moves."""
        logs = demo_logs_of(GOOD, OTHER).as_of("2026-11-30")
        settings = replace(read_settings(DEMO), draws=20)
        models = logs.family(OTHER).tables["catalogue"]["model_id"]
        tables = dict(logs.tables)
        for name, column in (("sales", "amount"), ("part_quotes", "amount"), ("stock", "amount")):
            theirs = tables[name]["model_id"].isin(models)
            tables[name] = tables[name].assign(
                **{column: tables[name][column].where(~theirs, tables[name][column] / 2)}
            )
        other = replace(logs, tables=tables)
        assert self.differing(logs, other) == {OTHER}
        month = parse_month(MONTH)
        mine, again = (
            family_month(Shop(x, settings, valuation=NO_CHARGES), GOOD, month)
            for x in (logs, other)
        )
        for name, table in vars(mine).items():
            if isinstance(table, pd.DataFrame):
                pd.testing.assert_frame_equal(table, getattr(again, name))


def test_same_inputs_and_seed_give_the_same_bytes_by_any_number_of_workers(tmp_path):
    """Once by one process and its kept kernel, once by two with fresh ones."""
    made, shop = [], some_families(tmp_path / "shop", [GOOD, OTHER])
    for how in ({"workers": 1}, {"workers": 2, "fresh_kernels": True}):
        out = tmp_path / str(len(made))
        order = Order([GOOD, OTHER], draws=20, out=out, **how)
        run = write_month(shop, MONTH, order=order)
        assert not run.failed
        made.append({f: (run.folder / f).read_bytes() for f in files(run.folder)})
    assert made[0] == made[1]
    assert len(made[0]) > 40
    assert "inputs_sha256" in json.loads(made[0]["run.json"])["families"][0]


@pytest.mark.usefixtures("quick")
def test_what_the_command_kept_is_said(workspace, capsys):
    words = ["report", "--workspace", str(workspace), "--month", MONTH, "--family", GOOD]
    assert main(words) == 0
    first = capsys.readouterr().out
    assert f"{GOOD}: done" in first
    assert main(words) == 0
    assert f"  {GOOD}: kept\n" in capsys.readouterr().out
    assert main([*words, "--again"]) == 0
    assert f"{GOOD}: done" in capsys.readouterr().out
    assert main([*words, "--time-limit", "0"]) == 2
    assert main([*words, "--memory-limit", "0.1"]) == 2
    assert "Traceback" not in capsys.readouterr().err
