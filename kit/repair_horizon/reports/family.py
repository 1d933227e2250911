"""One family worked out for one month, as the tables its page is made of.

``family_asked`` is the notebook's one call, from its parameters to the tables; ``family_month``
works a family of an open shop out.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import mkdtemp
from typing import Any
from weakref import WeakKeyDictionary

import pandas as pd

import repair_horizon
from repair_horizon.decisions.month.sensitivity import sensitivity
from repair_horizon.decisions.month.shelf import shelf
from repair_horizon.decisions.review.why_changed import View, attribute
from repair_horizon.estimation.time_on_market import with_own_days
from repair_horizon.fitted_shop import NEAR
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs, Settings, read_settings
from repair_horizon.logs.once import read_once
from repair_horizon.reports import decided, estimates
from repair_horizon.reports.made_from import NOTHING_BEFORE, Before, before_tables
from repair_horizon.reports.month_tables import LEVEL, TABLES, FamilyMonth, invented_note, main_row
from repair_horizon.reports.worked import Worked, worked_out
from repair_horizon.shop import Shop, shop_of
from repair_horizon.tables.months import month_start, parse_month
from repair_horizon.tables.outputs import OUTPUTS

# A kernel that is kept has the shop of its last page still.
_shops: WeakKeyDictionary[Logs, tuple[str, Shop]] = WeakKeyDictionary()


def settings_asked(
    workspace: str | Path = "", seed: object = None, draws: object = None
) -> Settings:
    """Return the settings of a workspace with seed and draws replaced where they are given."""
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

    The notebook's first cell says what each parameter is and what stands where it is left out.

    Raises
    ------
    LogFault
        If the logs, settings, month or a number cannot be used.

    Examples
    --------
    >>> from repair_horizon.reports.family import family_asked
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


def family_month(
    shop: Shop, family_id: str, month: int, before: Before = NOTHING_BEFORE
) -> FamilyMonth:
    """Work out one family for one month, by its number, of a business as known for the report.

    ``before`` is what is known of last month's report, which the bid's change is told from. Where
    nothing can be said of the family, its tables are empty but for the reasons.
    """
    worked = worked_out(shop, family_id, month)
    models = estimates.model_table(worked)
    decisions = decided.tables(worked, models)
    thresholds = decisions["thresholds"]
    main = None if thresholds.empty else main_row(thresholds)
    most_sold = models.loc[models["n_sales"].idxmax(), "model_id"]
    near, turning = _near_tables(worked, main, before)
    found = {
        "models": models,
        **estimates.tables(worked, str(most_sold if main is None else main["model_id"])),
        **decisions,
        **near,
    }
    return FamilyMonth(
        family_id=family_id,
        device_class=shop.estimates(family_id).device_class,
        currency=shop.currency,
        month=month_start(month),
        cutoff=shop.now,
        level=LEVEL,
        base=estimates.base_words(worked),
        turning=turning,
        tables={name: _declared(name, found.get(name)) for name in TABLES},
        invented=bool(invented_note(Path(shop.logs.folder))),
    )


def _declared(name: str, table: pd.DataFrame | None) -> pd.DataFrame:
    """Return a table with its declared columns in their order; an empty one typed."""
    if table is None or table.empty:
        return OUTPUTS[name].empty()
    return table[OUTPUTS[name].names]


def _near_tables(
    worked: Worked, main: pd.Series | None, before: Before
) -> tuple[dict[str, pd.DataFrame], str]:
    """Work out shelf, moves and changes, and what would turn the main unit's verdict.

    As few months are drawn as for the commands of the day, so that the shelf on the page and the
    one that ``stock`` prints agree to the cent.
    """
    shop, family_id = worked.shop, worked.family_id
    economics = shop.economics(family_id, worked.first_month, NEAR)
    found, turning = {}, ""
    owned = worked.logged["stock"]
    if len(owned):
        shelved = replace(shop.logs, tables={**shop.logs.tables, "stock": owned})
        found["shelf"] = shelf(shelved, economics)
    if main is None or not main["listed_fault"]:
        return found, turning
    key = str(main["model_id"]), str(main["listed_fault"])
    unit = economics.unit(family_id, *key)
    if not isinstance(unit, CannotSay):
        found["moves"] = sensitivity(economics, unit)
        turning = decided.turning_words(economics, unit)
        found["changes"] = _changes(worked, key, before)
    return found, turning


def view_of(shop: Shop, family_id: str, month: int) -> View:
    """What a month's bid in a family is worked out from: the shop's own draws and charges."""
    return View(partial(shop.outlook, family_id), shop.settings, month, shop.valuation(month))


def _changes(worked: Worked, key: tuple[str, str], past: Before) -> pd.DataFrame:
    """Share the change of a bid since last month out among its causes, the largest first.

    Last month is worked out with its own settings; with those as they are now where its own were
    not kept, which ``own_rules`` says. One row with a reason where no change can be said. See
    ``repair_horizon.decisions.review.why_changed``.
    """
    now, family_id, month = worked.shop, worked.family_id, worked.first_month
    day = pd.Timestamp(past.known) if past.known else now.now - pd.DateOffset(months=1)
    logs = now.logs.as_of(day)
    about = {"model_id": key[0], "listed_fault": key[1], "known_before": day}
    about["own_rules"] = past.rules is not None
    unsaid = pd.DataFrame({"block": [None], "change": [None]}).assign(**about)
    if logs.tables["sales"].empty:
        return unsaid.assign(reason="no sale was known a month earlier")
    rules = now.settings if past.rules is None else with_own_days(logs, past.rules)
    rules = replace(rules, seed=now.settings.seed, draws=now.settings.draws)
    then = Shop(logs, rules, now.calibration, past.valuation or now.valuation(month))
    views = view_of(then, family_id, month - 1), view_of(now, family_id, month)
    found = attribute(*views, (family_id, *key))
    if isinstance(found, CannotSay):
        return unsaid.assign(reason=found.reason)
    return found.table().assign(**about, reason="")
