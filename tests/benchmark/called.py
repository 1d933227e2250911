"""A plugin of pytest: which functions of the package each test calls, and how long it takes.

    python -m pytest -p tests.benchmark.called FILES        # CALLED names the file written to

Only calls are traced, so a run takes about half as long again. What a file's fixtures call counts
for each of its tests; what an earlier test left in a cache is not seen by the later ones.
"""

from __future__ import annotations

import json
import os
import sys
from collections import defaultdict
from pathlib import Path

PACKAGE = f"{os.sep}repair_horizon{os.sep}"
_places: set[str] = set()
_called: dict[str, set[str]] = defaultdict(set)
_seconds: dict[str, float] = defaultdict(float)


def _seen(frame, event, arg):
    code = frame.f_code
    if PACKAGE in code.co_filename:
        _places.add(f"{code.co_filename.rpartition(PACKAGE)[2]}:{code.co_firstlineno}")


def pytest_collection_finish(session):
    """Begin once everything is imported."""
    sys.settrace(_seen)


def pytest_runtest_logreport(report):
    """Put down what a phase of a test called: a fixture's calls for its file, else the test's."""
    whose = report.nodeid if report.when == "call" else report.nodeid.partition("::")[0]
    _called[whose] |= _places
    _seconds[report.nodeid] += report.duration if report.when == "call" else 0.0
    _places.clear()


def pytest_sessionfinish(session, exitstatus):
    """Write it down: test, seconds, functions as file and line."""
    sys.settrace(None)
    told = {
        test: (seconds, sorted(_called[test] | _called[test.partition("::")[0]]))
        for test, seconds in _seconds.items()
    }
    Path(os.environ["CALLED"]).write_text(json.dumps(told), encoding="utf-8")
