"""One thread of linear algebra while the kit computes, whatever the caller's process is set to.

The problems are small: threads of the library only wait for each other (fits were more than ten
times slower with them), and reports run several processes anyway.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any


@contextmanager
def one_thread() -> Iterator[None]:
    """Limit linear algebra to one thread inside, and leave the process as it was found.

    Also a decorator: ``@one_thread()``. Contexts may stand inside each other.
    """
    # numpy and scipy each bring a library of their own, so what is loaded now decides.
    with _controller("scipy.linalg" in sys.modules).limit(limits=1, user_api="blas"):
        yield


@cache
def _controller(_: bool) -> Any:
    """Find the libraries loaded; it reads the process's map of memory, so once is enough."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()
