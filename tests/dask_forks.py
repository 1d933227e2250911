"""Dask's schedulers and workers for tests, each a process of its own forked from one.

That one has imported what each of them would import anew, which is most of what starting one
costs; it has not imported the kit, which every worker finds in a place of its own.
"""

import json
import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from subprocess import PIPE, Popen

LOADED = ("dask_scheduler", "dask_worker")


def serve() -> None:
    """Fork a process for each line asked for, and answer with its number."""
    import pandas  # noqa: F401

    commands = {name: import_module(f"distributed.cli.{name}").main for name in LOADED}
    signal.signal(signal.SIGCHLD, collected)
    for line in sys.stdin:
        command, words, folder, path = json.loads(line)
        number = os.fork()
        if number == 0:
            run_as(commands[command], words, Path(folder), path)
        print(number, flush=True)


def collected(*_: object) -> None:
    """Take note of those that ended, so that none of them stays in the table of processes."""
    with suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass


def run_as(
    command: Callable[[list[str]], object], words: list[str], folder: Path, path: list[str]
) -> None:
    """Be what was asked for, as if it had been started there with that path."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()  # so that a nanny can be ended with its worker
    os.chdir(folder)
    os.environ["PYTHONPATH"] = os.pathsep.join(path)
    sys.path[:0] = path
    log = os.open("log", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    for stream in (1, 2):
        os.dup2(log, stream)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    try:
        command(words)
    finally:
        os._exit(0)


class Fork:
    """A process forked, by its number, as a ``Popen`` is asked about."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def alive(self) -> bool:
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            return False
        return True

    def kill(self) -> None:
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)


class Forks:
    """The process that all are forked from."""

    def __init__(self, settings: dict[str, str]) -> None:
        line = [sys.executable, __file__]
        self.process = Popen(line, env=os.environ | settings, stdin=PIPE, stdout=PIPE, text=True)

    def start(self, command: str, words: list[str], folder: Path, path: list[str]) -> Fork:
        stdin, stdout = self.process.stdin, self.process.stdout
        assert stdin is not None
        assert stdout is not None
        print(json.dumps([command, words, str(folder), path]), file=stdin, flush=True)
        return Fork(int(stdout.readline()))

    def end(self) -> None:
        self.process.communicate()


if __name__ == "__main__":
    serve()
