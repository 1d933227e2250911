"""Repairs and stock of the demo business."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.logs.demo.families import END, FAMILIES, Family
from kit.logs.demo.fault_tree import LISTED, state_of
from kit.logs.demo.truth import Truth, age_months

_JOBS = {
    "pell_phone": 235, "tarn_phone": 160, "vellfold": 95, "slaet_tablet": 95,
    "brada_tablet": 35, "noctaro_laptop": 75, "grabbix_console": 75, "wrisk_watch": 10,
}  # fmt: skip
_FIRST_JOB = "2023-01-09"
_REWORK_SHARE, _SKIPPED_BOARDS, _OPEN_DAYS = 0.07, 0.15, 12
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
    rows = [_row(rng, job, truth) for job in jobs]
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
    model_id = str(rng.choice(wanted))
    faults = LISTED[family.device_class]
    fault = _weighted(rng, list(faults), [3.0, *[1.0] * (len(faults) - 1)])
    shares = truth.state_shares[family.family_id, fault]
    return Job(family, model_id, day, fault, _weighted(rng, list(shares), list(shares.values())))


def _weighted(rng: np.random.Generator, names: Sequence[str], weights: Sequence[float]) -> str:
    p = np.asarray(weights, dtype=float)
    return str(names[int(rng.choice(len(names), p=p / p.sum()))])


def _row(rng: np.random.Generator, job: Job, truth: Truth) -> dict[str, str]:
    outcome = _outcome(rng, job, truth)
    fixed = outcome.startswith("fixed")
    hours = state_of(job.family, job.state).hours * float(np.exp(0.22 * rng.normal()))
    hours *= {"fixed_after_rework": 1.6, "not_attempted": 0.0}.get(outcome, 1.0)
    parts = 0.0 if outcome in ("", "not_attempted") else _parts_cost(rng, job, truth)
    erased = job.opened + pd.Timedelta(days=int(rng.integers(1, 9)))
    record = fixed and rng.random() < 0.92 and erased <= pd.Timestamp(END)
    volts, amps = _reading(rng, job)
    method = "overwritten, checked on screen" if job.family.device_class == "laptop" else (
        "factory reset, checked on screen"
    )
    return {
        "model_id": job.model_id,
        "opened": f"{job.opened:%Y-%m-%d}",
        "listed_fault": job.fault,
        "state_found": job.state if outcome else "",
        "outcome": outcome,
        "bench_hours": f"{hours:.2f}" if outcome else "",
        "parts_cost": f"{parts:.2f}" if outcome else "",
        "grade_out": _weighted(rng, _GRADES, _GRADE_SHARES) if fixed else "",
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


# status, state asked for by class, flag, ownership, erased
_SHELF = (
    ("in_transit", "display", "", "open", False), ("in_transit", "battery", "", "clear", False),
    ("quarantine", "battery", "swollen", "clear", False),
    ("quarantine", "board", "wet", "clear", False),
    ("quarantine", "locked", "blocked", "blocked", False),
    ("quarantine", "display", "", "open", False),
    ("bench", "display", "", "clear", True), ("bench", "board", "", "clear", False),
    ("bench", "battery", "", "clear", True), ("bench", "display", "", "clear", True),
    ("awaiting_part", "display", "", "clear", True), ("awaiting_part", "port", "", "clear", True),
    ("awaiting_part", "display", "", "clear", False),
    ("listed", "working", "", "clear", True), ("listed", "working", "", "clear", True),
    ("listed", "working", "", "clear", False), ("listed", "display", "", "clear", True),
    ("sold", "working", "", "clear", True), ("parted", "board", "", "clear", True),
    ("scrapped", "board", "wet", "clear", False), ("returned", "working", "", "clear", True),
)  # fmt: skip
_LATER = (("bench", "display", "", "clear", True), ("listed", "working", "", "clear", True))
_UNITS = 36


def draw_stock(seed: int, truth: Truth) -> pd.DataFrame:
    """Draw stock.csv as text: 36 units, one in every plight a shelf knows."""
    rng = np.random.default_rng([seed, 7])
    plights = [*_SHELF, *(_LATER[i % 2] for i in range(_UNITS - len(_SHELF)))]
    rows = [_unit(rng, truth, number, plight) for number, plight in enumerate(plights, 1)]
    return pd.DataFrame(rows)


def _unit(
    rng: np.random.Generator, truth: Truth, number: int, plight: tuple[str, str, str, str, bool]
) -> dict[str, str]:
    status, wanted, flag, ownership, erased = plight
    family = FAMILIES[(number * 3 + number // 8) % len(FAMILIES)]
    models = [m.model_id for m in family.models if "2022-01" < m.launch < "2026-01"]
    model_id = models[int(rng.integers(0, len(models)))]
    bought = pd.Timestamp(END) - pd.Timedelta(days=int(rng.integers(3, 70)))
    state, ratio = _plight_state(family, wanted, truth)
    cost = truth.price_on(model_id, bought) * 0.92 * ratio * float(rng.uniform(0.85, 1.05)) + 12.0
    done = bought + pd.Timedelta(days=2)
    return {
        "unit_id": f"U{2000 + number}",
        "model_id": model_id,
        "buy_date": f"{bought:%Y-%m-%d}",
        "landed_cost": f"{cost:.2f}",
        "currency": "EUR",
        "state": state,
        "status": status,
        "location": f"{'QBAL'[min(number // 7, 3)]}{number % 7 + 1}",
        "erase_date": f"{done:%Y-%m-%d}" if erased else "",
        "ownership_check": ownership,
        "flags": flag,
    }


def _plight_state(family: Family, wanted: str, truth: Truth) -> tuple[str, float]:
    """Name the state in the family's own words, and the as-is ratio it was bought at."""
    first = next(iter(LISTED[family.device_class]))
    states = {"display": "display_only", "battery": "battery_only", "port": "charge_port"}
    state = states.get(wanted, wanted)
    bought = {"display": first, "working": first, "battery": "battery_worn"}.get(wanted, state)
    return state, truth.as_is_ratio.get((family.family_id, bought), 0.35)
