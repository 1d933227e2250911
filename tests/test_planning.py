"""The month's plan: the best choice under cash and hours, its shadow prices, how it may end."""

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outlook_by_hand import (
    FAULT,
    MODEL,
    example_economics,
    example_family,
    example_logs,
    example_outlook,
    example_settings,
)
from repair_horizon.decisions.month.plan import (
    Plan,
    at_bench_rate,
    free_cash,
    hours_per_month,
    plan,
    simulate,
)
from repair_horizon.decisions.month.plan_items import BUY, MEND, drawn_profit, purchases, shelf_jobs
from repair_horizon.decisions.month.programme import choose
from repair_horizon.decisions.unit.bid import unit_bid
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.logs import Settings
from repair_horizon.tables.settings import Bench

DAY = pd.Timestamp("2026-11-05")


def listing(i: int, **row: object) -> dict[str, object]:
    start = {"listing_id": f"L{i}", "model_id": MODEL, "listed_fault": FAULT, "end_time": DAY}
    return {**start, "current_bid": 10.0, **row}


def owned(i: int, **row: object) -> dict[str, object]:
    start = {
        "unit_id": f"U{i}",
        "model_id": MODEL,
        "state": "s1",
        "status": "bench",
        "buy_date": pd.Timestamp("2026-10-12"),
        "landed_cost": 60.0,
        "ownership_check": "clear",
        "erase_date": pd.Timestamp("2026-10-15"),
    }
    return {**start, **row}


def month(
    rules: Settings, n: int = 6, stock: list[dict[str, object]] | None = None, draws: int = 1
) -> Plan:
    logs = example_logs(
        listings=[listing(i, shipping=4.0 + i) for i in range(n)], stock=stock or []
    )
    spread = 0.08 if draws > 1 else 0.0
    return plan(logs, rules, example_economics(rules, draws=draws, spread=spread))


@settings(max_examples=40, deadline=None)
@given(
    profit=st.lists(st.floats(-20, 100), min_size=1, max_size=8),
    cash=st.lists(st.floats(1, 100), min_size=8, max_size=8),
    hours=st.lists(st.floats(0.1, 4), min_size=8, max_size=8),
    limits=st.tuples(st.floats(0, 300), st.floats(0, 10)),
)
def test_the_choice_is_the_best_of_all_choices(
    profit: list[float], cash: list[float], hours: list[float], limits: tuple[float, float]
) -> None:
    """Every subset tried by hand: none within the limits promises more."""
    n = len(profit)
    use = np.array([cash[:n], hours[:n]])
    choice = choose(profit, use, limits)
    allowed = [
        float(np.dot(s, profit))
        for s in product((0, 1), repeat=n)
        if (use @ np.array(s) <= np.array(limits) + 1e-9).all()
    ]
    assert choice.profit == pytest.approx(max(allowed), abs=1e-3)
    assert (use @ choice.taken <= np.array(limits) + 1e-5).all()


def test_shadow_prices_are_what_a_little_more_would_earn() -> None:
    """Three jobs of 2 h earning 60, 40, 20 and 3 h: the hour's worth is the half-taken job's 20.

    With 10 h nothing is short and an hour is worth nothing.
    """
    use = [[1.0, 1.0, 1.0], [2.0, 2.0, 2.0]]
    choice = choose([60.0, 40.0, 20.0], use, [100.0, 3.0])
    assert choice.shadow.tolist() == pytest.approx([0.0, 20.0])
    assert (choice.taken.tolist(), choice.profit) == ([True, False, False], 60.0)
    assert choose([60.0, 40.0, 20.0], use, [100.0, 10.0]).shadow.tolist() == [0.0, 0.0]
    assert choose([], np.zeros((2, 0)), [1.0, 1.0]).profit == 0.0


def test_purchases_promise_what_the_bid_promises() -> None:
    """At example 1's threshold the plan's profit is the target, 45, and cash is landed + parts."""
    rules = example_settings()
    logs = example_logs(listings=[listing(0)])
    (item,) = purchases(logs.tables["listings"], logs, example_economics(rules))
    assert item.profit == pytest.approx(45.0018, abs=0.002)
    assert item.cash == pytest.approx(59.35 + 185.78, abs=0.01)
    assert item.days == (5.0, 14.0, 30.0, 20.0)
    assert purchases(listings_at(36.06), logs, example_economics(rules)) == []


def listings_at(bid: float) -> pd.DataFrame:
    return example_logs(listings=[listing(0, current_bid=bid)]).tables["listings"]


def test_cash_and_hours_are_kept() -> None:
    """Free cash is working cash less what the shelf cost; each limit binds in turn."""
    rules = example_settings()
    roomy = month(rules)
    assert roomy.items["do"].sum() == 6
    assert (roomy.shadow_hour, roomy.shadow_cash) == (0.0, 0.0)
    few_hours = month(replace(rules, bench=replace(rules.bench, hours_per_week=1.0)))
    assert few_hours.hours[0] <= few_hours.hours[1] == pytest.approx(30.4375 / 7)
    assert few_hours.items["do"].sum() == 2
    little_cash = replace(rules, limits=replace(rules.limits, working_cash=600.0))
    poor = month(little_cash, stock=[owned(9, state="s3")])
    assert poor.cash[1] == 540.0
    assert poor.cash[0] <= 540.0
    assert poor.shadow_cash > 0
    assert free_cash(example_logs(stock=[owned(1), owned(2, status="sold")]), little_cash) == 540.0


