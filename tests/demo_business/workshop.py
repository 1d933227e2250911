"""The invented business's units: bought at auction, repaired on the bench, kept on the shelf."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_business.catalogue import (
    END,
    FAMILIES,
    FAMILY_OF,
    GRADE_FACTOR,
    LISTED,
    Family,
    state_of,
)
from demo_business.truth import Truth, age_months

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

    ``sales``, ``repairs``: text tables in order of their days. Returns both tables with ``unit_id``
    and ``grade_out`` in agreement.
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


@dataclass(frozen=True)
class Plight:
    """How a unit stands: ``state`` as the device class names it, ``flag`` if it is dangerous."""

    status: str
    state: str
    flag: str
    ownership: str
    erased: bool


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
_MORE_LISTED = Plight("listed", "working", "", "clear", True)
_UNITS = 36
_INBOUND = 12.0


@dataclass(frozen=True)
class Unit:
    """One unit on the shelf, before prices: who it is, when bought, and its plight."""

    unit_id: str
    model_id: str
    bought: pd.Timestamp
    state: str
    plight: Plight


def draw_stock(seed: int, truth: Truth, repairs: pd.DataFrame) -> pd.DataFrame:
    """Draw stock.csv as text: some 36 units, those of the jobs still open among them.

    Parameters
    ----------
    seed
        Same seed, same shelf.
    truth
        What the units cost follows from it.
    repairs
        Repairs as text; units of jobs without an outcome stand on the bench.
    """
    rng, asks = np.random.default_rng([seed, 7]), np.random.default_rng([seed, 12])
    units = [_drawn(rng, number, Plight(*row)) for number, row in enumerate(_SHELF, 1)]
    units += [_on_bench(job) for job in repairs[repairs["outcome"] == ""].to_dict("records")]
    rest = range(len(units) + 1, _UNITS + 1)
    units += [_drawn(rng, number, _MORE_LISTED) for number in rest]
    rows = [_row(rng, truth, n, unit) for n, unit in enumerate(units)]
    return pd.DataFrame([row | _asked(asks, truth, row) for row in rows])


def _asked(rng: np.random.Generator, truth: Truth, row: dict[str, str]) -> dict[str, str]:
    """Say since when a listed unit is for sale, and for how much: a little above its price."""
    bought, end = pd.Timestamp(row["buy_date"]), pd.Timestamp(END)
    wait, over = int(rng.integers(5, 16)), float(rng.normal(0.05, 0.08))
    if row["status"] != "listed":
        return {"listed_date": "", "asking_price": ""}
    day = min(bought + pd.Timedelta(days=wait), end)
    price = truth.price_on(row["model_id"], day) * GRADE_FACTOR["B"] * float(np.exp(over))
    if row["state"] != "working":
        family = FAMILY_OF[row["model_id"]]
        faults = LISTED[family.device_class]
        fault = next((f for f, s in faults.items() if next(iter(s)) == row["state"]), "board")
        price *= truth.as_is_ratio[family.family_id, fault]
    return {"listed_date": f"{day:%Y-%m-%d}", "asking_price": f"{round(price) - 0.01:.2f}"}


def _drawn(rng: np.random.Generator, number: int, plight: Plight) -> Unit:
    family = FAMILIES[(number * 3 + number // 8) % len(FAMILIES)]
    models = [m.model_id for m in family.models if "2022-01" < m.launch < "2026-01"]
    model_id = models[int(rng.integers(0, len(models)))]
    bought = pd.Timestamp(END) - pd.Timedelta(days=int(rng.integers(3, 70)))
    return Unit(f"U{2000 + number}", model_id, bought, _in_own_words(family, plight.state), plight)


def _on_bench(job: dict[object, object]) -> Unit:
    """Stand a unit under repair on the bench, in the likeliest state of its listed fault."""
    model_id = str(job["model_id"])
    state = next(iter(LISTED[FAMILY_OF[model_id].device_class][str(job["listed_fault"])]))
    bought = pd.Timestamp(str(job["opened"])) - pd.Timedelta(days=6)
    plight = Plight("bench", "", "", "clear", False)
    return Unit(str(job["unit_id"]), model_id, bought, state, plight)


def _in_own_words(family: Family, wanted: str) -> str:
    """Name a state as the family's fault states do."""
    words = {
        "display": ("display_only",),
        "battery": ("battery_only", "battery_worn"),
        "port": ("charge_port", "battery_worn"),
    }
    known = {state for shares in LISTED[family.device_class].values() for state in shares}
    return next((w for w in words.get(wanted, ()) if w in known), wanted)


