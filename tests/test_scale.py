"""The one map over families: the same results by whomever, and no family lost with a worker."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from threading import Thread

import pandas as pd
import pytest
import scale_work
from dask_forks import Fork, Forks
from demo_copies import some_families
from repair_horizon import scale
from repair_horizon.backtest.forecasts import backtest_prices
from repair_horizon.backtest.money_replay import replay_bids
from repair_horizon.cli import main
from repair_horizon.logs import LogFault, read_logs, read_settings
from repair_horizon.scale import FamilyLost, Hands, each_family
from repair_horizon.scale import cluster as by_cluster
from repair_horizon.scale.cluster import differences, fingerprint, sees
from repair_horizon.shop import Shop

ROOT = Path(__file__).parent.parent
KIT = ROOT / "kit"
FAMILIES = ["a", "b", "c", "d", "e", "f"]
PATIENCE = 60.0


class Cluster:
    """A dask scheduler and workers as a partner would start them, each a process of its own."""

    def __init__(self, folder: Path, forks: Forks) -> None:
        self.folder, self.forks = folder, forks
        file = folder / "scheduler.json"
        words = ["--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file)]
        words += ["--idle-timeout", "240"]  # should nobody be left to end it
        self.scheduler = self._start("dask_scheduler", *words)
        self.workers: list[Fork] = []
        self._until(lambda: file.exists() and file.read_text().endswith("}"))
        self.address = str(json.loads(file.read_text())["address"])

    def _start(self, command: str, *words: str, source: Path = KIT) -> Fork:
        path = [str(source), str(ROOT / "tests")]
        return self.forks.start(command, [*words, "--no-dashboard"], self.folder, path)

    def add(self, n: int = 1, *words: str, threads: int = 1, source: Path = KIT) -> "Cluster":
        """Start workers and wait until they have registered."""
        before = self.registered()
        line = [self.address, "--nthreads", str(threads), *(words or ["--no-nanny"])]
        started = [self._start("dask_worker", *line, source=source) for _ in range(n)]
        self.workers += started
        self._until(lambda: self.registered() >= before + n)
        return self

    def registered(self) -> int:
        return (self.folder / "log").read_bytes().count(b"Register worker")

    def _until(self, there: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE
        while not there():
            assert time.monotonic() < end, (self.folder / "log").read_text()
            time.sleep(0.05)

    def end(self) -> None:
        for process in (*self.workers, self.scheduler):
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)


@pytest.fixture(scope="module")
def forks() -> Iterator[Forks]:
    started = Forks({"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "1", "PYTHONPATH": ""})
    yield started
    started.end()


@pytest.fixture
def cluster(tmp_path: Path, forks: Forks) -> Iterator[Cluster]:
    started = Cluster(tmp_path, forks)
    yield started
    started.end()


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory, forks: Forks) -> Iterator[Cluster]:
    started = Cluster(tmp_path_factory.mktemp("cluster"), forks).add(2)
    yield started
    started.end()


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three families of the demo with few models, as a workspace of their own."""
    folder = tmp_path_factory.mktemp("small")
    return some_families(folder, ["noctvarn_laptop", "grabvyx_console", "ulmvrist_watch"], 100)


