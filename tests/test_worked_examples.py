"""The two worked examples of the trade's arithmetic, to the cent.

Both are worked by hand, line by line, in the project's own trade reference (sections 2.4 and
2.5): an unregistered trader at auction, and a registered one under a margin scheme. Every figure
asserted below stands there; the inputs go through the same functions the reports use.
"""

import numpy as np
import pytest
from repair_horizon.decisions.costs.money import cents, round_down
from repair_horizon.decisions.costs.purchase import landing, purchase_lines
from repair_horizon.decisions.costs.repair import (
    Job,
    part_out_value,
    recovered_part,
    repair_cost,
    total,
)
from repair_horizon.decisions.costs.sale import net_sale, reserve_per_unit, sale_terms
from repair_horizon.decisions.unit.bid_limits import (
    EndStates,
    ask_margin,
    ask_per_bench_hour,
    ask_profit,
    ask_return_on_cash,
    break_even_bids,
    chance_limit,
    expected_highest,
    lot_bid,
    maximum_bid_for,
    profit_at,
    winners_curse,
)
from repair_horizon.tables.settings import (
    Bench,
    Channel,
    Collateral,
    Delay,
    PartOut,
    Purchase,
    Repair,
    Reserve,
    Sale,
    Settings,
    Tax,
    Tier,
)
from scipy.optimize import bisect

GRADE_FACTOR = np.array([1.08, 1.00, 0.88])
GRADE_SHARE = np.array([0.25, 0.60, 0.15])


@pytest.fixture
def auction() -> Settings:
    return Settings(
        bench=Bench(rate_per_hour=28.0, test_hours=0.75),
        purchase=Purchase([Tier(0.0, 0.18)], premium_tax_rate=0.20, lot_fee=3.5, inbound=12.0),
        channels=[Channel("auction site", 0.11, 0.029, 0.65)],
        sale=Sale(carriage=9.8, packaging=2.4),
        reserve=Reserve(0.07, 38.0, 0.03, 145.0),
        repair=Repair(
            collateral=[
                Collateral("back glass", 0.08, 24.0, 0.5),
                Collateral("flex", 0.03, 92.0, 0.75),
            ],
            doa_rate=0.04,
        ),
        delay=Delay(5, 4, 1, 1, 20, 14, 0.12),
        part_out=PartOut(sold_share=0.8, hours=1.25, carriage_per_part=4.2),
    )


def path(settings: Settings, month: float = 0.0) -> dict[str, np.ndarray]:
    """Example 1's gate, ``month`` months from now: values of every action and end state."""
    price = 620.0 * 0.968 ** (month + 45 / 30.4375)
    display = 248.0 * 0.985**month
    terms, reserve = sale_terms(settings), reserve_per_unit(settings.reserve)
    fall, test = 0.968**month, cents(0.75 * 28.0)

    def repaired(parts: float, hours: float, success: float) -> tuple[np.ndarray, float, float]:
        job = Job(np.asarray(parts), np.asarray(display), hours, 0.04, 22.0)
        cost = total(repair_cost(job, settings))
        good = net_sale(cents(price) * GRADE_FACTOR, terms, reserve) - cost - test
        back = net_sale(np.asarray(95.0 * fall), terms) + recovered_part(job, settings)
        bad = float(back - cost - test)
        return good, bad, float(success * GRADE_SHARE @ good + (1 - success) * bad)

    s1, fail, value1 = repaired(display + 8.9, 1.75, 0.93)
    _, _, value2 = repaired(display + 8.9 + 58.0, 2.25, 0.90)
    return {
        "s1": s1,
        "fail": np.asarray(fail),
        "repair s1": np.asarray(value1),
        "repair s2": np.asarray(value2),
        "as is s1": net_sale(np.asarray(140.0 * fall), terms) - test,
        "as is s2": net_sale(np.asarray(118.0 * fall), terms) - test,
        "test": test,
    }


def end_states(settings: Settings) -> EndStates:
    p = path(settings)
    weight = np.concatenate([0.7 * 0.93 * GRADE_SHARE, [0.049, 0.12, 0.13, 0.05]])
    as_is = p["as is s2"]
    value = np.concatenate([p["s1"], [p["fail"], as_is, as_is, -p["test"]]])
    price = np.concatenate([cents(590.89 * GRADE_FACTOR), [95.0, 118.0, 118.0, 0.0]])
    return EndStates(weight, value, price)


