"""The chance of winning a lot at a bid, and what a won lot is worth at the price it is won at.

A lot is won where the highest rival stays below the bid, and is then paid at that rival's price.
In draw d the highest rival H is log-normal around the draw's working price level times a ratio, so

    G(B)               = mean over d of P_d(H < B)
    profit given a win = E[V_d - L(H) | H < B],   V and H from the same draw

What rivals are known to pay comes from the hammer prices of the past, read as order statistics
(``estimation.rival_prices``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import inf, isinf

import numpy as np
from scipy.special import ndtr, ndtri

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bid_limits import EndStates, profit_at
from repair_horizon.tables.arrays import Floats

# Prices paid given a win, by draw: midpoints of this many parts of equal chance.
PARTS = 5


@dataclass(frozen=True, eq=False)
class HighestRival:
    """The highest rival for one lot: log of the median by draw, (draws,), and log spread.

    ``floor`` is a price that somebody has already bid, money: rivals below it are ruled out.
    ``ceiling`` is a price that would surely do, as the one a private seller asks.
    """

    log_median: Floats
    spread: float
    floor: float = 0.0
    ceiling: float = inf

    def _below(self, price: float) -> Floats:
        if price not in self._known:
            if len(self._known) > 4:  # the rival of a model is asked about thousands of prices
                self._known.clear()
            self._known[price] = self._chance_below(price)
        return self._known[price]

    def _chance_below(self, price: float) -> Floats:
        if price <= 0:
            return np.zeros_like(self.log_median)
        if isinf(price):
            return np.ones_like(self.log_median)
        out: Floats = ndtr((np.log(price) - self.log_median) / self.spread)
        return out

    @cached_property
    def _known(self) -> dict[float, Floats]:
        return {}

    def wins(self, bid: float) -> Floats:
        """Weight of each draw in which a bid wins, (draws,); their mean is the chance."""
        floor, top = self._below(self.floor), self._below(self.ceiling)
        below = self._below(min(bid, self.ceiling))
        out: Floats = np.maximum(below - floor, 0.0) / np.mean(top - floor + 1e-12)
        return out

    def chance(self, bid: float) -> float:
        """Chance of winning at a bid, over all draws."""
        return float(min(self.wins(bid).mean(), 1.0))

    def prices_below(self, bid: float) -> Floats:
        """Prices paid by draw given that the bid wins, (draws, PARTS), of equal chance each."""
        low, high = self._below(self.floor), np.maximum(self._below(bid), 1e-12)
        at = low[:, None] + (high - low)[:, None] * (np.arange(PARTS) + 0.5) / PARTS
        at = np.clip(at, 1e-12, 1.0 - 1e-12)
        out: Floats = np.exp(self.log_median[:, None] + self.spread * ndtri(at))
        return np.clip(out, self.floor, bid)

    def drawn(self, rng: np.random.Generator) -> Floats:
        """One auction's highest rival in every draw, (draws,), above the floor."""
        low = self._below(self.floor)
        at = low + (1.0 - low) * rng.random(len(low))
        out: Floats = np.exp(self.log_median + self.spread * ndtri(np.clip(at, 1e-12, 1 - 1e-12)))
        return out


@dataclass(frozen=True)
class WonLot:
    """What bidding up to a price promises.

    ``chance`` of winning; ``profit`` expected of a won lot at the price it is won at, in money,
    and ``probability_loss`` its chance of loss; ``price`` the mean hammer price paid. ``charge``
    is what its hours and cash could earn on other units: a lot is worth taking for what it earns
    beyond.
    """

    chance: float
    profit: float
    probability_loss: float
    price: float
    charge: float = 0.0

    @property
    def surplus(self) -> float:
        """Expected profit beyond what hours and cash could earn on other units."""
        return self.profit - self.charge

    @property
    def per_listing(self) -> float:
        """Expected profit of bidding on one such lot, won or not."""
        return self.chance * self.profit


