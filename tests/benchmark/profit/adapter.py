"""The one place that asks the kit: its thresholds and dispositions, laid out as advice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from repair_horizon.decisions.month.thresholds import bid_row
from repair_horizon.decisions.review.forecast_ledger import promise_of
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.shop import open_shop
from repair_horizon.tables.codes import Action, Verdict
from repair_horizon.tables.inputs import LEDGER, TABLES

from .advice import ASKS, Advice, asked
from .history import START, Promises
from .kit_belief import part_codes
from .world import World
from .worth import AS_IS, MAKER, PART_OUT, REPAIR

NUMBER = {
    Action.REPAIR: REPAIR,
    Action.SELL_AS_IS: AS_IS,
    Action.PART_OUT: PART_OUT,
    Action.MAKER: MAKER,
}


def columns() -> dict[str, list[str]]:
    """Columns each table may have."""
    tables = {**TABLES, LEDGER.name: LEDGER}
    return {name: [c.name for c in table.columns] for name, table in tables.items()}


def kit_advice(
    folder: Path, world: World, first: int, months: int, private: bool, promises: Promises
) -> Advice:
    """Thresholds and dispositions for some months of the replay, from a workspace alone.

    Parameters
    ----------
    folder
        The workspace as it stands.
    world
        For the order of units and states; no truth of it is looked at.
    first, months
        First month of the replay (0 is January) and how many.
    private
        Whether offers to private sellers are wanted.
    promises
        What the kit writes into its ledger of forecasts is put here, by unit and month.

    Returns
    -------
    Advice
        Of shape (units, months) and (units, states, months). Where the verdict is not to buy
        nothing is bid; a state the kit does not know is taken for the one whose parts are most
        alike.
    """
    shop = open_shop(folder)
    n, s = len(world.units), world.widest
    out = Advice(
        np.zeros((n, months)),
        np.zeros((len(ASKS) if private else 1, n, months)),
        np.full((n, s, months), AS_IS),
        np.full((n, s, months), np.nan),
        np.full((n, months), np.nan),
    )
    place = {(world.model_ids[m], fault): u for u, (m, fault) in enumerate(world.units)}
    # What ``shop.thresholds`` and ``shop.dispositions`` say, for several months at one go.
    economics = shop.economics(shop.logs.families, START + first, months)
    for family_id in shop.logs.families:
        for unit in economics.units(family_id):
            if isinstance(unit, UnitEconomics):
                u = place.get((unit.model_id, unit.listed_fault))
                if u is not None:
                    _lay(out, unit, world, u)
                    for h in np.flatnonzero(out.limit[u] > 0):
                        price, known = float(out.limit[u, h]), Outcomes(unit, int(h))
                        promises[u, world.history + first + int(h)] = {
                            "price": price,
                            **promise_of(known, unit.landing, price, private),
                        }
    for h in range(months if private else 0):
        month = START + first + h
        told = shop.bids(_offers(world, month), month).set_index("listing_id")
        good = (told["advice"] == "bid") & np.isfinite(told["offer"])
        offer = told["offer"].where(good, 0.0).reindex(_listing_ids(n))
        out.offer[:, :, h] = offer.to_numpy(dtype="float64").reshape(len(ASKS), n)
        profit = told["expected_profit"].where(good).reindex(_listing_ids(n))
        out.promised[:, h] = profit.to_numpy(dtype="float64").reshape(len(ASKS), n)[len(ASKS) // 2]
    return out


def _lay(out: Advice, unit: UnitEconomics, world: World, u: int) -> None:
    """Fill in a unit's bids, what is advised in each state, and the value told of it."""
    family = world.families[world.family[world.units[u][0]]]
    rows = unit.family.estimates.rates.by_fault[unit.listed_fault]
    parts = {str(r["state"]): part_codes(r) for r in rows}
    states = {state.state: state for state in unit.states}
    for h in range(out.limit.shape[1]):
        row = bid_row(Outcomes(unit, h))
        if row["verdict"] == Verdict.BUY:
            out.limit[u, h], out.promised[u, h] = row["max_bid"], row["expected_profit"]
        for at in np.flatnonzero(family.shares[unit.listed_fault] > 0):
            state = states.get(_like(family.states[at], family.parts[at], parts))
            if state is not None:
                option = state.advised(h)
                out.choice[u, at, h] = NUMBER.get(str(option), AS_IS)
                charge = np.asarray(state.options[option].charge)
                charge = charge[:, h].mean() if charge.ndim == 2 else charge.mean()
                out.told[u, at, h] = state.certainty[option][h] + charge  # in money, as is true


def _like(state: str, codes: tuple[str, ...], parts: dict[str, tuple[str, ...]]) -> str:
    """The kit's state of that name, else the one with most of its parts and fewest others."""
    if state in parts:
        return state
    wanted = set(codes)
    alike = {
        name: len(wanted & set(mine)) / len(wanted | set(mine))
        for name, mine in parts.items()
        if wanted & set(mine)
    }
    return max(alike, key=lambda name: alike[name], default="")


def _offers(world: World, month: int) -> pd.DataFrame:
    """A private listing of every unit at each price asked."""
    n, many = len(world.units), len(ASKS)
    table = pd.DataFrame({c.name: [""] * n * many for c in TABLES["listings"].columns})
    return table.assign(
        listing_id=_listing_ids(n),
        model_id=[world.model_ids[m] for m, _ in world.units] * many,
        listed_fault=[fault for _, fault in world.units] * many,
        end_time=pd.Timestamp(year=month // 12, month=month % 12 + 1, day=15),
        current_bid=asked(world, np.array([world.history + month - START]))[:, :, 0].ravel(),
        shipping=np.nan,
        premium_rate=np.nan,
        final_price=np.nan,
        terms="private",
        quantity=1.0,
    )


def _listing_ids(n: int) -> list[str]:
    return [f"P{a}-{u}" for a in range(len(ASKS)) for u in range(n)]
