"""The month's plan: no win is supposed, cash lasts, and the month may end as its parts say."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from outlook_by_hand import (
    FAULT,
    MODEL,
    example_economics,
    example_family,
    example_logs,
    example_outlook,
    example_settings,
    owned,
)
from repair_horizon.decisions.month import plan as planning
from repair_horizon.decisions.month.lot_values import lots_worth
from repair_horizon.decisions.month.plan import (
    BUY,
    MEND,
    Plan,
    free_cash,
    hours_per_month,
    plan,
    shelf_jobs,
)
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.logs import Settings
from repair_horizon.tables.settings import Limits, Targets
from scipy.stats import norm

DAY = pd.Timestamp("2026-11-05")
RIVAL = 60.0
RULES = example_settings(targets=Targets(), limits=Limits(working_cash=12000.0, bid_increment=0.01))


def listing(i: int, **row: object) -> dict[str, object]:
    start = {"listing_id": f"L{i}", "model_id": MODEL, "listed_fault": FAULT, "end_time": DAY}
    return {**start, **row}


def month(
    rules: Settings = RULES,
    listings: list[dict[str, object]] | int = 6,
    stock: list[dict[str, object]] | None = None,
    draws: int = 1,
    spread: float = 0.0,
    rival: float | None = RIVAL,
) -> Plan:
    rows = [listing(i) for i in range(listings)] if isinstance(listings, int) else listings
    logs = example_logs(listings=rows, stock=stock or [])
    economics = example_economics(rules, draws=draws, spread=spread, rival=rival)  # type: ignore[arg-type]
    return plan(logs, rules, economics)


def test_no_win_is_supposed() -> None:
    """Wins, hours and profit of the month are what the chances of winning say, on average.

    Six lots at a bid near 72 against rivals around 60: about five in six are won.
    """
    got = month(draws=4000, spread=0.05)
    buys = got.items[got.items["kind"] == BUY]
    assert buys["probability_win"].between(0.7, 0.95).all()
    error = got.wins.std() / np.sqrt(4000)
    assert got.wins.mean() == pytest.approx(buys["probability_win"].sum(), abs=4 * error)
    assert got.wins.min() < 6 == got.wins.max()
    chance = buys["probability_win"]
    assert got.hours.mean() == pytest.approx((chance * buys["hours"]).sum(), rel=0.02)
    assert np.unique(np.round(buys["hours"], 9)) == pytest.approx([1.975])


def test_simulated_profit_has_the_promised_mean() -> None:
    """The mean over worlds is the sum of the gains, within four standard errors."""
    got = month(draws=4000, spread=0.05, stock=[owned(1)])
    error = got.profit.std() / np.sqrt(4000)
    assert got.profit.mean() == pytest.approx(got.items["gain"].sum(), abs=4 * error)
    table = got.outcome().set_index("what")
    lower, middle, upper = table.loc["profit", ["lower", "median", "upper"]]
    assert lower < middle < upper
    within = (got.profit >= lower) & (got.profit <= upper)
    assert within.mean() == pytest.approx(0.9, abs=0.01)


def test_a_bid_already_made_rules_lower_rivals_out() -> None:
    """With 70 bid already against a maximum of 72.52 few lots are won, in plan and score alike.

    The rival is log-normal around 60 with spread 0.2: (F(72.52) - F(70)) / (1 - F(70)).
    """
    got = month(listings=[listing(0, current_bid=70.0)], draws=4000)
    (chance,) = got.items["probability_win"]
    at, floor = norm.cdf(np.log(np.array([72.52, 70.0]) / RIVAL) / 0.2)
    assert chance == pytest.approx((at - floor) / (1 - floor), abs=0.002)
    assert got.wins.mean() == pytest.approx(chance, abs=0.03)
    assert (got.cash_spent[got.wins == 1] >= 1.216 * 70.0 + 15.5).all()


def test_units_of_a_family_share_its_market() -> None:
    """Six units of one family vary more together than six times one unit's own luck would."""
    one, six = (month(listings=n, draws=4000, spread=0.15, rival=1.0) for n in (1, 6))
    assert six.profit.var() > 1.5 * 6 * one.profit.var()


def test_each_unit_has_its_own_luck() -> None:
    """Where only luck differs between worlds, the spread of six units is the sum of six."""
    lucky = example_family(draws=4000, spread=0.3, rival=1.0)
    outlook = example_outlook(replace(lucky, level=example_family(draws=4000).level))
    spreads = []
    for n in (1, 6):
        logs = example_logs(listings=[listing(i) for i in range(n)])
        spreads.append(plan(logs, RULES, Economics(outlook, RULES)).profit.var())
    assert spreads[1] == pytest.approx(6 * spreads[0], rel=0.15)


