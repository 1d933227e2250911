"""What every family costs a command: its fit, by as many workers as were asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import Hands, all_of

if TYPE_CHECKING:
    from repair_horizon.estimation.device_prices import PriceCurves
    from repair_horizon.estimation.forecast import FamilyEstimates
    from repair_horizon.estimation.shop_knowledge import ShopKnowledge


def fitted(logs: Logs, families: Sequence[str], hands: Hands) -> dict[str, FamilyEstimates]:
    """Fit families; a worker is sent the rows its family's estimates rest on, and no more."""
    knowledge = _knowledge(logs)
    return all_of(_fit, families, lambda f: (logs.of([f]), f, knowledge), hands)


def _fit(given: tuple[Logs, str, ShopKnowledge]) -> FamilyEstimates:
    from repair_horizon.estimation.forecast import fit_family

    return fit_family(*given)


def price_curves(logs: Logs, hands: Hands) -> dict[str, PriceCurves | CannotSay]:
    """Fit the price curves of every family."""
    knowledge = _knowledge(logs)
    return all_of(_fit_prices, logs.families, lambda f: (logs.of([f]), f, knowledge), hands)


def _fit_prices(given: tuple[Logs, str, ShopKnowledge]) -> PriceCurves | CannotSay:
    from repair_horizon.estimation.device_prices import fit_prices

    logs, family, knowledge = given
    return fit_prices(logs, family, usual=knowledge.usual, curves=knowledge.curves)


def _knowledge(logs: Logs) -> ShopKnowledge:
    from repair_horizon.estimation.shop_knowledge import shop_knowledge

    return shop_knowledge(logs)
