"""Coverage-guided fuzzing of everything that reads: ``python -m tests.fuzz SECONDS [TARGET]``.

Each target runs in a process of its own, for its share of the time. Inputs that reached
something new are kept in ``--corpus`` (a passing folder if left out), an input that broke
something in ``TARGET-crash-*``, ``-timeout-*`` or ``-oom-*`` there. ``--runs`` stops after a
number of inputs instead, which with one seed is the same work every time. Exit status 1 if
anything broke.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from .seeds import write_seeds
from .targets import TARGETS

ROOT = Path(__file__).parent.parent.parent


def main() -> int:
    """Share the time out over the targets and print what each did."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("seconds", type=float, help="for all targets together")
    parser.add_argument("target", nargs="?", choices=list(TARGETS), help="only this one")
    parser.add_argument("--runs", type=int, help="inputs per target instead of time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--corpus", help="folder that keeps inputs between runs")
    words = parser.parse_args()
    chosen = [words.target] if words.target else list(TARGETS)
    limit = f"max_total_time={max(1, round(words.seconds / len(chosen)))}"
    if words.runs is not None:
        limit = f"runs={words.runs}"
    with tempfile.TemporaryDirectory(prefix="fuzz-") as passing:
        folder = Path(words.corpus or passing).resolve()
        write_seeds(folder)
        broken = [t for t in chosen if not run(t, folder, limit, words.seed)]
    print("broken: " + ", ".join(broken) if broken else "nothing broke")
    return 1 if broken else 0


def run(target: str, folder: Path, limit: str, seed: int) -> bool:
    """Fuzz one target; ``limit`` is libFuzzer's ``runs=N`` or ``max_total_time=S``."""
    # What a run writes belongs in memory where the system offers that: discs are slow. It is
    # removed from here, since the fuzzer ends its process without a word.
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=memory) as place:
        command = [sys.executable, "-m", "tests.fuzz.one", target, str(folder), place]
        command += [limit, str(seed)]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, errors="replace")
    told = [t for t in done.stderr.splitlines() if "number_of_executed_units" in t]
    count, clean = told[-1].split()[-1] if told else "no", done.returncode == 0
    print(f"{target}: {count} inputs, {'clean' if clean else 'BROKEN'}", flush=True)
    if not clean:
        print(done.stdout[-3000:], done.stderr[-1000:], sep="\n", flush=True)
    return clean


if __name__ == "__main__":
    sys.exit(main())
