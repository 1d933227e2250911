"""Cells run in a kernel that is kept as they would in a fresh one, and reach no next notebook.

That a family's page and tables are the same to the byte either way: ``test_month_faults``.
"""

import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import nbformat
import papermill
import pytest
from demo_copies import some_families
from light_kernel import light_kernels
from repair_horizon.logs import read_logs
from repair_horizon.reports import notebooks
from repair_horizon.reports.made_from import template_notebook
from repair_horizon.reports.notebooks import (
    ENGINE,
    FamilyTask,
    Limits,
    RunEnded,
    execute,
    run_family,
    stop_kernels,
)

ROOT = Path(__file__).parent.parent
SMALL, AS_USED = "ulmvrist_watch", notebooks._STATE
KEPT, FRESH = Limits(seconds=60), Limits(seconds=60, fresh_kernel=True)

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


@pytest.fixture(scope="module", autouse=True)
def light():
    with light_kernels():
        yield


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


def reason(folder, cells, limits=KEPT, **more):
    path = write_notebook(folder, cells, **more)
    run = run_family(FamilyTask("f", "f", "F", "", folder, {}, limits), path)
    assert run.status == "failed"
    assert not (folder / "f.html").exists()
    return run.reason


class TestSameAsAKernel:
    def test_every_kind_of_output_comes_out_the_same(self, tmp_path):
        path = write_notebook(tmp_path, SHOWING)
        given = {"name": "b", "number": "3'\"\n{x}"}
        execute(path, given, KEPT)  # so that the next finds a used kernel
        kept, fresh = (execute(path, given, how) for how in (KEPT, FRESH))
        for ours, theirs in zip(seen(kept), seen(fresh), strict=True):
            assert ours == theirs
        kinds = {o.output_type for c in kept.cells for o in c.get("outputs", [])}
        assert kinds == {"stream", "display_data", "execute_result"}
        assert kept.metadata.language_info == fresh.metadata.language_info

    @pytest.mark.parametrize("how", [KEPT, FRESH], ids=["kept", "fresh"])
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
                engine_name=ENGINE,
                kernel_name="python3",
                language="python",
                progress_bar=False,
            )
        assert (caught.value.ename, caught.value.cell_index) == ("ZeroDivisionError", 1)
        cells = [c for c in nbformat.read(str(out), 4).cells if c.source.startswith(("1", "2"))]
        assert [c.metadata.papermill.status for c in cells] == ["failed", "pending"]

    def test_a_cell_that_may_fail_lets_the_next_ones_run_and_is_told_at_the_end(self, tmp_path):
        path = write_notebook(tmp_path, ["1 / 0", "kept = 2"], tags={1: "raises-exception"})
        for how in (KEPT, FRESH):
            with pytest.raises(papermill.PapermillExecutionError, match="division"):
                execute(path, {}, how)


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
        first = execute(write_notebook(tmp_path, [look]), {}, KEPT)
        execute(write_notebook(tmp_path, changes), {}, KEPT)
        second = execute(write_notebook(tmp_path, [look]), {}, KEPT)
        assert seen(first) == seen(second)
        assert str(Path.cwd()) in seen(first)[1][2][0]["data"]["text/plain"]

    def test_what_cells_showed_is_forgotten(self, tmp_path):
        look = "list(Out), [(n, globals().get(n)) for n in ('_', '__', '___', '_2', '_3')]"
        first = execute(write_notebook(tmp_path, [look]), {}, KEPT)
        execute(write_notebook(tmp_path, ["41", "43", "45"]), {}, KEPT)
        second = execute(write_notebook(tmp_path, [look]), {}, KEPT)
        assert seen(first) == seen(second)
        assert "[], [('_', '')" in seen(first)[1][2][0]["data"]["text/plain"]

    def test_a_notebook_runs_in_the_callers_folder_and_environment(self, tmp_path, monkeypatch):
        monkeypatch.setenv("SET_LATE", "x")
        monkeypatch.chdir(tmp_path)
        path = write_notebook(tmp_path, ["import os\nprint(os.getcwd(), os.environ['SET_LATE'])"])
        text = execute(path, {}, KEPT).cells[1].outputs[0]["text"]
        assert text == f"{tmp_path} x\n"

    def test_a_module_beside_the_caller_is_not_taken_for_the_kits(self, tmp_path, monkeypatch):
        (tmp_path / "json.py").write_text("raise RuntimeError('a stranger')\n")
        monkeypatch.chdir(tmp_path)
        stop_kernels()
        assert execute(write_notebook(tmp_path, ["1"]), {}, KEPT).cells[1].execution_count == 2

    def test_a_warning_said_once_per_place_is_said_to_every_notebook(self, tmp_path):
        cells = ["import warnings", "for _ in range(2): warnings.warn('beware', UserWarning)"]
        path = write_notebook(tmp_path, cells)
        first, second = (seen(execute(path, {}, KEPT)) for _ in range(2))
        assert first == second
        assert "beware" in str(first)

    def test_what_a_notebook_left_running_is_ended_before_the_next(self, tmp_path):
        cell = (
            "import subprocess, pathlib\np = subprocess.Popen(['sleep', '300'])\n"
            f"pathlib.Path({str(tmp_path / 'pid')!r}).write_text(str(p.pid))"
        )
        execute(write_notebook(tmp_path, [cell]), {}, KEPT)
        execute(write_notebook(tmp_path, ["1"]), {}, KEPT)
        assert ended(int((tmp_path / "pid").read_text()))


