"""The invented families, models, parts and suppliers, and what a listed fault turns out to be.

Every brand, line and model below is made up, and so is every price. The sizes follow the check
values of a small repair trade (common practice, no source): a display costs a fifth to a third
of a bar phone's resale price, the inner display of a foldable two fifths; bar displays work in
0.94 of repairs, foldable ones in 0.86, boards 0.55, batteries 0.97. ``STATES`` holds what the
partners assume (the priors in fault_states.csv) beside what is true.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

START, END = "2022-10-01", "2026-10-31"


@dataclass(frozen=True)
class Model:
    """One model: identifier, printed name, first day on sale and list price at launch.

    ``sales`` fixes the number of sales rows (models hardly traded); ``price_known`` is false
    where the catalogue does not know the launch price.
    """

    model_id: str
    name: str
    launch: str
    price: float
    sales: int | None = None
    price_known: bool = True


@dataclass(frozen=True)
class Curve:
    """True ageing of a family's price, as a ratio to launch price at ``age`` months.

    ``start * (floor + (1 - floor) * exp(-early * min(age, turn) - late * max(age - turn, 0)))``
    with ``early`` and ``late`` in log points per month, and a yearly wave of ``season`` log
    points that peaks in calendar month ``peak``.
    """

    start: float
    early: float
    turn: float
    late: float
    floor: float
    season: float
    peak: int


@dataclass(frozen=True)
class Family:
    """Models that age alike and share parts.

    ``parts`` maps a part code to (maker's price as share of launch price, monthly fall of an
    aftermarket part in log points); ``sales`` is the number of sales rows of the family.
    """

    family_id: str
    device_class: str
    currency: str
    storage_gb: float | None
    sales: int
    curve: Curve
    parts: Mapping[str, tuple[float, float]]
    models: tuple[Model, ...]
    next_launch: str = ""


@dataclass(frozen=True)
class Supplier:
    """A parts supplier: what it sells, how dear, how fast and in which currency."""

    supplier_id: str
    qualities: tuple[str, ...]
    price_factor: float
    lead_days: int
    shipping: float
    currency: str = "EUR"


@dataclass(frozen=True)
class Quality:
    """A part quality: price and monthly fall against the part's own, and share arriving dead."""

    price_factor: float
    fall_factor: float
    doa_rate: float
    warranty_days: int


QUALITY = {
    "maker_original": Quality(1.00, 0.0, 0.01, 365),
    "original_refurbished": Quality(0.78, 0.5, 0.03, 180),
    "aftermarket": Quality(0.50, 1.0, 0.05, 180),
    "pulled": Quality(0.42, 0.8, 0.07, 30),
}
SUPPLIERS = (
    Supplier("quay_parts", ("maker_original",), 1.00, 6, 8.9),
    Supplier("heron_spares", ("original_refurbished", "maker_original"), 1.04, 9, 6.5),
    Supplier("fenn_supply", ("aftermarket", "original_refurbished"), 0.97, 14, 4.9),
    Supplier("longbarge", ("aftermarket",), 0.92, 24, 3.2, "USD"),
    Supplier("dockyard_pulls", ("pulled",), 1.00, 5, 5.5),
)
GRADE_FACTOR = {"A": 1.0, "B": 0.92, "C": 0.81, "D": 0.65}
CHANNEL_FACTOR = {"marketplace": 1.0, "own_shop": 1.06, "trade_buyer": 0.88}
STORAGE_DOUBLING = 1.07
ASKING_FACTOR = 1.10
# Late in life some parts grow scarce: from this age on, in months, their price rises.
SCARCE_FROM = {
    ("pellvarn_phone", "BAT"): 54.0,
    ("slaetrik_tablet", "DA"): 48.0,
    ("vellfold", "FM"): 40.0,
}
# One series jumps lately, as after a stop of supply.
JUMP = {("tarnquo_4", "DA"): ("2026-07", 1.35)}


