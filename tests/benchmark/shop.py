"""The invented families as one shop: what each starts from that the others and the class say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.pooled_curves import (
    FamilyCurve,
    PooledCurves,
    class_curve,
    curve_alone,
)
from repair_horizon.estimation.pooled_effects import FamilyEffects, UsualEffects, effects_alone
from repair_horizon.estimation.price_rows import CHANNEL, GRADE

from .simulator import NAMES, Family, panel_at

BASE, CLASS = (GRADE + "A", CHANNEL + "net"), "phone"


@dataclass(frozen=True, eq=False)
class Shop:
    """What all families say of grades and channels, and of how prices fall."""

    effects: UsualEffects
    curves: PooledCurves


def said_by(panel: Panel, seed: int) -> tuple[FamilyEffects, FamilyCurve]:
    """What one family says by itself of its traits and of its curve."""
    curve = FamilyCurve(str(seed), CLASS, *curve_alone(panel))
    return FamilyEffects(str(seed), NAMES, BASE, *effects_alone(panel)), curve


def shop_at(families: Sequence[Family], origin: int) -> Shop:
    """What all families say as things stand at a month end."""
    panels = [(panel_at(f, origin), f.seed) for f in families]
    told = [said_by(p, seed) for p, seed in panels if len(p.y)]
    effects, curves = (tuple(each) for each in zip(*told, strict=True))
    return Shop(UsualEffects(effects), PooledCurves(curves, {CLASS: class_curve(CLASS)}))


def started(panel: Panel, seed: int, shop: Shop) -> tuple[Panel, Priors]:
    """A family as the other families of the shop have it start: its traits, and its curve."""
    panel = replace(panel, traits=shop.effects.started(str(seed), panel.traits, BASE))
    return panel, replace(PRICE_PRIORS, curve=shop.curves.prior(str(seed), CLASS))