def _row(rng: np.random.Generator, truth: Truth, place: int, unit: Unit) -> dict[str, str]:
    family = FAMILY_OF[unit.model_id]
    faults = LISTED[family.device_class]
    bought_as = next(
        (f for f, s in faults.items() if next(iter(s)) == unit.state), next(iter(faults))
    )
    cost = truth.price_on(unit.model_id, unit.bought) * GRADE_FACTOR["B"]
    cost *= truth.as_is_ratio[family.family_id, bought_as] * float(rng.uniform(0.85, 1.05))
    done = unit.bought + pd.Timedelta(days=2)
    return {
        "unit_id": unit.unit_id,
        "model_id": unit.model_id,
        "buy_date": f"{unit.bought:%Y-%m-%d}",
        "landed_cost": f"{cost + _INBOUND:.2f}",
        "currency": "EUR",
        "state": unit.state,
        "status": unit.plight.status,
        "location": f"{'ABCDEF'[place // 8]}{place % 8 + 1}",
        "erase_date": f"{done:%Y-%m-%d}" if unit.plight.erased else "",
        "ownership_check": unit.plight.ownership,
        "flags": unit.plight.flag,
    }


_PAST, _OPEN, _FIRST = 500, 42, "2023-06-01"
_LOWEST_HAMMER, _HIGHEST_HAMMER, _NOISE = 0.72, 0.95, 0.18
_FAMILY_WEIGHT = (0.27, 0.2, 0.14, 0.12, 0.05, 0.1, 0.09, 0.03)


def draw_listings(seed: int, truth: Truth) -> pd.DataFrame:
    """Draw listings.csv as text: 500 that ended, 42 that end in November 2026.

    A broken unit hammers at 0.72 to 0.95 of what such a unit of grade B sells for as is.
    """
    rng = np.random.default_rng([seed, 8])
    days = pd.date_range(_FIRST, END, freq="D")
    past = sorted(days[int(i)] for i in rng.integers(0, len(days), _PAST))
    coming = sorted(
        pd.Timestamp(END) + pd.Timedelta(days=int(d)) for d in rng.integers(2, 29, _OPEN)
    )
    rows = [_listing(rng, truth, day) for day in [*past, *coming]]
    table = pd.DataFrame(rows)
    table.insert(0, "listing_id", [f"L{i:04d}" for i in range(1, len(rows) + 1)])
    return table


def _listing(rng: np.random.Generator, truth: Truth, day: pd.Timestamp) -> dict[str, str]:
    model_id, fault, family_id = offered_unit(rng, day)
    noise = float(np.exp(np.clip(_NOISE * rng.normal(), -0.4, 0.4)))
    worth = truth.price_on(model_id, min(day, pd.Timestamp(END))) * GRADE_FACTOR["B"]
    worth *= truth.as_is_ratio[family_id, fault]
    hammer = round(worth * float(rng.uniform(_LOWEST_HAMMER, _HIGHEST_HAMMER)) * noise)
    ended = day <= pd.Timestamp(END)
    result = str(rng.choice(["won", "lost", "skipped"], p=(0.27, 0.45, 0.28))) if ended else ""
    unseen = result == "skipped" and rng.random() < 0.2
    bid = hammer if ended else max(round(hammer * float(rng.uniform(0.1, 0.9))), 1)
    hour = int(rng.integers(17, 22))
    return {
        "model_id": model_id,
        "listed_fault": fault,
        "end_time": f"{day:%Y-%m-%d}T{hour:02d}:{int(rng.integers(0, 60)):02d}:00Z",
        "current_bid": f"{bid:.2f}" if not ended else "",
        "shipping": str(rng.choice(["6.90", "8.90", "12.00", "0.00"])),
        "premium_rate": str(rng.choice(["", "", "", "0.15", "0.22"])),
        "result": result,
        "final_price": "" if unseen or not ended else f"{max(hammer, 1):.2f}",
    }


def offered_unit(rng: np.random.Generator, day: pd.Timestamp) -> tuple[str, str, str]:
    """Pick a model, fault and family that is offered broken on a day."""
    while True:
        family = FAMILIES[int(rng.choice(len(FAMILIES), p=_FAMILY_WEIGHT))]
        ages = {m.model_id: age_months(m.model_id, day) for m in family.models}
        offered = [m for m, age in ages.items() if 1.0 < age < 60.0]
        if offered:
            break
    faults = list(LISTED[family.device_class])
    weight = np.array([3.0, *[1.0] * (len(faults) - 1)])
    fault = str(rng.choice(faults, p=weight / weight.sum()))
    return newer_first(rng, {m: ages[m] for m in offered}), fault, family.family_id
