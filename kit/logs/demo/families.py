"""The invented families, models, parts and suppliers of the demo business.

Every brand, line and model below is made up, and so is every price. The sizes follow the check
values of a small repair trade (common practice, no source): a display costs a fifth to a third
of a bar phone's resale price, the inner display of a foldable two fifths.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

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
SCARCE_FROM = {("pell_phone", "BAT"): 54.0, ("slaet_tablet", "DA"): 48.0, ("vellfold", "FM"): 40.0}
# One series jumps lately, as after a stop of supply.
JUMP = {("tarn_4", "DA"): ("2026-07", 1.35)}


def qualities_of(family: Family, part_code: str) -> tuple[str, ...]:
    """Return the qualities a part is sold in; nobody copies a folding display."""
    if part_code == "DA" and family.device_class == "foldable":
        return ("maker_original", "original_refurbished", "pulled")
    if part_code == "DA":
        return tuple(QUALITY)
    return ("maker_original", "aftermarket")


FAMILIES = (
    Family(
        "pell_phone", "phone", "EUR", 128, 700,
        Curve(0.93, 0.050, 9, 0.021, 0.10, 0.025, 12),
        {"DA": (0.140, 0.020), "BAT": (0.055, 0.012), "BC": (0.060, 0.015), "EC": (0.022, 0.010),
         "FLX": (0.020, 0.010)},
        (
            Model("pell_1", "Brivanto Pell 1", "2020-09-18", 799.0),
            Model("pell_2", "Brivanto Pell 2", "2021-09-17", 829.0),
            Model("pell_3", "Brivanto Pell 3", "2022-09-16", 849.0),
            Model("pell_4", "Brivanto Pell 4", "2023-09-22", 869.0),
            Model("pell_5", "Brivanto Pell 5", "2024-09-20", 899.0),
            Model("pell_6", "Brivanto Pell 6", "2025-09-19", 899.0),
        ),
        "2026-11-13",
    ),
    Family(
        "tarn_phone", "phone", "EUR", 64, 560,
        Curve(0.90, 0.055, 8, 0.024, 0.09, 0.020, 12),
        {"DA": (0.155, 0.025), "BAT": (0.060, 0.015), "BC": (0.050, 0.015), "EC": (0.025, 0.010),
         "FLX": (0.024, 0.010)},
        (
            Model("tarn_1", "Oskelund Tarn 1", "2021-03-12", 429.0),
            Model("tarn_2", "Oskelund Tarn 2", "2022-03-11", 449.0, price_known=False),
            Model("tarn_3", "Oskelund Tarn 3", "2023-03-10", 449.0),
            Model("tarn_4", "Oskelund Tarn 4", "2024-03-08", 479.0),
            Model("tarn_5", "Oskelund Tarn 5", "2025-03-14", 479.0),
            Model("tarn_6", "Oskelund Tarn 6", "2026-03-13", 499.0),
        ),
    ),
    Family(
        "vellfold", "foldable", "EUR", 256, 330,
        Curve(0.88, 0.075, 9, 0.032, 0.08, 0.020, 12),
        {"DA": (0.215, 0.016), "DAO": (0.060, 0.015), "FM": (0.060, 0.010), "BAT": (0.032, 0.010),
         "EC": (0.014, 0.008), "FLX": (0.015, 0.008)},
        (
            Model("vellfold_1", "Quorrin Vellfold 1", "2021-08-27", 1799.0, 3),
            Model("vellfold_2", "Quorrin Vellfold 2", "2022-08-26", 1799.0),
            Model("vellfold_3", "Quorrin Vellfold 3", "2023-08-11", 1899.0),
            Model("vellfold_4", "Quorrin Vellfold 4", "2024-07-26", 1899.0),
            Model("vellfold_5", "Quorrin Vellfold 5", "2025-07-25", 1999.0),
        ),
    ),
    Family(
        "slaet_tablet", "tablet", "EUR", 64, 420,
        Curve(0.92, 0.040, 10, 0.018, 0.12, 0.030, 12),
        {"DA": (0.155, 0.015), "BAT": (0.070, 0.012), "EC": (0.025, 0.010), "FLX": (0.022, 0.010)},
        (
            Model("slaet_1", "Oskelund Slaet 1", "2020-10-23", 549.0),
            Model("slaet_2", "Oskelund Slaet 2", "2021-10-22", 569.0),
            Model("slaet_3", "Oskelund Slaet 3", "2022-10-21", 599.0),
            Model("slaet_4", "Oskelund Slaet 4", "2023-11-10", 599.0),
            Model("slaet_5", "Oskelund Slaet 5", "2025-05-09", 629.0),
        ),
    ),
    Family(
        "brada_tablet", "tablet", "EUR", 32, 200,
        Curve(0.90, 0.050, 8, 0.022, 0.10, 0.030, 12),
        {"DA": (0.160, 0.018), "BAT": (0.075, 0.012), "EC": (0.035, 0.010), "FLX": (0.030, 0.010)},
        (
            Model("brada_1", "Mirthwick Brada 1", "2021-05-14", 279.0),
            Model("brada_2", "Mirthwick Brada 2", "2022-06-10", 289.0),
            Model("brada_3", "Mirthwick Brada 3", "2024-02-02", 299.0),
            Model("brada_4", "Mirthwick Brada 4", "2026-09-04", 319.0, 0),
        ),
    ),
    Family(
        "noctaro_laptop", "laptop", "USD", 256, 330,
        Curve(0.90, 0.040, 12, 0.020, 0.10, 0.020, 8),
        {"DA": (0.110, 0.012), "BAT": (0.055, 0.010), "KB": (0.060, 0.010), "EC": (0.018, 0.008),
         "FLX": (0.022, 0.008)},
        (
            Model("noctaro_1", "Drumhelt Noctaro 1", "2020-11-13", 1299.0),
            Model("noctaro_2", "Drumhelt Noctaro 2", "2021-11-12", 1299.0),
            Model("noctaro_3", "Drumhelt Noctaro 3", "2022-11-18", 1349.0),
            Model("noctaro_4", "Drumhelt Noctaro 4", "2024-01-19", 1399.0),
            Model("noctaro_5", "Drumhelt Noctaro 5", "2025-02-14", 1399.0),
        ),
    ),
    Family(
        "grabbix_console", "console", "EUR", 64, 260,
        Curve(0.93, 0.030, 6, 0.010, 0.15, 0.030, 12),
        {"DA": (0.135, 0.010), "BAT": (0.060, 0.010), "STK": (0.040, 0.020), "EC": (0.030, 0.010),
         "FLX": (0.030, 0.010)},
        (
            Model("grabbix_1", "Puxley Grabbix 1", "2020-11-06", 329.0),
            Model("grabbix_2", "Puxley Grabbix 2", "2022-10-14", 349.0),
            Model("grabbix_3", "Puxley Grabbix 3", "2025-06-06", 379.0),
        ),
    ),
    Family(
        "wrisk_watch", "watch", "EUR", None, 40,
        Curve(0.85, 0.055, 8, 0.025, 0.08, 0.030, 12),
        {"DA": (0.200, 0.015), "BAT": (0.070, 0.012), "BC": (0.060, 0.010), "FLX": (0.030, 0.010)},
        (
            Model("wrisk_1", "Tessandor Wrisk 1", "2021-10-08", 379.0, 2),
            Model("wrisk_2", "Tessandor Wrisk 2", "2022-10-07", 399.0),
            Model("wrisk_3", "Tessandor Wrisk 3", "2023-10-06", 399.0),
            Model("wrisk_4", "Tessandor Wrisk 4", "2025-10-10", 429.0, 3),
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
