"""Coverage-guided fuzzing of everything that reads: ``python -m tests.fuzz SECONDS [TARGET]``.

Each target runs in a process of its own, for its share of the time. Inputs that reached
something new are kept in ``--corpus`` (a passing folder if left out), an input that broke
something in ``TARGET-crash-*``, ``-timeout-*`` or ``-oom-*`` there. ``--runs TARGET=N ...`` stops
after a number of inputs instead, which with one seed is the same work every time. Exit status 1
if anything broke.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import atheris

# Nothing of the kit may be loaded before, or its branches would go unseen.
READS = ("logs", "imports", "asking", "commands")
with atheris.instrument_imports(include=[f"repair_horizon.{stage}" for stage in READS]):
    from .seeds import write_seeds
    from .targets import TARGETS

_INPUT_SECONDS, _INPUT_BYTES, _MEGABYTES = 20, 6000, 3000


def main() -> int:
    """Share the time out over the targets and print what each did."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("seconds", type=float, help="for all targets together")
    parser.add_argument("target", nargs="?", choices=list(TARGETS), help="only this one")
    parser.add_argument("--runs", nargs="+", help="TARGET=N: inputs instead of time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--corpus", help="folder that keeps inputs between runs")
    words = parser.parse_args()
    chosen = [words.target] if words.target else list(TARGETS)
    limits = dict.fromkeys(chosen, f"max_total_time={max(1, round(words.seconds / len(chosen)))}")
    if words.runs is not None:
        counts = dict(run.split("=") for run in words.runs)
        limits = {target: f"runs={n}" for target, n in counts.items()}
    with tempfile.TemporaryDirectory(prefix="fuzz-") as passing:
        folder = Path(words.corpus or passing).resolve()
        write_seeds(folder)
        broken = [t for t, limit in limits.items() if not run(t, folder, limit, words.seed)]
    print("broken: " + ", ".join(broken) if broken else "nothing broke")
    return 1 if broken else 0


def run(target: str, folder: Path, limit: str, seed: int) -> bool:
    """Fuzz one target in a fork; ``limit`` is libFuzzer's ``runs=N`` or ``max_total_time=S``."""
    # What a run writes belongs in memory where the system offers that: discs are slow. It is
    # removed from here, since the fuzzer ends its process without a word.
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="fuzz-", dir=memory) as place,
        tempfile.TemporaryFile() as told,
    ):
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            for stream in (1, 2):
                os.dup2(told.fileno(), stream)
            fuzz(target, folder, Path(place), [f"-{limit}", f"-seed={seed}"])
        clean = os.waitpid(child, 0)[1] == 0
        told.seek(0)
        text = told.read().decode(errors="replace")
    counts = [t for t in text.splitlines() if "number_of_executed_units" in t]
    count = counts[-1].split()[-1] if counts else "no"
    print(f"{target}: {count} inputs, {'clean' if clean else 'BROKEN'}", flush=True)
    if not clean:
        print(text[-4000:], flush=True)
    return clean


def fuzz(target: str, folder: Path, place: Path, limits: list[str]) -> None:
    """Fuzz until the time or the number of runs is over, and end the process."""
    options = [
        "tests.fuzz",
        str(folder / target),
        f"-dict={folder / 'words.txt'}",
        f"-artifact_prefix={folder}/{target}-",
        f"-timeout={_INPUT_SECONDS}",
        f"-rss_limit_mb={_MEGABYTES}",
        f"-max_len={_INPUT_BYTES}",
        *limits,
        "-print_final_stats=1",
    ]
    atheris.Setup(options, lambda data: TARGETS[target](data, place))
    atheris.Fuzz()


if __name__ == "__main__":
    sys.exit(main())
