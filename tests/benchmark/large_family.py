"""A family of 1,000 models against one of 100: ``python -m tests.benchmark.large_family``.

Ten sales a model, no quotes (``scale_simulator``); printed are the processor seconds of whole
commands, nothing kept from before, and their ratio: of ten times the models at most five is
wanted. ``--report`` asks for the month's report too.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from .commands import CLI, run
from .scale_simulator import END, Extent, write_workspace

SIZES, MOST = (100, 100, 1000), 5.0  # the first compiles


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description="A family of 1,000 models against one of 100.")
    asked.add_argument("--report", action="store_true", help="the month's report too (minutes)")
    commands = [["forecast", "--out", "prices.csv"]]
    if asked.parse_args().report:
        commands.append(["report", "--month", str(END)[:7], "--time-limit", "3600"])
    with tempfile.TemporaryDirectory() as name:
        for words in commands:
            took = []
            for at, models in enumerate(SIZES):
                extent = Extent(rows=10 * models, families=1, models=models)
                folder = write_workspace(Path(name) / f"{words[0]}{at}", extent)
                took.append(run(["-c", CLI, *words], folder)[0])
            ratio = took[-1] / took[-2]
            met = "met" if ratio <= MOST else "NOT MET"
            print(f"{words[0]:10s} {took[-2]:7.1f} {took[-1]:7.1f} s   ratio {ratio:5.1f}  {met}")


if __name__ == "__main__":
    main()