def won_lot(
    market: EndStates,
    single: EndStates,
    landing: Landing,
    theta: float,
    bid: float,
    rival: HighestRival,
) -> WonLot:
    """Work out what a bid promises.

    Parameters
    ----------
    market, single
        End states at the market's mean price and for one unit with its own luck, (draws, slots).
    landing
        Landed cost with the cost of its cash.
    theta
        Tax fraction of the margin; 0 without a scheme that taxes it.
    bid
        Hammer price bid up to, money.
    rival
        The highest rival, from the same draws.
    """
    below = rival.wins(bid)
    if bid <= rival.floor or below.sum() <= 0:
        return WonLot(0.0, float("nan"), float("nan"), float("nan"))
    prices = rival.prices_below(bid)
    part = below / below.sum() / PARTS
    paid = landing.landed_each(prices) * (1 + landing.kappa)
    profit = 0.0
    lost = np.zeros(single.value.shape, dtype="int8")  # in how many of the parts
    for k in range(PARTS):
        left = market.value_in_draw - paid[:, k]
        if theta:
            taxed = _tax(market, landing, theta, prices[:, k])
            left = left - np.sum(market.share_in_draw * taxed, axis=1)
            lost += single.value - _tax(single, landing, theta, prices[:, k]) < paid[:, k, None]
        else:
            lost += single.value < paid[:, k, None]
        profit += float(part @ left)
    loss = float(part @ np.einsum("ds,ds->d", single.share_in_draw, lost))
    mean_price = float(part @ prices.sum(axis=1))
    chance = float(min(below.mean(), 1.0))
    return WonLot(chance, profit, min(loss, 1.0), mean_price)


def at_price(
    market: EndStates, single: EndStates, landing: Landing, theta: float, price: float
) -> WonLot:
    """What buying at a fixed price promises; the chance is one."""
    profit = float(np.sum(market.weight * profit_at(market, landing, price, theta)))
    loses = profit_at(single, landing, price, theta) < 0
    return WonLot(1.0, profit, min(float(np.sum(single.weight * loses)), 1.0), price)


def _tax(states: EndStates, landing: Landing, theta: float, price: Floats) -> Floats:
    """Tax on the margin in every end state where each draw pays its own price, (draws, slots)."""
    margin_of, counts = np.zeros_like(price), np.zeros(price.shape, dtype=bool)
    for segment in landing.segments:
        here = (price > segment.lower) if segment.lower > 0 else np.ones(price.shape, dtype=bool)
        margin_of = np.where(here, segment.margin_a * price + segment.margin_k, margin_of)
        counts = np.where(here, segment.losses_count, counts)
    margin = states.price - margin_of[:, None]
    margin = np.where(counts[:, None], margin, np.maximum(margin, 0.0))
    out: Floats = theta * margin * (states.price > 0)
    return out


def first_offer(
    worth: float, landing: Landing, walk_away: float, rival: HighestRival, increment: float
) -> tuple[float, float]:
    """First offer to a private seller, and the chance that it is taken.

    The offer maximises (CE(V) - L(B)) P(taken at B) over offers up to the walk-away price; what a
    seller takes is read like the highest rival's price, moved by what own offers have taught.

    Parameters
    ----------
    worth
        Certainty equivalent of the unit before acquisition, money.
    landing
        Landed cost.
    walk_away
        Highest price at which buying still pays, money.
    rival
        Least price the seller takes, ``Outcomes.seller``.
    increment
        Offers are multiples of this.
    """
    if walk_away <= 0:
        return 0.0, 0.0
    grid = np.linspace(0.2, 1.0, 161) * walk_away
    taken = np.array([rival.chance(float(b)) for b in grid])
    left = np.array([worth - landing.landed(float(b)) * (1 + landing.kappa) for b in grid])
    best = float(grid[int(np.argmax(left * taken))])
    offer = max(round(best / increment) * increment, increment)
    offer = min(offer, walk_away)
    return float(offer), rival.chance(offer)
