"""One family worked out for one month, as the tables its page is made of.

``family_asked`` is the notebook's one call, from its parameters to the tables; ``family_month``
works a family of an open shop out. Bids, dates, options, end states and where the money
goes are tabulated here, what the logs say in ``estimates``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.month.opportunity_cost import listings_per_month
from repair_horizon.decisions.month.questions_asked import bid_moves, sensitivity, turning_points
from repair_horizon.decisions.month.shelf import shelf
from repair_horizon.decisions.month.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    REPAIR_STOP,
    StopMonths,
    date_rows,
    needed_until,
    part_rows,
    stop_chances,
    unit_stops,
)
from repair_horizon.decisions.month.thresholds import bid_path, bid_row, option_paths
from repair_horizon.decisions.review.why_changed import View, attribute
from repair_horizon.decisions.unit.bid import Outcomes, hammer_price
from repair_horizon.decisions.unit.bid_limits import break_even_bids
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.options import AS_IS, MAKER, PART_OUT, REPAIR
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.demo import demo_folder
from repair_horizon.estimation.time_on_market import with_own_days
from repair_horizon.fitted_shop import NEAR
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs, Settings, read_settings
from repair_horizon.logs.workspace import read_once
from repair_horizon.reports import estimates
from repair_horizon.reports.estimates import Worked, worked_out
from repair_horizon.reports.made_from import NOTHING_BEFORE, Before, before_tables
from repair_horizon.reports.month_tables import (
    LEVEL,
    TABLES,
    UNIT,
    FamilyMonth,
    earnings,
    invented_note,
    main_row,
)
from repair_horizon.shop import Shop, shop_of
from repair_horizon.tables.arrays import Columns, tabled
from repair_horizon.tables.codes import Confidence, Verdict
from repair_horizon.tables.months import month_start, parse_month
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import part_words

# A kernel that is kept has the shop of its last page still, and that of a month before.
_shops: WeakKeyDictionary[Logs, tuple[str, Shop]] = WeakKeyDictionary()
_before: WeakKeyDictionary[Shop, tuple[str, Shop]] = WeakKeyDictionary()


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
    return replace(read_settings(workspace or demo_folder()), **changes)


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
    place = workspace or demo_folder()
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


def family_month(
    shop: Shop, family_id: str, month: int, before: Before = NOTHING_BEFORE
) -> FamilyMonth:
    """Work out one family for one month, by its number, of a business as known for the report.

    ``before`` is what is known of last month's report, which the bid's change is told from. Where
    nothing can be said of the family, its tables are empty but for the reasons.
    """
    worked = worked_out(shop, family_id, month)
    models = estimates.model_table(worked)
    decisions = _decisions(worked, models)
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
    names = OUTPUTS[name].names
    return table if list(table.columns) == names else table[names]


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
        turning = _turning_words(economics, unit)
        found["changes"] = _changes(worked, key, before)
    return found, turning


def view_of(shop: Shop, family_id: str, month: int, model_id: str) -> View:
    """What a month's bid for a model is worked out from: the shop's own draws and charges."""
    drawn = partial(shop.outlook, family_id, only=(model_id,))
    return View(drawn, shop.settings, month, shop.valuation(month))


def _changes(worked: Worked, key: tuple[str, str], past: Before) -> pd.DataFrame:
    """Share the change of a bid since last month out among its causes, the largest first.

    Last month is worked out with its own settings; with those as they are now where its own were
    not kept, which ``own_rules`` says. One row with a reason where no change can be said. See
    ``repair_horizon.decisions.review.why_changed``.
    """
    now, family_id, month = worked.shop, worked.family_id, worked.first_month
    day = pd.Timestamp(past.known) if past.known else now.now - pd.DateOffset(months=1)
    then = _month_before(now, day, past, month)
    about = {"model_id": key[0], "listed_fault": key[1], "known_before": day}
    about["own_rules"] = past.rules is not None
    unsaid = pd.DataFrame({"block": [None], "change": [None]}).assign(**about)
    if then.logs.tables["sales"].empty:
        return unsaid.assign(reason="no sale was known a month earlier")
    views = view_of(then, family_id, month - 1, key[0]), view_of(now, family_id, month, key[0])
    found = attribute(*views, (family_id, *key))
    if isinstance(found, CannotSay):
        return unsaid.assign(reason=found.reason)
    return found.table().assign(**about, reason="")


def _month_before(now: Shop, day: pd.Timestamp, past: Before, month: int) -> Shop:
    """The business as it was known a day earlier, the same for every family of a month."""
    key = f"{day} {past.rules!r} {past.valuation!r} {month}"
    if now not in _before or _before[now][0] != key:
        logs = now.logs.as_of(day)
        rules = now.settings if past.rules is None else with_own_days(logs, past.rules)
        rules = replace(rules, seed=now.settings.seed, draws=now.settings.draws)
        worth = past.valuation or now.valuation(month)
        _before[now] = key, now.as_known(logs, rules, worth)
    return _before[now][1]


@dataclass(frozen=True, eq=False)
class _Decided:
    """One model and listed fault: its tables, and its rows of stop_dates and thresholds."""

    tables: dict[str, Columns]
    dates: list[dict[str, object]]
    threshold: dict[str, object]


def _decisions(worked: Worked, models: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Work the units out one after the other, keeping their tables and not their draws."""
    economics = worked.shop.economics(worked.family_id, worked.first_month)
    about = models.set_index("model_id")
    done, needed, unsaid = [], [], []
    for unit in economics.units(worked.family_id):
        if isinstance(unit, UnitEconomics):
            done.append(_decided(worked, unit, about.loc[unit.model_id]))
            needed.append(needed_until(unit))
        else:
            unsaid.append(unit)
    if not done and not unsaid:
        why = CannotSay("fault_states.csv names no fault for the family")
        why = worked.family if isinstance(worked.family, CannotSay) else why
        unsaid = [(str(m), "", why) for m in models["model_id"]]
    dates = [row for d in done for row in d.dates]
    dates += part_rows(needed, economics.outlook.months, LEVEL, worked.first_month)
    rows = [d.threshold for d in done]
    for model_id, fault, why in unsaid:
        row = {"model_id": model_id, "listed_fault": fault, "reason": why.reason}
        stops = (BUY_STOP, BID_ZERO, REPAIR_STOP)
        dates += [{**row, "part_code": "", "date_name": name} for name in stops]
        verdict = {"confidence": Confidence.CANNOT_SAY, "verdict": Verdict.CANNOT_SAY}
        rows.append({**row, **verdict, **about.loc[model_id, ["n_sales", "model_name"]]})
    names = ("bid_path", "stop_chances", "options", "end_states", "waterfall")
    return {
        **{name: _of_units(done, name) for name in names},
        "stop_dates": OUTPUTS["stop_dates"].table(dates).assign(family_id=worked.family_id),
        "thresholds": _with_earnings(
            OUTPUTS["thresholds"].table(rows).assign(caution=BEFORE_BUYING), worked
        ),
    }


