"""Bench jobs of the demo business, and how they ended.

Which repaired unit each own sale sold, so that repairs and sales can be joined by unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.demo.catalogue import END, FAMILIES, Family
from repair_horizon.demo.fault_tree import LISTED, state_of
from repair_horizon.demo.truth import Truth, age_months

_JOBS = {
    "pellvarn_phone": 235, "tarnquo_phone": 160, "vellfold": 95, "slaetrik_tablet": 95,
    "sproltane_tablet": 35, "noctvarn_laptop": 75, "grabvyx_console": 75, "ulmvrist_watch": 10,
}  # fmt: skip
_FIRST_JOB, _FADE = "2023-01-09", 22.0
_REWORK_SHARE, _SKIPPED_BOARDS, _OPEN_DAYS = 0.07, 0.15, 21
# First readings on the meter (V, A) by what is wrong; common practice, to be learnt from.
_READINGS = {
    "board": (5.0, 0.02), "battery_worn": (5.0, 0.09), "charge_port": (5.0, 0.0),
    "display_dead": (9.0, 1.5), "inner_display_dead": (9.0, 1.6), "locked": (9.0, 1.7),
}  # fmt: skip
_GRADES, _GRADE_SHARES = ("A", "B", "C", "D"), (0.28, 0.46, 0.21, 0.05)


@dataclass(frozen=True)
class Job:
    """One bench job before its outcome: unit, model, day opened, listed fault and state found."""

    family: Family
    model_id: str
    opened: pd.Timestamp
    fault: str
    state: str


def draw_repairs(seed: int, truth: Truth) -> pd.DataFrame:
    """Draw repairs.csv as text, in the order of opening; the newest jobs are still open."""
    rng = np.random.default_rng([seed, 6])
    jobs = sorted((_job(rng, f, truth) for f in FAMILIES for _ in range(_JOBS[f.family_id])),
                  key=lambda job: job.opened)  # fmt: skip
    rows = [job_row(rng, job, truth) for job in jobs]
    table = pd.DataFrame(rows)
    table.insert(0, "job_id", [f"J{i:04d}" for i in range(1, len(rows) + 1)])
    table.insert(1, "unit_id", [f"U{i:04d}" for i in range(1001, 1001 + len(rows))])
    return table


def _job(rng: np.random.Generator, family: Family, truth: Truth) -> Job:
    days = pd.date_range(_FIRST_JOB, END, freq="D")
    while True:
        day = days[int(rng.integers(0, len(days)))]
        ages = {m.model_id: age_months(m.model_id, day) for m in family.models}
        wanted = [m for m, age in ages.items() if 2.0 < age < 46.0]
        if wanted:
            break
    model_id = newer_first(rng, {m: ages[m] for m in wanted})
    faults = LISTED[family.device_class]
    fault = weighted(rng, list(faults), [3.0, *[1.0] * (len(faults) - 1)])
    shares = truth.state_shares[family.family_id, fault]
    return Job(family, model_id, day, fault, weighted(rng, list(shares), list(shares.values())))


def newer_first(rng: np.random.Generator, ages: Mapping[str, float]) -> str:
    """Pick a model by its age in months: few broken units of old models are offered."""
    return weighted(rng, list(ages), [float(np.exp(-age / _FADE)) for age in ages.values()])


def weighted(rng: np.random.Generator, names: Sequence[str], weights: Sequence[float]) -> str:
    """Pick one of some names by weight."""
    p = np.asarray(weights, dtype=float)
    return str(names[int(rng.choice(len(names), p=p / p.sum()))])


def job_row(rng: np.random.Generator, job: Job, truth: Truth) -> dict[str, str]:
    """Draw how a job ended, as a row of repairs.csv without its identifiers."""
    outcome = _outcome(rng, job, truth)
    fixed = outcome.startswith("fixed")
    hours = state_of(job.family, job.state).hours * float(np.exp(0.22 * rng.normal()))
    hours *= {"fixed_after_rework": 1.6, "not_attempted": 0.0}.get(outcome, 1.0)
    parts = 0.0 if outcome in ("", "not_attempted") else _parts_cost(rng, job, truth)
    erased = job.opened + pd.Timedelta(days=int(rng.integers(1, 9)))
    record = fixed and rng.random() < 0.92 and erased <= pd.Timestamp(END)
    volts, amps = _reading(rng, job)
    method = (
        "overwritten, checked on screen"
        if job.family.device_class == "laptop"
        else ("factory reset, checked on screen")
    )
    return {
        "model_id": job.model_id,
        "opened": f"{job.opened:%Y-%m-%d}",
        "listed_fault": job.fault,
        "state_found": job.state if outcome else "",
        "outcome": outcome,
        "bench_hours": f"{hours:.2f}" if outcome else "",
        "parts_cost": f"{parts:.2f}" if outcome else "",
        "grade_out": weighted(rng, _GRADES, _GRADE_SHARES) if fixed else "",
        "test_volts": volts,
        "test_amps": amps,
        "erase_method": method if record else "",
        "erase_date": f"{erased:%Y-%m-%d}" if record else "",
    }


def _outcome(rng: np.random.Generator, job: Job, truth: Truth) -> str:
    chance, rework = rng.random(), rng.random()
    if (pd.Timestamp(END) - job.opened).days < _OPEN_DAYS:
        return ""
    if job.state == "locked" or (job.state == "board" and rework < _SKIPPED_BOARDS):
        return "not_attempted"
    if chance >= truth.success[job.family.family_id, job.state]:
        return "not_fixed"
    again = job.state != "no_fault_found" and rework > 1.0 - _REWORK_SHARE
    return "fixed_after_rework" if again else "fixed_first_pass"


def _parts_cost(rng: np.random.Generator, job: Job, truth: Truth) -> float:
    """Parts at the level of the day plus shipping; the refurbished display where there is one."""
    cost = 0.0
    for part in filter(None, state_of(job.family, job.state).parts.split(";")):
        quality = "original_refurbished" if part == "DA" else "aftermarket"
        level = truth.part_level(job.model_id, part, quality, job.opened)
        cost += level * float(np.exp(0.05 * rng.normal())) + 5.5
    return cost


def _reading(rng: np.random.Generator, job: Job) -> tuple[str, str]:
    """Give the meter's first reading, noted for units that show no life."""
    if job.fault not in ("no_power", "board") or rng.random() < 0.15:
        return "", ""
    volts, amps = _READINGS.get(job.state, (5.0, 0.4))
    if job.state == "board" and rng.random() < 0.4:
        amps = 0.35
    amps = max(amps * float(np.exp(0.25 * rng.normal())) + 0.01 * float(rng.normal()), 0.0)
    return f"{volts + 0.06 * float(rng.normal()):.2f}", f"{amps:.2f}"