@pytest.fixture
def nobody_here(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From the call on, whatever is not sent to the cluster fails."""

    def refuse(*_: object) -> None:
        raise AssertionError("done here, not by the cluster")

    def forbid() -> None:
        monkeypatch.setattr(scale, "_guarded", refuse)
        monkeypatch.setattr(scale, "in_processes", refuse)

    return forbid


def test_a_worker_killed_in_mid_run_loses_no_family(cluster: Cluster, tmp_path: Path) -> None:
    """SIGKILL hits a worker while it works; what it had is done again by the other."""
    notes = tmp_path / "notes"
    notes.mkdir()
    cluster.add(2)
    killer = Thread(target=kill_who_takes, args=(notes, "slow"))
    killer.start()
    families = ["a", "slow", *FAMILIES[1:]]
    work = partial(scale_work.stuck_once, str(notes))
    found = dict(each_family(work, families, cluster=cluster.address))
    killer.join()
    assert found == {f: f.upper() for f in families}
    assert set(scale_work.begun(notes, "slow")) == {w.pid for w in cluster.workers}
    assert sorted(w.alive() for w in cluster.workers) == [False, True]


def kill_who_takes(notes: Path, family: str) -> None:
    end = time.monotonic() + PATIENCE
    while not (taken := scale_work.begun(notes, family)):
        assert time.monotonic() < end
        time.sleep(0.02)
    os.kill(taken[0], signal.SIGKILL)


def test_a_family_that_kills_its_workers_is_given_up_alone(
    cluster: Cluster, tmp_path: Path
) -> None:
    """Nannies start the workers it killed again, and the others are finished by them."""
    notes = tmp_path / "notes"
    notes.mkdir()
    cluster.add(2, "--nanny")
    work = partial(scale_work.deadly, str(notes))
    found = dict(each_family(work, ["bad", *FAMILIES], cluster=cluster.address))
    lost = found.pop("bad")
    assert isinstance(lost, FamilyLost)
    assert str(lost) == "every worker it was given to died"
    assert len(scale_work.begun(notes, "bad")) == 2
    assert found == {f: f.upper() for f in FAMILIES}


def test_a_result_that_goes_with_its_worker_is_worked_out_anew(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both workers die holding a result nobody fetched yet; the one started after them does it."""
    cluster.add(2)
    found: dict[str, object] = {}
    done = by_cluster._done

    def both_done(client: object, futures: list[object]) -> set[object]:
        end = time.monotonic() + PATIENCE
        while not found and len(seen := done(client, futures)) < 2 and time.monotonic() < end:
            time.sleep(0.05)
        return done(client, futures) if found else seen

    monkeypatch.setattr(by_cluster, "_done", both_done)
    monkeypatch.setattr(by_cluster, "_GATHER_SECONDS", 1.0)
    work = partial(scale_work.slowly, str(tmp_path))
    for family, result in each_family(work, ["a", "b"], cluster=cluster.address):
        found[family] = result
        if len(found) == 1:
            for worker in cluster.workers:
                worker.kill()
            cluster.add(1)
    assert found == {"a": "A", "b": "B"}


def test_without_any_worker_left_the_run_ends(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is done is kept, and the rest is marked instead of waited for without end."""
    monkeypatch.setattr(by_cluster, "PATIENCE_SECONDS", 2.0)
    cluster.add(1)
    found = {}
    work = partial(scale_work.slowly, str(tmp_path))
    for family, result in each_family(work, FAMILIES, cluster=cluster.address):
        found[family] = result
        cluster.workers[0].kill()
    done = [f for f, r in found.items() if r == f.upper()]
    lost = [f for f, r in found.items() if isinstance(r, FamilyLost)]
    assert done
    assert sorted(done + lost) == FAMILIES
    assert "no worker any more" in str(found[lost[-1]])


def test_a_lost_scheduler_is_said_without_a_traceback(cluster: Cluster, tmp_path: Path) -> None:
    """Asked from a process of its own, whose whole error stream is read."""
    cluster.add(1)
    code = (
        "import os, signal, scale_work\n"
        "from functools import partial\n"
        "from repair_horizon.scale import each_family\n"
        f"work = partial(scale_work.slowly, {str(tmp_path)!r})\n"
        f"for family, result in each_family(work, {FAMILIES}, cluster={cluster.address!r}):\n"
        "    print(family, result)\n"
        f"    os.kill({cluster.scheduler.pid}, signal.SIGKILL) if family == 'a' else None\n"
    )
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join([str(KIT), str(ROOT / "tests")])}
    line = [sys.executable, "-c", code]
    done = subprocess.run(line, env=paths, capture_output=True, text=True, timeout=PATIENCE)
    said = done.stdout.splitlines()
    assert [s.split()[0] for s in said] == FAMILIES
    assert said[-1].endswith("the cluster had no scheduler or no worker any more")
    assert done.stderr == ""


def test_a_failure_on_a_worker_comes_back_as_itself(two_workers: Cluster) -> None:
    for how in ({"workers": 2}, {"cluster": two_workers.address}, {}):
        found = dict(each_family(scale_work.raising, ["a", "bad"], **how))
        assert found["a"] == "A"
        assert isinstance(found["bad"], ValueError)
        assert str(found["bad"]) == "no such price"


def test_a_local_process_killed_once_costs_nothing(tmp_path: Path) -> None:
    """The family is tried again in a fresh process, and the others never notice."""
    work = partial(scale_work.deadly_once, str(tmp_path))
    found = dict(each_family(work, ["bad", *FAMILIES[:3]], workers=2))
    assert found == {f: f.upper() for f in ["bad", *FAMILIES[:3]]}
    assert len(scale_work.begun(tmp_path, "bad")) == 2


def test_a_family_that_kills_local_processes_fails_alone(tmp_path: Path) -> None:
    work = partial(scale_work.deadly, str(tmp_path))
    found = dict(each_family(work, ["bad", *FAMILIES[:3]], workers=2))
    lost = found.pop("bad")
    assert isinstance(lost, FamilyLost)
    assert str(lost) == "its process died, 2 times in a row"
    assert found == {f: f.upper() for f in FAMILIES[:3]}


@pytest.mark.slow
def test_forecasts_are_equal_byte_for_byte_by_whomever(
    small: Path, two_workers: Cluster, tmp_path: Path, nobody_here: Callable[[], None]
) -> None:
    """One loop, two processes, two dask workers: the same files to the last byte."""
    ways = {"loop": [], "two": ["--workers", "2"], "dask": ["--cluster", two_workers.address]}
    for name, words in ways.items():
        if name == "dask":
            nobody_here()
        out = ["--months", "6", "--out", str(tmp_path / name)]
        assert main(["forecast", "--workspace", str(small), *out, *words]) == 0
        if name != "two":
            assert main(["stock", "--workspace", str(small), *words]) == 0
            (stock,) = (small / "out").rglob("stock.csv")
            stock.rename(tmp_path / f"{name}_stock")
    for name in ("two", "dask"):
        assert (tmp_path / name).read_bytes() == (tmp_path / "loop").read_bytes()
    stocks = [(tmp_path / f"{name}_stock").read_bytes() for name in ("loop", "dask")]
    assert stocks[0] == stocks[1]
    assert stocks[0].count(b"\n") > 3


@pytest.mark.slow
def test_back_tests_are_equal_by_whomever(small: Path, two_workers: Cluster) -> None:
    """Every forecast and every replayed lot, to the last bit."""
    logs, settings = read_logs(small), read_settings(small)
    steps: list[tuple[str, int, int]] = []
    hands = Hands(cluster=two_workers.address, progress=lambda *step: steps.append(step))
    alone, near, far = (
        backtest_prices(logs, ["2025-06-30"], (1, 6), hands=h).forecasts
        for h in (scale.ALONE, Hands(2), hands)
    )
    pd.testing.assert_frame_equal(alone, near, check_exact=True)
    pd.testing.assert_frame_equal(alone, far, check_exact=True)
    assert [s[1:] for s in steps] == [(1, 3), (2, 3), (3, 3)]
    lots = [replay_bids(Shop(logs, settings), 10**6, h).lots for h in (scale.ALONE, hands)]
    pd.testing.assert_frame_equal(*lots, check_exact=True)
    assert lots[0]["family_id"].nunique() > 1


@pytest.mark.slow
def test_a_report_by_a_cluster_is_the_report_of_the_loop(
    small: Path, two_workers: Cluster, tmp_path: Path, nobody_here: Callable[[], None]
) -> None:
    """Pages, tables and thresholds are the same bytes; workers write into the shared folder."""
    copies = [shutil.copytree(small, tmp_path / n / "shop") for n in ("loop", "dask")]
    report = ["report", "--month", "2026-11", "--family", "ulmvrist_watch"]
    far = ["--cluster", two_workers.address]
    assert main([*report, "--workspace", str(copies[0])]) == 0
    nobody_here()
    assert main([*report, "--workspace", str(copies[1]), *far]) == 0
    mine, theirs = (
        {p.relative_to(c): p.read_bytes() for p in (c / "out").rglob("*.csv")} for c in copies
    )
    assert mine == theirs
    pages = [(c / "out" / "2026-11" / "ulmvrist_watch.html").read_bytes() for c in copies]
    assert pages[0] == pages[1]
    assert not list(copies[1].glob(".cluster-*"))


def test_workers_of_another_version_are_named(
    cluster: Cluster, small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A checkout that differs by one line has the same version number and is found all the same."""
    other = tmp_path / "other"
    shutil.copytree(KIT / "repair_horizon", other / "repair_horizon")
    shutil.copytree(ROOT / "notebooks", other / "notebooks")
    with open(other / "repair_horizon" / "scale" / "cluster.py", "a") as file:
        file.write("# a later thought\n")
    cluster.add(1).add(1, source=other)
    out = ["--out", str(tmp_path / "f.csv"), "--cluster", cluster.address]
    assert main(["forecast", "--workspace", str(small), *out]) == 2
    said = capsys.readouterr().err
    assert said.count("worker tcp://") == 1
    assert "another version" in said
    assert "kit's own files" in said
    assert not (tmp_path / "f.csv").exists()


def another_kit(folder: Path, kit: str) -> Path:
    """A folder with a newer kit, an older one, or none under its name."""
    other = folder / kit / "repair_horizon"
    other.mkdir(parents=True)
    (other / "__init__.py").write_text("")
    if kit != "none":
        shutil.copytree(KIT / "repair_horizon", other, dirs_exist_ok=True)
        edited(other / "__init__.py", '__version__ = "', '__version__ = "9.')
    if kit == "older":  # it has never heard of what it is asked to do
        edited(other / "scale" / "cluster.py", "_in_one_thread", "_run_there")
    return other.parent


def test_dask_workers_of_another_version_joining_late_never_swallow_a_family(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is looked at before it is given any, and the worker that was there does them all."""
    others = [another_kit(tmp_path, kit) for kit in ("newer", "older", "none")]
    cluster.add(1)
    looked, same_kit = {}, by_cluster._same_kit

    def spied(client: object, workers: list[str]) -> set[str]:
        good = same_kit(client, workers)
        looked.update({worker: worker in good for worker in workers})
        return good

    monkeypatch.setattr(by_cluster, "_same_kit", spied)
    work = partial(scale_work.slowly, str(tmp_path))
    found = {}
    for family, result in each_family(work, FAMILIES, cluster=cluster.address):
        if others:
            cluster.add(1, source=others.pop())
        found[family] = result
    assert found == {f: f.upper() for f in FAMILIES}
    assert list(looked.values()) == [True, False, False, False]
    assert {n for f in FAMILIES for n in scale_work.begun(tmp_path, f)} == {cluster.workers[0].pid}


def edited(path: Path, before: str, after: str) -> None:
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after))


def test_a_family_that_fails_is_asked_for_once_where_all_run_this_kit(
    two_workers: Cluster, tmp_path: Path
) -> None:
    """Its own error comes back, and nobody works on it again."""
    work = partial(scale_work.failing, str(tmp_path))
    ((_, error),) = each_family(work, ["bad"], cluster=two_workers.address)
    assert isinstance(error, ValueError)
    assert len(scale_work.begun(tmp_path, "bad")) == 1


@pytest.mark.skipif(os.name == "nt", reason="no such signal there")
def test_a_killed_run_leaves_no_process_behind(tmp_path: Path) -> None:
    """Its workers end with it, whether they work or wait for work."""
    code = (
        "import scale_work\nfrom functools import partial\n"
        "from repair_horizon.scale import each_family\n"
        "if __name__ == '__main__':\n"
        f"    work = partial(scale_work.slowly, {str(tmp_path)!r}, seconds=120)\n"
        "    list(each_family(work, ['a', 'b'], workers=2))\n"
    )
    (tmp_path / "run.py").write_text(code)
    paths = {**os.environ, "PYTHONPATH": os.pathsep.join([str(KIT), str(ROOT / "tests")])}
    with subprocess.Popen([sys.executable, str(tmp_path / "run.py")], env=paths) as run:
        until = time.monotonic() + PATIENCE
        while (
            len(workers := [*scale_work.begun(tmp_path, "a"), *scale_work.begun(tmp_path, "b")]) < 2
        ):
            assert time.monotonic() < until
            time.sleep(0.1)
        run.kill()
    while any(alive(n) for n in workers):
        assert time.monotonic() < until
        time.sleep(0.1)


def alive(number: int) -> bool:
    """Whether a process runs: one that ended and whom nobody asked about does not."""
    try:
        return " Z " not in Path(f"/proc/{number}/stat").read_text()
    except OSError:
        return False


def test_a_worker_with_threads_or_without_the_kit_is_refused(
    cluster: Cluster, tmp_path: Path
) -> None:
    nothing = tmp_path / "nothing"
    (nothing / "repair_horizon").mkdir(parents=True)
    (nothing / "repair_horizon" / "__init__.py").write_text("")
    cluster.add(1, threads=2).add(1, source=nothing)
    with pytest.raises(LogFault) as error:
        list(each_family(scale_work.raising, ["a"], cluster=cluster.address))
    said = str(error.value)
    assert "2 threads" in said
    assert "one: start it with --nthreads 1" in said
    assert "ModuleNotFoundError" in said


def test_a_cluster_without_workers_or_without_answer_is_one_message(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(by_cluster, "_CONNECT_SECONDS", 1)
    with pytest.raises(LogFault, match="without workers"):
        list(each_family(scale_work.raising, ["a"], cluster=cluster.address))
    for address in ("tcp://127.0.0.1:9", "192.168.1.10:8786", "tcp://nowhere"):
        with pytest.raises(LogFault, match=f"--cluster: found '{address}', allowed: ") as error:
            list(each_family(scale_work.raising, ["a"], cluster=address))
        assert len(error.value.faults) == 1


def test_without_the_extra_the_message_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(LogFault, match=r'pip install "repair-horizon\[cluster\]"'):
        list(each_family(scale_work.raising, ["a"], cluster="tcp://127.0.0.1:8786"))


def test_the_core_never_loads_dask(small: Path) -> None:
    """Neither a loop nor local processes ask for it, and it need not be installed."""
    code = (
        "import sys; sys.modules['distributed'] = sys.modules['dask'] = None\n"
        "from repair_horizon.cli import main\n"
        f"sys.exit(main(['forecast', '--workspace', {str(small)!r}, '--months', '2',"
        f" '--out', {str(small / 'f.csv')!r}]))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_every_worker_must_see_the_workspace(
    two_workers: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A token file tells; it is gone afterwards, whatever the answer was."""
    scale.check_shared(two_workers.address, tmp_path)
    monkeypatch.setattr(by_cluster, "sees", scale_work.unseen)
    with pytest.raises(LogFault, match="the same folder under the same path") as error:
        scale.check_shared(two_workers.address, tmp_path)
    assert len(error.value.faults) == 2
    assert not list(tmp_path.iterdir())


def test_a_token_must_be_the_very_one(tmp_path: Path) -> None:
    """A folder of the same name on another machine is not the shared one."""
    (tmp_path / "token").write_text("mine")
    assert sees(str(tmp_path / "token"), "mine")
    assert not sees(str(tmp_path / "token"), "yours")
    assert not sees(str(tmp_path / "none"), "mine")


def test_versions_of_what_computes_must_be_equal() -> None:
    mine = fingerprint()
    assert differences(mine) == ""
    told = differences({**mine, "numpy": "1.0"})
    assert told == f"numpy 1.0 (here {mine['numpy']})"
    assert "pandas missing" in differences({k: v for k, v in mine.items() if k != "pandas"})


def test_workers_and_cluster_exclude_each_other(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["plan", "--workers", "2", "--cluster", "tcp://127.0.0.1:8786"])
    assert stopped.value.code == 2
    assert "not allowed with" in capsys.readouterr().err
