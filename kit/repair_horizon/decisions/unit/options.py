"""What can be done with a unit in a known state, and what each option is worth from there on.

Values are future cash only: what was paid for the unit never appears. Each is (draws, months):
the value of taking the option in that month, in that world.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.repair import (
    Job,
    part_out_value,
    recovered_part,
    repair_cost,
    total,
)
from repair_horizon.decisions.costs.sale import net_of, reserve_per_unit
from repair_horizon.decisions.unit.bench import Bench, PartOffer, days_to_cash
from repair_horizon.estimation.broken_prices import OTHER
from repair_horizon.estimation.pooled_ratios import works
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.words import part_codes

REPAIR, AS_IS, PART_OUT, MAKER = "repair", "sell as is", "part out", "maker's service"
NOT_FOR_SALE = ("locked", "blocked")
NO_REPAIR = "no repair is known for this state"
HARVESTED = ("original_refurbished", "maker_original", "aftermarket", "pulled")
"""Whose price a harvested part's is a share of: the first of these the family has a quote of."""
SYMPTOM_WEIGHT = 1 / 3
"""Part of the listed fault in the as-is price of a unit found to have less (judgement)."""


def untouched_name(state: str) -> str:
    """Name of leaving a unit as it is: sold as is, or not sold while locked or blocked."""
    return f"not sold: {state}" if state in NOT_FOR_SALE else AS_IS


@dataclass(frozen=True, eq=False)
class Option:
    """One option: value and gross price per draw and month, hours and cash in parts.

    ``charge`` is the opportunity cost of hours and cash within the value, per draw and month or
    one for all.
    """

    value: Floats
    price: Floats
    hours: float = 0.0
    parts_cash: float | Floats = 0.0
    charge: float | Floats = 0.0


@dataclass(frozen=True, eq=False)
class RepairOption(Option):
    """Own repair, by outcome: each grade it may come out with, and failure.

    ``by_grade`` and ``price_by_grade`` are (draws, months, grades); ``failed`` and
    ``failed_price`` (draws, months); ``success`` and ``grade_shares`` per draw.
    """

    by_grade: Floats = field(default_factory=lambda: np.zeros(0))
    price_by_grade: Floats = field(default_factory=lambda: np.zeros(0))
    failed: Floats = field(default_factory=lambda: np.zeros(0))
    failed_price: Floats = field(default_factory=lambda: np.zeros(0))
    success: Floats = field(default_factory=lambda: np.zeros(0))
    grade_shares: Floats = field(default_factory=lambda: np.zeros(0))
    lines: Mapping[str, Floats] = field(default_factory=dict)

    @property
    def chances(self) -> Floats:
        """Chance of each grade and of failure, (draws, grades + 1)."""
        good = self.success[:, None]
        return np.concatenate([good * self.grade_shares, 1.0 - good], axis=1)


def as_is(bench: Bench, state: str, fault: str) -> Option:
    """Sell untouched, faults described; worth only its test cost where no such sale is known."""
    known = [k for k in (as_typed(state, fault), state, fault, OTHER) if k in bench.outlook.as_is]
    seen = known[0] if known and state not in NOT_FOR_SALE else None
    symptom = fault if seen == state and fault in bench.outlook.as_is else seen
    return bench.once(("as is", seen, symptom), lambda: _untouched(bench, seen, symptom))


def as_typed(state: str, fault: str) -> str:
    """Key of a ratio somebody gave for one state of one fault: it holds as it is."""
    return f"{state} of {fault}"


def _untouched(bench: Bench, seen: str | None, symptom: str | None) -> Option:
    working = bench.price_after(bench.settings.delay.untouched_days)
    if seen is None:
        nothing = np.full_like(working, -bench.test_cost - bench.charged(0.0))
        return Option(nothing, np.zeros_like(working), charge=bench.charged(0.0))
    # The ratio is the mean broken price over the median working one, so it needs no mean factor.
    ratio = bench.outlook.as_is[seen] / bench.outlook.mean_factor
    if symptom is not None and symptom != seen and not works(seen):
        listed = bench.outlook.as_is[symptom] / bench.outlook.mean_factor
        # Buyers pay for what they see: a dead unit that needs a battery is a dead unit to them.
        if listed.mean() < ratio.mean():
            ratio = ratio ** (1 - SYMPTOM_WEIGHT) * listed**SYMPTOM_WEIGHT
    price = cents(working * ratio[:, None])
    charge = bench.charged(0.0)
    return Option(net_of(price, bench.terms) - bench.test_cost - charge, price, charge=charge)


