"""What a family's notebook is asked for, opened: one call from parameters to the page's tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from weakref import WeakKeyDictionary

import repair_horizon
from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_settings
from repair_horizon.logs.once import read_once
from repair_horizon.reports.family import family_month
from repair_horizon.reports.last_month import before_tables
from repair_horizon.reports.month_tables import FamilyMonth
from repair_horizon.shop import Shop, shop_of
from repair_horizon.tables.months import parse_month

# A kernel that is kept has the shop of its last page still.
_shops: WeakKeyDictionary[Logs, tuple[str, Shop]] = WeakKeyDictionary()


def settings_asked(
    workspace: str | Path = "", seed: object = None, draws: object = None
) -> Settings:
    """Return the settings of a workspace with seed and draws replaced where they are given.

    Raises
    ------
    LogFault
        If the settings are faulty or a number is none.
    """
    changes: dict[str, Any] = {}
    for name, number in (("seed", seed), ("draws", draws)):
        text = "" if number is None else str(number)
        if text and not text.isdigit():
            raise LogFault([Fault("report", None, name, text, "a whole number")])
        if text:
            changes[name] = int(text)
    return replace(read_settings(workspace or demo_workspace()), **changes)


def family_asked(
    workspace: str = "",
    family_id: str = "",
    month: str = "",
    as_of: str = "",
    seed: object = None,
    draws: object = None,
    known_before: str = "",
    out_folder: str = "",
) -> FamilyMonth:
    """Work out the family that a notebook's parameters ask for.

    Parameters
    ----------
    workspace
        Folder of the logs; the invented demo business if empty.
    family_id
        The family; the catalogue's first if empty.
    month
        YYYY-MM; the month after the newest data if empty.
    as_of
        Last day known, YYYY-MM-DD; everything if empty.
    seed, draws
        Whole numbers in place of the settings'; None or empty for those.
    known_before
        Last day known to last month's report.
    out_folder
        Where the family's tables will go, beside which last month's stand.

    Raises
    ------
    LogFault
        If the logs, settings, month or a number cannot be used.

    Examples
    --------
    >>> from repair_horizon.reports.requested import family_asked
    >>> family_asked(family_id="ulmvrist_watch", draws=100).currency  # doctest: +SKIP
    'EUR'
    """
    place = workspace or demo_workspace()
    shop = _shop(read_once(place, as_of), settings_asked(place, seed, draws))
    number = shop.month(parse_month(month) if month else None)
    before = before_tables(known_before, out_folder)
    return family_month(shop, family_id or shop.logs.families[0], number, before)


def _shop(logs: Logs, settings: Settings) -> Shop:
    kept = _shops.get(logs)
    if kept is None or kept[0] != repr(settings):
        kept = repr(settings), shop_of(logs, settings)
        _shops[logs] = kept
    return kept[1]


def demo_workspace() -> str:
    """Return the folder of the invented demo business; written anew where it was not installed."""
    tree = Path(repair_horizon.__file__).resolve().parents[2] / "data" / "demo"
    if tree.is_dir():
        return str(tree)
    from repair_horizon.demo import write_demo

    folder = Path(mkdtemp(prefix="demo-"))
    write_demo(folder)
    return str(folder)
