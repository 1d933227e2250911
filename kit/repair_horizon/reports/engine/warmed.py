"""The handle on this process's warmed process: started when first needed, shared by its pages."""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import repair_horizon
from repair_horizon.reports.engine.limits import Limits, RunEnded, out_of_time

_START_SECONDS = 180.0


def can_fork() -> bool:
    """Whether notebooks can run in forks here.

    Windows has none; on macOS the system's own libraries may not be used in a fork.
    """
    return hasattr(os, "fork") and sys.platform != "darwin"


class Warmed:
    """One warmed process and the pipe to it."""

    def __init__(self) -> None:
        root = str(Path(repair_horizon.__file__).resolve().parent.parent)
        path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
        self._said = tempfile.TemporaryFile()  # noqa: SIM115  closed with the process
        # Its own session: Ctrl-C reaches the command, which then ends this by closing its input.
        # -P: the folder a command is called in must not offer modules to import.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "repair_horizon.reports.engine.serving"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._said,
            env={**os.environ, "PYTHONPATH": path},
            start_new_session=True,
        )
        self._rest = b""
        self.language_info: dict[str, Any] = {}
        self.cpu_seconds = 0.0  # what its forks have used, for benchmarks

    def wait_until_ready(self) -> None:
        """Wait for its imports; raise ``RunEnded`` with its last words if it does not come up."""
        kind, content = self._message(time.monotonic() + _START_SECONDS)
        if kind != "ready":
            self._said.seek(0)
            words = self._said.read().decode("utf-8", "replace").strip().splitlines()
            why = f": {words[-1]}" if words else ""
            raise RunEnded(f"the process that pages are made in did not start{why}")
        self.language_info = content["language_info"]

    @property
    def alive(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def close(self) -> None:
        """End it, and what it runs."""
        for pipe in (self._process.stdin, self._process.stdout, self._said):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self._process.kill()
        self._process.wait()

    def run(
        self, cells: list[dict[str, Any]], limits: Limits, workspace: str = ""
    ) -> Iterator[tuple[str, Any]]:
        """Run cells in a fork.

        Parameters
        ----------
        cells
            See ``CellShell.run``.
        limits
            Its time and memory.
        workspace
            Folder whose logs all notebooks share, if there is one.

        Yields
        ------
        tuple
            Kind and content of each message; the last is ``ended`` with the fork's status.

        Raises
        ------
        RunEnded
            If time ran out; the fork is gone then.
        """
        request = {
            "cells": cells,
            "workspace": workspace and os.path.abspath(workspace),
            "folder": os.getcwd(),
            "environment": dict(os.environ),
            "memory_gb": limits.memory_gb,
        }
        pipe: Any = self._process.stdin
        pipe.write(json.dumps(request).encode("ascii") + b"\n")
        pipe.flush()
        until, fork, late = time.monotonic() + limits.seconds, 0, False
        while True:
            kind, content = self._message(until)
            if kind == "late" and not late and fork:
                late, until = True, time.monotonic() + 10
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(fork, signal.SIGKILL)
            elif kind in ("late", "gone"):
                self.close()
                raise out_of_time(limits) if kind == "late" else RunEnded("its process was lost")
            elif kind == "started":
                fork = content["pid"]
            elif kind == "ended":
                self.cpu_seconds += content["cpu"]
                if late:
                    raise out_of_time(limits)
                yield kind, content
                return
            else:
                yield kind, content

    def _message(self, until: float) -> tuple[str, Mapping[str, Any]]:
        """Return the next message, or 'late' at the given time, or 'gone' at the pipe's end."""
        pipe: Any = self._process.stdout
        while b"\n" not in self._rest:
            ready = select.select([pipe], [], [], max(0.0, until - time.monotonic()))[0]
            if not ready:
                return "late", {}
            more = os.read(pipe.fileno(), 1 << 20)
            if not more:
                return "gone", {}
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        message = json.loads(line.decode("utf-8", "replace"))
        return message["kind"], message["content"]


_lock = threading.Lock()
_kept: dict[int, Warmed] = {}


@contextlib.contextmanager
def warmed() -> Iterator[Warmed]:
    """Lend out this process's warmed process, to one notebook at a time.

    It is started by the first to ask, replaced if it died, and ends with this process. A
    notebook stopped in its midst (Ctrl-C) takes it along, so that nothing runs on unseen.
    """
    with _lock:
        # Keyed by process: a fork of this one must not write into its parent's pipe.
        process = _kept.get(os.getpid())
        if process is None or not process.alive:
            if process is not None:
                process.close()
            process = Warmed()
            try:
                process.wait_until_ready()
            except BaseException:
                process.close()
                raise
            _kept[os.getpid()] = process
        try:
            yield process
        except RunEnded:
            raise  # the fork is gone; the warmed process goes on, or is replaced when next needed
        except BaseException:
            process.close()
            raise


def stop_warmed() -> None:
    """End this process's warmed process, if there is one."""
    with _lock:
        process = _kept.pop(os.getpid(), None)
        if process is not None:
            process.close()


atexit.register(stop_warmed)
