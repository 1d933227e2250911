"""The alarm of a market that broke: ``python -m tests.benchmark.market_breaks [--shops N]``.

Shops of the third world (four families, five models each, other laws than the kit's), 2 or 0.4
sales a model and month, under a market that all families share: none, or a path of the first
order with a standard deviation of 3, 4.5 or 6 % and a correlation of 0.9 between months. Printed
is how often a look at a shop without a break tells one, and how often a step of 20 or 10 % that
came some months ago is told with its month, give or take one. Last, what the alarm is worth:
error, loss and bands of levels after a crash and a currency's jump with and without it. Seeds
from 12,000 on were never used to choose anything.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.shop_knowledge import broken_market
from repair_horizon.logs import read_logs
from repair_horizon.tables.months import month_number

from .forecasts import FRESH, TUNING
from .rivals import Floats
from .third_world import CURVED, NOW, STEADY, Law, scored, write

MARKETS, PACES = (0.0, 0.03, 0.045, 0.06), (2.0, 0.4)
STEPS = ((-0.22, 6), (-0.22, 3), (-0.22, 1), (-0.105, 6), (-0.105, 3))


def wandering(seed: int, sd: float) -> Law:
    """A market by months from now, the same to whoever asks with the same seed."""
    rng, rho = np.random.default_rng([seed, 5]), 0.9
    path = [rng.normal(0, sd)]
    for shock in rng.normal(0, sd * np.sqrt(1 - rho**2), 80):
        path.append(rho * path[-1] + shock)
    return lambda ahead: np.array(path)[np.clip(np.floor(ahead).astype(int) + 60, 0, 80)]


def told(
    shop: dict[str, Law],
    seed: int,
    market: Law,
    pace: float,
    step: tuple[float, float] = (0.0, 0.0),
) -> MarketBreak | None:
    """The break told of one shop with a step so many months ago."""

    def moved(ahead: Floats) -> Floats:
        out: Floats = market(ahead) + step[0] * (ahead > -step[1])
        return out

    with tempfile.TemporaryDirectory() as name:
        write(Path(name), shop, "", seed, moved, pace)
        found = broken_market(read_logs(Path(name)))
    return found if isinstance(found, MarketBreak) else None


def looks(start: int, shops: int) -> Iterator[dict[str, object]]:
    """Every look: the market's width, sales, the step and whether it was told rightly."""
    now = int(month_number([NOW])[0])
    for seed in range(start, start + shops):
        for sd in MARKETS:
            for pace in PACES:
                about = {"market": sd, "pace": pace}
                for shop in (CURVED, STEADY):
                    alarm = told(shop, seed, wandering(seed, sd), pace)
                    yield {**about, "step": "none", "told": alarm is not None}
                for size, ago in STEPS:
                    found = told(CURVED, seed, wandering(seed, sd), pace, (size, ago))
                    right = found is not None and abs(found.month - (now - ago)) <= 1.5
                    right = right and found is not None and np.sign(found.size) == np.sign(size)
                    yield {
                        **about,
                        "step": f"{np.expm1(size):.0%}, {ago} months ago",
                        "told": right,
                    }


def worth(start: int, shops: int) -> pd.DataFrame:
    """Error, bands and loss of levels after a break, with the alarm and without."""
    out = []
    for alarm in (True, False):
        for disturbed in ("crash", "currency", ""):
            for seed in range(start, start + shops):
                for table in scored(CURVED, disturbed, seed, alarm=alarm):
                    out.append(table.assign(alarm=alarm, error=table["error"].abs()))
    by = pd.concat(out).groupby(["disturbed", "alarm"])[["error", "held", "loss"]]
    return by.mean()


def main() -> None:
    """Run, print and end."""
    asked = argparse.ArgumentParser(description="The alarm of a market that broke.")
    asked.add_argument("--tuning", action="store_true", help="take seeds meant for choosing")
    asked.add_argument("--shops", type=int, default=6)
    given = asked.parse_args()
    start = TUNING if given.tuning else FRESH
    table = pd.DataFrame(looks(start, given.shops))
    print(table.groupby(["step", "pace", "market"])["told"].mean().unstack().round(3).to_string())
    print(table.groupby("step")["told"].agg(["mean", "size"]).round(3).to_string())
    print(worth(start, given.shops).round(3).to_string())


if __name__ == "__main__":
    main()
