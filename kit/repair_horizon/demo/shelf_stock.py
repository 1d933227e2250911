"""Stock of the demo business: one unit in every plight a shelf knows, and the open jobs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.demo.catalogue import END, FAMILIES, FAMILY_OF, GRADE_FACTOR, Family
from repair_horizon.demo.fault_tree import LISTED
from repair_horizon.demo.truth import Truth

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
_MORE_LISTED = ("listed", "working", "", "clear", True)
_UNITS = 36
_INBOUND = 12.0


@dataclass(frozen=True)
class Unit:
    """One unit on the shelf, before prices: who it is, when bought, and its plight."""

    unit_id: str
    model_id: str
    bought: pd.Timestamp
    state: str
    plight: tuple[str, str, str, str, bool]


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
    units = [_drawn(rng, number, plight) for number, plight in enumerate(_SHELF, 1)]
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


def _drawn(rng: np.random.Generator, number: int, plight: tuple[str, str, str, str, bool]) -> Unit:
    family = FAMILIES[(number * 3 + number // 8) % len(FAMILIES)]
    models = [m.model_id for m in family.models if "2022-01" < m.launch < "2026-01"]
    model_id = models[int(rng.integers(0, len(models)))]
    bought = pd.Timestamp(END) - pd.Timedelta(days=int(rng.integers(3, 70)))
    return Unit(f"U{2000 + number}", model_id, bought, _in_own_words(family, plight[1]), plight)


def _on_bench(job: dict[object, object]) -> Unit:
    """Stand a unit under repair on the bench, in the likeliest state of its listed fault."""
    model_id = str(job["model_id"])
    state = next(iter(LISTED[FAMILY_OF[model_id].device_class][str(job["listed_fault"])]))
    bought = pd.Timestamp(str(job["opened"])) - pd.Timedelta(days=6)
    plight = ("bench", "", "", "clear", False)
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
    status, _, flag, ownership, erased = unit.plight
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
        "status": status,
        "location": f"{'ABCDEF'[place // 8]}{place % 8 + 1}",
        "erase_date": f"{done:%Y-%m-%d}" if erased else "",
        "ownership_check": ownership,
        "flags": flag,
    }