def test_the_chance_that_cash_runs_out_stays_within_one_in_twenty() -> None:
    """Twelve lots and cash for few: bidding stops in time, and one win more would be too many."""
    rules = replace(RULES, limits=replace(RULES.limits, working_cash=1400.0))
    got = month(rules, listings=12, draws=2000, spread=0.05)
    assert got.stop_after is not None
    assert 0 < got.stop_after < 12
    assert (got.cash_low < 0).mean() <= 0.05
    assert got.wins.max() == got.stop_after
    assert got.words().startswith(f"Stop bidding after {got.stop_after} lots won")
    logs = example_logs(listings=[listing(i) for i in range(12)])
    economics = example_economics(rules, draws=2000, spread=0.05, rival=RIVAL)  # type: ignore[arg-type]
    scored = planning.score(logs.tables["listings"], logs, economics)
    scored = scored.sort_values(["end_time", "listing_id"])
    rng = np.random.default_rng([rules.seed, 6])
    worth = lots_worth(logs.tables["listings"], logs, economics, set(scored["listing_id"]))
    lots = [
        planning._lot(r, worth[r.listing_id], logs.newest_day, rng) for r in scored.itertuples()
    ]
    low = planning._run(lots, [], 1400.0, got.stop_after + 1, rules).cash_low
    assert (low < 0).mean() > 0.05
    assert month(listings=12, draws=500).stop_after is None


def test_cash_in_stock_is_not_free() -> None:
    """Free cash is working cash less what is in stock at cost; what is sold is out of it."""
    logs = example_logs(stock=[owned(1), owned(2, status="sold")])
    little = replace(RULES, limits=replace(RULES.limits, working_cash=600.0))
    assert free_cash(logs, little) == 540.0
    assert np.isnan(free_cash(logs, example_settings()))
    assert hours_per_month(replace(RULES, bench=replace(RULES.bench, hours_per_week=7.0))) == (
        pytest.approx(30.4375)
    )


def test_jobs_on_the_shelf_count_only_their_lead() -> None:
    """A repair earns its lead over selling as is; a unit to be cleared first is not planned with.

    One that only must be erased is: work may go on, the sale waits.
    """
    stock = [
        owned(1),
        owned(2, flags="wet"),
        owned(3, state="s3"),
        owned(4, erase_date=pd.NaT),
    ]
    got = month(listings=1, stock=stock)
    jobs = got.items[got.items["kind"] == MEND].set_index("item")
    assert list(jobs.index) == ["U1", "U4"]
    lead = jobs.loc["U1", "expected_profit"]
    assert 40.0 < lead < 55.0  # 40.94 at the gate of example 1, fewer days lost by now
    assert jobs.loc["U1", "hours"] == 1.75
    assert jobs.loc["U1", "profit_per_hour"] == pytest.approx(lead / 1.75)
    assert (got.items["kind"] == BUY).sum() == 1


def test_the_cash_low_point_by_hand() -> None:
    """One repair, one world: the parts are paid before anything comes in, and nothing else is.

    265.40 with adhesive and consumables, so the low point is that much below the free cash.
    """
    got = month(listings=0, stock=[owned(1)])
    assert got.cash_low.tolist() == pytest.approx([12000.0 - 60.0 - 265.40])


def test_what_comes_in_is_the_profit_and_what_was_paid_before() -> None:
    """Every world: a sale brings back price with its interest, parts, and the profit on top.

    For a unit owned the profit is only the lead, so selling it otherwise is in there too.
    """
    economics = example_economics(RULES, draws=50, spread=0.1, rival=RIVAL)  # type: ignore[arg-type]
    logs = example_logs(listings=[listing(0)], stock=[owned(1)])
    rows = logs.tables["listings"]
    rng = np.random.default_rng(1)
    (row,) = planning.score(rows, logs, economics).itertuples()
    (worth,) = lots_worth(rows, logs, economics, {row.listing_id}).values()
    buy = planning._lot(row, worth, logs.newest_day, rng)
    kappa = 0.12 * 45 / 365
    assert buy.received - buy.profit == pytest.approx(buy.paid * (1 + kappa) + buy.parts)
    assert buy.days == planning.Days(5.0, 14.0, 30.0, 20.0)
    assert buy.parts == pytest.approx(np.full(50, 185.78), abs=0.01)
    (job,) = shelf_jobs(logs, economics)
    mend = job.flow(rng)
    other = job.other
    assert mend.received - mend.profit == pytest.approx(other + 265.40)


def test_a_lot_of_unlike_units_is_bid_for_whole() -> None:
    """Two rows of one lot, three units: their hours and parts together, one price for all."""
    rows = [listing(0, lot_id="J", quantity=2.0), listing(1, lot_id="J", quantity=1.0)]
    got = month(listings=rows, draws=2000, spread=0.05)
    (item,) = got.items.itertuples()
    assert item.item == "J"
    assert item.hours == pytest.approx(3 * 1.975)
    assert got.wins.mean() == pytest.approx(item.probability_win, abs=0.03)
    spent = got.cash_spent[got.wins == 1]
    assert spent.mean() > 3 * 185.78 + 2 * 1.216 * RIVAL


