"""One family worked out for a month: what its tables, and the explorer's moves, are drawn from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from repair_horizon.decisions.review.what_if import Moves, scenario, successor_learnt
from repair_horizon.decisions.unit.economics import Economics, unit_economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.forecast import FamilyOutlook, Outlook
from repair_horizon.logs import CannotSay, Logs, Settings
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_middle, month_start

Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Worked:
    """A family's draws from a month on. Keys are (model, listed fault)."""

    shop: Shop
    family_id: str
    outlook: Outlook

    def __repr__(self) -> str:
        """Say what it is about."""
        return f"Worked({self.family_id}, {self.outlook!r})"

    @property
    def logs(self) -> Logs:
        """The whole workspace."""
        return self.shop.logs

    @property
    def settings(self) -> Settings:
        """Rules of the business."""
        return self.shop.settings

    @property
    def family(self) -> FamilyOutlook | CannotSay:
        """The family's draws, or why there are none."""
        return self.outlook.families[self.family_id]

    @property
    def first_month(self) -> int:
        """Number of the first month looked at."""
        return self.outlook.first_month

    @property
    def logged(self) -> Mapping[str, pd.DataFrame]:
        """The family's own rows of every log."""
        return self.logs.family(self.family_id).tables

    @property
    def curves(self) -> PriceCurves | None:
        """Price curves of the family, or None where nothing can be said of it."""
        prices = self.shop.estimates(self.family_id).prices
        unsaid = isinstance(self.family, CannotSay)
        return None if unsaid or isinstance(prices, CannotSay) else prices

    @property
    def sold_curves(self) -> PriceCurves | None:
        """Price curves that rest on sales, or None: a class's curve has nothing to check."""
        curves = self.curves
        return None if curves is None or not len(curves.fit.panel.y) else curves

    def days(self, ahead: Sequence[int]) -> pd.DatetimeIndex:
        """Middles of the months so many ahead."""
        return pd.DatetimeIndex([month_middle(self.first_month + h) for h in ahead])

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the first month looked at."""
        return month_start(self.first_month)

    @cached_property
    def names(self) -> dict[str, str]:
        """Name of each model of the family that has a forecast."""
        catalogue = self.logs.family(self.family_id).tables["catalogue"]
        said = dict(zip(catalogue["model_id"], catalogue["model_name"], strict=True))
        if isinstance(self.family, CannotSay):
            return {}
        return {m: said.get(m) or m for m in self.family.models}

    @property
    def faults(self) -> list[str]:
        """Listed faults of the family."""
        return [] if isinstance(self.family, CannotSay) else list(self.family.shares)

    @property
    def rules(self) -> Settings:
        """Settings as they hold for the family's device class."""
        if isinstance(self.family, CannotSay):
            return self.settings
        return self.settings.for_class(self.family.estimates.device_class)

    @property
    def successor_matters(self) -> bool:
        """Whether a successor's month changes anything in this family."""
        return not isinstance(self.family, CannotSay) and successor_learnt(self.family)

    def economics(self, moves: Moves) -> Economics:
        """Return the family's economics after the moves."""
        moved = scenario(self.outlook, self.settings, moves)
        return unit_economics(*moved, self.shop.valuation(self.first_month))

    def parts_of(self, key: Key) -> list[str]:
        """Codes of the parts quoted for a model."""
        if isinstance(self.family, CannotSay):
            return []
        return sorted({code for model_id, code, _ in self.family.parts if model_id == key[0]})

    def part_price(self, model_id: str, code: str) -> float:
        """Median price of a part this month in its cheapest quality; missing if not quoted."""
        paths = {} if isinstance(self.family, CannotSay) else self.family.parts
        mine = [paths[k].price for k in paths if k[:2] == (model_id, code)]
        return min((float(np.nanmedian(p[:, 0])) for p in mine), default=float("nan"))

    def part_share(self, model_id: str, code: str, amount: float) -> float | None:
        """By how much a part's price differs where its cheapest quality costs ``amount``.

        A share, -0.05 is 5 % cheaper; None where no amount, or no part with a price, is named.
        """
        now = self.part_price(model_id, code)
        return amount / now - 1.0 if amount > 0.0 and now > 0.0 else None


def worked_out(shop: Shop, family_id: str, month: int | None = None) -> Worked:
    """Work out one family, with the seed and the draws of every other face.

    Parameters
    ----------
    shop
        The business, as of the day that may be known of.
    family_id
        The family.
    month
        Number of the first month; the one after the newest data if None.
    """
    return Worked(shop, family_id, shop.outlook(family_id, month))


def unit_of(economics: Economics, family_id: str, key: Key) -> UnitEconomics | CannotSay:
    """One model and fault, or why nothing can be said of it."""
    family = economics.outlook.families[family_id]
    if isinstance(family, CannotSay):
        return family
    if key not in economics.keys(family_id):
        return CannotSay("fault_states.csv names no such fault for this model's family")
    return economics.unit(family_id, *key)
