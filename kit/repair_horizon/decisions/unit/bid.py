"""The maximum bid of a unit or a lot in a month, its chance to win, and what it then earns.

    B* = the largest B with CE(V(B)) >= L(B)

with every charge inside V (``certainty_equivalent``, ``options``). An owner's target or limit,
where one is set, can only lower it; what that costs is told beside it.

A job lot is several units under one bid. What they share (price level, parts, rates) moves
together, each one's own luck is its own. With c_i the certainty equivalent of one unit over its
own luck in a draw,

    CE(lot) = -R ln E[ exp(-sum_i q_i c_i / R) ]

within a family, where draws are shared; families are independent, so theirs add. Premium tiers
fall on the price of the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf

import numpy as np
from scipy.special import ndtr

from repair_horizon.decisions.costs.money import margin_fraction, round_down
from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bid_limits import (
    Asked,
    EndStates,
    ask_margin,
    ask_per_bench_hour,
    ask_profit,
    ask_return_on_cash,
    bid_within,
    break_even_anywhere,
    chance_limit,
    loss_cap_limit,
    lot_bid,
    maximum_bid_for,
    winners_curse,
)
from repair_horizon.decisions.unit.certainty_equivalent import certainty_equivalent
from repair_horizon.decisions.unit.options import REPAIR
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import HighestRival, WonLot, at_price, won_lot
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import percent

NO_PRICE = "do not buy at any price"
TOO_SMALL = "not worth the handling"
BREAK_EVEN = "break-even"
RARELY_WON = "would rarely win at that price"
LOSES_WON = "lots won at that price are expected to lose"
EARN_MORE = "its hours and cash earn more on other units"


@dataclass(frozen=True)
class Bid:
    """The maximum bid of one unit in one month.

    ``exact`` is unrounded and may be negative; ``uncapped`` what it would be without the owner's
    targets and limits; ``binding`` names the limiting rule; ``amount`` is rounded down, zero if
    nothing should be bid (``reason`` says why). ``won`` holds the chance of winning at it, and
    what a lot won that way earns at the price it is won at. ``limit_cost`` is the expected profit
    of one listing that the limiting rule gives up, money.
    """

    exact: float
    uncapped: float
    binding: str
    amount: float
    reason: str
    won: WonLot
    hours: float
    limit_cost: float

    @property
    def profit_per_hour(self) -> float:
        """Expected profit of a won lot per bench hour; missing where it takes none."""
        return self.won.profit / self.hours if self.hours else float("nan")


@dataclass(frozen=True)
class Highest:
    """Highest price that pays in a month, unrounded; fields as those of ``Bid``."""

    exact: float
    uncapped: float
    binding: str


NOTHING_WON = WonLot(0.0, float("nan"), float("nan"), float("nan"))


def hammer_price(unit: UnitEconomics, month: int) -> tuple[float, float, float]:
    """Lower, median and upper (80 %) usual hammer price in a month; missing if never seen."""
    if unit.hammer_bands is None:
        return (np.nan, np.nan, np.nan)
    lower, middle, upper = unit.hammer_bands[:, month]
    return float(lower), float(middle), float(upper)


@dataclass(frozen=True, eq=False)
class Outcomes:
    """What bids in one month are worked out from, whatever the terms of purchase.

    ``market`` and ``single`` are the end states at the market's mean price and for the one unit
    at hand; ``slots`` the state each of their columns belongs to.
    """

    unit: UnitEconomics
    month: int

    @cached_property
    def _both(self) -> tuple[EndStates, EndStates]:
        return self.unit.both_end_states(self.month)

    @property
    def market(self) -> EndStates:
        """End states at the market's mean price."""
        return self._both[0]

    @property
    def single(self) -> EndStates:
        """End states of the one unit at hand, its own luck in price in the draws."""
        return self._both[1]

    @cached_property
    def slots(self) -> tuple[str, ...]:
        """State each column of the end states belongs to."""
        return self.unit.slot_states(self.month)

    @cached_property
    def hours(self) -> float:
        """Expected bench hours, testing included."""
        return self.unit.hours(self.month)

    @cached_property
    def parts_cash(self) -> float:
        """Expected cash spent on parts."""
        return self.unit.parts_cash(self.month)

    @cached_property
    def hammer(self) -> float:
        """Median usual hammer price; missing if none is known."""
        return hammer_price(self.unit, self.month)[1]

    @cached_property
    def rival(self) -> HighestRival | None:
        """The highest rival for such a lot; None where nothing is known of any."""
        found = self.unit.family.rivals.get(self.unit.listed_fault)
        if found is None:
            return None
        at = self.unit.family.models.index(self.unit.model_id)
        price = np.log(self.unit.family.level[:, at, self.month])
        dearer = self.unit.family.dearer(price)
        return HighestRival(price + found.log_ratio + dearer, found.spread)

    def seller(self, asked: float = 0.0) -> HighestRival | None:
        """Least price a private seller takes: the highest rival's, moved by own offers' answers.

        ``asked`` is the price the seller names, money, which would surely be taken; 0 for none.
        """
        if self.rival is None:
            return None
        known, ceiling = self.unit.family.sellers, asked if asked > 0 else inf
        if known is None:
            return replace(self.rival, ceiling=ceiling)
        return HighestRival(
            *known.given(self.rival.log_median, float(np.log(ceiling))), ceiling=ceiling
        )

    @cached_property
    def shortfall(self) -> float:
        """Money by which a won lot is expected to fall short of its promise (selection)."""
        return self.unit.family.shortfall * self.market.revenue

    def expected(self, landing: Landing, bid: float, floor: float = 0.0) -> WonLot:
        """Say what bidding up to a price promises; at that very price where no rival is known.

        ``floor`` is a price somebody has bid already, money.
        """
        theta = margin_fraction(self.unit.settings)
        if self.rival is None:
            return replace(self.bought(landing, bid), chance=float("nan"))
        rival = replace(self.rival, floor=floor)
        won = won_lot(self.market.money, self.single.money, landing.money, theta, bid, rival)
        return self._less(won, landing)

    def bought(self, landing: Landing, price: float) -> WonLot:
        """Say what buying at a fixed price promises."""
        theta = margin_fraction(self.unit.settings)
        won = at_price(self.market.money, self.single.money, landing.money, theta, price)
        return self._less(won, landing)

    def _less(self, won: WonLot, landing: Landing) -> WonLot:
        """Take off what won lots fall short by, and tell what hours and cash could earn."""
        charge = self.market.expected_charge
        if landing.scarce and np.isfinite(won.price):
            charge += landing.scarce * landing.landed(won.price)
        return replace(won, profit=won.profit - self.shortfall, charge=charge)