def test_an_empty_month_is_a_plan_too() -> None:
    got = month(listings=0)
    assert repr(got) == "Plan(0 to bid on, 0 to repair, 0.0 wins expected)"
    assert got.items.empty
    assert (got.wins.sum(), got.stop_after) == (0.0, None)


def test_without_a_rival_known_a_listing_gains_its_whole_profit() -> None:
    """A chance of winning that cannot be said takes nothing off the gain."""
    (item,) = month(listings=1, rival=None).items.itertuples()
    assert np.isnan(item.probability_win)
    assert item.gain == pytest.approx(item.expected_profit)


def test_one_month_in_twenty_may_run_out_of_cash_and_no_more() -> None:
    """Twenty worlds, cash 50: the first lot breaks it in one world, a second one in three more.

    Within one in twenty is allowed, so bidding goes on until the first win.
    """
    world, none = np.arange(20), np.zeros(20)

    def lot(won: npt.NDArray[np.bool_], paid: float) -> planning.Flow:
        days = planning.Days(1.0, 2.0, 3.0, 20.0)
        return planning.Flow(won, np.full(20, paid), none, none, none, 0.0, days)

    some = (world > 0) & (world < 4)
    lots = [lot(world == 0, 100.0), lot(some, 20.0), lot(some, 40.0)]
    assert planning._stop_after(lots, [], 50.0, RULES) == 1
    assert planning._stop_after(lots, [], 100.0, RULES) is None


def test_a_jobs_days_follow_from_where_the_unit_stands() -> None:
    """On the bench: 4 days in the queue, then 14 for the part, 1 of work, 1 to list, 20 to sell."""
    stock = [owned(1), owned(2, state="s3"), owned(3, status="in_transit")]
    found = shelf_jobs(example_logs(stock=stock), example_economics(RULES))
    days = {job.unit_id: (job.kind, job.days) for job in found}
    assert days["U1"] == (MEND, planning.Days(0.0, 4.0, 20.0, 20.0))
    assert days["U2"][1] == planning.Days(0.0, 4.0, 5.0, 20.0)
    assert days["U3"] == (MEND, planning.Days(0.0, 9.0, 25.0, 20.0))


def test_a_months_outcome_is_told_by_its_draws() -> None:
    """Mean, median, the middle 90 % and the share below nothing, of each thing drawn."""
    got = month(listings=8, draws=500, spread=0.1)
    told = got.outcome().set_index("what")
    for name, drawn in (("profit", got.profit), ("cash low point", got.cash_low)):
        row = told.loc[name]
        assert row["mean"] == pytest.approx(drawn.mean())
        assert [row["lower"], row["median"], row["upper"]] == pytest.approx(
            np.percentile(drawn, [5, 50, 95])
        )
        assert row["probability_below_zero"] == np.count_nonzero(drawn < 0) / 500
    assert told.loc["cash paid", "there"] == 12000.0


def test_a_repairs_own_luck_spreads_what_it_brings() -> None:
    """One world, 4,000 outcomes: mean and spread are those of grades, failure and sale."""
    economics = example_economics(RULES, draws=4000)
    family = economics.outlook.families["fx"]
    luck = np.exp(0.1 * np.random.default_rng(3).standard_normal(4000))
    family = replace(family, unit_noise=luck / luck.mean())  # type: ignore[type-var]
    outlook = replace(economics.outlook, families={"fx": family})
    (job,) = shelf_jobs(example_logs(stock=[owned(1)]), replace(economics, outlook=outlook))
    assert job.mended is not None
    chance = np.r_[0.93 * np.array([0.25, 0.60, 0.15]), 0.07]
    value = job.mended.value[0]
    swing = 0.861 * job.mended.price[0] * luck.std()
    mean = float(chance @ value)
    sd = float(np.sqrt(chance @ ((value - mean) ** 2 + swing**2)))
    drawn = job.flow(np.random.default_rng(7)).received - job.parts
    assert drawn.mean() == pytest.approx(mean, abs=4 * sd / 4000**0.5)
    assert drawn.std() == pytest.approx(sd, rel=0.05)


def test_cash_overspent_is_none_and_not_less() -> None:
    logs = example_logs(stock=[owned(1, landed_cost=900.0)])
    little = replace(RULES, limits=replace(RULES.limits, working_cash=600.0))
    assert free_cash(logs, little) == 0.0


def test_a_bids_cash_is_what_it_takes_at_its_maximum_and_jobs_rank_by_the_hour() -> None:
    """1.216 B + 15.50 and 185.78 of parts; a unit on the way still has its testing to pay for."""
    stock = [owned(1, status="in_transit"), owned(2), owned(3, status="awaiting_part")]
    got = month(listings=2, stock=stock, draws=800, spread=0.1)
    for item in got.items[got.items["kind"] == BUY].itertuples():
        assert item.cash == pytest.approx(1.216 * item.max_bid + 15.50 + 185.78, rel=0.01)
    jobs = got.items[got.items["kind"] == MEND]
    assert len(jobs) == 3
    assert jobs["profit_per_hour"].is_monotonic_decreasing
    assert jobs["profit_per_hour"].nunique() > 1