def test_example_1_sale_and_repair_lines_are_to_the_cent(auction: Settings) -> None:
    terms = sale_terms(auction)
    assert reserve_per_unit(auction.reserve) == 7.01
    price = cents(620.0 * 0.968 ** (45 / 30.4375))
    assert price == 590.89
    net = net_sale(price * GRADE_FACTOR, terms, 7.01)
    assert net.tolist() == [529.60, 488.90, 427.84]
    lines = repair_cost(Job(np.asarray(256.9), np.asarray(248.0), 1.75, 0.04, 22.0), auction)
    assert {k: float(v) for k, v in lines.items()} == {
        "parts": 265.40,
        "labour": 49.00,
        "damage while opening": 6.43,
        "parts dead on arrival": 1.22,
        "capital on parts": 1.92,
    }
    assert total(lines) == 323.97


def test_example_1_gate_values_are_to_the_cent(auction: Settings) -> None:
    p = path(auction)
    assert p["s1"].tolist() == pytest.approx([184.63, 143.93, 82.87], abs=1e-9)
    assert float(p["fail"]) == pytest.approx(-102.42, abs=1e-9)
    assert round(float(p["repair s1"]), 2) == 127.63
    assert round(float(p["repair s2"]), 2) == 47.79
    assert float(p["as is s1"]) == pytest.approx(86.69)
    assert float(p["as is s2"]) == pytest.approx(67.75)
    parted = part_out_value(4 * 42.75, 4, auction, 0.139, 0.65) - p["test"]
    assert float(parted) == pytest.approx(42.38)


def test_example_1_expectations_and_bids(auction: Settings) -> None:
    states = end_states(auction)
    land = landing(auction.purchase, 0.12, 45, True)
    segment = land.segments[0]
    assert segment.a * (1 + land.kappa) == pytest.approx(1.233990137, abs=1e-9)
    assert segment.K * (1 + land.kappa) == pytest.approx(15.729315, abs=1e-6)
    assert states.expected == pytest.approx(105.228766, abs=1e-6)
    assert states.revenue == pytest.approx(419.593221, abs=1e-6)
    assert states.spread == pytest.approx(70.146633, abs=1e-6)
    bids = {
        72.52: ask_profit(0.0),
        36.06: ask_profit(45.0),
        31.72: ask_margin(0.12, states.revenue),
        33.33: ask_return_on_cash(0.20, 185.78, segment),
        53.32: ask_per_bench_hour(40.0, 1.975, 28.0),
    }
    for expected, asked in bids.items():
        assert round_down(maximum_bid_for(states, land, asked), 0.01) == expected
    lines = purchase_lines(auction.purchase, 36.06)
    assert (lines["premium"], lines["tax on premium"]) == (6.49, 1.30)
    assert round(sum(lines.values()), 2) == 59.35
    profit = profit_at(states, land, 36.06)
    assert float(states.weight @ profit) == pytest.approx(45.0018, abs=1e-4)


def test_example_1_risk_limits(auction: Settings) -> None:
    states = end_states(auction)
    land = landing(auction.purchase, 0.12, 45, True)
    segment = land.segments[0]
    even = break_even_bids(states, segment, land.kappa)
    assert np.round(even, 2).tolist() == [136.87, 103.89, 54.41, -95.75, 42.16, 42.16, -29.76]
    for alpha, limit in ((0.10, 42.16), (0.05, -29.76), (0.15, 42.16)):
        assert round(chance_limit(even, states.weight, alpha), 2) == limit
    for n, limit in ((1, -0.32), (4, 36.10), (10, 49.49)):
        assert round(lot_bid(states, states, land, (n, 0.10), 0.0), 2) == limit


def test_example_1_winners_curse(auction: Settings) -> None:
    """Deductions for 2, 5 and 10 bidders at an error of 13.45, and the factors behind them.

    Factors: Harter's table of normal order statistics, as printed in the trade reference.
    """
    for n, factor in ((2, 0.564), (3, 0.846), (5, 1.163), (10, 1.539), (30, 2.043)):
        assert expected_highest(n) == pytest.approx(factor, abs=5e-4)
    error = 0.05 * 590.89 * 0.4551
    assert round(error, 2) == 13.45
    for n, deduction in ((2, 7.59), (5, 15.64), (10, 20.69)):
        assert winners_curse(error, n) == pytest.approx(deduction, abs=0.011)