def qualities_of(family: Family, part_code: str) -> tuple[str, ...]:
    """Return the qualities a part is sold in; nobody copies a folding display."""
    if part_code == "DA" and family.device_class == "foldable":
        return ("maker_original", "original_refurbished", "pulled")
    if part_code == "DA":
        return tuple(QUALITY)
    return ("maker_original", "aftermarket")


FAMILIES = (
    Family(
        "pellvarn_phone", "phone", "EUR", 128, 700,
        Curve(0.93, 0.050, 9, 0.021, 0.10, 0.025, 12),
        {"DA": (0.140, 0.020), "BAT": (0.055, 0.012), "BC": (0.060, 0.015), "EC": (0.022, 0.010),
         "FLX": (0.020, 0.010)},
        (
            Model("pellvarn_1", "Quelmarn Pellvarn 1", "2020-09-18", 799.0),
            Model("pellvarn_2", "Quelmarn Pellvarn 2", "2021-09-17", 829.0),
            Model("pellvarn_3", "Quelmarn Pellvarn 3", "2022-09-16", 849.0),
            Model("pellvarn_4", "Quelmarn Pellvarn 4", "2023-09-22", 869.0),
            Model("pellvarn_5", "Quelmarn Pellvarn 5", "2024-09-20", 899.0),
            Model("pellvarn_6", "Quelmarn Pellvarn 6", "2025-09-19", 899.0),
        ),
        "2026-11-13",
    ),
    Family(
        "tarnquo_phone", "phone", "EUR", 64, 560,
        Curve(0.90, 0.055, 8, 0.024, 0.09, 0.020, 12),
        {"DA": (0.155, 0.025), "BAT": (0.060, 0.015), "BC": (0.050, 0.015), "EC": (0.025, 0.010),
         "FLX": (0.024, 0.010)},
        (
            Model("tarnquo_1", "Oskelund Tarnquo 1", "2021-03-12", 429.0),
            Model("tarnquo_2", "Oskelund Tarnquo 2", "2022-03-11", 449.0, price_known=False),
            Model("tarnquo_3", "Oskelund Tarnquo 3", "2023-03-10", 449.0),
            Model("tarnquo_4", "Oskelund Tarnquo 4", "2024-03-08", 479.0),
            Model("tarnquo_5", "Oskelund Tarnquo 5", "2025-03-14", 479.0),
            Model("tarnquo_6", "Oskelund Tarnquo 6", "2026-03-13", 499.0),
        ),
    ),
    Family(
        "vellfold", "foldable", "EUR", 256, 330,
        Curve(0.88, 0.075, 9, 0.032, 0.092, 0.020, 12),
        {"DA": (0.215, 0.016), "DAO": (0.060, 0.015), "FM": (0.060, 0.010), "BAT": (0.032, 0.010),
         "EC": (0.014, 0.008), "FLX": (0.015, 0.008)},
        (
            Model("vellfold_1", "Quelmarn Vellfold 1", "2021-08-27", 1799.0, 3),
            Model("vellfold_2", "Quelmarn Vellfold 2", "2022-08-26", 1799.0),
            Model("vellfold_3", "Quelmarn Vellfold 3", "2023-08-11", 1899.0),
            Model("vellfold_4", "Quelmarn Vellfold 4", "2024-07-26", 1899.0),
            Model("vellfold_5", "Quelmarn Vellfold 5", "2025-07-25", 1999.0),
        ),
    ),
    Family(
        "slaetrik_tablet", "tablet", "EUR", 64, 420,
        Curve(0.92, 0.040, 10, 0.018, 0.12, 0.030, 12),
        {"DA": (0.155, 0.015), "BAT": (0.070, 0.012), "EC": (0.025, 0.010), "FLX": (0.022, 0.010)},
        (
            Model("slaetrik_1", "Oskelund Slaetrik 1", "2020-10-23", 549.0),
            Model("slaetrik_2", "Oskelund Slaetrik 2", "2021-10-22", 569.0),
            Model("slaetrik_3", "Oskelund Slaetrik 3", "2022-10-21", 599.0),
            Model("slaetrik_4", "Oskelund Slaetrik 4", "2023-11-10", 599.0),
            Model("slaetrik_5", "Oskelund Slaetrik 5", "2025-05-09", 629.0),
        ),
    ),
    Family(
        "sproltane_tablet", "tablet", "EUR", 32, 200,
        Curve(0.90, 0.050, 8, 0.022, 0.10, 0.030, 12),
        {"DA": (0.160, 0.018), "BAT": (0.075, 0.012), "EC": (0.035, 0.010), "FLX": (0.030, 0.010)},
        (
            Model("sproltane_1", "Mirthwick Sproltane 1", "2021-05-14", 279.0),
            Model("sproltane_2", "Mirthwick Sproltane 2", "2022-06-10", 289.0),
            Model("sproltane_3", "Mirthwick Sproltane 3", "2024-02-02", 299.0),
            Model("sproltane_4", "Mirthwick Sproltane 4", "2026-09-04", 319.0, 0),
        ),
    ),
    Family(
        "noctvarn_laptop", "laptop", "USD", 256, 330,
        Curve(0.90, 0.040, 12, 0.020, 0.10, 0.020, 8),
        {"DA": (0.110, 0.012), "BAT": (0.055, 0.010), "KB": (0.060, 0.010), "EC": (0.018, 0.008),
         "FLX": (0.022, 0.008)},
        (
            Model("noctvarn_1", "Drumhelt Noctvarn 1", "2020-11-13", 1299.0),
            Model("noctvarn_2", "Drumhelt Noctvarn 2", "2021-11-12", 1299.0),
            Model("noctvarn_3", "Drumhelt Noctvarn 3", "2022-11-18", 1349.0),
            Model("noctvarn_4", "Drumhelt Noctvarn 4", "2024-01-19", 1399.0),
            Model("noctvarn_5", "Drumhelt Noctvarn 5", "2025-02-14", 1399.0),
        ),
    ),
    Family(
        "grabvyx_console", "console", "EUR", 64, 260,
        Curve(0.93, 0.030, 6, 0.010, 0.15, 0.030, 12),
        {"DA": (0.135, 0.010), "BAT": (0.060, 0.010), "STK": (0.040, 0.020), "EC": (0.030, 0.010),
         "FLX": (0.030, 0.010)},
        (
            Model("grabvyx_1", "Puxlern Grabvyx 1", "2020-11-06", 329.0),
            Model("grabvyx_2", "Puxlern Grabvyx 2", "2022-10-14", 349.0),
            Model("grabvyx_3", "Puxlern Grabvyx 3", "2025-06-06", 379.0),
        ),
    ),
    Family(
        "ulmvrist_watch", "watch", "EUR", None, 40,
        Curve(0.85, 0.055, 8, 0.025, 0.095, 0.030, 12),
        {"DA": (0.200, 0.015), "BAT": (0.070, 0.012), "BC": (0.060, 0.010), "FLX": (0.030, 0.010)},
        (
            Model("ulmvrist_1", "Tessandrel Ulmvrist 1", "2021-10-08", 379.0, 2),
            Model("ulmvrist_2", "Tessandrel Ulmvrist 2", "2022-10-07", 399.0),
            Model("ulmvrist_3", "Tessandrel Ulmvrist 3", "2023-10-06", 399.0),
            Model("ulmvrist_4", "Tessandrel Ulmvrist 4", "2025-10-10", 429.0, 3),
        ),
    ),
)  # fmt: skip
FAMILY_OF = {model.model_id: family for family in FAMILIES for model in family.models}
MODEL_OF = {model.model_id: model for family in FAMILIES for model in family.models}


def successor_launch(model_id: str) -> str:
    """Return the day the next model came or is expected; empty where none is known."""
    family = FAMILY_OF[model_id]
    later = [m.launch for m in family.models if m.launch > MODEL_OF[model_id].launch]
    return min(later) if later else family.next_launch


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
