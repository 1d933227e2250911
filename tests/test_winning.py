"""The chance of winning and what a won lot earns, against auctions played out one by one."""

from dataclasses import replace

import numpy as np
import pytest
from outlook_by_hand import (
    FAMILY,
    FAULT,
    FREE,
    MODEL,
    example_family,
    example_outlook,
    example_settings,
)
from repair_horizon.decisions.costs.purchase import landing
from repair_horizon.decisions.unit.bid import (
    Outcomes,
    bid_on_terms,
    joint_lot,
    rival_of,
    verdict_of,
)
from repair_horizon.decisions.unit.bid_limits import EndStates, profit_at
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import HighestRival, first_offer, won_lot
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.settings import Purchase, Settings, Tax, Tier
from scipy.special import logsumexp
from scipy.stats import norm

AUCTIONS = 400_000
LAND = landing(Purchase([Tier(0.0, 0.18), Tier(60.0, 0.10)], 0.2, inbound=12.0), 0.12, 45, True)


def unit_of(
    rules: Settings = FREE,
    worth: Valuation = NO_CHARGES,
    draws: int = 40,
    spread: float = 0.15,
    rival: float | None = 60.0,
) -> UnitEconomics:
    family = example_family(draws=draws, spread=spread, rival=rival)
    unit = Economics(example_outlook(family), rules, worth).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    return unit


def world(draws: int = 30) -> tuple[EndStates, EndStates, HighestRival]:
    """Draws in which worth and rivals rise together, three end states, own luck of one sale."""
    rng = np.random.default_rng(1)
    level = np.exp(0.2 * rng.standard_normal(draws))
    share = np.tile([0.6, 0.3, 0.1], (draws, 1)) / draws
    price = level[:, None] * np.array([400.0, 120.0, 0.0])
    value = 0.86 * price - np.array([230.0, 20.0, 21.0])
    luck = np.exp(0.1 * rng.standard_normal(draws))[:, None]
    single = EndStates(share, value + 0.86 * price * (luck - 1), price * luck)
    return EndStates(share, value, price), single, HighestRival(np.log(55.0 * level), 0.25)


@pytest.mark.parametrize("floor", [0.0, 45.0])
@pytest.mark.parametrize(
    ("scheme", "theta"), [("none", 0.0), ("margin", 1 / 6)], ids=["no tax", "margin scheme"]
)
def test_a_won_lot_is_what_playing_the_auctions_says(
    floor: float, scheme: str, theta: float
) -> None:
    """400,000 auctions: a world, a rival not below what is bid already, won below our bid.

    Chance, mean price and mean profit within four standard errors and what five prices a draw
    leave of the exact mean (half a per cent of the price).
    """
    market, single, rival = world()
    rival, bid = replace(rival, floor=floor), 70.0
    rng = np.random.default_rng(2)
    at = rng.integers(0, len(rival.log_median), AUCTIONS)
    highest = np.exp(rival.log_median[at] + rival.spread * rng.standard_normal(AUCTIONS))
    there = highest >= floor
    at, highest = at[there], highest[there]
    won = highest < bid
    told = won_lot(market, single, LAND, theta, bid, rival)
    assert told.chance == pytest.approx(won.mean(), abs=4 * 0.5 / np.sqrt(len(won)))
    paid, where = highest[won], at[won]
    assert told.price == pytest.approx(paid.mean(), rel=0.005)
    state = (rng.random(len(paid))[:, None] > np.cumsum([0.6, 0.3, 0.1])[None, :-1]).sum(axis=1)
    earned, lost = np.zeros(len(paid)), np.zeros(len(paid))
    for into, states in ((earned, market), (lost, single)):
        worth, price = states.value[where, state], states.price[where, state]
        margin_of = np.interp(paid, [0.0, 60.0, 1000.0], [0.0, 70.8, 70.8 + 940 * 1.1])
        tax = theta * np.maximum(price - margin_of, 0.0) * (price > 0)
        landed = np.array([LAND.landed(p) for p in np.unique(paid.round(2))])
        cost = np.interp(paid, np.unique(paid.round(2)), landed) * (1 + LAND.kappa)
        into += worth - tax - cost
    error = earned.std() / np.sqrt(len(earned))
    assert told.profit == pytest.approx(earned.mean(), abs=4 * error + 0.005 * told.price)
    assert told.probability_loss == pytest.approx((lost < 0).mean(), abs=0.015)
    assert told.per_listing == pytest.approx(told.chance * told.profit)


@pytest.mark.parametrize("theta", [0.0, 1 / 6], ids=["no tax", "margin scheme"])
@pytest.mark.parametrize("price", [50.0, 80.0])
def test_a_certain_rival_is_beaten_or_not(price: float, theta: float) -> None:
    """With no spread to speak of a bid above the rival always wins, at his price and its tier."""
    market, single, _ = world()
    tiers = Purchase([Tier(0.0, 0.40), Tier(60.0, 0.05)], 0.2, inbound=12.0)
    land = landing(tiers, 0.12, 45, True)
    rival = HighestRival(np.full(30, np.log(price)), 1e-6)
    assert won_lot(market, single, land, theta, price - 0.1, rival).chance == 0.0
    sure = won_lot(market, single, land, theta, price + 0.1, rival)
    assert (sure.chance, sure.price) == (pytest.approx(1.0), pytest.approx(price, abs=0.01))
    expected = float(np.sum(market.weight * profit_at(market, land, price, theta)))
    assert sure.profit == pytest.approx(expected, abs=1e-3)
    loses = profit_at(single, land, price, theta) < 0
    assert sure.probability_loss == pytest.approx(float(np.sum(single.weight * loses)))


