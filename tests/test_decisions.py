"""Properties that bids, options and dates must have, whatever the figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repair_horizon.decisions.costs.money import cents, round_down
from repair_horizon.decisions.costs.purchase import landing
from repair_horizon.decisions.month.stop_dates import StopMonths, described, first_of_two
from repair_horizon.decisions.unit.bid_limits import (
    EndStates,
    ask_margin,
    ask_profit,
    ask_return_on_cash,
    break_even_bids,
    chance_limit,
    maximum_bid_for,
    profit_at,
)
from repair_horizon.logs import CannotSay
from repair_horizon.tables.settings import Purchase, Tier

MONEY = st.floats(-200, 800, allow_nan=False)
RATE = st.floats(0, 0.4)


@st.composite
def end_states(draw: st.DrawFn) -> EndStates:
    n = draw(st.integers(1, 6))
    raw = np.array(draw(st.lists(st.floats(0.05, 1), min_size=n, max_size=n)))
    value = np.array(draw(st.lists(MONEY, min_size=n, max_size=n)))
    sold = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    return EndStates(raw / raw.sum(), value, np.where(sold, np.abs(value) + 50, 0.0))


@st.composite
def purchases(draw: st.DrawFn) -> Purchase:
    tiers = [Tier(0.0, draw(RATE)), Tier(50.0, draw(RATE)), Tier(200.0, draw(RATE))]
    return Purchase(
        tiers[: draw(st.integers(1, 3))], premium_tax_rate=draw(RATE), lot_fee=draw(st.floats(0, 9))
    )


@settings(max_examples=200, deadline=None)
@given(states=end_states(), purchase=purchases(), profit=st.floats(0, 90), theta=st.floats(0, 0.2))
def test_profit_at_the_bid_is_the_target(
    states: EndStates, purchase: Purchase, profit: float, theta: float
) -> None:
    """Under any premium tiers and margin tax, buying at the bid earns just what was asked.

    Below zero the tiers no longer apply, so only bids that could be placed are checked.
    """
    land = landing(purchase, 0.12, 45, True)
    bid = maximum_bid_for(states, land, ask_profit(profit), theta)
    if bid < 0:
        return
    earned = float(np.sum(states.weight * profit_at(states, land, bid, theta)))
    assert earned == pytest.approx(profit, abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(states=end_states(), purchase=purchases(), share=st.floats(0, 0.5))
def test_return_on_cash_at_the_bid_is_the_target(
    states: EndStates, purchase: Purchase, share: float
) -> None:
    land = landing(Purchase(purchase.premium[:1]), 0.12, 45, True)
    bid = maximum_bid_for(states, land, ask_return_on_cash(share, 60.0, land.segments[0]))
    earned = float(np.sum(states.weight * profit_at(states, land, bid)))
    assert earned == pytest.approx(share * (land.landed(bid) + 60.0), abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(states=end_states(), more=st.floats(1, 100), strict=st.floats(0.01, 0.3))
def test_bids_fall_with_premium_delay_and_strictness_and_rise_with_worth(
    states: EndStates, more: float, strict: float
) -> None:
    plain = landing(Purchase([Tier(0.0, 0.1)]), 0.12, 30, True)
    bid = maximum_bid_for(states, plain, ask_profit(30.0))
    better = EndStates(states.weight, states.value + more, states.price)
    assert maximum_bid_for(better, plain, ask_profit(30.0)) > bid
    assert maximum_bid_for(states, plain, ask_profit(30.0 + more)) < bid
    if bid > 0:
        dearer = landing(Purchase([Tier(0.0, 0.1 + strict)]), 0.12, 30, True)
        later = landing(Purchase([Tier(0.0, 0.1)]), 0.12, 30 + 100 * strict, True)
        assert maximum_bid_for(states, dearer, ask_profit(30.0)) < bid
        assert maximum_bid_for(states, later, ask_profit(30.0)) < bid
    even = break_even_bids(states, plain.segments[0], plain.kappa)
    assert chance_limit(even, states.weight, 0.05) <= chance_limit(
        even, states.weight, 0.05 + strict
    )


@settings(max_examples=100, deadline=None)
@given(states=end_states(), alpha=st.floats(0.01, 0.9))
def test_chance_of_loss_at_the_chance_limit_is_within_it_and_a_cent_more_is_not(
    states: EndStates, alpha: float
) -> None:
    land = landing(Purchase([Tier(0.0, 0.18)]), 0.12, 45, True)
    even = break_even_bids(states, land.segments[0], land.kappa)
    limit = chance_limit(even, states.weight, alpha)
    assert float(states.weight[even < limit].sum()) <= alpha + 1e-9
    higher = even[even > limit]
    if len(higher):
        assert float(states.weight[even < higher.min()].sum()) > alpha


def test_with_no_fees_and_no_work_the_repair_test_is_the_total_loss_formula() -> None:
    """Repair pays while repair cost + salvage <= value.

    Value 10,000, repair 7,500, salvage 500 is no total loss; the total-loss formula as stated on
    two insurance pages quoted in the project's published checks, A5.
    """
    value, repair, salvage = 10_000.0, 7_500.0, 500.0
    assert value - repair >= salvage
    land = landing(Purchase([], inbound=0.0), 0.0, 0, True)
    best = EndStates(np.ones(1), np.array([max(value - repair, salvage)]), np.zeros(1))
    assert maximum_bid_for(best, land, ask_profit(0.0)) == 2_500.0


def test_margin_of_revenue_target_by_hand() -> None:
    """EV 100, revenue 200, 10 % margin asked, 10 % premium, nothing else: (100-20)/1.1."""
    states = EndStates(np.ones(1), np.array([100.0]), np.array([200.0]))
    land = landing(Purchase([Tier(0.0, 0.1)], inbound=0.0), 0.0, 0, True)
    assert maximum_bid_for(states, land, ask_margin(0.1, 200.0)) == pytest.approx(80 / 1.1)


def test_a_state_sold_below_what_was_paid_for_it_bears_no_margin_tax() -> None:
    """Worth 290 (parts and all) but sold at 110: no margin is left, so the bid is the whole 290."""
    state = EndStates(np.ones(1), np.array([290.0]), np.array([110.0]))
    land = landing(Purchase([], inbound=0.0), 0.0, 0, True)
    assert maximum_bid_for(state, land, ask_profit(0.0), 1 / 6) == pytest.approx(290.0)


def test_premium_tiers_are_charged_on_the_part_above_each_step() -> None:
    """25 % to 100, 15 % above: a hammer of 300 lands at 300 + 25 + 30."""
    land = landing(Purchase([Tier(0.0, 0.25), Tier(100.0, 0.15)], inbound=0.0), 0.0, 0, True)
    assert land.landed(300.0) == pytest.approx(355.0)
    assert land.landed(100.0) == pytest.approx(125.0)


def test_imports_pay_duty_and_tax_on_price_premium_and_freight() -> None:
    """Hammer 100, premium 20 %, freight 10, duty 5 %, import tax 20 %, clearance 8, by hand."""
    purchase = Purchase(
        [Tier(0.0, 0.2)],
        inbound=10.0,
        imported=True,
        duty_rate=0.05,
        import_tax_rate=0.2,
        clearance_fee=8.0,
    )
    assert landing(purchase, 0, 0, True).landed(100.0) == pytest.approx(130 * 1.05 * 1.2 + 8)


def test_cents_round_half_to_even_and_bids_round_down() -> None:
    assert cents([13.205, 13.215, -0.005, 2.675]).tolist() == [13.20, 13.22, 0.0, 2.68]
    assert round_down(36.99, 1.0) == 36.0
    assert round_down(0.3, 0.1) == pytest.approx(0.3)
    assert round_down(-2.5, 1.0) == -3.0


def test_a_stop_needs_two_months_running() -> None:
    below = np.array([[0, 1, 0, 1, 1], [1, 1, 0, 0, 0], [0, 0, 0, 0, 1]], dtype=bool)
    assert first_of_two(below).tolist() == [3, 0, 5]


def test_a_date_beyond_the_forecast_is_said_and_not_guessed() -> None:
    """Three of ten draws stop within two months, the others never do within the forecast."""
    stop = StopMonths(np.array([0, 1, 2] + [24] * 7), 24)
    told = described(stop, 0.8, 2026 * 12)
    assert str(told["median"]) == "NaT"
    assert told["reason"] == "not within the 24 months forecast"
    assert told["probability_3"] == pytest.approx(0.3)
    assert str(told["lower"])[:7] == "2026-01"
    assert described(CannotSay("no quote for DA"), 0.8, 0)["reason"] == "no quote for DA"
