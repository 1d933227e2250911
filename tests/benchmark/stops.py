"""Months in which repair stops paying, against the truth: ``python -m tests.benchmark.stops``.

A unit is worth resale x (1 - fee) - part - fixed costs, paths drawn by the kit's own draws of
both curves. Fixed costs are 45 to 97 % of today's *forecast* margin, never of the true one, so
nothing of the truth leaks into the case. The stop is the first of two months running below zero
within 36 months.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from repair_horizon.decisions.month.stop_dates import first_of_two
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.design import Points, Priors
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.predict import draw, level_paths
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.tables.months import month_middle

from .forecasts import FRESH, TUNING
from .part_simulator import part_panel, part_truth
from .shop import Shop, shop_at, started
from .simulator import BIG, FIRST, SMALL, Family, Floats, panel_at, simulate

AHEAD, DRAWS, FEE = 36, 1000, 0.13
ORIGINS = (26, 36, 46)


@dataclass(frozen=True, eq=False)
class Case:
    """Margins before fixed costs: drawn (draws, months), the truth and the forecast (months,)."""

    drawn: Floats
    true: Floats
    forecast: Floats


def cases(family: Family, origin: int, shop: Shop, rng: np.random.Generator) -> Iterator[Case]:
    """One case per launched model with quotes, as things stood at one month end."""
    resale, parts = panel_at(family, origin), part_panel(family, origin)
    if not len(resale.y) or not len(parts.y):
        return
    started_so = started(resale, family.seed, shop)
    days = pd.DatetimeIndex([month_middle(FIRST + origin + h) for h in range(AHEAD)])
    price, part = _paths(*started_so, days, rng), _paths(parts, PART_PRIORS, days, rng)
    for m in np.flatnonzero(parts.sales_by_model > 0):
        at = np.full(AHEAD, m)
        true = np.exp(family.truth(at, days)) * (1 - FEE) - np.exp(part_truth(family, at, days))
        drawn = price[:, m] * (1 - FEE) - part[:, m]
        yield Case(drawn, true, np.median(drawn, axis=0))


def _paths(
    panel: Panel, priors: Priors, days: pd.DatetimeIndex, rng: np.random.Generator
) -> Floats:
    """Drawn levels over launch price, (draws, models, months), at the base traits."""
    fit = fit_joint(panel, priors)
    k = len(panel.models.ids)
    model = np.repeat(np.arange(k), len(days))
    when = pd.DatetimeIndex(np.tile(days.to_numpy(), k))
    blank = np.zeros((len(model), len(panel.traits.names)))
    paths = level_paths(fit, draw(fit, AHEAD, DRAWS, Antithetic(rng)), Points(model, when, blank))
    out: Floats = np.exp(paths).reshape(DRAWS, k, len(days))
    return out


def judged(case: Case, rng: np.random.Generator) -> dict[str, object] | None:
    """Interval, median and chance of the stop month, and what three faults would have said."""
    start = case.forecast[0]
    if start <= 0:
        return None
    fixed = start * rng.uniform(0.45, 0.97)
    below = case.drawn < fixed
    true = int(first_of_two(case.true[None] < fixed)[0])
    joint = first_of_two(below)
    apart = first_of_two(np.stack([rng.permutation(c) for c in below.T], axis=1))
    point = int(first_of_two(case.forecast[None] < fixed)[0])
    low, middle, high = np.quantile(joint, [0.1, 0.5, 0.9], method="inverted_cdf")
    ends = np.quantile(apart, [0.1, 0.5, 0.9], method="inverted_cdf")
    under, at = np.mean(joint < true), np.mean(joint == true)
    return {
        "true": true,
        "held": low <= true <= high,
        "width": high - low,
        "error": middle - true,
        "brier": (np.mean(joint <= 12) - (true <= 12)) ** 2,
        "apart held": ends[0] <= true <= ends[2],
        "apart error": ends[1] - true,
        "point held": point == true,
        "point brier": (float(point <= 12) - (true <= 12)) ** 2,
        "pit": under + at * rng.random(),
    }


def run(start: int, big: int, small: int) -> pd.DataFrame:
    """Every case of a number of families."""
    rng, out = np.random.default_rng(start), []
    families = [(simulate(start + i, BIG), True) for i in range(big)]
    families += [(simulate(start + 500 + i, SMALL), False) for i in range(small)]
    shops = {o: shop_at([f for f, _ in families], o) for o in ORIGINS}
    for family, large in families:
        for origin in ORIGINS:
            found = [judged(case, rng) for case in cases(family, origin, shops[origin], rng)]
            out += [{**f, "big": large} for f in found if f is not None]
    return pd.DataFrame(out)


def figures(table: pd.DataFrame) -> Iterator[tuple[str, float, str]]:
    """The figures to reach: name, value, target."""
    inside = table["pit"].between(0.1, 0.9)
    yield "cases", len(table), ""
    yield "true month in the 80 % interval", table["held"].mean(), "0.78-0.92"
    yield "randomised PIT in (.1, .9)", inside.mean(), "0.72-0.86"
    yield "bias, months", table["error"].mean(), "within 1.5"
    yield "median absolute error, months", table["error"].abs().median(), ""
    yield "median width of the interval, months", table["width"].median(), ""
    yield "Brier score of 'within 12 months'", table["brier"].mean(), "<= 0.14"
    came = table["true"] <= 12
    yield "Brier score of knowing only how often", came.mean() * (1 - came.mean()), ""
    yield "fault: months drawn independently, held", table["apart held"].mean(), "must be < 0.75"
    yield "fault: months drawn independently, bias", table["apart error"].mean(), "(too early)"
    yield "fault: point estimate, held", table["point held"].mean(), "must be < 0.35"
    yield "fault: point estimate, Brier", table["point brier"].mean(), "(worse)"


def main() -> None:
    """Run, print and end."""
    asked = argparse.ArgumentParser(description="Stop months against the true ones.")
    asked.add_argument("--tuning", action="store_true", help="take seeds meant for choosing")
    asked.add_argument("--big", type=int, default=10)
    asked.add_argument("--small", type=int, default=20)
    given = asked.parse_args()
    table = run(TUNING if given.tuning else FRESH, given.big, given.small)
    for name, value, target in figures(table):
        print(f"{name:48s} {value:8.3f}   {target}")


if __name__ == "__main__":
    main()