def test_chance_rises_with_the_bid_and_is_never_more_than_one() -> None:
    _, _, rival = world()
    chances = [rival.chance(float(b)) for b in (0, 1, 30, 55, 80, 200, 1e6)]
    assert chances == sorted(chances)
    assert (chances[0], chances[-1]) == (0.0, pytest.approx(1.0))
    assert max(chances) <= 1.0
    by_hand = norm.cdf((np.log(55.0) - rival.log_median) / 0.25).mean()
    assert rival.chance(55.0) == pytest.approx(by_hand)
    assert replace(rival, floor=60.0).chance(55.0) == 0.0


def test_drawn_rivals_are_those_whose_chances_are_told() -> None:
    """Drawn one a draw, with a floor: none below it, and the share below a bid is its chance."""
    rival = HighestRival(np.full(200_000, np.log(50.0)), 0.3, floor=40.0)
    drawn = rival.drawn(np.random.default_rng(5))
    assert drawn.min() >= 40.0
    assert (drawn < 60.0).mean() == pytest.approx(rival.chance(60.0), abs=0.004)
    prices = rival.prices_below(60.0)
    assert prices.mean() == pytest.approx(drawn[drawn < 60.0].mean(), rel=0.005)


@pytest.mark.parametrize("usual", [30.0, 60.0, 120.0])
def test_the_first_offer_is_the_best_of_all_offers(usual: float) -> None:
    """Argmax of (worth - landed cost) x chance that it is taken, by trying every ten cents."""
    rival = HighestRival(np.full(5, np.log(usual)), 0.2)
    worth, walk = 105.0, 72.0
    offer, taken = first_offer(worth, LAND, walk, rival, 1.0)

    def gain(price: float) -> float:
        return (worth - LAND.landed(price) * (1 + LAND.kappa)) * rival.chance(price)

    best = max(np.arange(0.1, walk, 0.1), key=gain)
    assert offer == pytest.approx(min(best, walk), abs=1.0)
    assert offer <= walk
    assert taken == pytest.approx(rival.chance(offer))
    assert gain(offer) >= 0.98 * gain(best)
    assert first_offer(worth, LAND, 0.0, rival, 1.0) == (0.0, 0.0)


def test_verdicts_are_by_their_definitions() -> None:
    """Buy: won often enough. Own stock only: not, but repair is best. Stop: neither."""
    told = {}
    for name, rival, level in (("often", 60.0, 1.0), ("rarely", 200.0, 1.0), ("no", 200.0, 0.55)):
        family = example_family(draws=40, spread=0.05, rival=rival)
        family = replace(family, level=family.level * level)
        unit = Economics(example_outlook(family), FREE).unit(FAMILY, MODEL, FAULT)
        assert isinstance(unit, UnitEconomics)
        known = Outcomes(unit, 0)
        told[name] = verdict_of(known, bid_on_terms(known))
    assert told == {"often": Verdict.BUY, "rarely": Verdict.OWN_STOCK, "no": Verdict.STOP}


# -- several units under one bid


@pytest.mark.parametrize("tolerance", [float("inf"), 150.0])
def test_a_lot_of_two_is_worth_what_every_pair_of_outcomes_says(tolerance: float) -> None:
    """Shared draws together, own luck apart: all pairs of states, outcomes and luck in a draw."""
    unit = unit_of(worth=Valuation(hour=4.0, tolerance=tolerance), draws=6)
    known = Outcomes(unit, 0)
    lot = joint_lot([known], [2], LAND)
    nodes, weights = np.polynomial.hermite_e.hermegauss(3)
    weights = weights / weights.sum()
    market, sd = known.market, unit.states[0].luck_sd
    values, chances = [], []
    for d in range(6):
        price = market.price[d][:, None]
        one = (market.value[d][:, None] + unit.kept * price * sd * nodes).ravel()
        share = (market.weight[d][:, None] * 6 * weights).ravel()
        values.append((one[:, None] + one[None, :]).ravel())
        chances.append((share[:, None] * share[None, :]).ravel() / 6)
    value, chance = np.concatenate(values), np.concatenate(chances)
    if np.isinf(tolerance):
        sure = float(chance @ value)
    else:
        sure = float(-tolerance * logsumexp(-value / tolerance, b=chance))
    assert lot.exact == pytest.approx(float(LAND.bid_for(sure)), abs=1e-6)
    assert lot.hours == pytest.approx(2 * known.hours)
    alone = float(unit.exact_bid(0, LAND))
    assert lot.exact != pytest.approx(2 * alone, abs=1.0)  # premium and carriage fall on the whole


