"""Auction listings of the demo business: hammer prices of the past and open candidates."""

from __future__ import annotations

import numpy as np
import pandas as pd

from repair_horizon.demo.catalogue import END, FAMILIES, GRADE_FACTOR
from repair_horizon.demo.fault_tree import LISTED
from repair_horizon.demo.truth import Truth, age_months
from repair_horizon.demo.workshop import newer_first

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
