"""Cells run in a fork of the warmed process as they would in a kernel, and only there."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import papermill
import pytest
from repair_horizon.logs import read_logs
from repair_horizon.reports.engine import executing, forked
from repair_horizon.reports.engine.executing import execute
from repair_horizon.reports.engine.limits import Limits, RunEnded
from repair_horizon.reports.engine.warmed import can_fork, stop_warmed, warmed
from repair_horizon.reports.notebooks import FamilyTask, run_family, template_notebook

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "data" / "demo"
FORKED, KERNEL = Limits(seconds=60), Limits(seconds=60, fresh_kernel=True)
needs_forks = pytest.mark.skipif(not can_fork(), reason="no forks on this system")

# Every way a cell can show something; none depends on the clock or on where it runs.
SHOWING = [
    "import sys, warnings\nimport pandas as pd\nfrom IPython.display import *\nword = name * 2",
    "print('out', end=' ')\nprint('err', file=sys.stderr)\nprint('more'); display(1); print('end')",
    "pd.DataFrame({'a': [1.5, None], 'b': ['<x>', 'é\\u2028']})",
    "display(HTML('<b>x</b>'), Markdown('*y*'), metadata={'k': 1})",
    "shown = display('first', display_id='d')\nword",
    "shown.update('second')",
    "print('gone'); clear_output(); print('stays')",
    "print('gone later'); clear_output(wait=True); print('stays')",
    "import asyncio\nawait asyncio.sleep(0)\n_ * 2",
    "!echo from a child process",
    "%%capture caught\nprint('caught')",
    "caught.stdout, sys.stdout.isatty(), __name__, Out[5], _i5[:5]",
    "class Rich:\n    def __repr__(self):\n        return 'rich'\n"
    "    def _repr_mimebundle_(self, **k):\n        return {'text/html': '<i>r</i>',"
    " 'application/json': {'t': (1, 2), 5: None}, 'image/png': b'png'}\nRich()",
    "import plotly.graph_objects as go\ngo.Figure(go.Scatter(y=[1, 2]))._repr_mimebundle_()",
    "import logging\nlogging.warning('logged')",
    "None",
    "",
    "word; 3",
    "4;",
]


def write_notebook(folder, cells, tags=None):
    made = [nbformat.v4.new_code_cell("name = 'a'\nnumber = ''")]
    made += [nbformat.v4.new_code_cell(c) for c in cells]
    made.insert(2, nbformat.v4.new_markdown_cell("## Words"))
    for n, cell in enumerate(made):
        cell.id = f"cell-{n}"
    made[0].metadata["tags"] = ["parameters"]
    for number, tag in (tags or {}).items():
        made[number].metadata["tags"] = [tag]
    path = folder / "made.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=made), str(path))
    return path


def seen(executed):
    """What a reader of the notebook sees: sources, counts and outputs, without the clock."""
    return [(c.source, c.get("execution_count"), c.get("outputs")) for c in executed.cells]


def reason(folder, cells, limits=FORKED, **more):
    path = write_notebook(folder, cells, **more)
    run = run_family(FamilyTask("f", "f", "F", "", folder, {}, limits), path)
    assert run.status == "failed"
    assert not (folder / "f.html").exists()
    return run.reason


@needs_forks
class TestSameAsAKernel:
    def test_every_kind_of_output_comes_out_the_same(self, tmp_path):
        path = write_notebook(tmp_path, SHOWING)
        given = {"name": "b", "number": "3'\"\n{x}"}
        fork, kernel = (execute(path, given, how) for how in (FORKED, KERNEL))
        for ours, theirs in zip(seen(fork), seen(kernel), strict=True):
            assert ours == theirs
        kinds = {o.output_type for c in fork.cells for o in c.get("outputs", [])}
        assert kinds == {"stream", "display_data", "execute_result"}
        assert fork.metadata.language_info == kernel.metadata.language_info

    def test_a_family_page_and_its_tables_are_the_same_to_the_byte(self, tmp_path):
        """The real notebook on the demo, each way once."""
        made = []
        for how in (FORKED, KERNEL):
            folder = tmp_path / str(how.fresh_kernel)
            tables = folder / "tables" / "f"
            given = {
                "workspace": str(DEMO),
                "family_id": "ulmvrist_watch",
                "month": "2026-11",
                "draws": "60",
                "out_folder": str(tables),
            }
            run = run_family(FamilyTask("f", "f", "F", "", folder, given, how))
            assert run.status == "done", run.reason
            made.append(
                {p.name: p.read_bytes() for p in [folder / "f.html", *tables.glob("*.csv")]}
            )
        assert made[0] == made[1]
        assert len(made[0]) > 15

    @pytest.mark.parametrize("how", [FORKED, KERNEL], ids=["fork", "kernel"])
    @pytest.mark.parametrize(
        ("cell", "said"),
        [
            ("raise ValueError('no <b>')", "ValueError: no <b>"),
            ("1 +", "SyntaxError: invalid syntax"),
            ("import sys\nsys.exit(0)", "did not run"),
            ("import sys\nsys.exit(3)", "SystemExit: 3"),
            ("input('?')", "StdinNotImplementedError: "),
            ("raise MemoryError('no room')", "ran out of memory: no room"),
        ],
    )
    def test_failures_are_told_in_the_same_words(self, tmp_path, how, cell, said):
        assert said in reason(tmp_path, [cell, "print('not reached')"], how)

    def test_papermills_record_names_the_failed_cell_and_what_did_not_run(self, tmp_path):
        path = write_notebook(tmp_path, ["1 / 0", "2"])
        out = tmp_path / "out.ipynb"
        with pytest.raises(papermill.PapermillExecutionError, match="division") as caught:
            papermill.execute_notebook(
                str(path),
                str(out),
                engine_name=forked.NAME,
                kernel_name="python3",
                language="python",
                progress_bar=False,
            )
        assert (caught.value.ename, caught.value.cell_index) == ("ZeroDivisionError", 1)
        cells = [c for c in nbformat.read(str(out), 4).cells if c.source.startswith(("1", "2"))]
        assert [c.metadata.papermill.status for c in cells] == ["failed", "pending"]

    def test_a_cell_that_may_fail_lets_the_next_ones_run_and_is_told_at_the_end(self, tmp_path):
        path = write_notebook(tmp_path, ["1 / 0", "kept = 2"], tags={1: "raises-exception"})
        for how in (FORKED, KERNEL):
            with pytest.raises(papermill.PapermillExecutionError, match="division"):
                execute(path, {}, how)


@needs_forks
class TestApart:
    def test_nothing_one_notebook_changes_reaches_the_next(self, tmp_path):
        changes = [
            "import os, sys\nimport numpy as np\nimport pandas as pd\nimport plotly.io as pio",
            "os.chdir('/')\nos.environ['LEFT'] = 'x'\npd.options.display.max_rows = 3",
            "pio.templates.default = 'ggplot2'\nimport repair_horizon.logs\n"
            "repair_horizon.logs.left = 1\nleft = 1",
            "np.random.seed(5)\nsys.path.append('/left')",
        ]
        look = (
            "import os, sys, pandas as pd, plotly.io as pio, repair_horizon.logs, numpy as np\n"
            "(os.getcwd(), os.environ.get('LEFT'), pd.options.display.max_rows,"
            " pio.templates.default, hasattr(repair_horizon.logs, 'left'), 'left' in globals(),"
            " '/left' in sys.path, float(np.random.random()))"
        )
        first = execute(write_notebook(tmp_path, [look]), {}, FORKED)
        execute(write_notebook(tmp_path, changes), {}, FORKED)
        second = execute(write_notebook(tmp_path, [look]), {}, FORKED)
        assert seen(first) == seen(second)
        assert str(Path.cwd()) in seen(first)[1][2][0]["data"]["text/plain"]

    def test_a_notebook_runs_in_the_callers_folder_and_environment(self, tmp_path, monkeypatch):
        monkeypatch.setenv("SET_LATE", "x")
        monkeypatch.chdir(tmp_path)
        path = write_notebook(tmp_path, ["import os\nprint(os.getcwd(), os.environ['SET_LATE'])"])
        text = execute(path, {}, FORKED).cells[1].outputs[0]["text"]
        assert text == f"{tmp_path} x\n"

    def test_a_module_beside_the_caller_is_not_taken_for_the_kits(self, tmp_path, monkeypatch):
        (tmp_path / "json.py").write_text("raise RuntimeError('a stranger')\n")
        monkeypatch.chdir(tmp_path)
        stop_warmed()
        assert execute(write_notebook(tmp_path, ["1"]), {}, FORKED).cells[1].execution_count == 2


@needs_forks
class TestHeldLogs:
    """The warmed process reads the logs once for all families; no notebook may notice."""

    LOOK = (
        "from repair_horizon.logs import read_logs\nlogs = read_logs(workspace)\n"
        "print(len(logs.tables['sales']), logs.folder, logs.tables['sales']['amount'].iloc[0])"
    )

    @pytest.fixture
    def workspace(self, tmp_path):
        shutil.copytree(DEMO, tmp_path / "w")
        return tmp_path / "w"

    def told(self, folder, workspace, cell):
        path = write_notebook(folder, [cell])
        notebook = nbformat.read(str(path), 4)
        notebook.cells[0].source += "\nworkspace = ''"
        nbformat.write(notebook, str(path))
        return execute(path, {"workspace": str(workspace)}, FORKED).cells[2].outputs[0]["text"]

    def test_they_are_read_once_and_are_what_a_notebook_would_read(self, tmp_path, workspace):
        logs = read_logs(workspace)
        expected = (
            f"{len(logs.tables['sales'])} {workspace} {logs.tables['sales']['amount'].iloc[0]}"
        )
        look = (
            self.LOOK
            + "\nfrom repair_horizon.reports.engine import holding\nprint(len(holding._held))"
        )
        assert self.told(tmp_path, workspace, look).splitlines() == [expected, "1"]
        once = "import repair_horizon.reports.engine.holding as h\nh._read = None\n"
        assert self.told(tmp_path, workspace, once + self.LOOK).splitlines() == [expected]

    def test_a_file_changed_meanwhile_is_read_anew(self, tmp_path, workspace):
        before = int(self.told(tmp_path, workspace, self.LOOK).split()[0])
        lines = (workspace / "sales.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        (workspace / "sales.csv").write_text("".join(lines[:-200]), encoding="utf-8")
        after = int(self.told(tmp_path, workspace, self.LOOK).split()[0])
        assert 0 < before - after <= 200
        # The same within one notebook, which must not see what stood there at its start.
        cut = f"open({str(workspace / 'sales.csv')!r}, 'w').writelines({lines[:-400]!r})\n"
        again = int(self.told(tmp_path, workspace, cut + self.LOOK).split()[0])
        assert 0 < after - again <= 200

    def test_what_a_notebook_does_to_them_stays_its_own(self, tmp_path, workspace):
        first = self.told(tmp_path, workspace, self.LOOK)
        spoil = "\nlogs.tables['sales'].loc[:, 'amount'] = 0.0\nlogs.tables.clear()"
        self.told(tmp_path, workspace, self.LOOK + spoil)
        assert self.told(tmp_path, workspace, self.LOOK) == first

    def test_logs_that_cannot_be_read_fail_the_notebook_in_their_own_words(
        self, tmp_path, workspace
    ):
        (workspace / "sales.csv").write_text("no,such,columns\n1,2,3\n")
        with pytest.raises(papermill.PapermillExecutionError, match=r"sales\.csv"):
            self.told(tmp_path, workspace, self.LOOK)


@needs_forks
class TestFaults:
    def test_a_notebook_that_hangs_is_stopped_at_the_time_limit(self, tmp_path):
        start = time.monotonic()
        said = reason(tmp_path, ["import time\ntime.sleep(60)"], Limits(seconds=1))
        assert said == "it took longer than the time limit of 1 s and was stopped"
        assert time.monotonic() - start < 30

    def test_the_time_limit_holds_for_the_whole_notebook_in_a_kernel_too(self, tmp_path):
        cells = ["import time\ntime.sleep(2)"] * 12
        said = reason(tmp_path, cells, Limits(seconds=4, fresh_kernel=True))
        assert "time limit of 4 s" in said

    def test_what_a_stopped_notebook_started_is_stopped_with_it(self, tmp_path):
        cell = (
            "import subprocess, pathlib, time\n"
            "p = subprocess.Popen(['sleep', '300'])\n"
            f"pathlib.Path({str(tmp_path / 'pid')!r}).write_text(str(p.pid))\n"
            "time.sleep(60)"
        )
        reason(tmp_path, [cell], Limits(seconds=3))
        assert ended(int((tmp_path / "pid").read_text()))

    @pytest.mark.parametrize(
        ("cell", "said"),
        [
            (
                "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)",
                "ran out of memory or was killed (signal 9) in cell 2",
            ),
            ("import os\nos.abort()", "its process was ended by signal 6 in cell 2"),
            ("import os\nos._exit(0)", "its process left with status 0 in cell 2"),
        ],
    )
    def test_a_process_that_dies_is_told_with_its_cell_and_the_next_runs(
        self, tmp_path, cell, said
    ):
        assert reason(tmp_path, [cell]) == said
        assert execute(write_notebook(tmp_path, ["1"]), {}, FORKED).cells[1].execution_count == 2

    def test_a_kernel_that_dies_is_told(self, tmp_path):
        cell = "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"
        assert "kernel died" in reason(tmp_path, [cell], KERNEL)

    @pytest.mark.parametrize("alone", [False, True], ids=["fork", "kernel"])
    def test_memory_beyond_the_limit_is_refused_by_the_system(self, tmp_path, alone):
        limits = Limits(60, 1.5, alone)
        cell = "import numpy as np\nheld = [np.ones(50_000_000) for _ in range(10)]"
        said = reason(tmp_path, [cell], limits)
        assert said.startswith("ran out of memory (limit 1.5 GB): Unable to allocate")
        path = write_notebook(tmp_path, [cell.replace("range(10)", "range(1)")])
        assert execute(path, {}, limits).cells[1].execution_count == 2

    def test_a_warmed_process_that_was_killed_is_replaced(self, tmp_path):
        with warmed() as process:
            os.kill(process._process.pid, signal.SIGKILL)
            process._process.wait()
        path = write_notebook(tmp_path, ["1"])
        assert execute(path, {}, FORKED).cells[1].execution_count == 2

    def test_a_warmed_process_killed_in_mid_run_fails_that_notebook_only(self, tmp_path):
        path = write_notebook(
            tmp_path, ["import os, signal\nos.kill(os.getppid(), signal.SIGKILL)", "1"]
        )
        with pytest.raises(RunEnded, match="lost"):
            execute(path, {}, FORKED)
        path = write_notebook(tmp_path, ["1"])
        assert execute(path, {}, FORKED).cells[1].execution_count == 2

    def test_one_that_cannot_start_says_why(self, tmp_path, monkeypatch):
        stop_warmed()
        monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
        (tmp_path / "python").write_text("#!/bin/sh\necho no such library >&2\nexit 1\n")
        (tmp_path / "python").chmod(0o755)
        with pytest.raises(RunEnded, match="did not start: no such library"):
            execute(write_notebook(tmp_path, ["1"]), {}, FORKED)

    def test_it_ends_with_the_process_that_started_it_and_so_does_its_fork(self, tmp_path):
        """Ended by SIGKILL in mid-run, which leaves no time to tidy up."""
        cell = (
            "import os, pathlib, time\n"
            f"pathlib.Path({str(tmp_path / 'pids')!r}).write_text(f'{{os.getpid()}} "
            "{os.getppid()}')\ntime.sleep(300)"
        )
        path = write_notebook(tmp_path, [cell])
        code = (
            "from pathlib import Path\n"
            "from repair_horizon.reports.engine.executing import execute\n"
            "from repair_horizon.reports.engine.limits import Limits\n"
            f"execute(Path({str(path)!r}), {{}}, Limits())"
        )
        with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT) as caller:
            until = time.monotonic() + 60
            while not (tmp_path / "pids").exists() and time.monotonic() < until:
                time.sleep(0.05)
            time.sleep(0.2)
            caller.kill()
        for pid in (tmp_path / "pids").read_text().split():
            assert ended(int(pid))


def ended(pid):
    """Whether a process is gone within some seconds, or only waits to be collected."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    return False