def repair(
    bench: Bench, state: pd.Series | Mapping[str, Any], success: Floats, fallback: Option
) -> RepairOption | str:
    """Own repair, with its outcomes; a reason instead where it cannot be costed.

    Failure leaves the as-is unit at a discount and the dearest part to be used again.
    """
    codes = part_codes(state["part_codes"])
    if not float(state["prior_success"]) > 0:
        return NO_REPAIR
    paths = [bench.part(c) for c in codes]
    missing = [c for c, p in zip(codes, paths, strict=True) if p is None]
    if missing:
        return f"no price known for {', '.join(missing)} (not quoted, and the class has none)"
    what = tuple(codes), float(state["hours"])
    job = bench.once(("job", *what), lambda: _costed(bench, *what))
    price, mean_price = job.sold.price, job.sold.mean_price
    failed_price, back = bench.once(("failed", fallback), lambda: _failed(bench, fallback))
    failed = bench.once(("lost", *what, fallback), lambda: cents(back + job.recovered - job.cost))
    value = success[:, None] * job.good + (1 - success[:, None]) * failed
    return RepairOption(
        value,
        success[:, None] * mean_price + (1 - success[:, None]) * failed_price,
        float(state["hours"]),
        np.asarray(job.lines.get("parts", np.asarray(0.0))),
        job.charge,
        job.by_grade,
        price,
        failed,
        failed_price,
        success,
        bench.outlook.grade_shares,
        job.lines,
    )


@dataclass(frozen=True, eq=False)
class _Sold:
    """Repaired units sold after so many days: gross and net by grade, and the mean gross."""

    price: Floats
    net: Floats
    mean_price: Floats


@dataclass(frozen=True, eq=False)
class _Costed:
    """A job whatever its state: cost lines, their sum, worth by grade and over grades if it works.

    ``recovered`` is what its dearest part is worth to the next one if it does not; ``charge`` the
    opportunity cost within ``cost``.
    """

    sold: _Sold
    lines: Mapping[str, Floats]
    cost: Floats
    charge: float | Floats
    recovered: Floats
    by_grade: Floats
    good: Floats


def _sold(bench: Bench, days: float, main: PartOffer | None) -> _Sold:
    """Repaired units' prices, with what the main part's quality changes in price and returns."""
    # A month's draws lie together in memory: bids are worked out month by month.
    reserve, resale = bench.settings.reserve, 1.0
    if main is not None:
        resale = main.resale
        reserve = replace(
            reserve,
            return_rate=reserve.return_rate * main.returns,
            warranty_rate=reserve.warranty_rate * main.warranty,
        )
    by_month = cents(bench.price_after(days).T[..., None] * (bench.grade_factors * resale))
    net = net_of(by_month, bench.terms, reserve_per_unit(reserve))
    price = by_month.swapaxes(0, 1)
    return _Sold(price, net.swapaxes(0, 1), _over_grades(bench, price))


def _costed(bench: Bench, codes: tuple[str, ...], hours: float) -> _Costed:
    offers = [o for c in codes if (o := bench.offer(c)) is not None]
    main = max(offers, key=lambda o: o.price, default=None)
    job = _job(bench, offers, main, hours)
    lines = repair_cost(job, bench.settings)
    charge = bench.charged(hours, lines.get("parts", 0.0), job.cash_days)
    cost = total(lines) + bench.test_cost + charge
    days = days_to_cash(bench, list(codes))
    sold = bench.once(("sold", days, main and main.quality), lambda: _sold(bench, days, main))
    by_grade = np.empty_like(sold.net)
    np.subtract(sold.net, _lift(cost), out=by_grade)
    recovered = recovered_part(job, bench.settings)
    good = _over_grades(bench, by_grade)
    return _Costed(sold, lines, cost, charge, recovered, by_grade, good)


def _failed(bench: Bench, fallback: Option) -> tuple[Floats, Floats]:
    """Price of a unit whose repair failed, and what is left of it; nothing where it is not sold."""
    price = cents(fallback.price * bench.settings.repair.failed_as_is_factor)
    return price, np.where(fallback.price <= 0, 0.0, net_of(price, bench.terms))


def _over_grades(bench: Bench, by_grade: Floats) -> Floats:
    out: Floats = np.einsum("dhg,dg->dh", by_grade, bench.outlook.grade_shares)
    return out