def _of_units(done: Sequence[_Decided], name: str) -> pd.DataFrame:
    """Put one table of every unit under each other, each row with its model and listed fault."""
    parts = [d.tables[name] for d in done]
    lengths = [len(next(iter(columns.values()))) for columns in parts]
    if not sum(lengths):
        return OUTPUTS[name].empty()
    named = {key: np.array([d.threshold[key] for d in done], dtype=object) for key in UNIT}
    whole = {key: np.repeat(names, lengths) for key, names in named.items()}
    found = [columns for columns, length in zip(parts, lengths, strict=True) if length]
    whole |= {name: np.concatenate([columns[name] for columns in found]) for name in found[0]}
    return tabled(whole)


def _decided(worked: Worked, unit: UnitEconomics, model: pd.Series) -> _Decided:
    """Work out one unit; the unit itself, large with its draws, can then be let go."""
    bids = bid_path(unit, worked.first_month)
    stops = unit_stops(unit, bids["exact_bid"])
    dates = date_rows(unit, stops, LEVEL, worked.first_month)
    by_unit = {
        "stop_chances": stop_chances(stops, worked.first_month),
        "options": _options(worked, unit),
        "end_states": _end_states(unit),
        "waterfall": _waterfall(unit, float(bids["exact_bid"][0])),
    }
    columns = OUTPUTS["thresholds"].names
    now = {**dict.fromkeys(UNIT), **bid_row(Outcomes(unit, 0))}
    threshold: dict[str, object] = {c: v for c, v in now.items() if c in columns}
    threshold |= {"model_id": unit.model_id, "listed_fault": unit.listed_fault}
    by_date = {str(d["date_name"]): d for d in dates}
    for name, date in (("buy_stop", BUY_STOP), ("repair_stop", REPAIR_STOP)):
        threshold |= {f"{name}_{end}": by_date[date][end] for end in ("lower", "median", "upper")}
    threshold |= {
        "repair_stop_said": _in_place_of_a_month(by_date[REPAIR_STOP], stops[REPAIR_STOP]),
        "bid_next_month": bids["max_bid"][:2][-1],
        "main_state": unit.main.state,
        **{column: model[column] for column in ("n_sales", "confidence", "model_name")},
    }
    return _Decided({"bid_path": bids, **by_unit}, dates, threshold)


