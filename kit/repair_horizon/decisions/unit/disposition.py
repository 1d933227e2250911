"""The re-decide gate: what keeps an owned unit back, what it is worth, what its repair may bear.

Only future cash counts; what was paid is sunk. With V+ the value of a repair that succeeds, V- of
one that fails, rho its success rate and A the best alternative to own repair:

    success rate at break-even   (A - V-) / (V+ - V-)
    part price at break-even     p + (rho V+ + (1 - rho) V- - A) / slope,  slope = -dV/dp
    maker's quote at break-even  [rho_m (N - c) + (1 - rho_m)(A - c - f) - V] / rho_m

with N the net sale after the maker's repair, c carriage and paperwork, f the refused-quote fee and
V the value of own repair. A part dearer by one costs its interest too, and comes back in part when
the repair fails.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import SaleTerms, net_sale
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.options import AS_IS, NOT_FOR_SALE, REPAIR
from repair_horizon.decisions.unit.outcomes import StateOptions
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS
from repair_horizon.tables.settings import Settings

HOLD_WEEKS = (2, 4, 8)


@dataclass(frozen=True)
class Interlock:
    """Something that keeps a unit out of repair or sale until it is cleared.

    ``by_us`` says that we can clear it, so that it is worth knowing what would be best then;
    ``before_sale`` that work may go on meanwhile and only the sale must wait.
    """

    advice: str
    caution: str
    by_us: bool = False
    before_sale: bool = False


TAKE_OFF_SALE, ERASE_BEFORE_SALE = "take off sale", "erase before sale"

SWOLLEN_OR_WET = Interlock(
    "quarantine",
    "swollen or wet cell: do not charge, press or post; isolate, licensed collection",
)
BLOCKED = Interlock(
    "do not trade", "reported or blocked: stop, tell the authority or registry, no bypass"
)
LOCKED = Interlock(
    "do not trade", "locked: only its owner can release it, no bypass; not sold until released"
)
UNPROVEN = Interlock("check ownership", "proof of ownership and registry check come first", True)
NOT_ERASED = Interlock(
    "erase first",
    "no record that personal data was erased: erase and note it before any sale; storage that "
    "cannot be erased is destroyed or stays off sale",
    True,
    True,
)
NOT_ERASED_LISTED = Interlock(
    TAKE_OFF_SALE, "listed, but no record that personal data was erased", True, True
)


def interlock(unit: pd.Series) -> Interlock | None:
    """Return what must be cleared first; None if nothing is in the way.

    Parameters
    ----------
    unit
        ``flags`` (joined by ;), ``ownership_check``, ``state``, ``erase_date`` and ``status`` of
        stock.csv.
    """
    flags = {f.strip() for f in str(unit["flags"]).split(";")}
    if flags & {"swollen", "wet"}:
        return SWOLLEN_OR_WET
    if "blocked" in flags or unit["ownership_check"] == "blocked":
        return BLOCKED
    if unit["state"] in NOT_FOR_SALE:
        return LOCKED
    if unit["ownership_check"] != "clear":
        return UNPROVEN
    if pd.isna(unit["erase_date"]):
        return NOT_ERASED_LISTED if unit["status"] == "listed" else NOT_ERASED
    return None


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


@dataclass(frozen=True)
class MakerTerms:
    """The maker's service: its success rate, net sale after it, carriage and paperwork, fee."""

    success: float
    net: float
    carriage_admin: float
    refused_fee: float


def break_even_success(good: float, bad: float, alternative: float) -> float:
    """Success rate at which repair and the best alternative are worth the same.

    ``good`` and ``bad`` are the values of a repair that succeeds and of one that fails. Above 1
    repair cannot win, below 0 it cannot lose; missing where success gains nothing.
    """
    return (alternative - bad) / (good - bad) if good > bad else float("nan")


def part_slope(success: float, capital_rate: float, days: float, reuse: float) -> float:
    """Return what repair loses per unit of part price.

    Parameters
    ----------
    success
        Success rate.
    capital_rate, days
        Yearly cost of cash, and days from paying for the part to the sale.
    reuse
        Share of the part's price that comes back when the repair fails.
    """
    return 1.0 + capital_rate * days / 365.0 - (1.0 - success) * reuse


def break_even_part_price(price: float, lead: float, slope: float) -> float:
    """Part price at which repair's lead over the best alternative is gone."""
    return price + lead / slope


