"""What the options of one model share: its prices ahead, its parts, the terms of sale.

What is worked out is kept, since the states and faults of a model share most of it: delays, the
parts they leave whole, the grades they may come out with.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, TypeVar

import numpy as np

from repair_horizon.classes import class_knowledge
from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import SaleTerms
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_paths import PartPath, PartPaths, as_paths
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS
from repair_horizon.tables.settings import Settings

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Bench:
    """Everything the options of one model share: prices ahead, terms, settings."""

    outlook: FamilyOutlook
    settings: Settings
    terms: SaleTerms
    model_id: str
    months: int
    valuation: Valuation = NO_CHARGES

    @cached_property
    def level(self) -> Floats:
        """Working price at base grade and planning channel, mean sale, (draws, months + pad)."""
        at = self.outlook.models.index(self.model_id)
        channel = self.outlook.channel.get(self.settings.planned_channel, np.ones(1))
        out: Floats = self.outlook.level[:, at] * self.outlook.mean_factor * channel[:, None]
        return out

    def price_after(self, days: float) -> Floats:
        """Mean working price when sold ``days`` after each month's middle, (draws, months).

        Delays beyond the months forecast past the horizon (about eight) count as that long.
        """
        reach = self.outlook.level.shape[2] - self.months - 1
        ahead = min(days / self.settings.month_days, reach)
        return self.once(("price", ahead), lambda: self._priced(ahead, reach))

    def once(self, key: Hashable, work: Callable[[], T]) -> T:
        """Return what was worked out under this key, or work it out."""
        if key not in self._known:
            self._known[key] = work()
        out: T = self._known[key]
        return out

    @cached_property
    def _known(self) -> dict[Hashable, Any]:
        return {}

    @cached_property
    def _log_level(self) -> Floats:
        out: Floats = np.log(self.level)
        return out

    def _priced(self, ahead: float, reach: int) -> Floats:
        whole, part = int(ahead), ahead - int(ahead)
        log = self._log_level
        early = log[:, whole : whole + self.months]
        late = log[:, min(whole + 1, reach) :][:, : self.months]
        out: Floats = np.exp((1 - part) * early + part * late)
        return out

    def part(self, code: str) -> PartPath | None:
        """Price ahead of a part in the quality planned with; None where nothing is known of it."""
        chosen = self.offer(code)
        return None if chosen is None else chosen.path

    def offer(self, code: str) -> PartOffer | None:
        """Quality of a part planned with: the one that costs least, consequences included.

        Where the owner names an order (``repair.quality_order``), the first quality of it that
        has a price; a quality the order does not name comes after those it names.
        """
        return self.once(("part", code), lambda: self._chosen(code))

    def offers(self, code: str) -> list[PartOffer]:
        """Every quality of a part with a price, the cheapest in all first."""
        return self.once(("offers", code), lambda: self._offered(code))

    def _chosen(self, code: str) -> PartOffer | None:
        offered = self.offers(code)
        order = self.settings.repair.quality_order
        if order:
            place = {quality: at for at, quality in enumerate(order)}
            offered = sorted(offered, key=lambda o: place.get(o.quality, len(order)))
        return offered[0] if offered else None

    def _offered(self, code: str) -> list[PartOffer]:
        parts = self._parts
        keys = [(self.model_id, code, quality) for quality in self.qualities.get(code, ())]
        found = [offer_of(self, k[2], parts.now[k], partial(parts.__getitem__, k)) for k in keys]
        return sorted(found, key=lambda o: (o.total, o.quality))

    @cached_property
    def qualities(self) -> dict[str, list[str]]:
        """Qualities with a price, sorted, of each part that has one."""
        out: dict[str, list[str]] = {}
        for code, quality in sorted(self._parts.of(self.model_id)):
            out.setdefault(code, []).append(quality)
        return out

    def quoted(self, code: str, quality: str) -> bool:
        """Whether any model of the family has a quote of a part in this quality."""
        return self._parts.quoted((self.model_id, code, quality))

    def path(self, code: str, quality: str) -> PartPath:
        """Price of a part in one quality, this month and those to come."""
        return self._parts[self.model_id, code, quality]

    @cached_property
    def _parts(self) -> PartPaths:
        return as_paths(self.outlook.parts)

    @cached_property
    def grade_factors(self) -> Floats:
        """Price factor of each grade, the best first, (draws, grades)."""
        return np.stack([self.outlook.grade[g] for g in self.settings.grade_order], axis=-1)

    @cached_property
    def usual_grade(self) -> Floats:
        """Price factor over the grades repairs usually end in, (draws,)."""
        out: Floats = np.einsum("dg,dg->d", self.grade_factors, self.outlook.grade_shares)
        return out

    @cached_property
    def grade_mix(self) -> float:
        """Mean price factor of the grades repairs usually end in."""
        return float(self.usual_grade.mean())

    @cached_property
    def price_now(self) -> float:
        """Mean working price this month at the grades repairs usually end in."""
        return float(self.level[:, 0].mean()) * self.grade_mix

    @cached_property
    def loss_per_day(self) -> float:
        """What a unit waiting for a part loses a day: its price's fall as kept, and interest.

        From the mean price now and a month on, averaged over draws, at the usual grade mix.
        """
        now, later = (float(self.level[:, h].mean()) * self.grade_mix for h in (0, 1))
        fall = daily_fall(now, 1.0 - later / now, self.settings.month_days)
        rate = self.settings.delay.capital_rate / 365.0 + self.valuation.cash_day
        return fall * self.terms.kept + now * rate

    def charged(self, hours: float, cash: float | Floats = 0.0, days: float = 0.0) -> Any:
        """Charge for an option's bench hours, testing included, and for cash it ties up."""
        whole = hours + self.settings.bench.test_hours
        return self.valuation.hour * whole + self.valuation.cash_day * days * np.asarray(cash)

    @cached_property
    def test_cost(self) -> float:
        """Labour of receiving and testing one unit."""
        bench = self.settings.bench
        return float(cents(bench.test_hours * bench.rate_per_hour))