WHO = "import os\nprint(os.getpid())"


def who(folder, *before):
    """The process that runs a notebook."""
    path = write_notebook(folder, [*before, WHO])
    cells = execute(path, {}, KEPT).cells
    return int(next(c for c in cells if c.source == WHO).outputs[0]["text"])


class TestKept:
    def test_one_kernel_runs_notebook_after_notebook(self, tmp_path):
        assert who(tmp_path) == who(tmp_path)

    def test_a_notebook_that_failed_leaves_the_kernel_to_the_next(self, tmp_path):
        first = who(tmp_path)
        assert "ZeroDivisionError" in reason(tmp_path, ["1 / 0"])
        assert who(tmp_path) == first

    def test_a_kernel_that_cannot_be_put_back_is_replaced(self, tmp_path):
        stays = "import threading, time\nthreading.Thread(target=time.sleep, args=(9,)).start()"
        first = who(tmp_path, stays)
        assert who(tmp_path) != first

    def test_a_kernel_grown_too_large_is_replaced(self, tmp_path):
        keeps = (
            "import sys, numpy as np\nsys.modules['numpy'].left = np.ones(150_000_000)"  # 1.2 GB
        )
        first = who(tmp_path, keeps)
        assert who(tmp_path) != first

    def test_memory_that_nobody_can_reach_any_more_is_no_growth(self, tmp_path):
        ring = "import numpy as np\nring = [np.ones(150_000_000)]\nring.append(ring)\nNone"
        assert who(tmp_path, ring) == who(tmp_path)

    def test_the_memory_limit_of_one_notebook_is_not_the_next_ones(self, tmp_path):
        cell = "import numpy as np\nheld = [np.ones(50_000_000) for _ in range(2)]"
        path = write_notebook(tmp_path, [cell])
        assert "limit 0.5 GB" in reason(tmp_path, [cell], Limits(60, 0.5))
        assert execute(path, {}, KEPT).cells[1].execution_count == 2