_SOONEST, _LATEST, _FIRST_SPARE = 4, 90, 5001


def link_units(sales: pd.DataFrame, repairs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give own working sales the unit repaired last before them, and the job the grade sold.

    Sales no job explains get a unit of their own (bought working, or before the job log began).

    Parameters
    ----------
    sales, repairs
        Text tables in order of their days.

    Returns
    -------
    tuple
        Both tables with ``unit_id`` and ``grade_out`` in agreement.
    """
    ready: dict[str, list[tuple[pd.Timestamp, int]]] = {}
    opened = pd.to_datetime(repairs["opened"]).to_list()
    for at in np.flatnonzero(repairs["outcome"].str.startswith("fixed")):
        ready.setdefault(repairs["model_id"].iloc[at], []).append((opened[at], int(at)))
    days = pd.to_datetime(sales["sale_date"]).to_list()
    models, sold_as = sales["model_id"].to_list(), sales["grade"].to_list()
    own = (sales["own_sale"] == "yes") & (sales["condition"] == "working")
    units, grades = sales["unit_id"].to_list(), repairs["grade_out"].to_list()
    jobs, spare = repairs["unit_id"].to_list(), _FIRST_SPARE
    for i in np.flatnonzero(own):
        job = _take(ready.get(models[i], []), days[i])
        if job is None:
            units[i], spare = f"U{spare}", spare + 1
        else:
            units[i], grades[job] = jobs[job], sold_as[i]
    return sales.assign(unit_id=units), repairs.assign(grade_out=grades)


def _take(ready: list[tuple[pd.Timestamp, int]], day: pd.Timestamp) -> int | None:
    """Take the newest job opened 4 to 90 days before a sale out of those ready."""
    for at in range(len(ready) - 1, -1, -1):
        if _SOONEST <= (day - ready[at][0]).days <= _LATEST:
            return ready.pop(at)[1]
    return None
