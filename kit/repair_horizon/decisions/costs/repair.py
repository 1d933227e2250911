"""What a repair costs: parts, labour, what breaks on the way, dead parts, and the cash tied up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from repair_horizon.decisions.costs.money import cents
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.settings import Collateral, Settings


@dataclass(frozen=True, eq=False)
class Job:
    """One repair: landed price of all parts and of the dearest one, hours, and terms.

    ``parts`` and ``main_part`` have any shape; ``doa_rate`` is the share of main parts arriving
    dead; ``cash_days`` the days from paying for the parts to the sale.
    """

    parts: Floats
    main_part: Floats
    hours: float
    doa_rate: float
    cash_days: float


def repair_cost(job: Job, settings: Settings) -> dict[str, Floats]:
    """Cost of a repair line by line, each rounded to cents.

    A job without parts (no fault found, a clean or a reset) is labour only.

    Returns
    -------
    dict
        ``parts`` (with adhesive and consumables), ``labour``, ``damage while opening``,
        ``parts dead on arrival``, ``capital on parts``.
    """
    wage = settings.bench.rate_per_hour
    labour = cents(job.hours * wage)
    if not np.any(job.parts > 0):
        return {"labour": labour}
    repair = settings.repair
    parts = cents(cents(job.parts) + repair.adhesive + repair.consumables)
    dead = job.doa_rate * (repair.doa_carriage + repair.doa_hours * wage + repair.doa_delay_cost)
    return {
        "parts": parts,
        "labour": labour,
        "damage while opening": collateral_cost(repair.collateral, wage),
        "parts dead on arrival": cents(dead),
        "capital on parts": cents(parts * settings.delay.capital_rate * job.cash_days / 365.0),
    }


def collateral_cost(risks: list[Collateral], wage: float) -> Floats:
    """Expected cost of what breaks while opening: sum of q (part + hours x wage)."""
    lines = [cents(r.probability * (r.part_cost + r.hours * wage)) for r in risks]
    return cents(sum(lines, np.asarray(0.0)))


def total(lines: dict[str, Floats]) -> Floats:
    """Sum of cost lines."""
    return cents(sum(lines.values(), np.asarray(0.0)))


def recovered_part(job: Job, settings: Settings) -> Floats:
    """Worth of the dearest part after a failed repair, to be used again."""
    return cents(job.main_part * settings.repair.reuse_factor)


def part_out_value(
    price: npt.ArrayLike, parts: int, settings: Settings, fee_rate: float, fixed: float
) -> Floats:
    """Net proceeds of breaking a unit down, before testing.

    Parameters
    ----------
    price
        What all harvestable parts together would fetch used, of any shape.
    parts
        How many they are.
    settings
        Share sold in time, hours, carriage.
    fee_rate, fixed
        The channel's share of the price and fee per order.
    """
    out = settings.part_out
    gross = cents(np.asarray(price) * out.sold_share)
    costs = parts * (fixed + out.carriage_per_part) + out.hours * settings.bench.rate_per_hour
    value: Floats = cents(gross - cents(gross * fee_rate) - cents(costs))
    return value
