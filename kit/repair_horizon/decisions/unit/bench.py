"""What the options of one model share: its prices ahead, its parts, the terms of sale.

What is worked out is kept, since the states and faults of a model share most of it: delays, the
parts they leave whole, the grades they may come out with.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import SaleTerms
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_prices import PartPath
from repair_horizon.tables.settings import Settings

Floats = npt.NDArray[np.float64]
T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Bench:
    """Everything the options of one model share: prices ahead, terms, settings."""

    outlook: FamilyOutlook
    settings: Settings
    terms: SaleTerms
    model_id: str
    months: int

    @cached_property
    def level(self) -> Floats:
        """Working price at base grade and planning channel, mean sale, (draws, months + pad)."""
        at = self.outlook.models.index(self.model_id)
        channel = self.outlook.channel.get(self.settings.sale.channel, np.ones(1))
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
        """Offer for a part in the first quality of the settings' order that is quoted."""
        return self.once(("part", code), lambda: self._offer(code))

    def _offer(self, code: str) -> PartPath | None:
        order = self.settings.repair.quality_order
        for quality in [*order, *sorted({k[2] for k in self.outlook.parts} - set(order))]:
            path = self.outlook.parts.get((self.model_id, code, quality))
            if path is not None:
                return path
        return None

    @cached_property
    def test_cost(self) -> float:
        """Labour of receiving and testing one unit."""
        bench = self.settings.bench
        return float(cents(bench.test_hours * bench.rate_per_hour))


def part_codes(state: pd.Series | Mapping[str, Any]) -> list[str]:
    """Parts a state needs."""
    return [c.strip() for c in str(state["part_codes"]).split(";") if c.strip()]


def lead_days(bench: Bench, codes: list[str]) -> float:
    """Days until all parts of a job are there; none for a job without parts."""
    usual = bench.settings.delay.part_lead_days
    paths = [bench.part(c) for c in codes]
    days = [usual if p is None or p.lead_days is None else p.lead_days for p in paths]
    return max(days, default=0.0)


def days_to_cash(bench: Bench, codes: list[str]) -> float:
    """Days from paying for a unit to being paid for it repaired."""
    d = bench.settings.delay
    fixed = d.inbound_days + d.queue_days + d.bench_days + d.listing_days + d.selling_days
    return fixed + lead_days(bench, codes)
