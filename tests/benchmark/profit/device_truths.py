"""Where the truths of each device class are drawn around: invented, and the kit's centres nowhere.

Names of faults, states and parts are the trade's, so that starter knowledge can be found by name;
shares, hours, successes, ratios and part prices are this world's own. Families are then drawn
around these centres, models around their family.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class State:
    """What a fault may turn out to be: parts, hours, success, as-is price over working price."""

    parts: tuple[str, ...]
    hours: float
    success: float
    ratio: float


@dataclass(frozen=True)
class DeviceTruth:
    """Centres of one class.

    ``faults`` maps a listed fault to the shares of its states and how common its lots are;
    ``parts`` to the share of launch price an original refurbished part costs.
    """

    launch_price: float
    states: dict[str, State]
    faults: dict[str, tuple[float, dict[str, float]]]
    parts: dict[str, float]


def _states(scale: float, display: float, board: float) -> dict[str, State]:
    """States most classes share; ``scale`` multiplies hours."""
    return {
        "display_only": State(("DA",), 1.05 * scale, 0.88, display),
        "display_and_back": State(("DA", "BC"), 1.7 * scale, 0.84, 0.85 * display),
        "display_dead": State(("DA",), 1.2 * scale, 0.85, 0.9 * display),
        "board": State(("FLX",), 2.0 * scale, 0.38, board),
        "locked": State((), 0.0, 0.0, 0.0),
        "no_fault_found": State((), 0.3, 0.97, 0.62),
        "battery_worn": State(("BAT",), 0.7 * scale, 0.91, 0.57),
        "charge_port": State(("EC",), 1.1 * scale, 0.86, 0.46),
        "battery_only": State(("BAT",), 0.65 * scale, 0.93, 0.64),
        "battery_and_back": State(("BAT", "BC"), 1.3 * scale, 0.90, 0.55),
        "battery_and_port": State(("BAT", "EC"), 1.5 * scale, 0.87, 0.45),
        "back_glass": State(("BC",), 1.0 * scale, 0.91, 0.60),
        "port_only": State(("EC",), 1.1 * scale, 0.87, 0.50),
    }


_DISPLAY = {"display_only": 0.68, "display_and_back": 0.12, "board": 0.12, "locked": 0.03}
_DISPLAY |= {"no_fault_found": 0.05}
_POWER = {"battery_worn": 0.22, "charge_port": 0.21, "display_dead": 0.13, "board": 0.36}
_POWER |= {"locked": 0.08}
_BATTERY = {"battery_only": 0.80, "battery_and_back": 0.09, "board": 0.06, "no_fault_found": 0.05}
_BACK = {"back_glass": 0.79, "display_and_back": 0.11, "board": 0.06, "locked": 0.04}
_PORT = {"port_only": 0.62, "battery_and_port": 0.15, "board": 0.16, "no_fault_found": 0.07}
_BOARD = {"board": 0.76, "battery_worn": 0.12, "locked": 0.12}

PHONE = DeviceTruth(
    760.0,
    _states(1.0, 0.40, 0.19),
    {
        "display_dead": (0.42, _DISPLAY),
        "no_power": (0.22, _POWER),
        "battery_worn": (0.12, _BATTERY),
        "back_glass": (0.10, _BACK),
        "charge_port": (0.08, _PORT),
        "board": (0.06, _BOARD),
    },
    {"DA": 0.185, "BAT": 0.048, "BC": 0.075, "EC": 0.03, "FLX": 0.022, "RFC": 0.10, "SPK": 0.02},
)
MID = DeviceTruth(
    390.0,
    _states(1.0, 0.36, 0.15),
    {"display_dead": (0.6, _DISPLAY), "no_power": (0.25, _POWER), "battery_worn": (0.15, _BATTERY)},
    {"DA": 0.165, "BAT": 0.06, "BC": 0.06, "EC": 0.035, "FLX": 0.03, "RFC": 0.09},
)
FOLDABLE = DeviceTruth(
    1650.0,
    _states(1.5, 0.33, 0.17)
    | {
        "display_and_hinge": State(("DA", "FM"), 3.2, 0.76, 0.25),
        "outer_display": State(("DAO",), 1.6, 0.87, 0.52),
        "inner_display_dead": State(("DA",), 2.2, 0.80, 0.30),
    },
    {
        "inner_display_dead": (
            0.55,
            {"display_only": 0.66, "display_and_hinge": 0.18, "board": 0.11, "locked": 0.05},
        ),
        "outer_display_dead": (
            0.25,
            {
                "outer_display": 0.74,
                "display_and_hinge": 0.10,
                "board": 0.12,
                "no_fault_found": 0.04,
            },
        ),
        "no_power": (
            0.20,
            {
                "battery_worn": 0.2,
                "charge_port": 0.16,
                "inner_display_dead": 0.18,
                "board": 0.38,
                "locked": 0.08,
            },
        ),
    },
    {"DA": 0.235, "DAO": 0.075, "FM": 0.09, "BAT": 0.04, "EC": 0.022, "FLX": 0.02, "RFC": 0.07},
)
TABLET = DeviceTruth(
    560.0,
    _states(1.35, 0.37, 0.20) | {"display_and_port": State(("DA", "EC"), 1.9, 0.82, 0.33)},
    {
        "display_dead": (
            0.55,
            {"display_only": 0.73, "display_and_port": 0.1, "board": 0.11, "locked": 0.06},
        ),
        "no_power": (0.25, _POWER),
        "battery_worn": (
            0.20,
            {
                "battery_only": 0.82,
                "battery_and_port": 0.08,
                "board": 0.05,
                "no_fault_found": 0.05,
            },
        ),
    },
    {"DA": 0.20, "BAT": 0.06, "EC": 0.035, "FLX": 0.03, "BC": 0.08, "SPK": 0.02},
)
LAPTOP = DeviceTruth(
    1180.0,
    _states(1.15, 0.47, 0.26)
    | {
        "keyboard_only": State(("KB",), 1.5, 0.90, 0.58),
        "keyboard_and_battery": State(("KB", "BAT"), 1.9, 0.87, 0.48),
    },
    {
        "display_dead": (
            0.4,
            {"display_only": 0.74, "board": 0.16, "locked": 0.04, "no_fault_found": 0.06},
        ),
        "no_power": (
            0.3,
            {"battery_worn": 0.18, "charge_port": 0.22, "board": 0.49, "locked": 0.11},
        ),
        "keyboard": (0.2, {"keyboard_only": 0.76, "keyboard_and_battery": 0.12, "board": 0.12}),
        "battery_worn": (
            0.1,
            {
                "battery_only": 0.84,
                "battery_and_port": 0.07,
                "board": 0.05,
                "no_fault_found": 0.04,
            },
        ),
    },
    {"DA": 0.26, "BAT": 0.085, "EC": 0.03, "FLX": 0.025, "KB": 0.055, "TP": 0.045, "STO": 0.07},
)
CONSOLE = DeviceTruth(
    370.0,
    _states(0.9, 0.50, 0.28)
    | {
        "stick_only": State(("STK",), 0.8, 0.93, 0.70),
        "stick_and_port": State(("STK", "EC"), 1.4, 0.88, 0.58),
    },
    {
        "stick_drift": (
            0.4,
            {
                "stick_only": 0.80,
                "stick_and_port": 0.08,
                "board": 0.06,
                "no_fault_found": 0.06,
            },
        ),
        "no_power": (
            0.3,
            {"battery_worn": 0.22, "charge_port": 0.31, "board": 0.40, "locked": 0.07},
        ),
        "display_dead": (0.3, {"display_only": 0.78, "board": 0.15, "no_fault_found": 0.07}),
    },
    {"DA": 0.125, "BAT": 0.05, "EC": 0.03, "FLX": 0.03, "STK": 0.028, "FAN": 0.04, "STO": 0.08},
)

# (device class, centres, family name) in the order families are taken.
KINDS: tuple[tuple[str, DeviceTruth, str], ...] = (
    ("phone", PHONE, "orrel_phone"),
    ("phone", MID, "tamsin_phone"),
    ("foldable", FOLDABLE, "wendfold"),
    ("tablet", TABLET, "garlow_tablet"),
    ("laptop", LAPTOP, "istra_laptop"),
    ("console", CONSOLE, "pockwin_console"),
)
