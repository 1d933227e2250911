"""The warmed process: imports what pages need once, then forks for every notebook it is sent.

Started by ``warmed`` as a module of its own, which makes forking safe
even where the caller has threads. Requests come as lines of JSON on its input; messages leave
as lines of JSON on its output, written by the fork while it runs and by this process when the fork
ended.

No other thread of Python runs here; those of Arrow (its allocator's, one for reading files) are
idle when it forks, and Arrow sets them up anew in the fork.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import select
import signal
import sys
import time
from collections.abc import Mapping
from typing import Any

from jupyter_client.session import json_packer

from repair_horizon.reports.engine import holding
from repair_horizon.reports.engine.limits import limit_memory
from repair_horizon.reports.engine.rehearsing import rehearse
from repair_horizon.reports.engine.shell import CellShell

_LOOK_SECONDS = 0.01


def serve() -> None:
    """Answer requests until the input ends."""
    requests, out = _take_over()
    rehearse()
    shell = CellShell()
    gc.collect()
    gc.freeze()  # so that the forks' collector does not copy what they share
    _write(out, "ready", {"language_info": _language()})
    while line := requests.readline():
        request = json.loads(line)
        if request["workspace"]:
            holding.hold(request["workspace"])
        child = os.fork()
        if child == 0:
            _become(shell, request, out)
        status, cpu = _wait(child, requests)
        _write(out, "ended", {"status": status, "cpu": cpu})


def _take_over() -> tuple[Any, int]:
    """Move input and output out of the cells' reach."""
    requests, out = os.fdopen(os.dup(0), "rb"), os.dup(1)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(nothing)
    os.dup2(2, 1)
    return requests, out


def _language() -> Mapping[str, Any]:
    from ipykernel.ipkernel import IPythonKernel

    return dict(IPythonKernel.language_info)


def _become(shell: CellShell, request: Mapping[str, Any], out: int) -> None:
    """Run one notebook in the fork, and never return."""
    status = 1
    try:
        os.setpgid(0, 0)  # so that a kill reaches what the cells start, too
        _write(out, "started", {"pid": os.getpid()})
        with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as file:
            file.write("500")  # if the machine runs out of memory, this process goes first
        os.environ.clear()
        os.environ.update(request["environment"])
        os.chdir(request["folder"])
        if request["memory_gb"]:
            limit_memory(request["memory_gb"])
        shell.run(request["cells"], lambda kind, content: _write(out, kind, content))
        status = 0
    except BaseException as error:
        _write(out, "broke", {"reason": f"{type(error).__name__}: {error}"})
    finally:
        os._exit(status)


def _wait(child: int, requests: Any) -> tuple[int, float]:
    """Wait for a fork, its status and processor seconds; end it if whoever asked is gone."""
    while True:
        ended, status, used = os.wait4(child, os.WNOHANG)
        if ended:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(child, signal.SIGKILL)  # what its cells left running
            return os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime
        if select.select([requests], [], [], 0)[0]:
            # Nothing is sent while a notebook runs, so this is the end of the input.
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(child, signal.SIGKILL)
            sys.exit(0)
        time.sleep(_LOOK_SECONDS)


def _write(out: int, kind: str, content: Mapping[str, Any]) -> None:
    rest = memoryview(json_packer({"kind": kind, "content": content}) + b"\n")
    while rest:
        rest = rest[os.write(out, rest) :]


if __name__ == "__main__":
    serve()
