"""Print what every policy earns: ``python -m tests.benchmark.profit --scenario mature``."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator, Sequence

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pandas as pd

from .business import POLICIES, REFIT, Business
from .gap import gap
from .scenarios import CHOOSING, MEASURING, SCENARIOS, Scenario
from .scores import business_scores, laid_out, table
from .washout import washout

BUSINESSES = 12


def run(
    scenario: Scenario, seeds: Sequence[int], policies: Sequence[str], refit: int = REFIT
) -> Iterator[pd.DataFrame]:
    """Scores of one business after another."""
    for seed in seeds:
        yield business_scores(Business(scenario, seed, refit), policies)


def gaps(scenario: Scenario, seeds: Sequence[int], refit: int = REFIT) -> pd.DataFrame:
    """Mean share and standard error of break-even bids on estimates, some of them made true."""
    out = {}
    for who in ("kit", "shrinkage"):
        rows = []
        for seed in seeds:
            one = Business(scenario, seed, refit)
            rows.append(gap(one, one.kit_believed if who == "kit" else one.believed))
        table = pd.DataFrame(rows)
        out[who], out[f"{who} se"] = table.mean(), table.std(ddof=1) / len(table) ** 0.5
    return pd.DataFrame(out)


def wrong_classes(scenario: Scenario, seeds: Sequence[int], refit: int = REFIT) -> pd.DataFrame:
    """Mean cost of a class's figures being off by two fifths, by class and direction."""
    from tests.class_doubts import off_by

    rows = pd.concat([washout(scenario, seed, refit, off_by) for seed in seeds])
    by = rows.groupby(["device_class", "factor"])["cost"]
    return by.agg(mean="mean", se="sem", worst="max")


def main() -> None:
    """Read the command line, run, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmark.profit")
    parser.add_argument("--scenario", choices=[*SCENARIOS, "all"], default="mature")
    parser.add_argument("--businesses", type=int, default=BUSINESSES)
    parser.add_argument("--seeds", choices=["choosing", "measuring"], default="choosing")
    parser.add_argument("--policies", nargs="+", choices=POLICIES, default=list(POLICIES))
    parser.add_argument("--gap", action="store_true", help="what the gap is made of, no table")
    parser.add_argument("--washout", action="store_true", help="cost of wrong class knowledge")
    parser.add_argument("--refit", type=int, default=REFIT, help="months between fits")
    given = parser.parse_args()
    first = CHOOSING if given.seeds == "choosing" else MEASURING
    names = list(SCENARIOS) if given.scenario == "all" else [given.scenario]
    for name in names:
        seeds, start = range(first, first + given.businesses), time.process_time()
        if given.gap:
            print(f"\n{name}: break-even bids on estimates, {given.businesses} businesses")
            print(gaps(SCENARIOS[name], seeds, given.refit).round(3).to_string())
            continue
        if given.washout:
            print(f"\n{name}: profit that a class off by 1.4 either way costs (0.05 asked)")
            print(wrong_classes(SCENARIOS[name], seeds, given.refit).round(3).to_string())
            continue
        scores = pd.concat(run(SCENARIOS[name], seeds, given.policies, given.refit))
        took = (time.process_time() - start) / given.businesses
        print(
            f"\n{name}: {given.businesses} businesses, {given.seeds} seeds, {took:.1f} s CPU each"
        )
        print(laid_out(table(scores), SCENARIOS[name].target).to_string())


if __name__ == "__main__":
    main()
