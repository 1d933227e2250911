"""What a listed fault turns out to be in the demo business, what it needs, how often it works.

``STATES`` holds what the partners assume (the priors in fault_states.csv) beside what is true.
The true rates follow the check values of the trade (common practice, no source): bar displays
0.94, foldable displays 0.86, boards 0.55, batteries 0.97.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from repair_horizon.demo.catalogue import FAMILIES, Family


@dataclass(frozen=True)
class State:
    """What a unit needs: parts, bench hours, success assumed by the partners, true success."""

    parts: str
    hours: float
    prior_success: float
    success: float


STATES = {
    "display_only": State("DA", 0.8, 0.92, 0.94),
    "display_dead": State("DA", 1.0, 0.90, 0.94),
    "display_and_back": State("DA;BC", 1.4, 0.90, 0.92),
    "display_and_port": State("DA;EC", 1.5, 0.88, 0.90),
    "display_and_hinge": State("DA;FM", 2.5, 0.80, 0.78),
    "outer_display": State("DAO", 1.3, 0.90, 0.92),
    "battery_only": State("BAT", 0.5, 0.96, 0.97),
    "battery_worn": State("BAT", 0.5, 0.96, 0.97),
    "battery_and_back": State("BAT;BC", 1.1, 0.94, 0.95),
    "battery_and_port": State("BAT;EC", 1.2, 0.92, 0.93),
    "back_glass": State("BC", 0.8, 0.94, 0.96),
    "port_only": State("EC", 0.9, 0.92, 0.93),
    "charge_port": State("EC", 0.9, 0.92, 0.93),
    "keyboard_only": State("KB", 1.2, 0.93, 0.95),
    "keyboard_and_battery": State("KB;BAT", 1.5, 0.92, 0.93),
    "stick_only": State("STK", 0.6, 0.95, 0.97),
    "stick_and_port": State("STK;EC", 1.1, 0.92, 0.93),
    "board": State("FLX", 2.5, 0.50, 0.55),
    "locked": State("", 0.0, 0.0, 0.0),
    "no_fault_found": State("", 0.2, 0.99, 1.0),
}
# Displays are glued in differently from class to class.
BY_CLASS = {
    ("foldable", "display_only"): State("DA", 1.8, 0.85, 0.86),
    ("foldable", "inner_display_dead"): State("DA", 1.8, 0.85, 0.86),
    ("tablet", "display_only"): State("DA", 1.5, 0.90, 0.91),
    ("tablet", "display_dead"): State("DA", 1.5, 0.90, 0.91),
    ("laptop", "display_only"): State("DA", 0.9, 0.95, 0.96),
    ("laptop", "board"): State("FLX", 3.5, 0.45, 0.50),
    ("watch", "display_only"): State("DA", 1.2, 0.85, 0.87),
    ("watch", "battery_only"): State("BAT", 0.9, 0.90, 0.92),
    ("watch", "battery_worn"): State("BAT", 0.9, 0.90, 0.92),
}
_NO_POWER = {"battery_worn": 0.28, "charge_port": 0.15, "display_dead": 0.10, "board": 0.40,
             "locked": 0.07}  # fmt: skip
_BATTERY = {"battery_only": 0.91, "battery_and_port": 0.04, "board": 0.02, "no_fault_found": 0.03}
_PORT = {"port_only": 0.71, "battery_and_port": 0.11, "board": 0.12, "no_fault_found": 0.06}
_BOARD = {"board": 0.82, "battery_worn": 0.07, "locked": 0.11}
_PHONE = {
    "display_dead": {"display_only": 0.77, "display_and_back": 0.10, "board": 0.08,
                     "locked": 0.02, "no_fault_found": 0.03},
    "no_power": _NO_POWER,
    "battery_worn": {"battery_only": 0.89, "battery_and_back": 0.06, "board": 0.02,
                     "no_fault_found": 0.03},
    "back_glass": {"back_glass": 0.88, "display_and_back": 0.06, "board": 0.03, "locked": 0.03},
    "charge_port": _PORT,
    "board": _BOARD,
}  # fmt: skip
_TABLET = {
    "display_dead": {"display_only": 0.80, "display_and_port": 0.07, "board": 0.08,
                     "locked": 0.05},
    "no_power": _NO_POWER,
    "battery_worn": _BATTERY,
    "charge_port": _PORT,
}  # fmt: skip
LISTED = {
    "phone": _PHONE,
    "tablet": _TABLET,
    "foldable": {
        "inner_display_dead": {"display_only": 0.75, "display_and_hinge": 0.11, "board": 0.09,
                               "locked": 0.05},
        "outer_display_dead": {"outer_display": 0.82, "display_and_hinge": 0.06, "board": 0.09,
                               "no_fault_found": 0.03},
        "no_power": {"battery_worn": 0.25, "charge_port": 0.12, "inner_display_dead": 0.14,
                     "board": 0.42, "locked": 0.07},
        "battery_worn": _BATTERY,
    },
    "laptop": {
        "display_dead": {"display_only": 0.82, "board": 0.12, "locked": 0.02,
                         "no_fault_found": 0.04},
        "no_power": {"battery_worn": 0.20, "charge_port": 0.18, "board": 0.52, "locked": 0.10},
        "battery_worn": _BATTERY,
        "keyboard": {"keyboard_only": 0.84, "keyboard_and_battery": 0.07, "board": 0.09},
        "board": _BOARD,
    },
    "console": {
        "display_dead": {"display_only": 0.84, "board": 0.11, "no_fault_found": 0.05},
        "stick_drift": {"stick_only": 0.88, "stick_and_port": 0.04, "board": 0.03,
                        "no_fault_found": 0.05},
        "no_power": {"battery_worn": 0.27, "charge_port": 0.26, "board": 0.41, "locked": 0.06},
        "charge_port": _PORT,
    },
    "watch": {
        "display_dead": {"display_only": 0.78, "display_and_back": 0.06, "board": 0.10,
                         "locked": 0.06},
        "battery_worn": {"battery_only": 0.88, "battery_and_back": 0.05, "locked": 0.05,
                         "no_fault_found": 0.02},
        "no_power": {"battery_worn": 0.42, "display_dead": 0.12, "board": 0.40, "locked": 0.06},
    },
}  # fmt: skip
# As-is price against the price of the same unit working (common practice, no source).
AS_IS_RATIO = {
    "display_dead": 0.33, "inner_display_dead": 0.26, "outer_display_dead": 0.44,
    "no_power": 0.18, "battery_worn": 0.50, "back_glass": 0.48, "charge_port": 0.38,
    "keyboard": 0.42, "stick_drift": 0.52, "board": 0.12, "locked": 0.10,
}  # fmt: skip
AS_IS_FAMILY = {
    ("pellvarn_phone", "display_dead"): 0.30, ("tarnquo_phone", "display_dead"): 0.30,
    ("sproltane_tablet", "display_dead"): 0.30, ("slaetrik_tablet", "display_dead"): 0.30,
    ("grabvyx_console", "display_dead"): 0.36, ("ulmvrist_watch", "display_dead"): 0.30,
}  # fmt: skip


def state_of(family: Family, state: str) -> State:
    """Return what a state needs in a family."""
    return BY_CLASS.get((family.device_class, state)) or STATES[state]


def as_is_faults(family: Family) -> tuple[str, ...]:
    """Faults a family's broken units are sold with: the listed ones, board and locked."""
    return tuple(dict.fromkeys([*LISTED[family.device_class], "board", "locked"]))


def as_is_ratio(family: Family, fault: str) -> float:
    """Return the true as-is price of a fault against the working price."""
    return AS_IS_FAMILY.get((family.family_id, fault), AS_IS_RATIO[fault])


def fault_states() -> pd.DataFrame:
    """Return fault_states.csv as text: one row per family, listed fault and state."""
    rows = []
    for family in FAMILIES:
        for fault, shares in LISTED[family.device_class].items():
            for name, share in shares.items():
                state = state_of(family, name)
                rows.append(
                    {
                        "family_id": family.family_id,
                        "listed_fault": fault,
                        "state": name,
                        "prior_share": f"{share:.2f}",
                        "part_codes": state.parts,
                        "bench_hours": f"{state.hours:.1f}",
                        "prior_success": f"{state.prior_success:.2f}",
                    }
                )
    return pd.DataFrame(rows)
