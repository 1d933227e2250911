"""Runs cells in this process with the kernel's own shell; its messages go down a pipe.

The shell, display hook, publisher and tracebacks are ipykernel's, so what a cell shows is what it
would show in a kernel. Only the session differs: it writes each message as a line of JSON.
"""

from __future__ import annotations

import builtins
import io
import os
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from typing import Any, cast

from ipykernel.zmqshell import ZMQInteractiveShell
from IPython.core.error import StdinNotImplementedError
from jupyter_client.session import Session
from traitlets.config import Config

Send = Callable[[str, Mapping[str, Any]], None]


class PipeSession(Session):
    """A session whose messages are handed to ``deliver`` instead of a socket."""

    deliver: Send

    def send(self, stream: Any, msg_or_type: Any, content: Any = None, *_: Any, **__: Any) -> None:
        """Hand one message on: its type and content are all that reaches a notebook."""
        if isinstance(msg_or_type, dict):
            self.deliver(msg_or_type["header"]["msg_type"], msg_or_type["content"])
        else:
            self.deliver(msg_or_type, content or {})


class _Stream(io.TextIOBase):
    """An output stream that is sent when something is shown or the cell ends, as a kernel's is."""

    def __init__(self, name: str, deliver: Send, number: int) -> None:
        self._name, self._deliver, self._number = name, deliver, number
        self._parts: list[str] = []

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return "utf-8"

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._number

    def write(self, text: str) -> int:
        if not isinstance(text, str):
            raise TypeError(f"write() argument must be str, not {type(text).__name__}")
        self._parts.append(text)
        return len(text)

    def flush(self) -> None:
        text = "".join(self._parts)
        self._parts.clear()
        if text:
            self._deliver("stream", {"name": self._name, "text": text})


class CellShell:
    """The kernel's shell, made before the fork; ``run`` is called once, after it."""

    def __init__(self) -> None:
        quiet = Config()
        quiet.HistoryManager.enabled = False  # its thread would not survive the fork
        self.session = PipeSession(key=b"")
        self.shell = cast("Any", ZMQInteractiveShell.instance(config=quiet))
        self.shell.displayhook.session = self.session
        self.shell.display_pub.session = self.session
        self.shell.displayhook.pub_socket = self.shell.display_pub.pub_socket = None

    def run(self, cells: Sequence[Mapping[str, Any]], deliver: Send) -> None:
        """Run cells until one fails.

        Parameters
        ----------
        cells
            Each has ``source`` and whether it ``may_fail``.
        deliver
            Takes a message's type and content; ``cell_start`` and ``cell_end`` (execution_count,
            ok) frame each cell's own.
        """
        self.session.deliver = deliver
        sys.stdout, sys.stderr = _Stream("stdout", deliver, 1), _Stream("stderr", deliver, 2)
        stray = [_Stray(1, "stdout"), _Stray(2, "stderr")]
        builtins.input = _no_input
        for cell in cells:
            deliver("cell_start", {})
            done = self.shell.run_cell(cell["source"], store_history=True)
            sys.stdout.flush()
            sys.stderr.flush()
            for one in stray:
                one.hand_on(deliver)
            count = self.shell.execution_count - 1
            deliver("cell_end", {"execution_count": count, "ok": bool(done.success)})
            if not (done.success or cell["may_fail"]):
                return


class _Stray:
    """What is written past Python's streams (C libraries, child processes), kept in a file."""

    def __init__(self, number: int, name: str) -> None:
        self.name, self.read = name, 0
        self.file = tempfile.TemporaryFile()  # noqa: SIM115  open as long as the process lives
        os.dup2(self.file.fileno(), number)

    def hand_on(self, deliver: Send) -> None:
        size = os.fstat(self.file.fileno()).st_size
        if size > self.read:
            new = os.pread(self.file.fileno(), size - self.read, self.read)
            self.read = size
            deliver("stream", {"name": self.name, "text": new.decode("utf-8", "replace")})


def _no_input(prompt: object = "") -> str:
    raise StdinNotImplementedError("a report's notebook cannot ask for input")
