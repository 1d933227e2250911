"""Kernels for tests of kernels: prepared the kit's own way, with little imported ahead.

What a kernel imports before its first notebook makes a month quick and a single notebook dear;
tests of how kernels are kept, put back and ended need what their cells use and no more.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy  # noqa: F401
import pandas  # noqa: F401
import plotly.io  # noqa: F401
import pytest
import repair_horizon.logs  # noqa: F401
from repair_horizon.reports import kernel_state


def prepare(*given: object) -> None:
    kernel_state.rehearse = lambda: None
    kernel_state.prepare(*given)  # type: ignore[arg-type]


def limit_kernel(gigabytes: float) -> None:
    kernel_state.limit_memory(gigabytes)


@contextmanager
def light_kernels() -> Iterator[None]:
    """Let this process's kernels import this module, and what it does, in place of a page's."""
    from repair_horizon.reports import notebooks

    paths = (str(Path(__file__).parent), os.environ.get("PYTHONPATH", ""))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(filter(None, paths)))
        patch.setattr(notebooks, "_STATE", f"__import__({__name__!r})")
        notebooks.stop_kernels()
        yield
        notebooks.stop_kernels()