def break_even_maker_quote(terms: MakerTerms, alternative: float, own: float) -> float:
    """Maker's quote at which its service is worth the same as own repair."""
    done = terms.success * (terms.net - terms.carriage_admin)
    refused = (1 - terms.success) * (alternative - terms.carriage_admin - terms.refused_fee)
    return (done + refused - own) / terms.success


def stop_loss_hours(planned: float, lead: float, rate: float) -> float:
    """Bench hours at which the job has eaten repair's lead; no more should go into it.

    Parameters
    ----------
    planned
        Hours the job should take.
    lead
        Value of repair above the best alternative.
    rate
        Worth of a bench hour; without one only the planned hours are told.
    """
    return planned + max(lead, 0.0) / rate if rate > 0 else planned


def held_value(paths: Mapping[str, Floats], weeks: float, capital_rate: float) -> float:
    """Value today of keeping a unit for some weeks and then taking the best option.

    Parameters
    ----------
    paths
        Mean value of each option by month from now, (months,); between months it is straight.
    weeks
        How long; at most as far as the paths reach.
    capital_rate
        Yearly cost of the cash the unit is worth.

    Returns
    -------
    float
        The best option's value then, less interest; an option worth less than nothing is not
        made better by waiting.
    """
    at = weeks * 7.0 / AVERAGE_MONTH_DAYS
    later = max(float(np.interp(at, np.arange(len(p)), p)) for p in paths.values())
    return later - max(later, 0.0) * capital_rate * weeks * 7.0 / 365.0


def offer_floor(worth: float, kept: float, fixed: float) -> float:
    """Lowest gross offer to accept today, to the cent above.

    Parameters
    ----------
    worth
        Value of going on as advised, future cash seen from today.
    kept
        Share of an offer left after fees and tax.
    fixed
        Fixed fee, carriage and packaging of the sale.
    """
    return float(np.ceil(np.round(max((worth + fixed) / kept, 0.0) * 100.0, 6)) / 100.0)


def break_evens(found: AtGate) -> dict[str, object]:
    """Break-even figures of own repair, as table entries; none for what cannot be repaired."""
    options = found.options
    if options is None or options.repair is None:
        return {}
    repair = options.repair
    worked = np.einsum("dg,dg->d", repair.by_grade[:, 0], repair.grade_shares)
    rho = float(repair.success.mean())
    own = float(found.paths[REPAIR][0])
    # What risk costs stands with failure, so that the three figures are zeros of the value told.
    good = float((repair.success * worked).mean()) / rho if rho else float(worked.mean())
    bad = (own - rho * good) / (1 - rho) if rho < 1 else float(repair.failed[:, 0].mean())
    code, price = main_part(found.bench, list(options.codes))
    delay = found.rules.delay
    slope = part_slope(rho, delay.capital_rate, delay.parts_days, found.rules.repair.reuse_factor)
    dearest = break_even_part_price(price, own - found.alternative, slope) if code else np.nan
    as_is, terms = float(found.paths[AS_IS][0]), maker_terms(found)
    return {
        "break_even_success": break_even_success(good, bad, found.alternative),
        "part_code": code,
        "break_even_part_price": dearest,
        "break_even_maker_quote": break_even_maker_quote(terms, as_is, own),
    }


def main_part(bench: Bench, codes: list[str]) -> tuple[str, float]:
    """Code and price now of the dearest part a state needs; empty if it needs none."""
    paths = {c: bench.part(c) for c in codes}
    prices = {c: float(p.price[:, 0].mean()) for c, p in paths.items() if p is not None}
    code = max(prices, key=lambda c: prices[c], default="")
    return code, prices.get(code, 0.0)


def maker_terms(found: AtGate) -> MakerTerms:
    """Terms of the maker's service for a unit, at its usual turnaround."""
    bench, terms = found.bench, found.rules.maker
    days = found.rules.delay.maker_days(terms.lead_days)
    price = bench.price_after(days)[:, 0] * bench.usual_grade
    net = net_sale(price * terms.price_factor, bench.terms, terms.reserve).mean() - bench.test_cost
    admin = float(cents(terms.admin_hours * found.rules.bench.rate_per_hour)) + terms.carriage
    return MakerTerms(terms.success, float(net), admin, terms.refused_fee)