class TestLogsReadOnce:
    """A kept kernel reads the logs once for all families; no notebook may notice."""

    LOOK = (
        "from repair_horizon.logs.workspace import read_once\nlogs = read_once(workspace)\n"
        "print(len(logs.tables['sales']), logs.folder, logs.tables['sales']['amount'].iloc[0])"
    )

    @pytest.fixture
    def workspace(self, tmp_path):
        return some_families(tmp_path / "w", ["grabvyx_console"])

    def told(self, folder, workspace, cell):
        path = write_notebook(folder, [cell])
        notebook = nbformat.read(str(path), 4)
        notebook.cells[0].source += "\nworkspace = ''"
        nbformat.write(notebook, str(path))
        return execute(path, {"workspace": str(workspace)}, KEPT).cells[2].outputs[0]["text"]

    def test_they_are_read_once_and_are_what_a_notebook_would_read(self, tmp_path, workspace):
        logs = read_logs(workspace)
        expected = (
            f"{len(logs.tables['sales'])} {workspace} {logs.tables['sales']['amount'].iloc[0]}"
        )
        assert self.told(tmp_path, workspace, self.LOOK).splitlines() == [expected]
        unread = "import repair_horizon.logs.workspace as once\nonce.read_logs = None\n"
        assert self.told(tmp_path, workspace, unread + self.LOOK).splitlines() == [expected]

    def test_a_file_changed_meanwhile_is_read_anew(self, tmp_path, workspace):
        before = int(self.told(tmp_path, workspace, self.LOOK).split()[0])
        lines = (workspace / "sales.csv").read_text(encoding="utf-8").splitlines(keepends=True)
        (workspace / "sales.csv").write_text("".join(lines[:-100]), encoding="utf-8")
        after = int(self.told(tmp_path, workspace, self.LOOK).split()[0])
        assert 0 < before - after <= 100
        # The same within one notebook, which must not see what stood there at its start.
        cut = f"open({str(workspace / 'sales.csv')!r}, 'w').writelines({lines[:-200]!r})\n"
        again = int(self.told(tmp_path, workspace, cut + self.LOOK).split()[0])
        assert 0 < after - again <= 100

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


class TestFaults:
    def test_a_notebook_that_hangs_is_stopped_with_what_it_started(self, tmp_path):
        """At its time limit, and not when it would have ended."""
        cell = (
            "import subprocess, pathlib, time\n"
            "p = subprocess.Popen(['sleep', '300'])\n"
            f"pathlib.Path({str(tmp_path / 'pid')!r}).write_text(str(p.pid))\n"
            "time.sleep(60)"
        )
        start = time.monotonic()
        said = reason(tmp_path, [cell], Limits(seconds=3))
        assert said == "it took longer than the time limit of 3 s and was stopped"
        assert time.monotonic() - start < 30
        assert ended(int((tmp_path / "pid").read_text()))

    def test_the_time_limit_holds_for_the_whole_notebook_in_a_kernel_too(self, tmp_path):
        cells = ["import time\ntime.sleep(2)"] * 12
        said = reason(tmp_path, cells, Limits(seconds=4, fresh_kernel=True))
        assert "time limit of 4 s" in said

    def test_a_process_that_dies_is_told_with_its_cell_and_the_next_runs(self, tmp_path):
        """By a signal of its own making; killed and left with status 0: ``test_month_faults``."""
        said = "its kernel was ended by signal 6 in cell 2"
        assert reason(tmp_path, ["import os\nos.abort()"]) == said
        assert execute(write_notebook(tmp_path, ["1"]), {}, KEPT).cells[1].execution_count == 2

    def test_a_kernel_that_dies_is_told(self, tmp_path):
        cell = "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"
        assert "kernel died" in reason(tmp_path, [cell], FRESH)

    @pytest.mark.parametrize("alone", [False, True], ids=["kept", "fresh"])
    def test_memory_beyond_the_limit_is_refused_by_the_system(self, tmp_path, alone):
        limits = Limits(60, 1.5, alone)
        cell = "import numpy as np\nheld = [np.empty(50_000_000) for _ in range(10)]"
        said = reason(tmp_path, [cell], limits)
        assert said.startswith("ran out of memory (limit 1.5 GB): Unable to allocate")
        path = write_notebook(tmp_path, [cell.replace("range(10)", "range(1)")])
        assert execute(path, {}, limits).cells[1].execution_count == 2

    def test_a_kernel_killed_between_two_notebooks_is_replaced(self, tmp_path):
        first = who(tmp_path)
        os.kill(first, signal.SIGKILL)
        assert who(tmp_path) != first

    def test_one_that_cannot_start_says_why(self, tmp_path, monkeypatch):
        stop_kernels()
        monkeypatch.setenv("JUPYTER_PATH", str(tmp_path))
        python = tmp_path / "python"
        python.write_text("#!/bin/sh\necho no such library >&2\nexit 1\n")
        python.chmod(0o755)
        place = tmp_path / "kernels" / "python3"
        place.mkdir(parents=True)
        spec = {"argv": [str(python), "{connection_file}"], "display_name": "no", "language": "no"}
        (place / "kernel.json").write_text(json.dumps(spec))
        with pytest.raises(RunEnded, match=r"did not start: .*died"):
            execute(write_notebook(tmp_path, ["1"]), {}, KEPT)

    def test_it_ends_with_the_process_that_started_it(self, tmp_path):
        """Ended by SIGKILL in mid-run, which leaves no time to tidy up."""
        cell = (
            "import os, pathlib, time\n"
            f"pathlib.Path({str(tmp_path / 'pids')!r}).write_text(str(os.getpid()))\n"
            "time.sleep(300)"
        )
        path = write_notebook(tmp_path, [cell])
        code = (
            "from pathlib import Path\n"
            "from light_kernel import light_kernels\n"
            "from repair_horizon.reports.notebooks import Limits, execute\n"
            f"with light_kernels():\n    execute(Path({str(path)!r}), {{}}, Limits())"
        )
        with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT / "tests") as caller:
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


