"""What a kernel that is kept between notebooks does about its own state: back to its first.

Runs inside the kernel, before each notebook. Put back are the notebook's variables and counters,
the folder and environment, search path, warnings (said once per place, so also what was said),
random numbers, pandas' options, plotly's defaults, the package's own module variables, and the
memory limit; what the last notebook left running is ended. What cannot be put back (threads left
behind, memory grown) makes the kernel spent: ``prepare`` then raises, and another is started.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import os
import pkgutil
import random
import sys
import threading
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_BYTES = 10**9
_GROWTH = 1.0  # GB beyond its first size that make a kernel spent

# What the family report's cells import, loaded before the memory limit is set and before the
# first state is noted.
_WARM = (
    "repair_horizon.reports.sections.back",
    "repair_horizon.reports.sections.bids",
    "repair_horizon.reports.sections.prices",
    "repair_horizon.reports.family",
    "repair_horizon.estimation.rival_prices",
    "repair_horizon.estimation.time_on_market",
    "plotly.graph_objects",
    "plotly.io",
    "scipy.stats",
    "statsmodels.base.covtype",
    "statsmodels.regression.linear_model",
    "statsmodels.robust.robust_linear_model",
    "statsmodels.stats.sandwich_covariance",
    "pyarrow.compute",
)


class KernelSpent(RuntimeError):
    """A kernel that cannot be put back to its first state."""


@dataclass(frozen=True, eq=False)
class FirstState:
    """The state of a kernel before its first notebook."""

    environment: dict[str, str]
    path: list[str]
    filters: list[Any]
    random: Any
    numpy: Any
    options: dict[str, Any]
    drawing: tuple[Any, Any]
    modules: dict[str, dict[str, Any]]
    threads: set[int]
    gigabytes: float


_first: FirstState | None = None


def prepare(folder: str, changed: Mapping[str, str | None], memory_gb: float | None = None) -> None:
    """Make this kernel as good as new, for a notebook run in a folder.

    Parameters
    ----------
    folder
        Where the notebook is run.
    changed
        Variables of the environment that differ from when the kernel was started; None is gone.
    memory_gb
        10^9 bytes the kernel may take, or None.

    Raises
    ------
    KernelSpent
        If it cannot be.
    """
    global _first
    if _first is None:
        rehearse()
        _first = _noted()
        gc.collect()
        gc.freeze()  # what stays is not looked through again after every notebook
    else:
        _restore(_first)
    os.environ.clear()
    os.environ.update(_first.environment)
    for name, value in changed.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value
    os.chdir(folder)
    limit_memory(memory_gb)


def rehearse() -> None:
    """Import what a family's page imports: every decision, and what is named."""
    import repair_horizon.decisions as decisions

    deciding = pkgutil.walk_packages(decisions.__path__, f"{decisions.__name__}.")
    for name in (*(m.name for m in deciding), *_WARM):
        importlib.import_module(name)


def limit_kernel(gigabytes: float) -> None:
    """Limit a fresh kernel's memory before its first cell: once what a report imports is there."""
    rehearse()
    limit_memory(gigabytes)


def limit_memory(gigabytes: float | None) -> None:
    """Let this process take at most about so many 10^9 bytes; more raises ``MemoryError``.

    The system limits what is reserved, of which allocators take much more than they use. So what
    is reserved and not used when this is called does not count (Linux), and it is best called
    when the imports are done. Systems without such limits are left as they are. None takes the
    limit off.
    """
    try:
        import resource
    except ImportError:
        return
    linux = sys.platform == "linux"
    kind = resource.RLIMIT_DATA if linux else resource.RLIMIT_AS
    hard = resource.getrlimit(kind)[1]
    most = hard
    if gigabytes is not None:
        most = int(gigabytes * _BYTES) + (_reserved() if linux else 0)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
    resource.setrlimit(kind, (most, hard))


