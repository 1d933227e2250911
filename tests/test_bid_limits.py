"""Lots, tiers, taxes and duties: the parts of a bid the two worked examples do not reach."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from outlook_by_hand import FAMILY, FAULT, MODEL, example_economics, example_settings, example_unit
from repair_horizon.decisions.costs.money import NOT_TAX_ADVICE
from repair_horizon.decisions.costs.purchase import (
    landing,
    landing_under,
    purchase_lines,
    purchase_on,
)
from repair_horizon.decisions.costs.sale import sale_terms
from repair_horizon.decisions.unit.bid import (
    BREAK_EVEN,
    NO_PRICE,
    TOO_SMALL,
    Bid,
    Outcomes,
    bid_on_terms,
    margin_fraction,
)
from repair_horizon.decisions.unit.bid_limits import (
    EndStates,
    ask_profit,
    break_even_anywhere,
    chance_limit,
    lot_bid,
    lot_spread,
    maximum_bid_for,
    profit_at,
)
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.tables.settings import (
    Channel,
    Duty,
    Limits,
    Purchase,
    Settings,
    Targets,
    Tax,
    Tier,
)
from scipy.optimize import bisect
from scipy.stats import norm

# Example 1's end states, trade reference 2.4.
WEIGHT = np.array([0.162750, 0.390600, 0.097650, 0.049000, 0.12, 0.13, 0.05])
VALUE = np.array([184.63, 143.93, 82.87, -102.42, 67.75, 67.75, -21.00])
EXAMPLE = EndStates(WEIGHT, VALUE, np.zeros(7))
LAND = landing(Purchase([Tier(0.0, 0.18)], 0.20, 0.0, 3.5, 12.0), 0.12, 45, True)


def bid_of(unit: UnitEconomics) -> Bid:
    """Bid of the first month at the usual terms of purchase."""
    return bid_on_terms(Outcomes(unit, 0))


def test_the_draws_and_the_closed_form_agree_at_one_draw() -> None:
    """The whole spine on example 1 gives its bid, 36.06, and the closed form's to the last digit.

    Trade reference 2.4: E[V] 105.228766 (within a cent, prices are rounded once more there),
    hours 1.975, parts cash 185.78, profit 45.00 at the bid.
    """
    unit = example_unit()
    known = Outcomes(unit, 0)
    assert known.market.expected == pytest.approx(105.228766, abs=0.01)
    assert (known.hours, round(known.parts_cash, 2)) == (pytest.approx(1.975), 185.78)
    bid = bid_of(unit)
    worth = float(unit.value[0, 0])
    one_state = EndStates(np.ones(1), np.array([worth]), np.zeros(1))
    assert bid.exact == pytest.approx(
        maximum_bid_for(one_state, unit.landing, ask_profit(45.0)), abs=1e-9
    )
    assert (bid.amount, bid.binding, bid.reason) == (36.06, "profit target", "")
    assert bid.won.profit == pytest.approx(45.0018, abs=0.002)
    assert bid.won.probability_loss == pytest.approx(0.099)


def test_many_draws_agree_with_the_closed_form_at_their_mean() -> None:
    """The bid is linear in worth, so a bid from 500 worlds is the bid of the mean world."""
    unit = example_unit(draws=500, spread=0.08)
    worth = EndStates(np.ones(1), np.array([unit.value[:, 0].mean()]), np.zeros(1))
    closed = maximum_bid_for(worth, unit.landing, ask_profit(45.0))
    assert bid_of(unit).exact == pytest.approx(closed, abs=1e-9)


def test_the_chance_limit_reaches_the_bid() -> None:
    """At 10 % the limit is 42.16 (trade reference 2.4, step 9), 42.1565 rounded down for bidding.

    In many worlds it is the one that ranking every state's own break-even bid gives.
    """
    rules = example_settings(targets=Targets(profit=0.0))
    rules = replace(rules, limits=replace(rules.limits, probability_loss=0.10))
    bid = bid_of(example_unit(rules))
    assert (bid.binding, round(bid.exact, 2), bid.amount) == ("chance of loss", 42.16, 42.15)
    unit = example_unit(rules, draws=300, spread=0.1)
    single = unit.both_end_states(0)[1]
    even = break_even_anywhere(single, unit.landing)
    assert bid_of(unit).exact == pytest.approx(chance_limit(even, single.weight, 0.10))


def test_rivals_are_deducted_only_where_the_owner_names_them() -> None:
    """No rival named, no deduction; each one more deducts more, by Harter's order statistics.

    The error is the spread of the unit's worth over the worlds, in units of bid.
    """
    bids = []
    for rivals in (0, 1, 4, 9):
        rules = example_settings(targets=Targets())
        rules = replace(rules, limits=replace(rules.limits, rivals=rivals))
        unit = example_unit(rules, draws=200, spread=0.08)
        bids.append(bid_of(unit))
    assert (bids[0].exact, bids[0].binding) == (bids[0].uncapped, BREAK_EVEN)
    assert bids[0].exact > bids[1].exact > bids[2].exact > bids[3].exact
    error = float(unit.value[:, 0].std()) / 1.233990137
    assert bids[2].uncapped - bids[2].exact == pytest.approx(1.16296 * error, rel=1e-4)


def test_rivals_are_deducted_from_what_a_target_leaves() -> None:
    """A profit target and rivals together: the deduction comes off the lower bid."""
    rules = example_settings(targets=Targets(profit=45.0))
    both = replace(rules, limits=replace(rules.limits, rivals=4))
    unit = example_unit(both, draws=200, spread=0.08)
    target = bid_of(example_unit(rules, draws=200, spread=0.08)).exact
    error = float(unit.value[:, 0].std()) / 1.233990137
    assert bid_of(unit).exact == pytest.approx(target - 1.16296 * error, rel=1e-4)


@pytest.mark.parametrize(
    ("profit", "lowest", "reason"),
    [(95.0, 5.0, NO_PRICE), (85.0, 5.0, TOO_SMALL), (85.0, 0.0, "")],
)
def test_no_bid_says_why(profit: float, lowest: float, reason: str) -> None:
    """Below nothing is 'at any price'; below the lowest lot cost is 'handling'.

    By hand: (105.23 - 15.73 - profit) / 1.234 is -4.46 and 3.65.
    """
    rules = example_settings(targets=Targets(profit=profit))
    rules = replace(rules, limits=replace(rules.limits, lowest_lot_cost=lowest))
    bid = bid_of(example_unit(rules))
    assert bid.reason == reason
    assert (bid.amount == 0.0) == bool(reason)


def test_a_lots_common_error_does_not_average_out() -> None:
    """Without one: 36.10 at four units (trade reference); with one, the closed form in the limit.

    A very large lot loses only its common error: (E[V] - K' - z sd_common) / den.
    """
    assert round(lot_bid(EXAMPLE, EXAMPLE, LAND, (4, 0.10), 0.0), 2) == 36.10
    z, worlds = norm.ppf(0.9), np.array([[-20.0], [20.0]])  # equally likely: sd_common is 20
    two = EndStates(np.tile(WEIGHT / 2, (2, 1)), VALUE + worlds, np.zeros((2, 7)))
    bid = lot_bid(two, two, LAND, (10**9, 0.10), 0.0)
    assert bid == pytest.approx((105.228766 - 15.729315 - z * 20.0) / 1.233990137, abs=2e-3)
    assert lot_bid(two, two, LAND, (4, 0.10), 0.0) < min(bid, 36.10)


def test_a_lots_bid_from_draws_is_the_closed_form_where_that_applies() -> None:
    """One tier, no tax: the same bid from the formula and from solving the draws' profit."""
    unit = example_unit(draws=400, spread=0.08)
    known = Outcomes(unit, 0)
    _, own, common = lot_spread(known.market, known.single, (unit.landing, 0.0), 30.0)
    bid = lot_bid(known.market, known.single, unit.landing, (6, 0.1), 0.0)
    mean = float(np.sum(known.single.weight * known.single.value))
    z, segment, kappa = norm.ppf(0.9), unit.landing.segments[0], unit.landing.kappa
    worth = mean - segment.K * (1 + kappa) - z * np.sqrt(own**2 / 6 + common**2)
    assert bid == pytest.approx(worth / (segment.a * (1 + kappa)), abs=1e-5)


def test_a_lot_bought_at_its_limit_loses_as_often_as_allowed() -> None:
    """60 units at the limit for 20 %: simulated lots lose in 20 % (normal, so within 4 points)."""
    unit = example_unit(draws=2000, spread=0.15)
    known = Outcomes(unit, 0)
    bid = lot_bid(known.market, known.single, unit.landing, (60, 0.2), 0.0)
    profit = profit_at(known.market, unit.landing, bid)
    rng = np.random.default_rng(3)
    chosen = np.cumsum(known.market.weight * 2000, axis=1)
    at = (rng.random((60, 2000))[:, :, None] > chosen).sum(axis=2).clip(max=profit.shape[1] - 1)
    luck = rng.permuted(np.tile(unit.family.unit_noise, (60, 1)), axis=1)
    rows = np.arange(2000)
    price = known.market.price[rows, at]
    total = (profit[rows, at] + unit.kept * price * (luck - 1)).sum(axis=0)
    assert (total < 0).mean() == pytest.approx(0.2, abs=0.04)


def test_lot_size_replaces_the_chance_limit_of_one_unit() -> None:
    rules = example_settings(targets=Targets(profit=0.0))
    one = replace(rules, limits=replace(rules.limits, probability_loss=0.05))
    ten = replace(one, limits=replace(one.limits, lot_size=10))
    assert bid_of(example_unit(one)).reason == NO_PRICE
    bid = bid_of(example_unit(ten))
    assert bid.binding == "chance of loss, lot"
    assert 30 < bid.amount < 72.52


@settings(max_examples=150, deadline=None)
@example(values=[0.0, 0.0, 0.0, 15.0, 427.0], credit_to=20.0, profit=0.0)
@given(
    values=st.lists(st.floats(-100, 700), min_size=1, max_size=5),
    credit_to=st.floats(20, 400) | st.none(),
    profit=st.floats(0, 60),
)
def test_the_taxed_bid_is_where_bisection_finds_it(
    values: list[float], credit_to: float | None, profit: float
) -> None:
    """Margin scheme, or whole credit up to a purchase price: solved and bisected bids agree.

    Profit jumps down where the credit is no longer whole, so at a jump the bid is the jump.
    """
    value = np.array(values)
    states = EndStates(np.full(len(value), 1 / len(value)), value, np.maximum(value + 60, 0.0))
    purchase = Purchase([Tier(0.0, 0.2), Tier(150.0, 0.1)], inbound=6.0)
    land = landing(purchase, 0.1, 30, True, credit_to)
    theta = 1 / 11

    def earned(bid: float) -> float:
        return float(states.weight @ profit_at(states, land, bid, theta)) - profit

    bid = maximum_bid_for(states, land, ask_profit(profit), theta)
    if bid < 0:
        assert earned(0.0) < 1e-6
        return
    assert bid == pytest.approx(bisect(earned, -5.0, 5000.0, xtol=1e-9), abs=1e-5)


def test_special_credit_tax_in_the_profit_is_the_rules() -> None:
    """Buy 440 sell 330: no tax; buy 220 sell 110: 10 back (GST Act s 66-10, derived examples)."""
    land = landing(Purchase([], inbound=0.0), 0.0, 0, True, 300.0)
    for bought, sold in ((440.0, 330.0), (220.0, 110.0), (440.0, 550.0), (300.0, 110.0)):
        state = EndStates(np.ones(1), np.array([sold]), np.array([sold]))
        profit = float(profit_at(state, land, bought, 1 / 11)[0])
        # GST Act s 66-10, written out apart from the kit: 1/11 of each, capped above 300.
        credit = bought / 11 if bought <= 300 else min(bought, sold) / 11
        assert sold - bought - profit == pytest.approx(sold / 11 - credit, abs=0.006)


def test_special_credit_is_a_setting() -> None:
    """The scheme reaches the bid: more is left than under the margin scheme, less than untaxed."""
    bids = {}
    for scheme in ("none", "margin", "special_credit"):
        unit = example_unit(example_settings(tax=Tax(scheme, 0.10)))
        bids[scheme] = bid_of(unit).exact
        assert (margin_fraction(unit.settings) > 0) == (scheme != "none")
    assert bids["margin"] <= bids["special_credit"] < bids["none"]
    assert "not tax advice" in NOT_TAX_ADVICE


@settings(max_examples=150, deadline=None)
@given(
    values=st.lists(st.floats(-150, 900), min_size=2, max_size=6),
    alpha=st.floats(0.01, 0.9),
    scheme=st.sampled_from([(0.0, None), (1 / 6, None), (1 / 11, 200.0)]),
)
def test_the_chance_limit_holds_across_premium_tiers_and_tax(
    values: list[float], alpha: float, scheme: tuple[float, float | None]
) -> None:
    """At the limit the chance of loss is within alpha, a cent above the next step it is not."""
    theta, credit_to = scheme
    value = np.array(values)
    states = EndStates(np.full(len(value), 1 / len(value)), value, np.maximum(value, 0.0) + 40)
    land = landing(
        Purchase([Tier(0.0, 0.1), Tier(80.0, 0.3), Tier(300.0, 0.05)]), 0.1, 30, True, credit_to
    )
    even = break_even_anywhere(states, land, theta)
    limit = chance_limit(even, states.weight, alpha)
    at = profit_at(states, land, limit - 1e-6, theta)
    assert float(states.weight[at < -1e-5].sum()) <= alpha + 1e-9
    if np.isfinite(even).all() and (even > limit + 0.02).any():
        above = profit_at(states, land, float(even[even > limit + 0.02].min()) - 0.01, theta)
        assert float(states.weight[above < 0].sum()) > alpha - 1e-9


def test_premium_tiers_are_taxed_and_spelt_out_to_the_cent() -> None:
    """25 % to 100, 15 % above, 20 % tax on the premium: 300 lands at 300 + 55 + 11."""
    purchase = Purchase([Tier(0.0, 0.25), Tier(100.0, 0.15)], 0.20, inbound=12.0, lot_fee=3.5)
    lines = purchase_lines(purchase, 300.0)
    assert (lines["premium"], lines["tax on premium"]) == (55.0, 11.0)
    assert sum(lines.values()) == pytest.approx(landing(purchase, 0, 0, True).landed(300.0))


def test_duties_hold_from_their_day() -> None:
    """An import before a new duty pays the old rate, from its first day the new one."""
    purchase = Purchase(
        [],
        inbound=10.0,
        imported=True,
        duties=[Duty("2026-01-01", 0.0, 0.2), Duty("2026-07-01", 0.05, 0.2, 3.0)],
    )
    landed = {
        day: landing(purchase_on(purchase, day), 0, 0, True).landed(100.0)
        for day in ("2025-12-31", "2026-06-30", "2026-07-01")
    }
    assert landed["2025-12-31"] == pytest.approx(110.0)
    assert landed["2026-06-30"] == pytest.approx(110.0 * 1.2)
    assert landed["2026-07-01"] == pytest.approx(110.0 * 1.05 * 1.2 + 3.0)
    rules = example_settings(purchase=purchase)
    assert bid_of(example_unit(rules)).exact < bid_of(example_unit()).exact
    assert landing_under(rules, 45).segments[0].a == 1.0


@settings(max_examples=12, deadline=None)
@given(
    resale=st.floats(1.0, 1.3),
    part=st.floats(1.0, 60.0),
    days=st.floats(1.0, 40.0),
    premium=st.floats(0.01, 0.3),
)
def test_bids_move_the_right_way(resale: float, part: float, days: float, premium: float) -> None:
    """Through the whole spine the bid rises in resale and falls in part price, delay, premium.

    Falling is not strict in part price: where selling as is is best anyway, a dearer part changes
    nothing. Here repair leads by 40.94, and the part may take up to 42.72 of that.
    """
    rules = example_settings()
    economics = example_economics(rules)
    base = bid_of(example_unit(rules)).exact
    family = economics.outlook.families[FAMILY]

    def bid(settings_now: Settings, outlook_family: object) -> float:
        outlook = replace(economics.outlook, families={FAMILY: outlook_family})  # type: ignore[dict-item]
        unit = replace(economics, outlook=outlook, settings=settings_now).unit(FAMILY, MODEL, FAULT)
        assert isinstance(unit, UnitEconomics)
        return bid_of(unit).exact

    assert bid(rules, replace(family, level=family.level * resale)) >= base - 0.01
    parts = {k: replace(p, price=p.price + part) for k, p in family.parts.items()}
    dearer = bid(rules, replace(family, parts=parts))
    assert dearer <= base
    assert dearer < base or part > 42.72
    later = replace(rules, delay=replace(rules.delay, queue_days=4.0 + days))
    assert bid(later, family) < base
    tier = replace(rules.purchase, premium=[Tier(0.0, 0.18 + premium)])
    assert bid(replace(rules, purchase=tier), family) < base


def test_limits_across_tiers_spend_no_more_than_there_is() -> None:
    """Working cash 100 under a premium of 50 % above 20: the landed cost at the bid is the cash."""
    rules = example_settings(
        targets=Targets(profit=0.0),
        purchase=Purchase([Tier(0.0, 0.1), Tier(20.0, 0.5)], inbound=5.0),
        limits=Limits(working_cash=250.0, bid_increment=0.01, lowest_lot_cost=0.0),
    )
    unit = example_unit(rules)
    bid = bid_of(unit)
    assert bid.binding == "working cash"
    spent = unit.landing.landed(bid.exact) + Outcomes(unit, 0).parts_cash
    assert spent == pytest.approx(250.0)


def test_where_the_credit_stops_being_whole_a_state_breaks_even_at_the_step() -> None:
    """Worth 290, sold at 110, credit whole to 300: profit at 300 is +7.27, a cent above -10.01."""
    land = landing(Purchase([], inbound=0.0), 0.0, 0, True, 300.0)
    state = EndStates(np.ones(1), np.array([290.0]), np.array([110.0]))
    assert float(profit_at(state, land, 300.0, 1 / 11)[0]) == pytest.approx(7.27, abs=0.005)
    assert float(profit_at(state, land, 300.01, 1 / 11)[0]) == pytest.approx(-10.01)
    assert break_even_anywhere(state, land, 1 / 11).tolist() == [300.0]


def test_at_the_loss_cap_the_worst_likely_state_loses_the_cap() -> None:
    """3 % of 5,000 is 150: the failed repair, -102.42, lands at 47.58 (trade reference 2.4)."""
    limits = Limits(working_cash=5000.0, loss_cap_share=0.03, bid_increment=0.01)
    bid = bid_of(example_unit(example_settings(targets=Targets(), limits=limits)))
    assert bid.binding == "loss cap"
    assert bid.exact == pytest.approx((-102.42 + 150.0 - 15.729315) / 1.233990137, abs=0.02)


def test_fees_hold_from_their_day() -> None:
    """The newest that has begun counts, of the channel planned with and of no other."""
    rules = example_settings(
        channels=[
            Channel("shop", 0.10, 0.02, 0.3),
            Channel("shop", 0.14, 0.02, 0.5, "2026-06-01"),
            Channel("shop", 0.12, 0.02, 0.4, "2026-03-01"),
            Channel("other", 0.30, 0.0, 9.0, "2026-07-01"),
        ]
    )
    days = ("2026-02-28", "2026-03-01", "2026-06-01", "2026-12-31")
    told = [sale_terms(rules, day) for day in days]
    assert [t.fee_rate for t in told] == pytest.approx([0.12, 0.14, 0.16, 0.16])
    assert [t.fixed for t in told] == [0.3, 0.4, 0.5, 0.5]
    later = [Channel("shop", 0.14, 0.0, 0.5, "2026-06-01"), Channel("other", 0.3)]
    early = sale_terms(example_settings(channels=later), "2026-02-28")
    assert (early.fee_rate, early.fixed) == (0.14, 0.5)  # the channel's own, though not begun