def _in_place_of_a_month(date: dict[str, object], stop: StopMonths | CannotSay) -> str:
    """What is said of a stop for which no month is told; empty where one is."""
    return f"cannot say: {stop.reason}" if isinstance(stop, CannotSay) else str(date["unsure"])


def _with_earnings(table: pd.DataFrame, worked: Worked) -> pd.DataFrame:
    """Add the family, listings a month, and what the model and fault earns on average a month."""
    logs = worked.shop.logs
    rates = listings_per_month(logs.tables["listings"], logs.newest_day)
    keys = pd.MultiIndex.from_frame(table[UNIT].astype(str))
    per_month = rates.reindex(keys).to_numpy(float) if len(rates) else np.nan
    earned = {"listings_per_month": per_month, "earns_per_month": earnings(table) * per_month}
    return table.assign(family_id=worked.family_id, **earned)


def _options(worked: Worked, unit: UnitEconomics) -> Columns:
    """Value of every option for a unit owned in its main state, by month, with an interval."""
    known = unit.main.options
    names = [n for n in (REPAIR, AS_IS, PART_OUT, MAKER) if n in known] or list(known)
    return option_paths(unit.main, names, worked.first_month, LEVEL)


def _end_states(unit: UnitEconomics) -> Columns:
    """Where a unit bought this month may end: share, value, and the bid that breaks even."""
    states, landing = unit.end_states(0), unit.landing
    share = states.weight.sum(axis=0)
    safe = np.maximum(share, 1e-12)
    theta = margin_fraction(unit.settings)
    even = break_even_bids(states, landing.segments[0], landing.kappa, theta)
    names = np.array(unit.labels(0), dtype=object)
    return {
        "state": names[:, 0],
        "action": names[:, 1],
        "share": share,
        "value": (states.weight * states.value).sum(axis=0) / safe,
        "break_even_bid": (states.weight * even).sum(axis=0) / safe,
    }


def _waterfall(unit: UnitEconomics, exact_bid: float) -> Columns:
    """Where the money goes, from the resale price of a repaired unit down to the maximum bid.

    For a unit in the main state that repair mends, at its expected grade; the step 'other states
    and failures' is what separates that unit from the expected one, so the lines add up exactly.
    """
    option = unit.main.repair
    if option is None:
        return {"line": np.array([]), "amount": np.array([]), "kind": np.array([])}
    shares = option.grade_shares
    price = float((option.price_by_grade[:, 0] * shares).sum(axis=1).mean())
    good = float((option.by_grade[:, 0] * shares).sum(axis=1).mean())
    spent = {k: float(np.mean(v[:, 0] if np.ndim(v) > 1 else v)) for k, v in option.lines.items()}
    testing = unit.test_hours * unit.wage
    charge = unit.valuation.charge(option.hours + unit.test_hours)
    if charge:
        spent["charge for scarce bench hours"] = charge
    worth = float(unit.value[:, 0].mean())
    bid = max(exact_bid, 0.0)
    buying = unit.landing.landed(bid) * (1 + unit.landing.kappa) - bid
    less = {
        "selling and reserves": price - good - sum(spent.values()) - testing,
        **spent,
        "testing": testing,
        "other states and failures": good - worth,
        "premium, carriage, cash tied up": buying,
        "risk, target and tax": worth - buying - bid,
    }
    lines = ["resale price, repaired", *less, "maximum bid"]
    return {
        "line": np.array(lines, dtype=object),
        "amount": np.array([price, *(-amount for amount in less.values()), bid]),
        "kind": np.array(["start", *["less"] * len(less), "result"], dtype=object),
    }


def _turning_words(economics: Economics, unit: UnitEconomics) -> str:
    """Say which single change would bring the bid to the usual hammer price; empty if unknown."""
    usual = hammer_price(unit, 0)[1]
    if np.isnan(usual):
        return ""
    moves = bid_moves(economics, unit)
    moves = replace(moves, part_code=part_words(moves.part_code) if moves.part_code else "")
    return turning_points(usual - unit.exact_bid(0), moves)