@pytest.mark.parametrize("first", ["papermill", "repair_horizon.reports.notebooks"])
def test_papermill_finds_the_engine_whichever_of_the_two_is_imported_first(first):
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    place = declared["project"]["entry-points"]["papermill.engine"][ENGINE]
    # As an installed kit is found, whatever this environment's own metadata say.
    code = f"""
import sys
sys.modules["rfc3987_syntax"] = None  # slow, and what a stranger's papermill loads is not asked
import entrypoints
entry = entrypoints.EntryPoint.from_string({place!r}, {ENGINE!r})
entrypoints.get_group_all = lambda group, path=None: [entry] if group == "papermill.engine" else []
import {first}
from papermill.engines import papermill_engines
found = papermill_engines.get_engine({ENGINE!r}).execute_notebook
from repair_horizon.reports.notebooks import KeptKernelEngine
print(found == KeptKernelEngine.execute_notebook)
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert ran.stdout == "True\n", ran.stderr


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


def test_what_a_page_imports_of_the_kit_was_there_before_its_first_state_was_noted(
    tmp_path, monkeypatch
):
    """Imported later, what a notebook does to a module of the kit would stay there."""
    notebook = nbformat.read(str(template_notebook()), as_version=4)
    first = nbformat.v4.new_code_cell("import sys\nthere = set(sys.modules)")
    last = nbformat.v4.new_code_cell("print(*sorted(set(sys.modules) - there))")
    notebook.cells = [notebook.cells[0], first, *notebook.cells[1:], last]
    nbformat.write(notebook, str(tmp_path / "watched.ipynb"))
    shop = some_families(tmp_path / "shop", [SMALL], draws=60)
    given = {"workspace": str(shop), "family_id": SMALL, "out_folder": str(tmp_path / "out")}
    monkeypatch.setattr(notebooks, "_STATE", AS_USED)
    stop_kernels()
    executed = execute(tmp_path / "watched.ipynb", given, KEPT)
    stop_kernels()
    late = executed.cells[-1].outputs[0]["text"].split()
    assert [name for name in late if name.startswith("repair_horizon")] == []