def test_jobs_on_the_shelf_compete_and_count_only_their_lead() -> None:
    """A repair earns its lead over selling as is; an uncleared unit is not planned with."""
    rules = example_settings()
    got = month(rules, 1, [owned(1), owned(2, flags="wet"), owned(3, state="s3")])
    jobs = got.items[got.items["kind"] == MEND].set_index("item")
    assert list(jobs.index) == ["U1"]
    lead = jobs.loc["U1", "expected_profit"]
    assert 40.0 < lead < 55.0  # 40.94 at the gate of example 1, fewer days lost by now
    assert jobs.loc["U1", "hours"] == 1.75
    assert (got.items["kind"] == BUY).sum() == 1


def test_a_short_bench_lowers_the_bids_by_its_hours() -> None:
    """Bids are worked out anew once, with the hour at wage plus shadow price.

    While the gate's decisions stay, an hour dearer by y costs 1.975 y, with the expected extra
    work on collateral and dead parts a little more.
    """
    rules = example_settings(bench=Bench(28.0, 1.0, 0.75))
    got = month(rules)
    assert got.shadow_hour > 0
    assert got.bench_rate == pytest.approx(28.0 + got.shadow_hour)
    buys = got.items[got.items["kind"] == BUY]
    lower = (buys["max_bid"] - buys["max_bid_at_shadow"]).to_numpy()
    dearer = example_economics(at_bench_rate(rules, got.shadow_hour))
    plain = example_economics(rules)
    units = [e.unit("fx", MODEL, FAULT) for e in (plain, dearer)]
    moved = unit_bid(units[0], 0).exact - unit_bid(units[1], 0).exact  # type: ignore[arg-type]
    assert moved > 1.975 * got.shadow_hour / 1.24 * 0.99
    floor = buys["max_bid_at_shadow"] > 0
    assert lower[floor] == pytest.approx(moved, abs=0.011)
    assert (lower > 0).all()


def test_a_class_with_its_own_wage_gets_dearer_too() -> None:
    rules = replace(example_settings(), by_class={"foldable": {"bench": {"rate_per_hour": 40.0}}})
    assert at_bench_rate(rules, 5.0).for_class("foldable").bench.rate_per_hour == 45.0
    assert at_bench_rate(rules, 5.0).for_class("phone").bench.rate_per_hour == 33.0


def test_simulated_profit_has_the_expected_mean() -> None:
    """The mean over worlds is the plan's expected profit, within four standard errors."""
    got = month(example_settings(), draws=4000)
    expected = got.items.loc[got.items["do"], "expected_profit"].sum()
    error = got.profit.std() / np.sqrt(len(got.profit))
    assert got.profit.mean() == pytest.approx(expected, abs=4 * error)
    table = got.outcome().set_index("what")
    assert (
        table.loc["profit", "lower"] < table.loc["profit", "median"] < table.loc["profit", "upper"]
    )


def test_units_of_a_family_share_its_market() -> None:
    """Six units of one family vary more together than six times one unit's own luck would."""
    logs = example_logs(listings=[listing(i) for i in range(6)])
    economics = example_economics(draws=4000, spread=0.15)
    items = purchases(logs.tables["listings"], logs, economics)
    drawn = np.array([drawn_profit(i, np.random.default_rng(k))[0] for k, i in enumerate(items)])
    alone = drawn.var(axis=1).sum()
    assert drawn.sum(axis=0).var() > 1.5 * alone


def test_the_cash_low_point_by_hand() -> None:
    """One repair, one world: the parts are paid before anything comes in, and nothing else is.

    265.40 with adhesive and consumables, so the low point is that much below the free cash.
    """
    rules = example_settings()
    got = month(rules, 0, [owned(1)])
    assert got.cash_low.tolist() == pytest.approx([12000.0 - 60.0 - 265.40])
    profit, low = simulate([], 500.0, rules)
    assert (profit.tolist(), low.tolist()) == ([0.0], [500.0])


def test_an_empty_month_is_a_plan_too() -> None:
    got = month(example_settings(), 0)
    assert repr(got) == "Plan(0 to buy, 0 to repair, 0.0 hours)"
    assert got.items.empty
    assert got.hours == (0, hours_per_month(example_settings()))


def test_what_comes_in_is_the_profit_and_what_was_paid_before() -> None:
    """Every world: a sale brings back the price and the parts, and the profit on top.

    For a unit owned the profit is only the lead, so selling it otherwise is in there too.
    """
    rules = example_settings()
    economics = example_economics(rules, draws=50, spread=0.1)
    logs = example_logs(listings=[listing(0)], stock=[owned(1)])
    (buy,) = purchases(logs.tables["listings"], logs, economics)
    (mend,) = shelf_jobs(logs, economics)
    earned, received = drawn_profit(buy, np.random.default_rng(1))
    assert received - earned == pytest.approx(np.full(50, buy.paid + buy.parts))
    earned, received = drawn_profit(mend, np.random.default_rng(1))
    other = mend.source.options.best_alternative()[:, 0]  # type: ignore[union-attr]
    assert received - earned == pytest.approx(other + 265.40)


def test_each_unit_has_its_own_luck() -> None:
    """Where only luck differs between worlds, the spread of six units is the sum of six."""
    logs = example_logs(listings=[listing(i) for i in range(6)])
    lucky = example_family(draws=4000, spread=0.3)
    outlook = example_outlook(replace(lucky, level=example_family(draws=4000).level))
    items = purchases(logs.tables["listings"], logs, Economics(outlook, example_settings()))
    rng = np.random.default_rng(5)
    drawn = np.array([drawn_profit(i, rng)[0] for i in items])
    assert drawn.sum(axis=0).var() == pytest.approx(drawn.var(axis=1).sum(), rel=0.1)