def _lift(cost: Floats) -> Floats:
    return np.asarray(cost)[..., None] if np.ndim(cost) else np.asarray(cost)


def _job(bench: Bench, offers: list[PartOffer], dearest: PartOffer | None, hours: float) -> Job:
    h = bench.months
    prices = [o.path.price[:, :h] + o.path.shipping for o in offers]
    rate = bench.settings.repair.doa_rate if dearest is None else dearest.dead_rate
    main = np.asarray(0.0) if dearest is None else dearest.path.price[:, :h]
    parts = sum(prices, np.asarray(0.0))
    cash_days = bench.settings.delay.parts_days
    return Job(np.asarray(parts), np.asarray(main), hours, rate, cash_days)


def part_out(bench: Bench, broken: list[str], state: str) -> Option | str:
    """Break the unit down; what the state has broken is not sold, nor a locked unit's parts."""
    if state in NOT_FOR_SALE:
        return "not sold while locked or blocked"
    return bench.once(("part out", *broken), lambda: _parted(bench, broken))


def _parted(bench: Bench, broken: list[str]) -> Option | str:
    rules, harvest = bench.settings, bench.once("harvest", lambda: _harvest(bench))
    lost = [harvest[code] for code in dict.fromkeys(broken) if code in harvest]
    sold = len(harvest) - len(lost)
    if not sold:
        return "no part prices known"
    whole = bench.once("harvested", lambda: sum(harvest.values(), np.asarray(0.0)))
    used = (whole - sum(lost, np.asarray(0.0))) * rules.part_out.price_factor
    worth = part_out_value(used, sold, rules, bench.terms.fee_rate, bench.terms.fixed)
    hours = rules.part_out.hours
    charge = bench.charged(hours)
    value = worth - bench.test_cost - charge
    return Option(value, np.zeros_like(worth), hours, charge=charge)


def _harvest(bench: Bench) -> dict[str, Floats]:
    """Price of each part that a unit could give, (draws, months).

    Only parts somebody quoted: a sum of many guesses would be chosen for its errors. What a unit
    came with is original, not the copy a job is planned with.
    """
    quoted = {c: [q for q in each if bench.quoted(c, q)] for c, each in bench.qualities.items()}
    original = {c: min(each, key=HARVESTED.index) for c, each in quoted.items() if each}
    return {c: bench.path(c, q).price[:, : bench.months] for c, q in original.items()}


def maker(bench: Bench, faults: tuple[str, ...], fallback: Option) -> Option | str:
    """Send the unit to the maker's own repair service at its newest quote.

    ``V = rho (E[N] - Q - carriage - admin) + (1 - rho)(fallback - carriage - admin - fee)``, with
    the maker's turnaround, reserve and genuine-part price factor in N.
    """
    quotes = bench.outlook.estimates.makers.get(bench.model_id, [])
    mine = [q for q in quotes if q["fault"] in faults]
    if not mine:
        return "no maker's quote"
    quote, terms = mine[-1], bench.settings.maker
    lead = _or(quote["lead_days"], terms.lead_days)
    fee = _or(quote["refused_quote_fee"], terms.refused_fee)
    delay = bench.settings.delay
    days = delay.maker_days(lead)
    price, net = bench.once(("maker", days), lambda: _by_maker(bench, days))
    admin = cents(terms.admin_hours * bench.settings.bench.rate_per_hour) + terms.carriage
    good = net - float(quote["amount"]) - bench.test_cost
    tied = lead + delay.listing_days + delay.selling_days
    # The fallback already bears the charge for testing.
    charge = bench.charged(terms.admin_hours, float(quote["amount"]), tied)
    good = good - charge
    fallback_admin = bench.valuation.charge(terms.admin_hours)
    refused = fallback.value - fee - fallback_admin
    value = terms.success * good + (1 - terms.success) * refused - admin
    sold = terms.success * price + (1 - terms.success) * fallback.price
    charge = terms.success * charge + (1 - terms.success) * (fallback.charge + fallback_admin)
    return Option(cents(value), sold, terms.admin_hours, float(quote["amount"]), charge)


def _by_maker(bench: Bench, days: float) -> tuple[Floats, Floats]:
    """Gross and net price of a unit the maker has mended, sold after so many days."""
    terms = bench.settings.maker
    price = cents(bench.price_after(days) * bench.usual_grade[:, None] * terms.price_factor)
    return price, net_of(price, bench.terms, terms.reserve)


def _or(value: float, otherwise: float) -> float:
    return otherwise if np.isnan(value) else float(value)