def bid_on_terms(known: Outcomes, landing: Landing | None = None, floor: float = 0.0) -> Bid:
    """Maximum bid at a landed cost; at the usual terms of purchase if none is named.

    ``floor`` is a price somebody has bid already, money: it moves the chance of winning only.
    """
    rules, terms = known.unit.settings, landing or known.unit.landing
    most = highest(known, landing)
    amount, reason = rounded_bid(most.exact, rules)
    won = NOTHING_WON if reason else known.expected(terms, amount, floor)
    cost = 0.0
    if most.binding != BREAK_EVEN:
        free, nothing = rounded_bid(most.uncapped, rules)
        given_up = 0.0 if nothing else known.expected(terms, free, floor).per_listing
        cost = max(given_up - (0.0 if reason else won.per_listing), 0.0)
    return Bid(most.exact, most.uncapped, most.binding, amount, reason, won, known.hours, cost)


def highest(known: Outcomes, landing: Landing | None = None) -> Highest:
    """Highest price that pays, within the owner's targets and limits; see ``bid_on_terms``."""
    uncapped = known.unit.exact_bid(known.month, landing)
    limits = _owners_limits(known, landing or known.unit.landing, known.unit.settings)
    limits = {BREAK_EVEN: uncapped, **limits}
    binding = min(limits, key=lambda k: limits[k])
    return Highest(limits[binding], uncapped, binding)


def highest_bids(unit: UnitEconomics) -> list[Highest]:
    """Highest price that pays in each month, at the usual terms of purchase."""
    return [highest(Outcomes(unit, month)) for month in range(unit.months)]


def highest_prices(unit: UnitEconomics) -> Floats:
    """Unrounded prices of ``highest_bids``, (months,)."""
    return np.array([bid.exact for bid in highest_bids(unit)])


