"""A thousand families, a good part of them degenerate: ``python -m tests.benchmark.robustness``.

Every fit must come back with finite forecasts and positive variances; nothing may be raised.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.predict import draw, level_paths, predict
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.price_rows import anchored
from repair_horizon.tables.months import month_middle

from .forecasts import FRESH
from .simulator import BIG, FIRST, SMALL, panel_at, simulate

KINDS = (
    "as drawn", "one model", "one sale", "all in one month", "equal ages", "no launch prices",
    "huge outliers", "no sale", "two sales", "three sales", "one price", "none overdue",
)  # fmt: skip


def rows(panel: Panel, kept: np.ndarray) -> Panel:
    """Keep some rows."""
    traits = replace(panel.traits, values=panel.traits.values[kept])
    return replace(
        panel, y=panel.y[kept], model=panel.model[kept], day=panel.day[kept], traits=traits,
        key=panel.key[kept], amount=panel.amount[kept],
    )  # fmt: skip


def spoiled(panel: Panel, kind: str, rng: np.random.Generator) -> Panel:
    """Make a family degenerate in one way."""
    n = len(panel.y)
    few = {"one sale": 1, "no sale": 0, "two sales": 2, "three sales": 3}
    if kind in few:
        return rows(panel, rng.permutation(n)[: few[kind]])
    if kind == "one model":
        return rows(panel, np.flatnonzero(panel.model == panel.model[0])) if n else panel
    if kind == "all in one month":
        return rows(panel, np.flatnonzero(panel.month == panel.month.max())) if n else panel
    if kind == "equal ages":
        age = pd.Timedelta(days=400)
        return replace(panel, day=pd.DatetimeIndex(panel.models.launch[panel.model] + age))
    if kind == "huge outliers":
        bad = rng.random(n) < 0.2
        return replace(panel, y=panel.y + bad * rng.normal(0, 6, n))
    if kind == "one price":
        return replace(
            panel, y=np.full(n, -1.0), traits=replace(panel.traits, values=0 * panel.traits.values)
        )
    if kind == "no launch prices":
        return _unanchored(panel)
    return panel


def _unanchored(panel: Panel) -> Panel:
    models = replace(panel.models, price_known=np.zeros(len(panel.models.ids), dtype=bool))
    models = anchored(models, (panel.model, panel.day, panel.amount), PRICE_PRIORS)
    y = np.log(panel.amount / models.launch_price[panel.model])
    return replace(panel, models=models, y=y)


def sound(panel: Panel, origin: int) -> str:
    """Fit, forecast three years and draw; say what is wrong, or nothing."""
    fit = fit_joint(panel, PRICE_PRIORS)
    k = len(panel.models.ids)
    days = pd.DatetimeIndex([month_middle(FIRST + origin + h) for h in range(36)])
    blank = np.zeros((k * 36, len(panel.traits.names)))
    points = Points(
        np.repeat(np.arange(k), 36), pd.DatetimeIndex(np.tile(days.to_numpy(), k)), blank
    )
    band = predict(fit, points)
    rng = np.random.default_rng(origin)
    paths = level_paths(fit, draw(fit, 37, 20, Antithetic(rng)), points)
    if not (np.isfinite(band.median).all() and np.isfinite(paths).all()):
        return "not finite"
    return "" if (band.level_variance > 0).all() and fit.scales.noise > 0 else "no variance"


def failures(start: int, count: int) -> Iterator[tuple[int, str, str]]:
    """Seed, kind and fault of every family that failed."""
    for i in range(count):
        size, kind = (BIG, SMALL, SMALL)[i % 3], KINDS[i % len(KINDS)]
        origin = 18 + i % 40
        rng = np.random.default_rng([start, i])
        try:
            fault = sound(spoiled(panel_at(simulate(start + i, size), origin), kind, rng), origin)
        except Exception as error:
            fault = f"{type(error).__name__}: {error}"
        if fault:
            yield start + i, kind, fault


def main() -> None:
    """Run a thousand and say which failed."""
    found = list(failures(FRESH + 2000, 1000))
    for seed, kind, fault in found[:20]:
        print(seed, kind, fault)
    print(f"{len(found)} of 1000 families failed (target: 0)")


if __name__ == "__main__":
    main()
