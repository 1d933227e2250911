"""``shelf``: what to do with the units owned, from today's view; what they cost is sunk."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.decisions.economics import Economics
from kit.decisions.options import Bench
from kit.decisions.selling import net_sale, sale_terms
from kit.decisions.unit import StateOptions, UnitEconomics
from kit.logs import CannotSay, Logs
from kit.logs.months import month_start

SELL, HOLD, WAIT = "sell now", "hold a month", "keep out of sale"
WORKING = "working"
GONE = ("sold", "parted", "scrapped", "returned")
COLUMNS = [
    "unit_id",
    "model_id",
    "state",
    "status",
    "advice",
    "value",
    "next_best",
    "margin",
    "loss_per_week",
    "days_held",
    "landed_cost",
    "caution",
    "reason",
]


@dataclass(frozen=True)
class Interlock:
    """Something that keeps a unit out of repair or sale until it is cleared."""

    advice: str
    caution: str


def interlock(unit: pd.Series) -> Interlock | None:
    """Return what must be cleared first, the gravest first; None if nothing is in the way."""
    flags = {f.strip() for f in str(unit["flags"]).split(";")}
    if flags & {"swollen", "wet"}:
        return Interlock(
            "quarantine",
            "swollen or wet cell: do not charge, press or post; isolate, licensed collection",
        )
    if "blocked" in flags or unit["ownership_check"] == "blocked":
        return Interlock(
            "do not trade", "reported or blocked: stop, tell the authority or registry, no bypass"
        )
    if unit["ownership_check"] != "clear":
        return Interlock("check ownership", "proof of ownership and registry check come first")
    if pd.isna(unit["erase_date"]) and unit["status"] == "listed":
        return Interlock("take off sale", "no record that personal data was erased")
    return None


def shelf(logs: Logs, economics: Economics) -> pd.DataFrame:
    """Advise on every unit in stock.

    Parameters
    ----------
    logs
        Stock and catalogue.
    economics
        From ``unit_economics``; its first month is now.

    Returns
    -------
    DataFrame
        ``COLUMNS``, the dearest delay first. ``value`` is future cash of the advice, ``margin``
        its lead over the next best option, ``loss_per_week`` what waiting costs.
    """
    stock = logs.tables["stock"]
    stock = stock[~stock["status"].isin(GONE)]
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    today = month_start(economics.outlook.first_month)
    rows = []
    for _, unit in stock.iterrows():
        start = {c: unit[c] for c in ("unit_id", "model_id", "state", "status")}
        start["landed_cost"] = unit["amount"]
        start["days_held"] = max((max(today, logs.newest_day) - unit["buy_date"]).days, 0)
        rows.append({**start, **_advised(unit, str(family[unit["model_id"]]), economics)})
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.sort_values("loss_per_week", ascending=False, ignore_index=True)


def _advised(unit: pd.Series, family_id: str, economics: Economics) -> dict[str, object]:
    stop = interlock(unit)
    values = _option_values(unit, family_id, economics)
    if isinstance(values, CannotSay):
        return {
            "advice": stop.advice if stop else "cannot say",
            "caution": stop.caution if stop else "",
            "reason": values.reason,
        }
    ranked = sorted(values, key=lambda k: values[k][0], reverse=True)
    best, second = ranked[0], ranked[1] if len(ranked) > 1 else ranked[0]
    weeks = 30.4375 / 7
    held = values.get(HOLD)
    now = max(v[0] for k, v in values.items() if k != HOLD)
    out: dict[str, object] = {
        "advice": best,
        "value": values[best][0],
        "next_best": second,
        "margin": values[best][0] - values[second][0],
        "loss_per_week": (now - held[0]) / weeks if held else np.nan,
        "caution": ""
        if not pd.isna(unit["erase_date"])
        else "erase personal data and record it before sale",
        "reason": "",
    }
    if stop:
        out |= {"advice": stop.advice, "value": np.nan, "margin": np.nan, "next_best": ""}
        out["caution"] = stop.caution
    return out


def _option_values(
    unit: pd.Series, family_id: str, economics: Economics
) -> dict[str, tuple[float, float]] | CannotSay:
    """Mean value of each option now and one month on; 'hold' is the best of the latter."""
    model_id, state = str(unit["model_id"]), str(unit["state"])
    rate = economics.settings.delay.capital_rate
    if state == WORKING:
        sold = _working_value(family_id, model_id, economics)
        if isinstance(sold, CannotSay):
            return sold
        values = {SELL: sold}
    else:
        found = _find_state(family_id, model_id, state, economics)
        if isinstance(found, CannotSay):
            return found
        values = {}
        for name, option in found[1].options.items():
            path = option.value.mean(axis=0) + found[0].test_hours * found[0].wage
            values[name] = (float(path[0]), float(path[1]))
    later = max(v[1] for v in values.values())
    held = later - max(later, 0.0) * rate / 12.0
    return {**values, HOLD: (held, held)}


def _working_value(
    family_id: str, model_id: str, economics: Economics
) -> tuple[float, float] | CannotSay:
    """Net proceeds of selling a working unit now and in a month, listing and selling days on."""
    family = economics.outlook.families[family_id]
    if isinstance(family, CannotSay):
        return family
    at = family.models.index(model_id)
    if not np.isfinite(family.level[:, at, 0]).all():
        return CannotSay(family.reasons.get(model_id, "no forecast for the model"))
    rules = economics.settings.for_class(family.estimates.device_class)
    bench = Bench(family, rules, sale_terms(rules), model_id, economics.outlook.months)
    days = rules.delay.listing_days + rules.delay.selling_days
    net = net_sale(bench.price_after(days), bench.terms).mean(axis=0)
    return float(net[0]), float(net[1])


def _find_state(
    family_id: str, model_id: str, state: str, economics: Economics
) -> tuple[UnitEconomics, StateOptions] | CannotSay:
    """A listed fault of the family that may turn out to be the state, and the state's options."""
    for model, fault in economics.keys(family_id):
        if model != model_id:
            continue
        unit = economics.unit(family_id, model_id, fault)
        if isinstance(unit, CannotSay):
            return unit
        for options in unit.states:
            if options.state == state:
                return unit, options
    return CannotSay(f"fault_states.csv has no state {state!r} for the family")