def against(won: WonLot, rules: Settings) -> str:
    """Say what speaks against bidding although something may be bid; empty if nothing does.

    Lots are won more often in the draws in which prices are low, so where a bid seldom wins a won
    lot may be expected to lose although the bid itself breaks even on average.
    """
    if won.chance < rules.limits.least_win_chance:
        return f"{RARELY_WON}: {percent(won.chance)} of such lots"
    if won.profit <= 0:
        return f"{LOSES_WON}: {-won.profit:.2f} each"
    if won.surplus <= 0:
        return f"{EARN_MORE}: {won.profit:.2f} a lot against {won.charge:.2f}"
    return ""


def verdict_of(known: Outcomes, bid: Bid) -> Verdict:
    """Verdict on a model bought with a listed fault, the same on every face.

    ``buy`` where the bid reaches the lowest worth handling, wins often enough and a lot won at it
    is expected to earn; ``own stock only`` where not, but repair is best in the commonest state
    that can be repaired; else ``stop``.
    """
    if not bid.reason and not against(bid.won, known.unit.settings):
        return Verdict.BUY
    main = known.unit.main
    if main.repair is not None and main.best()[known.month] == REPAIR:
        return Verdict.OWN_STOCK
    return Verdict.STOP


def _owners_limits(known: Outcomes, landing: Landing, rules: Settings) -> dict[str, float]:
    """Bids under the targets and limits the owner has set; none is set by default."""
    limits, targets = rules.limits, rules.targets
    asked = (targets.profit, targets.margin, targets.return_on_cash, targets.profit_per_bench_hour)
    out: dict[str, float] = {}
    if any(target is not None for target in asked):
        target, name = _strictest_target(known, landing, rules)
        out[name] = target
    if limits.rivals:
        segment = landing.segment(max(min([*out.values(), np.inf]), 0.0))
        error = float(known.unit.value[:, known.month].std()) / (segment.a * (1 + landing.kappa))
        free = min([*out.values(), known.unit.exact_bid(known.month, landing)])
        out["rivals' deduction"] = free - winners_curse(error, limits.rivals + 1)
    return {**out, **_limits(known, landing, rules)}


def _strictest_target(known: Outcomes, landing: Landing, rules: Settings) -> tuple[float, str]:
    """Lowest bid over the targets that are set."""
    targets, states, theta = rules.targets, known.market, margin_fraction(rules)
    wanted: dict[str, Asked] = {}
    if targets.profit is not None:
        wanted["profit target"] = ask_profit(targets.profit)
    if targets.margin is not None:
        wanted["margin target"] = ask_margin(targets.margin, states.revenue)
    if targets.profit_per_bench_hour is not None:
        rate = targets.profit_per_bench_hour
        wanted["bench-hour target"] = ask_per_bench_hour(rate, known.hours, known.unit.wage)
    bids = {n: maximum_bid_for(states, landing, asked, theta) for n, asked in wanted.items()}
    if targets.return_on_cash is not None:
        share, parts = targets.return_on_cash, known.parts_cash
        bids["return on cash"] = landing.solve(
            lambda s: bid_within(
                states, s, landing.kappa, (ask_return_on_cash(share, parts, s), theta)
            )
        )
    name = min(bids, key=lambda k: bids[k])
    return bids[name], name


def _limits(known: Outcomes, landing: Landing, rules: Settings) -> dict[str, float]:
    """Bids that risk and cash allow."""
    limits, kappa, theta, out = rules.limits, landing.kappa, margin_fraction(rules), {}
    alpha = limits.probability_loss
    if alpha is not None and limits.lot_size > 1:
        lot = (limits.lot_size, alpha)
        out["chance of loss, lot"] = lot_bid(known.market, known.single, landing, lot, theta)
    elif alpha is not None:
        even = break_even_anywhere(known.single, landing, theta)
        out["chance of loss"] = chance_limit(even, known.single.weight, alpha)
    cash = limits.working_cash
    if limits.loss_cap_share is not None and cash is not None:
        single = known.single
        shares, values = single.weight.sum(axis=0), (single.weight * single.value).sum(axis=0)
        likely = shares >= 0.01
        worst = float((values[likely] / shares[likely]).min())
        cap = limits.loss_cap_share * cash
        out["loss cap"] = landing.solve(lambda s: loss_cap_limit(worst, cap, s, kappa))
    if cash is not None:
        left = cash - known.parts_cash
        out["working cash"] = landing.solve(lambda s: (left - s.K) / s.a)
    return out


