"""The one place that asks the kit: its thresholds and dispositions, laid out as advice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from repair_horizon.decisions.unit.bid import unit_bid
from repair_horizon.decisions.unit.economics import unit_economics
from repair_horizon.decisions.unit.options import AS_IS as KIT_AS_IS
from repair_horizon.decisions.unit.options import MAKER as KIT_MAKER
from repair_horizon.decisions.unit.options import PART_OUT as KIT_PART_OUT
from repair_horizon.decisions.unit.options import REPAIR as KIT_REPAIR
from repair_horizon.estimation.forecast import fit, forecast
from repair_horizon.logs import CannotSay, read_logs, read_settings
from repair_horizon.tables.inputs import TABLES

from .advice import Advice
from .history import START
from .world import World
from .worth import AS_IS, MAKER, PART_OUT, REPAIR

NUMBER = {KIT_REPAIR: REPAIR, KIT_AS_IS: AS_IS, KIT_PART_OUT: PART_OUT, KIT_MAKER: MAKER}


def columns() -> dict[str, list[str]]:
    """Columns each table may have."""
    return {name: [c.name for c in table.columns] for name, table in TABLES.items()}


def kit_advice(folder: Path, world: World, first: int, months: int) -> Advice:
    """Thresholds and dispositions for some months of the replay, from a workspace alone.

    Parameters
    ----------
    folder
        The workspace as it stands.
    world
        For the order of units and states; no truth of it is looked at.
    first, months
        First month of the replay (0 is January) and how many.

    Returns
    -------
    Advice
        Of shape (units, months) and (units, states, months); nothing is bid and units are sold
        as is where the kit cannot say.
    """
    settings = read_settings(folder)
    logs = read_logs(folder)
    outlook = forecast(fit(logs), months, settings.seed, settings.draws, START + first)
    economics = unit_economics(outlook, settings)
    n, s = len(world.units), world.widest
    out = Advice(
        np.zeros((n, months)),
        np.zeros((n, months)),
        np.full((n, s, months), AS_IS),
        np.full((n, s, months), np.nan),
        np.full((n, months), np.nan),
    )
    for u, (m, fault) in enumerate(world.units):
        family = world.families[world.family[m]]
        if (world.model_ids[m], fault) not in economics.keys(family.name):
            continue
        unit = economics.unit(family.name, world.model_ids[m], fault)
        if isinstance(unit, CannotSay):
            continue
        for h in range(months):
            bid = unit_bid(unit, h)
            out.limit[u, h] = out.offer[u, h] = bid.amount
            out.promised[u, h] = bid.expected_profit
        for state, actions in zip(unit.states, unit.actions, strict=True):
            at = family.states.index(state.state)
            for h, name in enumerate(actions):
                out.choice[u, at, h] = NUMBER[name]
                out.told[u, at, h] = state.options[name].value[:, h].mean()
    return out
