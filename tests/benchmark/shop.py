"""The invented families as one shop, whose grades and channels each family starts from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.pooled_effects import FamilyEffects, UsualEffects, effects_alone
from repair_horizon.estimation.price_rows import CHANNEL, GRADE

from .simulator import NAMES, Family, panel_at

BASE = (GRADE + "A", CHANNEL + "net")


def effects_of(panel: Panel, seed: int) -> FamilyEffects:
    """What one family says of its traits by itself."""
    return FamilyEffects(str(seed), NAMES, BASE, *effects_alone(panel))


def shop_at(families: Sequence[Family], origin: int) -> UsualEffects:
    """What all families say as things stand at a month end."""
    panels = [(panel_at(f, origin), f.seed) for f in families]
    return UsualEffects(tuple(effects_of(p, seed) for p, seed in panels if len(p.y)))


def started(panel: Panel, seed: int, shop: UsualEffects) -> Panel:
    """Start a family's traits from the other families of the shop."""
    return replace(panel, traits=shop.started(str(seed), panel.traits, BASE))
