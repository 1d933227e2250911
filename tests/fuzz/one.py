"""One target in a process of its own, which the fuzzer ends: ``__main__`` starts it."""

from __future__ import annotations

import argparse
from pathlib import Path

import atheris

# Nothing of the kit may be loaded before, or its branches would go unseen.
READS = ("logs", "imports", "asking", "commands")
with atheris.instrument_imports(include=[f"repair_horizon.{stage}" for stage in READS]):
    from .targets import TARGETS

_INPUT_SECONDS, _INPUT_BYTES, _MEGABYTES = 20, 6000, 3000


def main() -> None:
    """Fuzz until the time or the number of runs is over."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.one", description=__doc__)
    parser.add_argument("target")
    parser.add_argument("folder", type=Path, help="seeds, words, and what is found")
    parser.add_argument("place", type=Path, help="a folder to write files in")
    parser.add_argument("limit")
    parser.add_argument("seed", type=int)
    words = parser.parse_args()
    work, place = TARGETS[words.target], words.place
    options = [
        "tests.fuzz",
        str(words.folder / words.target),
        f"-dict={words.folder / 'words.txt'}",
        f"-artifact_prefix={words.folder}/{words.target}-",
        f"-timeout={_INPUT_SECONDS}",
        f"-rss_limit_mb={_MEGABYTES}",
        f"-max_len={_INPUT_BYTES}",
        f"-seed={words.seed}",
        f"-{words.limit}",
        "-print_final_stats=1",
    ]
    atheris.Setup(options, lambda data: work(data, place))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
