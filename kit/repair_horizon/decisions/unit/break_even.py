"""How far a unit's repair may worsen: break-even success rate, part price and maker's quote."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import SaleTerms, net_sale
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.disposition import (
    MakerTerms,
    RepairAtGate,
    break_even_maker_quote,
    break_even_part_price,
    break_even_success,
    part_slope,
)
from repair_horizon.decisions.unit.options import AS_IS, REPAIR
from repair_horizon.decisions.unit.outcomes import StateOptions
from repair_horizon.tables.settings import Settings

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class AtGate:
    """What can be done with one unit: mean value of each option by month from now.

    ``options`` are the state's, with their draws; None for a working unit.
    """

    bench: Bench
    fault: str
    paths: Mapping[str, Floats]
    options: StateOptions | None

    @property
    def rules(self) -> Settings:
        """Settings from where the unit stands."""
        return self.bench.settings

    @property
    def terms(self) -> SaleTerms:
        """Costs of the planning channel."""
        return self.bench.terms

    @property
    def hours(self) -> float:
        """Bench hours own repair should take; none if there is no repair."""
        repair = None if self.options is None else self.options.repair
        return 0.0 if repair is None else repair.hours

    @property
    def alternative(self) -> float:
        """Best value now of anything but own repair."""
        return max((float(p[0]) for n, p in self.paths.items() if n != REPAIR), default=np.nan)


def break_evens(found: AtGate) -> dict[str, object]:
    """Break-even figures of own repair, as table entries; none for what cannot be repaired."""
    options = found.options
    if options is None or options.repair is None:
        return {}
    repair = options.repair
    good = np.einsum("dg,dg->d", repair.by_grade[:, 0], repair.grade_shares)
    rho = float(repair.success.mean())
    own = float(found.paths[REPAIR][0])
    # What risk costs stands with failure, so that the three figures are zeros of the value told.
    mean_good = float((repair.success * good).mean()) / rho if rho else float(good.mean())
    bad = (own - rho * mean_good) / (1 - rho) if rho < 1 else float(repair.failed[:, 0].mean())
    at = RepairAtGate(mean_good, bad, rho, repair.hours)
    lead = own - found.alternative
    code, price = main_part(found.bench, list(options.codes))
    delay = found.rules.delay
    days = delay.bench_days + delay.listing_days + delay.selling_days
    slope = part_slope(rho, (delay.capital_rate, days), found.rules.repair.reuse_factor)
    return {
        "break_even_success": break_even_success(at, found.alternative),
        "part_code": code,
        "break_even_part_price": break_even_part_price(price, lead, slope) if code else np.nan,
        "break_even_maker_quote": break_even_maker_quote(
            maker_terms(found), float(found.paths[AS_IS][0]), own
        ),
    }


def main_part(bench: Bench, codes: list[str]) -> tuple[str, float]:
    """Code and price now of the dearest part a state needs; empty if it needs none."""
    paths = {c: bench.part(c) for c in codes}
    prices = {c: float(p.price[:, 0].mean()) for c, p in paths.items() if p is not None}
    code = max(prices, key=lambda c: prices[c], default="")
    return code, prices.get(code, 0.0)


def maker_terms(found: AtGate) -> MakerTerms:
    """Terms of the maker's service for a unit, at its usual turnaround."""
    bench, terms, delay = found.bench, found.rules.maker, found.rules.delay
    days = delay.inbound_days + terms.lead_days + delay.listing_days + delay.selling_days
    factors = np.stack([bench.outlook.grade[g] for g in found.rules.grade_order], axis=-1)
    mix = np.einsum("dg,dg->d", factors, bench.outlook.grade_shares)
    price = bench.price_after(days)[:, 0] * mix * terms.price_factor
    net = net_sale(price, bench.terms, terms.reserve).mean() - bench.test_cost
    admin = float(cents(terms.admin_hours * found.rules.bench.rate_per_hour)) + terms.carriage
    return MakerTerms(terms.success, float(net), admin, terms.refused_fee)