def test_units_that_share_their_draws_are_worth_less_together_than_twice_one() -> None:
    """What units share does not average out: CE of two is less than twice that of one."""
    unit = unit_of(worth=Valuation(tolerance=150.0), draws=200, spread=0.3)
    known, no_fees = Outcomes(unit, 0), landing(Purchase([], inbound=0.0), 0.0, 0, True)
    one, two = (joint_lot([known], [n], no_fees).exact for n in (1, 2))
    assert two < 2 * one - 1.0
    neutral = Outcomes(unit_of(draws=200, spread=0.3), 0)
    one, two = (joint_lot([neutral], [n], no_fees).exact for n in (1, 2))
    assert two == pytest.approx(2 * one)


def test_a_lots_promise_is_its_units_at_the_price_of_the_whole() -> None:
    """Mean profit of a won lot of three: by playing the auctions for the whole of it."""
    known = Outcomes(unit_of(draws=300), 0)
    lot, bid = joint_lot([known], [3], LAND), 200.0
    told, rival = lot.expected(bid), rival_of([known], [3])
    assert rival is not None
    assert rival.log_median == pytest.approx(np.log(3) + known.rival.log_median)  # type: ignore[union-attr]
    rng, n = np.random.default_rng(3), 300
    at = rng.integers(0, n, AUCTIONS)
    price = np.exp(rival.log_median[at] + rival.spread * rng.standard_normal(AUCTIONS))
    won = price < bid
    worth = 3 * known.unit.value[:, 0][at[won]]
    grid = np.arange(1.0, bid + 1)
    landed = np.interp(price[won], grid, [LAND.landed(p) for p in grid])
    earned = worth - landed * (1 + LAND.kappa)
    assert told.chance == pytest.approx(won.mean(), abs=0.004)
    assert told.profit == pytest.approx(earned.mean(), abs=1.5)
    assert told.price == pytest.approx(price[won].mean(), rel=0.005)
    # Own luck of three units in a world: their spread adds up as squares.
    share = known.single.weight * n
    mean = np.sum(share * known.single.value, axis=1, keepdims=True)
    sd = np.sqrt(3 * np.sum(share * (known.single.value - mean) ** 2, axis=1))
    lost = earned + sd[at[won]] * rng.standard_normal(len(earned)) < 0
    assert told.probability_loss == pytest.approx(lost.mean(), abs=0.01)
    nothing = lot.expected(bid, floor=bid)
    assert nothing.chance == 0.0
    assert np.isnan(nothing.profit)


def test_under_a_margin_scheme_a_lots_bid_is_the_sum_of_its_units() -> None:
    """Each unit's own purchase price must be known apart."""
    unit = unit_of(replace(FREE, tax=Tax("margin", 0.2)), draws=5)
    lot = joint_lot([Outcomes(unit, 0)], [2], unit.landing)
    assert lot.exact == pytest.approx(2 * unit.exact_bid(0))


def test_nothing_known_of_rivals_leaves_the_chance_open() -> None:
    """No rival known: what is told is the profit at the bid itself, the chance is missing."""
    known = Outcomes(unit_of(rival=None), 0)
    bid = bid_on_terms(known)
    assert np.isnan(bid.won.chance)
    assert bid.won.profit == pytest.approx(known.bought(known.unit.landing, bid.amount).profit)
    assert rival_of([known], [1]) is None
    assert np.isnan(joint_lot([known], [2], LAND).expected(50.0).chance)


def test_a_promise_is_money_and_opportunity_cost_only_decides() -> None:
    """Charges that change no choice lower bid and surplus, not what a lot is said to earn."""
    family, free = example_family(rival=45.0), NO_CHARGES
    dear = Valuation(hour=2.0, cash_day=1e-4)
    known = {}
    for worth in (free, dear):
        unit = Economics(example_outlook(family), example_settings(), worth).unit(
            FAMILY, MODEL, FAULT
        )
        assert isinstance(unit, UnitEconomics)
        known[worth] = Outcomes(unit, 0)
    plain, charged = known[free], known[dear]
    assert plain.unit.actions == charged.unit.actions
    assert charged.unit.exact_bid(0) < plain.unit.exact_bid(0) - 1.0
    bought = charged.bought(charged.unit.landing, 40.0)
    same = plain.bought(plain.unit.landing, 40.0)
    assert bought.profit == pytest.approx(same.profit, abs=0.011)
    assert bought.probability_loss == pytest.approx(same.probability_loss)
    won, as_won = (k.expected(k.unit.landing, 60.0) for k in (charged, plain))
    assert won.profit == pytest.approx(as_won.profit, abs=0.011)
    land = charged.unit.landing
    tied = 1e-4 * charged.unit.days * land.landed(40.0)
    assert land.money.kappa == pytest.approx(plain.unit.landing.kappa)
    assert bought.charge > 2.0 * charged.hours + tied - 0.011  # parts tie up cash too
    assert bought.surplus == pytest.approx(bought.profit - bought.charge)
    pair = joint_lot([charged], [2], land).expected(80.0)
    assert pair.profit == pytest.approx(
        joint_lot([plain], [2], plain.unit.landing).expected(80.0).profit, abs=0.03
    )
