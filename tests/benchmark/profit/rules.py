"""Rules of thumb: what is done without a kit, from the same tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from .advice import Advice
from .costs import SHIPPING
from .device_truths import KINDS
from .history import date
from .world import World
from .worth import AS_IS, REPAIR

Floats = npt.NDArray[np.float64]

# A part nobody quoted is guessed at these shares of the resale price (common practice, no source).
GUESSED = {"DA": 0.35, "BAT": 0.10}
GUESSED_OTHER = 0.10
MARGIN, SHARE = 60.0, 0.30


@dataclass(frozen=True, eq=False)
class Known:
    """What a rule looks at, by unit: last median price, parts, hours; and what is then done."""

    price: Floats
    parts: Floats
    hours: Floats
    choice: npt.NDArray[np.int64]


def margin(world: World, known: Known) -> Floats:
    """Last median price less costs less 60."""
    c = world.costs
    left = c.net(known.price) - c.reserve - known.parts - known.hours * c.wage - c.test
    return (left - MARGIN - c.inbound) / (1 + c.premium)


def half(world: World, known: Known) -> Floats:
    """Price and part together under half of resale."""
    return 0.5 * known.price - known.parts


def third(world: World, known: Known) -> Floats:
    """Thirty per cent of the working price."""
    return SHARE * known.price


RULES = {"margin 60": margin, "half": half, "30 %": third}


def rule_advice(world: World, known: list[Known]) -> dict[str, Advice]:
    """Advice of every rule; ``known`` has what it looks at in each month of the replay."""
    out = {}
    for name, rule in RULES.items():
        limit = np.stack([np.maximum(rule(world, k), 0.0) for k in known], axis=1)
        limit = np.where(np.isfinite(limit) & (limit >= 5.0), np.floor(limit), 0.0)
        choice = np.stack([k.choice for k in known], axis=2)
        blank = np.full(choice.shape, np.nan)
        offer = world.costs.direct(limit) if rule is margin else limit
        out[name] = Advice(limit, offer[None], choice, blank, np.full(limit.shape, np.nan))
    return out


def looked_up(world: World, tables: dict[str, pd.DataFrame], month: int) -> Known:
    """Last median price of each model (90 days, else the last five), newest quotes, usual job."""
    sales = tables["sales"]
    sales = sales[sales["condition"] == "working"]
    since = date(world, month - 3)
    price = {}
    for model, rows in sales.groupby("model_id"):
        new = rows[rows["sale_date"] >= since]
        last = new if len(new) else rows.sort_values("sale_date").tail(5)
        price[model] = float(last["gross_amount"].astype(float).median())
    quotes = tables.get(
        "part_quotes", pd.DataFrame(columns=["model_id", "part_code", "unit_price"])
    )
    newest = {
        key: float(rows["unit_price"].iloc[-1])
        for key, rows in quotes.groupby(["model_id", "part_code"])
    }
    n = len(world.units)
    out = Known(*(np.full(n, np.nan) for _ in range(3)), np.zeros((n, world.widest), dtype="int64"))
    for u, (m, fault) in enumerate(world.units):
        family, model = world.families[world.family[m]], world.model_ids[m]
        usual = _usual_state(tables, world, m, fault)
        now = price.get(model, np.nan)
        codes = family.parts[usual]
        guess = [GUESSED.get(c, GUESSED_OTHER) * now for c in codes]
        costs = [newest.get((model, c), g) + SHIPPING for c, g in zip(codes, guess, strict=True)]
        out.price[u], out.parts[u] = now, sum(costs)
        hours, success = _declared(tables, world, m)
        out.hours[u] = hours[usual]
        out.choice[u, : success.size] = np.where(success >= 0.5, REPAIR, AS_IS)
    return out


def _usual_state(tables: dict[str, pd.DataFrame], world: World, m: int, fault: str) -> int:
    """State a fault commonly turns out to be, as declared, else as every repairer knows."""
    family = world.families[world.family[m]]
    if "fault_states" in tables:
        return int(np.argmax(family.declared_shares[fault]))
    told = KINDS[world.family[m]][1].faults[fault][1]
    return family.states.index(max(told, key=lambda s: told[s]))


def _declared(tables: dict[str, pd.DataFrame], world: World, m: int) -> tuple[Floats, Floats]:
    family = world.families[world.family[m]]
    if "fault_states" in tables:
        return family.declared_hours, family.declared_success
    states = [KINDS[world.family[m]][1].states[s] for s in family.states]
    return np.array([s.hours for s in states]), np.array([s.success for s in states])
