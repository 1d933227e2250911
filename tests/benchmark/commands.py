"""What every command costs: ``python -m tests.benchmark.commands [COMMAND ...] [--rounds N]``.

Each command runs on a copy of the demo as a process of its own, and in turn with it
``python -c "import pandas, statsmodels.api"``, which is the unit: figures are medians of ratios of
processor time (user and system, its children's included), so that the machine and what else it
does drop out. Cold is without what the shop keeps on disk (``out/.kept``), warm is with it and
nothing changed since; ``+1`` is with it and one more open listing written down, as on any day. The
peak memory is the command's own process's, cold and warm. Every module is compiled beforehand, the
kit's as well as the imports', as an installed wheel's are.
"""

from __future__ import annotations

import argparse
import csv
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import NamedTuple

DEMO = Path(__file__).parent.parent.parent / "data" / "demo"
IMPORTS = "import pandas, statsmodels.api"
CLI = "import sys; from repair_horizon.cli import main; sys.exit(main())"
MONTH = "2026-11"
ASKED = ("--model", "vellfold_2", "--fault", "inner display dead", "--asking", "90")


class Command(NamedTuple):
    """A command's words, and the most it should cost."""

    words: tuple[str, ...]
    most: float | None = None
    most_mb: float | None = None


COMMANDS = {
    "check": Command(("check",), 1.0),
    "explain": Command(("explain", "columns", "sales")),
    "ask": Command(("ask", *ASKED), 1.0),
    "bids": Command(("bids",), 1.5),
    "stock": Command(("stock",), 1.5),
    "plan": Command(("plan",), 2.5, 350.0),
    "forecast": Command(("forecast", "--out", "out/prices.csv")),
    "report": Command(("report", "--month", MONTH, "--again")),
    "report, 2 workers": Command(("report", "--month", MONTH, "--again", "--workers", "2")),
    "share": Command(("share", "--month", MONTH), 4.0),
    "backtest": Command(("backtest",)),
}


def run(words: list[str], folder: Path) -> tuple[float, float]:
    """Processor seconds and peak megabytes of ``python WORDS``, its children's seconds included."""
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    env["PYTHONPYCACHEPREFIX"] = str(folder.parent / "compiled")
    quiet = subprocess.DEVNULL
    made = subprocess.Popen([sys.executable, *words], cwd=folder, env=env, stdout=quiet)
    _, status, used = os.wait4(made.pid, 0)
    made.returncode = os.waitstatus_to_exitcode(status)
    if made.returncode:
        raise SystemExit(f"{' '.join(words)} failed")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def one_more_listing(path: Path, at: int) -> None:
    """Write the newest open listing down once more, under a name of its own."""
    with path.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    rows.append({**next(r for r in reversed(rows) if not r["result"]), "listing_id": f"more-{at}"})
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def measured(name: str, folder: Path, rounds: int) -> str:
    """Run one command cold, warm and after one more listing, the imports between."""
    ratios: dict[str, list[float]] = {"cold": [], "warm": [], "+1": []}
    most_mb = 0.0
    run(["-c", CLI, *COMMANDS[name].words], folder)  # compiles
    for at in range(rounds):
        unit, _ = run(["-c", IMPORTS], folder)
        shutil.rmtree(folder / "out" / ".kept", ignore_errors=True)
        for state, found in ratios.items():
            if state == "+1":
                one_more_listing(folder / "listings.csv", at)
            took, mb = run(["-c", CLI, *COMMANDS[name].words], folder)
            found.append(took / unit)
            most_mb = max(mb, most_mb)
    shutil.copy(DEMO / "listings.csv", folder / "listings.csv")
    told = {state: median(found) for state, found in ratios.items()}
    most = COMMANDS[name].most
    target = "" if most is None else f"{most:.1f} {'met' if told['warm'] <= most else 'NOT MET'}"
    if (limit := COMMANDS[name].most_mb) is not None:
        target += f"; {limit:.0f} MB {'met' if most_mb <= limit else 'NOT MET'}"
    return (
        f"{name:<18}{told['cold']:6.2f}{told['warm']:6.2f}{told['+1']:6.2f}{most_mb:7.0f}  {target}"
    )


def main() -> None:
    """Measure the commands named, or all."""
    says = argparse.ArgumentParser(description=__doc__)
    says.add_argument("commands", nargs="*", choices=[*COMMANDS, []], metavar="COMMAND")
    says.add_argument("--rounds", type=int, default=3)
    given = says.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "business"
        shutil.copytree(DEMO, folder)
        run(["-c", IMPORTS], folder)  # compiles
        (folder / "out").mkdir()  # nothing is kept where there is no folder for results
        if not given.commands or "share" in given.commands:
            run(["-c", CLI, *COMMANDS["report"].words], folder)
        print(f"in units of {IMPORTS!r}, processor time, medians of {given.rounds}")
        print(f"{'command':<18}{'cold':>6}{'warm':>6}{'+1':>6}{'MB':>7}  at most, warm")
        for name in given.commands or COMMANDS:
            print(measured(name, folder, given.rounds), flush=True)


if __name__ == "__main__":
    main()
