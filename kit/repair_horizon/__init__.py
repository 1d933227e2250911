"""Which broken handheld devices to buy, up to which bid, and when repair stops paying.

    import repair_horizon as rh
    shop = rh.open("data/demo")                     # or rh.from_frames(catalogue=..., sales=...)
    shop.prices("vellfold").plot()                  # .table(), .summary()
    shop.thresholds(); shop.bids(); shop.stock(); shop.plan()
    shop.forecast(); shop.price_changes(); shop.broken_ratios(); shop.stop_dates("vellfold")
    rh.ask("phone", "cracked screen", launch="2025-09", launch_price=899, asking=120)

The folders are the steps of the work and data flows down the list: tables, files, scale, classes,
logs, imports, demo, estimation, decisions, charts, shop, backtest, reports, share, explorer,
commands. Public names resolve when first used, so that the import stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repair_horizon.logs import CannotSay, Fault, LogFault, Settings, read_logs, read_settings
    from repair_horizon.new_facts import add
    from repair_horizon.one_unit import ask
    from repair_horizon.shop import Shop
    from repair_horizon.shop import open_shop as open
    from repair_horizon.shop import shop_from_frames as from_frames

__version__ = "0.2.0"
__all__ = [
    "CannotSay",
    "Fault",
    "LogFault",
    "Settings",
    "Shop",
    "__version__",
    "add",
    "ask",
    "from_frames",
    "open",
    "read_logs",
    "read_settings",
]
_WHERE = {
    "CannotSay": ("logs", "CannotSay"),
    "Fault": ("logs", "Fault"),
    "LogFault": ("logs", "LogFault"),
    "Settings": ("logs", "Settings"),
    "Shop": ("shop", "Shop"),
    "add": ("new_facts", "add"),
    "ask": ("one_unit", "ask"),
    "from_frames": ("shop", "shop_from_frames"),
    "open": ("shop", "open_shop"),
    "read_logs": ("logs", "read_logs"),
    "read_settings": ("logs", "read_settings"),
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for (PEP 562)."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    stage, there = _WHERE[name]
    return getattr(import_module(f"{__name__}.{stage}"), there)


def __dir__() -> list[str]:
    """Name what is public."""
    return __all__