def rounded_bid(exact: float, rules: Settings) -> tuple[float, str]:
    """Round a bid down to the increment; zero with a reason where nothing should be bid."""
    if exact < 0:
        return 0.0, NO_PRICE
    amount = float(round_down(exact, rules.limits.bid_increment))
    if amount < rules.limits.lowest_lot_cost:
        return 0.0, TOO_SMALL
    return amount, ""


@dataclass(frozen=True, eq=False)
class JointLot:
    """A lot: its exact bid, its mean worth and own spread by draw, the rival for the whole.

    ``worth`` is in money; ``charge`` is what its hours could earn on other units.
    """

    exact: float
    worth: Floats
    own_sd: Floats
    hours: float
    landing: Landing
    rival: HighestRival | None
    shortfall: float = 0.0
    charge: float = 0.0

    def expected(self, bid: float, floor: float = 0.0) -> WonLot:
        """Say what bidding up to a price promises for the whole lot."""
        if self.rival is None:
            prices, part, chance = np.full((len(self.worth), 1), bid), None, float("nan")
        else:
            rival = HighestRival(self.rival.log_median, self.rival.spread, floor)
            wins = rival.wins(bid)
            if bid <= floor or wins.sum() <= 0:
                return WonLot(0.0, float("nan"), float("nan"), float("nan"))
            prices, part, chance = rival.prices_below(bid), wins / wins.sum(), rival.chance(bid)
        weight = np.full(len(self.worth), 1.0 / len(self.worth)) if part is None else part
        paid = self.landing.landed_each(prices) * (1 + self.landing.money.kappa)
        profit = self.worth[:, None] - paid
        loss = ndtr(-profit / np.maximum(self.own_sd[:, None], 1e-9))
        over = prices.shape[1]
        price = float(weight @ prices.sum(axis=1)) / over
        return WonLot(
            chance,
            float(weight @ profit.sum(axis=1)) / over - self.shortfall,
            float(weight @ loss.sum(axis=1)) / over,
            price,
            self.charge + self.landing.scarce * self.landing.landed(price),
        )


def joint_lot(units: Sequence[Outcomes], quantity: Sequence[int], landing: Landing) -> JointLot:
    """Put units together under one bid.

    Parameters
    ----------
    units
        Outcomes of each model and fault in the lot, of one month.
    quantity
        Units of each.
    landing
        Landed cost of the whole lot.

    Notes
    -----
    Under a scheme that taxes the margin the bid is the sum of the units' own, since each unit's
    purchase price must be known apart.
    """
    month, valuation = units[0].month, units[0].unit.valuation
    taxed = bool(margin_fraction(units[0].unit.settings))
    families: dict[str, Floats] = {}
    worth, variance, charge = np.zeros(1), np.zeros(1), 0.0
    for known, count in zip(units, quantity, strict=True):
        unit = known.unit
        name = unit.family.estimates.family_id
        sure = unit.certainty_by_draw[:, month] * count
        families[name] = families[name] + sure if name in families else sure
        single = known.single.money
        worth = worth + known.market.money.value_in_draw * count
        charge += known.market.expected_charge * count
        away = single.value - single.value_in_draw[:, None]
        variance = variance + count * np.sum(single.share_in_draw * away**2, axis=1)
    if taxed:
        exact = sum(k.unit.exact_bid(month) * q for k, q in zip(units, quantity, strict=True))
    else:
        each = [certainty_equivalent(v, None, valuation.tolerance) for v in families.values()]
        exact = float(landing.bid_for(sum(each)))
    hours = sum(k.hours * q for k, q in zip(units, quantity, strict=True))
    short = sum(k.shortfall * q for k, q in zip(units, quantity, strict=True))
    return JointLot(
        exact, worth, np.sqrt(variance), hours, landing, rival_of(units, quantity), short, charge
    )


def rival_of(units: Sequence[Outcomes], quantity: Sequence[int]) -> HighestRival | None:
    """Highest rival for the whole: the sum of what each unit would fetch, at their mean spread."""
    rivals = [k.rival for k in units]
    if any(r is None for r in rivals):
        return None
    known = [r for r in rivals if r is not None]
    paid = [q * np.exp(r.log_median) for r, q in zip(known, quantity, strict=True)]
    total: Floats = np.sum(paid, axis=0)
    return HighestRival(np.log(total), float(np.mean([r.spread for r in known])))