def _reserved() -> int:
    """Bytes of data reserved and not in use, from Linux's own count of pages."""
    with open("/proc/self/statm", encoding="ascii") as file:
        pages = [int(n) for n in file.read().split()]
    return max(pages[5] - pages[1], 0) * os.sysconf("SC_PAGE_SIZE")


def _noted() -> FirstState:
    import numpy as np
    import pandas as pd
    import plotly.io as pio
    import psutil

    return FirstState(
        environment=dict(os.environ),
        path=list(sys.path),
        filters=list(warnings.filters),
        random=random.getstate(),
        numpy=np.random.get_state(),
        options=_options(pd.options),
        drawing=(pio.templates.default, pio.renderers.default),
        modules={name: dict(vars(m)) for name, m in _own_modules()},
        threads={t.ident for t in threading.enumerate() if t.ident is not None},
        gigabytes=psutil.Process().memory_info().rss / _BYTES,
    )


def _restore(first: FirstState) -> None:
    import numpy as np
    import pandas as pd
    import plotly.io as pio
    from IPython import get_ipython

    _end_children()
    shell = get_ipython()
    hook, cached = shell.displayhook, shell.displayhook.do_full_cache
    # What cells showed goes with the names; on its own it goes by a search of the whole memory.
    hook.do_full_cache = False
    shell.reset()
    hook.do_full_cache = cached
    hook._, hook.__, hook.___ = "", "", ""
    shell.user_ns.update(dict.fromkeys(("_", "__", "___"), ""))
    sys.path[:] = first.path
    random.setstate(first.random)
    np.random.set_state(first.numpy)
    for name, value in _options(pd.options).items():
        if value != first.options.get(name):
            pd.set_option(name, first.options[name])
    warnings.simplefilter("default")  # any change makes Python forget what was warned of before
    vars(warnings)["filters"][:] = first.filters
    if (pio.templates.default, pio.renderers.default) != first.drawing:
        pio.templates.default, pio.renderers.default = first.drawing
    for name, module in _own_modules():
        if name in first.modules:
            _put_back(vars(module), first.modules[name])
    _check_unspent(first)


def _put_back(now: dict[str, Any], then: dict[str, Any]) -> None:
    for name in [n for n in now if n not in then and n not in _caches(now)]:
        del now[name]
    now.update({n: v for n, v in then.items() if now.get(n) is not v})


def _caches(module: Mapping[str, Any]) -> set[str]:
    """Names of submodules, which imports put into their packages."""
    return {n for n, v in module.items() if sys.modules.get(f"{module['__name__']}.{n}") is v}


def _own_modules() -> list[tuple[str, Any]]:
    own = __name__.partition(".")[0]
    found = [(n, m) for n, m in sys.modules.items() if n.partition(".")[0] == own]
    return [(n, m) for n, m in found if m is not None and n != __name__]


def _options(section: Any, at: str = "") -> dict[str, Any]:
    """Return pandas' options by their whole names."""
    found: dict[str, Any] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # some are about to go and say so
        for name in dir(section):
            value = getattr(section, name)
            inside = isinstance(value, type(section))
            found |= _options(value, f"{at}{name}.") if inside else {at + name: value}
    return found


def _end_children() -> None:
    """End what the last notebook started and left running."""
    import psutil

    children = psutil.Process().children(recursive=True)
    for child in children:
        with contextlib.suppress(psutil.Error):
            child.kill()
    psutil.wait_procs(children, timeout=5)


def _check_unspent(first: FirstState) -> None:
    left = [t for t in threading.enumerate() if t.ident not in first.threads and not t.daemon]
    if left:
        raise KernelSpent(f"{len(left)} threads were left running")
    if _grown(first) > _GROWTH:
        gc.collect()  # much of it may be what nobody needs any more
    if (grown := _grown(first)) > _GROWTH:
        raise KernelSpent(f"its memory has grown by {grown:.1f} GB")


def _grown(first: FirstState) -> float:
    """10^9 bytes beyond this kernel's first size."""
    import psutil

    return float(psutil.Process().memory_info().rss / _BYTES - first.gigabytes)