@pytest.mark.parametrize(
    ("month", "repair", "as_is", "bid"),
    [
        (0, 127.63, 86.69, 36.06),
        (2, 104.48, 79.10, 21.63),
        (4, 83.05, 71.98, 8.26),
        (5, 72.91, 68.60, 1.93),
        (6, 63.18, 65.32, -2.93),
        (9, 36.10, 56.10, -9.74),
        (12, 12.02, 47.74, -15.91),
    ],
)
def test_example_1_path_over_the_months(
    auction: Settings, month: int, repair: float, as_is: float, bid: float
) -> None:
    """Repair against as is, and the bid for 45 profit, month by month (tolerance: one cent)."""
    p = path(auction, month)
    assert float(p["repair s1"]) == pytest.approx(repair, abs=0.011)
    assert float(p["as is s1"]) == pytest.approx(as_is, abs=0.011)
    best = [max(p["repair s1"], p["as is s1"]), max(p["repair s2"], p["as is s2"]), p["as is s2"]]
    weight = np.array([0.70, 0.12, 0.13, 0.05])
    states = EndStates(weight, np.array([*best, -p["test"]], dtype=float), np.zeros(4))
    land = landing(auction.purchase, 0.12, 45, True)
    solved = maximum_bid_for(states, land, ask_profit(45.0))
    assert solved == pytest.approx(bid, abs=0.02)


@pytest.fixture
def registered() -> Settings:
    return Settings(
        bench=Bench(rate_per_hour=26.0, test_hours=0.5),
        purchase=Purchase([Tier(0.0, 0.20)], inbound=6.0),
        channels=[Channel("shop", 0.10, 0.019, 0.30)],
        sale=Sale(carriage=6.5, packaging=1.8),
        reserve=Reserve(0.06, 31.0, 0.025, 120.0),
        repair=Repair(
            adhesive=3.2,
            consumables=0.0,
            collateral=[Collateral("back", 0.05, 14.0, 0.4)],
            doa_carriage=6.0,
            doa_hours=0.4,
            doa_delay_cost=0.0,
            reuse_factor=0.6,
        ),
        tax=Tax("margin", 0.20),
    )


def registered_states(settings: Settings) -> EndStates:
    terms, test = sale_terms(settings), cents(0.5 * 26.0)
    job = Job(np.asarray(101.5), np.asarray(96.0), 0.75, 0.04, 15.0)
    cost = total(repair_cost(job, settings))
    assert cost == 126.60
    price = cents(359.0 * 0.976 ** (28 / 30.4375))
    assert price == 351.07
    net = net_sale(price, terms, reserve_per_unit(settings.reserve))
    assert net == 295.83
    as_is = net_sale(np.asarray(85.0), terms)
    fail = as_is + recovered_part(job, settings) - cost - test
    value = np.array([net - cost - test, fail, as_is - test], dtype=float)
    assert np.round(value, 2).tolist() == [156.23, -15.72, 53.28]
    return EndStates(np.array([0.855, 0.045, 0.10]), value, np.array([351.07, 85.0, 85.0]))


def test_example_2_margin_scheme_bid(registered: Settings) -> None:
    """The bid, the tax per state and the profit per state under a margin scheme at 20 %."""
    states = registered_states(registered)
    land = landing(registered.purchase, 0.12, 28, True)
    theta = 0.2 / 1.2
    assert states.expected == pytest.approx(138.197250, abs=1e-6)
    assert states.revenue == pytest.approx(312.489850, abs=1e-6)
    bid = maximum_bid_for(states, land, ask_margin(0.15, states.revenue), theta)
    assert bid == pytest.approx(32.8243, abs=5e-5)
    assert round_down(bid, 0.01) == 32.82
    profit = profit_at(states, land, 32.82, theta)
    assert np.round(profit, 2).tolist() == [58.48, -69.12, -0.12]
    assert float(states.weight @ profit) == pytest.approx(46.8778, abs=1e-3)


def test_example_2_other_targets_and_the_price_of_mistakes(registered: Settings) -> None:
    states = registered_states(registered)
    land = landing(registered.purchase, 0.12, 28, True)
    theta = 0.2 / 1.2
    # The reference prints 79.18, which taxes the two states sold at 85.00 as if a loss gave tax
    # back, although their purchase price there is 95.02. Its own rule (a state without margin is
    # not taxed) gives 78.95, and bisection on the profit agrees.
    even_bid = maximum_bid_for(states, land, ask_profit(0.0), theta)
    assert round_down(even_bid, 0.01) == 78.95
    crossing = bisect(lambda b: float(states.weight @ profit_at(states, land, b, theta)), 0, 200)
    assert even_bid == pytest.approx(crossing, abs=1e-6)
    per_hour = ask_per_bench_hour(35.0, 1.175, 26.0)
    assert round_down(maximum_bid_for(states, land, per_hour, theta), 0.01) == 68.72
    even = break_even_bids(states, land.segments[0], land.kappa, theta)
    assert np.round(even, 2).tolist() == [90.66, -35.55, 32.70]
    assert round(chance_limit(even, states.weight, 0.10), 2) == 32.70
    untaxed = maximum_bid_for(states, land, ask_margin(0.15, states.revenue))
    assert round_down(untaxed, 0.01) == 70.40
