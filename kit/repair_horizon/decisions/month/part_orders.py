"""The last order of every part of a family, from its jobs, its stop and its quotes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.month.last_time_buy import (
    PartTerms,
    drawn_needs,
    jobs_per_part,
    last_buy,
)
from repair_horizon.decisions.month.stop_dates import StopMonths, needed_until
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.months import month_start

Ints = npt.NDArray[np.int64]

COLUMNS = [
    "family_id",
    "model_id",
    "part_code",
    "quality_class",
    "jobs",
    "over_months",
    "stop_month",
    "order",
    "median_need",
    "lower_need",
    "upper_need",
    "newsvendor_order",
    "landed",
    "moq",
    "probability_all_used",
    "reason",
]


def part_orders(
    logs: Logs, economics: Economics, family_id: str, in_stock: dict[tuple[str, str], int]
) -> pd.DataFrame:
    """Advise the last order of every part of a family.

    Parameters
    ----------
    logs
        Repairs, fault states and part quotes.
    economics
        From ``unit_economics``, with the months to look ahead; needs beyond them are not counted.
    family_id
        The family.
    in_stock
        (model, part) to pieces on the shelf; none where not named.

    Returns
    -------
    DataFrame
        ``COLUMNS``, one row per model and part that a repair needs and that is quoted.
        ``stop_month`` is the median month from which no repair needs it, missing beyond the
        forecast.
    """
    until, worth, bench = _ahead(economics, family_id)
    jobs, over = jobs_per_part(logs, family_id)
    quotes = logs.family(family_id).tables["part_quotes"].sort_values("quote_date")
    rng = np.random.default_rng([economics.settings.seed, *family_id.encode(), 7])
    rows = []
    for key in sorted(until):
        found = _quoted(bench[key[0]], key[1])
        if found is None:
            continue
        quality, landed = found
        mine = quotes[(quotes["model_id"] == key[0]) & (quotes["part_code"] == key[1])]
        moq = mine.loc[mine["quality_class"] == quality, "moq"].dropna().tail(1)
        terms = PartTerms(
            landed,
            worth[key] + landed,
            landed * bench[key[0]].settings.repair.reuse_factor,
            int(moq.iloc[0]) if len(moq) else 1,
        )
        needs = drawn_needs((jobs.get(key, 0), over), until[key], rng)
        got = last_buy(needs, in_stock.get(key, 0), terms)
        stop = StopMonths(until[key], economics.outlook.months).quantile(0.5)
        start = economics.outlook.first_month
        rows.append(
            (
                family_id,
                *key,
                quality,
                jobs.get(key, 0),
                over,
                pd.NaT if stop is None else month_start(start + stop),
                got.order,
                got.median,
                got.lower,
                got.upper,
                got.best,
                landed,
                terms.moq,
                got.probability_all_used,
                got.reason,
            )
        )
    return pd.DataFrame(rows, columns=COLUMNS)


def _ahead(
    economics: Economics, family_id: str
) -> tuple[dict[tuple[str, str], Ints], dict[tuple[str, str], float], dict[str, Bench]]:
    """Months until each part's last repair stops, repair's best lead now, each model's bench."""
    until: dict[tuple[str, str], Ints] = {}
    worth: dict[tuple[str, str], float] = {}
    benches: dict[str, Bench] = {}
    for unit in economics.units(family_id):
        if not isinstance(unit, UnitEconomics):
            continue
        for key, months in needed_until(unit).items():
            until[key] = np.maximum(until.get(key, months), months)
        for state in unit.states:
            if state.repair is None:
                continue
            lead = float((state.repair.value - state.best_alternative())[:, 0].mean())
            for code in state.codes:
                key = (unit.model_id, code)
                worth[key] = max(worth.get(key, 0.0), lead)
        bench = bench_of(economics, family_id, unit.model_id)
        if not isinstance(bench, CannotSay):
            benches[unit.model_id] = bench
    return until, worth, benches


def _quoted(bench: Bench, code: str) -> tuple[str, float] | None:
    """Quality the repairs plan with, and its landed price now."""
    path = bench.part(code)
    if path is None:
        return None
    quality = next(k[2] for k, p in bench.outlook.parts.items() if p is path)
    return quality, float(path.price[:, 0].mean() + path.shipping)
