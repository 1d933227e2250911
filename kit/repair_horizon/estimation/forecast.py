"""``forecast``: joint draws of prices, parts and rates, month by month.

Every draw is one possible world: its coefficients, market path, part paths, shares and success
rates belong together, so what is computed from a draw keeps their dependence over months. Months
are evaluated at their fifteenth day; the grid runs a few months past the horizon, because a unit
bought in the last month is sold later.

``fit_family`` gathers what draws start from: everything the logs say of a family.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.broken_prices import (
    DrawnSlope,
    HammerSlope,
    fit_broken,
    ratio_draws,
)
from repair_horizon.estimation.curve.fit import NU
from repair_horizon.estimation.curve.predict import Draws, draw, level_paths, smearing_factor
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices, ordered_effects
from repair_horizon.estimation.part_paths import PartPath, as_paths, part_paths
from repair_horizon.estimation.part_prices import PartCurves, fit_parts
from repair_horizon.estimation.price_rows import CHANNEL, GRADE
from repair_horizon.estimation.repairs import RepairRates, fit_rates
from repair_horizon.estimation.rival_prices import (
    PrivateSellers,
    RivalPrice,
    SellerReserve,
    answered_offers,
    hammer_ratios,
    rival_draws,
)
from repair_horizon.estimation.shop_knowledge import ShopKnowledge, shop_knowledge
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import one_thread
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.months import month_middle, month_number, month_word
from repair_horizon.tables.words import part_codes

PAD_MONTHS, _A_YEAR = 9, 12


@dataclass(frozen=True, eq=False)
class FamilyOutlook:
    """Joint draws for one family.

    ``level`` is (draws, models, months + pad): the median price of a working unit at the base
    grade and channel, settlement currency, missing before launch or where nothing can be said
    (``reasons`` tells why). ``mean_factor`` turns a median sale into a mean one,
    ``unit_noise`` the mean into one unit's price. ``grade`` and
    ``channel`` map names to factors per draw. ``as_is`` maps every listed fault and state to the
    ratio of broken to working price per draw, ``hammer`` every listed fault to that of the usual
    hammer price as seen, ``rivals`` to the highest rival a bid has to beat. ``parts`` holds every
    part of every model in every quality (``PartPaths``, worked out when asked for). ``shares``
    and ``success`` map a listed fault to (draws, states), ``grade_shares`` is (draws, grades in
    the settings' order). ``level_basis`` says what each model's level rests on most.
    ``sellers`` is what private sellers take against the highest rival; None before any offer.
    ``shortfall`` is the share of resale by which won lots of the class fell short of their promise.
    Hammer ratios are told at one working price; ``dearer`` moves them to a model's own.
    """

    estimates: FamilyEstimates
    models: tuple[str, ...]
    level: Floats
    reasons: Mapping[str, str]
    unit_noise: Floats
    mean_factor: float
    grade: Mapping[str, Floats]
    grades_moved: tuple[str, ...]
    channel: Mapping[str, Floats]
    as_is: Mapping[str, Floats]
    hammer: Mapping[str, Floats]
    parts: Mapping[tuple[str, str, str], PartPath]
    shares: Mapping[str, Floats]
    success: Mapping[str, Floats]
    grade_shares: Floats
    rivals: Mapping[str, RivalPrice] = field(default_factory=dict)
    level_basis: Mapping[str, Basis] = field(default_factory=dict)
    shortfall: float = 0.0
    sellers: SellerReserve | None = None
    hammer_slope: DrawnSlope | None = None

    def dearer(self, log_price: Floats) -> Floats | float:
        """Shift of every log hammer ratio at log working prices, (draws, ...)."""
        return 0.0 if self.hammer_slope is None else self.hammer_slope.at(log_price)

    def first(self, months: int) -> FamilyOutlook:
        """Return the same draws for the first months."""
        parts = as_paths(self.parts).first(months)
        return replace(self, level=self.level[:, :, :months], parts=parts)


@dataclass(frozen=True, eq=False)
class Outlook:
    """Joint draws for every family; month h is ``first_month + h``, for h below ``months``."""

    currency: str
    now: pd.Timestamp
    first_month: int
    months: int
    draws: int
    families: Mapping[str, FamilyOutlook | CannotSay]

    def __repr__(self) -> str:
        """Say the span and the size."""
        last = month_word(self.first_month + self.months - 1)
        return f"Outlook({month_word(self.first_month)} to {last}, {self.draws} draws)"


def forecast(
    estimates: Estimates,
    months: int = 24,
    seed: int = 1,
    draws: int = 500,
    start: int | None = None,
    only: Collection[str] | None = None,
) -> Outlook:
    """Draw prices, parts and rates jointly.

    Parameters
    ----------
    estimates
        Of ``fit_family``, family by family.
    months
        Months to look at.
    seed
        Seed; a family's draws depend on it and on the family's name only, so families may be
        computed in any order.
    draws
        Number of worlds drawn.
    start
        Number of the first month (``tables.months``); the month after the newest data if None.
    only
        Models to look at, all of them if None; their draws are the same either way.
    """
    first = int(month_number([estimates.now])[0]) + 1 if start is None else start
    families = {
        name: family_outlook(family, (first, months), seed, draws, estimates.sellers, only)
        for name, family in estimates.families.items()
    }
    return Outlook(estimates.currency, estimates.now, first, months, draws, families)


def family_outlook(
    family: FamilyEstimates,
    span: tuple[int, int],
    seed: int,
    draws: int,
    sellers: PrivateSellers | None = None,
    only: Collection[str] | None = None,
) -> FamilyOutlook | CannotSay:
    """Draw one family.

    Parameters
    ----------
    family
        What is known of it.
    span
        Number of the first month, and months.
    seed, draws
        As in ``forecast``.
    sellers
        What private sellers took of the whole shop's offers.
    only
        As in ``forecast``.
    """
    curves = family.prices
    if isinstance(curves, CannotSay):
        return curves
    first, months = span
    days = pd.DatetimeIndex([month_middle(first + h) for h in range(months + PAD_MONTHS)])
    ahead = max(first + months + PAD_MONTHS - curves.fit.layout.last_month, 1)
    drawn, worlds = _worlds(family, -(-ahead // _A_YEAR) * _A_YEAR, seed, draws)
    models = tuple(m for m in curves.models.ids if only is None or m in only)
    level, reasons = _levels(curves, drawn, days, models)
    return replace(
        worlds,
        models=models,
        level=level,
        reasons=reasons,
        parts=as_paths(worlds.parts).on(days),
        sellers=_seller_draws(sellers, family.family_id, seed, draws),
    )


@lru_cache(maxsize=2)
def _worlds(
    family: FamilyEstimates, ahead: int, seed: int, draws: int
) -> tuple[Draws, FamilyOutlook]:
    """All that is drawn of a family, for months to come; levels of prices are told later.

    It is the same from whatever month it is looked at, so this month's figures and last month's
    differ by nothing but time. The newest are kept: whole years, so that either month asks alike.
    """
    curves = family.prices
    assert not isinstance(curves, CannotSay)
    chance = Antithetic.seeded(seed, *family.family_id.encode())
    now = curves.fit.layout.last_month
    days = pd.DatetimeIndex([month_middle(now + h) for h in range(1, ahead + 1)])
    drawn = draw(curves.fit, ahead, draws, chance)
    grade, moved = _grade_factors(curves, drawn, list(family.rates.grades["grade"]))
    outlook = FamilyOutlook(
        estimates=family,
        models=(),
        level=np.empty((draws, 0, ahead)),
        reasons={},
        unit_noise=_unit_noise(curves.fit.scales.noise, draws, chance),
        mean_factor=smearing_factor(curves.fit),
        grade=grade,
        grades_moved=moved,
        channel=_factors(curves, drawn, CHANNEL, curves.base_channel),
        as_is=ratio_draws(family.as_is, draws, chance),
        hammer=ratio_draws(family.hammer, draws, chance),
        parts=part_paths(
            family.parts,
            curves.models,
            family.device_class,
            _needed(family.rates),
            days,
            draws,
            chance,
        ),
        **_bench_draws(family, seed, draws),
        rivals=rival_draws(family.rivals, draws, chance),
        level_basis=_level_basis(curves),
        hammer_slope=_slope_draws(family, seed, draws),
    )
    return drawn, outlook


def _bench_draws(family: FamilyEstimates, seed: int, draws: int) -> dict[str, Any]:
    """Shares of states, success and grades, by a stream of their own."""
    chance = Antithetic.seeded(seed, *family.family_id.encode(), 3)
    rates, faults = family.rates, list(family.rates.by_fault)
    return {
        "shares": {f: rates.draw_shares(f, draws, chance) for f in faults},
        "success": {f: rates.draw_success(f, draws, chance) for f in faults},
        "grade_shares": rates.draw_grades(draws, chance),
    }


def _seller_draws(
    sellers: PrivateSellers | None, family_id: str, seed: int, draws: int
) -> SellerReserve | None:
    """What private sellers take, by a stream of its own: nothing else moves with an offer."""
    if sellers is None:
        return None
    return sellers.draws(draws, Antithetic.seeded(seed, *family_id.encode(), 1))


def _slope_draws(family: FamilyEstimates, seed: int, draws: int) -> DrawnSlope | None:
    """Slopes of hammer ratios by working price, by a stream of their own."""
    if family.hammer_slope is None:
        return None
    return family.hammer_slope.drawn(draws, Antithetic.seeded(seed, *family.family_id.encode(), 2))


def _needed(rates: RepairRates) -> list[str]:
    """Codes of the parts that some state needs."""
    return list(dict.fromkeys(c for cell in rates.states["part_codes"] for c in part_codes(cell)))


def _level_basis(curves: PriceCurves) -> dict[str, Basis]:
    """What each model's level rests on most: its own sales, its family's, or its class's."""
    sold = curves.fit.panel.sales_by_model
    otherwise = Basis.FAMILY if sold.any() else Basis.CLASS
    each = zip(curves.models.ids, sold, strict=True)
    return {name: Basis.OWN if n else otherwise for name, n in each}


def _levels(
    curves: PriceCurves, drawn: Draws, days: pd.DatetimeIndex, models: Sequence[str]
) -> tuple[Floats, dict[str, str]]:
    """Price level per draw, model and month, with a reason where there is none."""
    at = np.array([curves.models.ids.index(name) for name in models], dtype="int64")
    m, h = len(at), len(days)
    when = pd.DatetimeIndex(np.tile(days.to_numpy(), m))
    log_level = level_paths(curves.fit, drawn, curves.points(np.repeat(at, h), when))
    level = np.exp(log_level).reshape(-1, m, h) * curves.models.launch_price[None, at, None]
    reasons = {}
    sold = curves.fit.panel.sales_by_model
    for i, name in enumerate(models):
        if not curves.models.price_known[at[i]] and sold[at[i]] == 0:
            level[:, i] = np.nan
            reasons[name] = "no launch price and no sale"
            continue
        early = days < curves.models.launch[at[i]]
        level[:, i, early] = np.nan
        if early.all():
            reasons[name] = "not launched within the forecast"
        elif early[0]:
            reasons[name] = "not launched yet in the first month"
    return level, reasons


def _factors(curves: PriceCurves, drawn: Draws, prefix: str, base: str) -> dict[str, Floats]:
    """Price factor of each grade or channel seen against the base one, per draw.

    Rows that note none tell no grade or channel to sell by.
    """
    names = [n for n in curves.fit.panel.traits.names if n.startswith(prefix) and n != prefix]
    at = {n.removeprefix(prefix): curves.fit.layout.dense(n) for n in names}
    out = {name: np.exp(drawn.theta[:, column]) for name, column in at.items()}
    return {base: np.ones(len(drawn.theta)), **out}


def _grade_factors(
    curves: PriceCurves, drawn: Draws, order: list[str]
) -> tuple[dict[str, Floats], tuple[str, ...]]:
    """Grade factors that never rise from a better grade to a worse one.

    The declared order is a fact, so effects out of order (few sales) are pooled by weighted
    isotonic regression and the draws shifted along; the second value names the grades moved.
    A grade never sold takes the factor of the nearest better one seen, else of the nearest worse.
    """
    seen = _factors(curves, drawn, GRADE, curves.base_grade)
    ranked = [g for g in order if g in seen]
    if not ranked:
        return dict.fromkeys(order, np.ones(len(drawn.theta))), ()
    effects = np.array([curves.effect(GRADE + g) for g in ranked])
    weights = 1.0 / np.maximum(effects[:, 1], 1e-4) ** 2
    pooled = ordered_effects(effects[:, 0], weights)
    moved = np.abs(pooled - effects[:, 0]) > 1e-9
    out = {g: seen[g] * np.exp(pooled[i] - effects[i, 0]) for i, g in enumerate(ranked)}
    for place, grade in enumerate(order):
        better = [g for g in order[:place] if g in ranked]
        out.setdefault(grade, out[better[-1] if better else ranked[0]])
    return out, tuple(g for g, m in zip(ranked, moved, strict=True) if m)


def _unit_noise(scale: float, draws: int, chance: Antithetic) -> Floats:
    """Price of the one unit at hand against the mean sale, per draw; mean exactly one."""
    spread = np.exp(scale * np.clip(chance.student_t(NU, draws), -6.0, 6.0))
    noise: Floats = spread / spread.mean()
    return noise


@dataclass(frozen=True, eq=False)
class FamilyEstimates:
    """What the logs say about one family.

    ``prices`` is a reason where no working unit was ever sold and no launch price is known;
    ``as_is``, ``hammer`` and ``rivals`` then are empty. ``maker`` holds the newest maker's quote
    per model and fault, ``offers`` what private sellers said to own offers (``answered_offers``).
    ``hammer_slope`` says how hammer prices and rivals move with the working price.
    """

    family_id: str
    device_class: str
    catalogue: pd.DataFrame
    prices: PriceCurves | CannotSay
    parts: Mapping[str, PartCurves]
    rates: RepairRates
    as_is: pd.DataFrame
    hammer: pd.DataFrame
    maker: pd.DataFrame
    rivals: pd.DataFrame = field(default_factory=pd.DataFrame)
    offers: pd.DataFrame = field(default_factory=pd.DataFrame)
    hammer_slope: HammerSlope | None = None

    @cached_property
    def makers(self) -> dict[str, list[dict[str, Any]]]:
        """The rows of ``maker`` by model."""
        out: dict[str, list[dict[str, Any]]] = {}
        for row in self.maker.to_dict("records"):
            out.setdefault(str(row["model_id"]), []).append(row)
        return out


@dataclass(frozen=True, eq=False)
class Estimates:
    """Estimates of every family, the settlement currency, and the newest day they know of.

    ``sellers`` is what private sellers took of the whole shop's offers.
    """

    currency: str
    now: pd.Timestamp
    families: Mapping[str, FamilyEstimates]
    sellers: PrivateSellers | None = None

    def __repr__(self) -> str:
        """Say which families, up to when."""
        return f"Estimates({', '.join(self.families)}; up to {self.now:%Y-%m-%d})"


@one_thread()
def fit_family(
    logs: Logs, family_id: str, knowledge: ShopKnowledge | None = None
) -> FamilyEstimates:
    """Fit one family.

    Parameters
    ----------
    logs
        The whole workspace's, since families share what ``shop_knowledge`` holds; or
        ``logs.of([family_id])`` with ``knowledge``.
    knowledge
        ``shop_knowledge`` of the whole workspace's logs; worked out from ``logs`` if None.
    """
    knowledge = shop_knowledge(logs) if knowledge is None else knowledge
    family = logs.family(family_id)
    prices = fit_prices(logs, family_id, knowledge.usual, knowledge.curves, knowledge.broke)
    rates = fit_rates(logs, family_id, knowledge.guesses)
    if isinstance(prices, CannotSay):
        as_is = hammer = rivals = pd.DataFrame({"fault": pd.Series(dtype="str")})
        offers, slope = pd.DataFrame(), None
    else:
        broken = fit_broken(logs, family_id, prices, knowledge.broken, rates.states)
        as_is = broken.as_is
        hammer, rivals = hammer_ratios(broken, logs.class_of[family_id])
        slope = broken.hammer_slope
        offers = answered_offers(family, prices, rivals, slope)
    maker = family.tables["maker_quotes"].sort_values("quote_date")
    return FamilyEstimates(
        family_id,
        logs.class_of[family_id],
        family.tables["catalogue"],
        prices,
        fit_parts(logs, family_id, pooled=knowledge.parts),
        rates,
        as_is,
        hammer,
        maker.drop_duplicates(["model_id", "fault"], keep="last"),
        rivals,
        offers,
        slope,
    )