@dataclass(frozen=True, eq=False)
class PartOffer:
    """A part in one quality and what it costs in all, money this month.

    ``now`` is its price this month; ``path``, months ahead too, is worked out when asked for.
    ``total`` is the mean price with shipping, the wait, what dead ones cost and what it changes in
    returns and resale against the usual; ``dead_rate`` the share arriving dead; ``lead_days`` the
    wait; ``returns``, ``warranty`` and ``resale`` multiply the usual rates and the price.
    """

    quality: str
    now: PartPath
    ahead: Callable[[], PartPath]
    lead_days: float
    dead_rate: float
    returns: float
    warranty: float
    resale: float
    total: float

    @property
    def path(self) -> PartPath:
        """Its price this month and those to come."""
        return self.ahead()

    @property
    def price(self) -> float:
        """Its mean price this month."""
        return float(self.now.price[:, 0].mean())


def daily_fall(price: float, monthly_fall: float, month_days: float = AVERAGE_MONTH_DAYS) -> float:
    """Return what a price falling by a share a month loses in a day: X (1 - (1 - l)^(1/30.4375)).

    Parameters
    ----------
    price
        Price now, money.
    monthly_fall
        Share lost in a month, below 1; negative if it rises.
    """
    return float(price * (1.0 - (1.0 - monthly_fall) ** (1.0 / month_days)))


def dead_part_cost(settings: Settings) -> float:
    """Return what one part arriving dead costs: sending it back, fitting another, the delay."""
    repair = settings.repair
    labour = repair.doa_hours * settings.bench.rate_per_hour
    return repair.doa_carriage + labour + repair.doa_delay_cost


def offer_of(
    bench: Bench, quality: str, path: PartPath, ahead: Callable[[], PartPath] | None = None
) -> PartOffer:
    """Cost a quality with its consequences: the quote's, else the settings', else usual practice.

    A quality that ``repair.qualities`` names has its price factor and rates from there; for
    others returns and warranty are the class's multiples of the usual rates and the price is the
    usual one, since what units sold for so far already holds the parts they were mended with.
    """
    rules, reserve = bench.settings, bench.settings.reserve
    known = class_knowledge(bench.outlook.estimates.device_class).part_consequences(quality)
    named = next((q for q in rules.repair.qualities if q.name == quality), None)
    lead = rules.delay.part_lead_days if path.lead_days is None else path.lead_days
    dead = path.doa_rate
    if dead is None:
        dead = rules.repair.doa_rate
    if named is None:
        returns, warranty, resale = known.returns.value, known.warranty.value, 1.0
    else:
        returns = named.return_rate / reserve.return_rate if reserve.return_rate else 1.0
        warranty = named.warranty_rate / reserve.warranty_rate if reserve.warranty_rate else 1.0
        resale = named.price_factor
    total = (
        float(path.price[:, 0].mean())
        + path.shipping
        + dead * dead_part_cost(rules)
        + lead * bench.loss_per_day
        + (returns - 1.0) * reserve.return_rate * reserve.return_cost
        + (warranty - 1.0) * reserve.warranty_rate * reserve.warranty_cost
        + (1.0 - resale) * bench.price_now * bench.terms.kept
    )
    return PartOffer(
        quality, path, ahead or (lambda: path), lead, dead, returns, warranty, resale, total
    )


def lead_days(bench: Bench, codes: list[str]) -> float:
    """Days until all parts of a job are there; none for a job without parts."""
    usual = bench.settings.delay.part_lead_days
    offers = [bench.offer(c) for c in codes]
    return max((usual if o is None else o.lead_days for o in offers), default=0.0)


def days_to_cash(bench: Bench, codes: list[str]) -> float:
    """Days from paying for a unit to being paid for it repaired."""
    d = bench.settings.delay
    fixed = d.inbound_days + d.queue_days + d.bench_days + d.listing_days + d.selling_days
    return fixed + lead_days(bench, codes)