def test_where_there_are_no_forks_a_kernel_is_used(tmp_path, monkeypatch):
    monkeypatch.setattr(executing, "can_fork", lambda: False)
    path = write_notebook(tmp_path, ["import sys\n'ipykernel_launcher' in sys.argv[0]"])
    assert "True" in str(execute(path, {}, FORKED).cells[1].outputs)


class TestLighter:
    def run(self, code):
        return subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
        ).stdout.split()

    def test_the_slow_import_is_left_out_and_notebooks_are_still_checked(self):
        """Only the format checks of internationalised addresses are lost, which none uses."""
        code = (
            "import sys, repair_horizon.reports, nbformat\n"
            "print(sys.modules['rfc3987_syntax'])\n"
            "try:\n    nbformat.validate(nbformat.from_dict({'nbformat': 4, 'cells': 5}))\n"
            "except nbformat.ValidationError:\n    print('refused')"
        )
        assert self.run(code) == ["None", "refused"]

    def test_where_it_is_loaded_already_it_stays(self):
        code = (
            "import sys, types\nsys.modules['rfc3987_syntax'] = types.ModuleType('there')\n"
            "import repair_horizon.reports\nprint(sys.modules['rfc3987_syntax'].__name__)"
        )
        assert self.run(code) == ["there"]


@needs_forks
def test_what_a_page_imports_was_imported_before_the_fork(tmp_path):
    """Imported in its fork, it would be imported again for every family."""
    notebook = nbformat.read(str(template_notebook()), as_version=4)
    first = nbformat.v4.new_code_cell("import sys\nthere = set(sys.modules)")
    last = nbformat.v4.new_code_cell("print(*sorted(set(sys.modules) - there))")
    notebook.cells = [notebook.cells[0], first, *notebook.cells[1:], last]
    nbformat.write(notebook, str(tmp_path / "watched.ipynb"))
    given = {"workspace": str(DEMO), "family_id": "vellfold", "out_folder": str(tmp_path / "out")}
    executed = execute(tmp_path / "watched.ipynb", given, FORKED)
    late = executed.cells[-1].outputs[0]["text"].split()
    # The shell's own, loaded as it runs its first cell.
    assert [name for name in late if not name.startswith(("IPython.", "bdb"))] == []
