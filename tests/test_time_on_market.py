"""Days to sale and what to ask: the estimator against a published one, the path against luck.

Two reference values: Cox's own example of remission times (R. Soc. J. B 34, 1972, table 1, from
Freireich et al.), and a simulated shop whose hazards are known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import DEMO, demo_logs, demo_shop
from outlook_by_hand import FAMILY, MODEL, example_economics, example_logs, example_settings
from repair_horizon.decisions.costs.sale import SaleTerms
from repair_horizon.decisions.month.shelf import (
    PERIOD_DAYS,
    PERIODS,
    AskPath,
    ask_path,
    asking,
)
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.estimation.time_on_market import (
    ASKED_PRIOR,
    FEWEST_SOLD,
    HORIZON_DAYS,
    TimeOnMarket,
    _breslow,
    own_days_to_sale,
    partial_likelihood,
    time_on_market,
    with_own_days,
)
from repair_horizon.logs import read_settings
from repair_horizon.shop import Shop
from repair_horizon.tables.settings import Channel, Sale

# Weeks in remission; a plus is a patient still in remission.
TREATED = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"


def test_cox_s_example_gives_the_published_coefficient() -> None:
    """Efron's ties: 1.572 with standard error 0.412 (any survival text), without a prior."""
    words = [*TREATED.split(), *PLACEBO.split()]
    weeks = np.array([float(w.rstrip("+")) for w in words])
    ended = np.array(["+" not in w for w in words])
    placebo = np.r_[np.zeros(21), np.ones(21)][:, None]
    beta, cov = partial_likelihood(weeks, ended, placebo, np.zeros(1), np.zeros((1, 1)))
    assert beta[0] == pytest.approx(1.572, abs=0.001)
    assert np.sqrt(cov[0, 0]) == pytest.approx(0.412, abs=0.001)


def mean_days(found: TimeOnMarket, log_hazard: float) -> float:
    """Area under the chance of being unsold; beyond the horizon at the mean hazard."""
    left = np.exp(-np.exp(log_hazard) * found.cumulative(np.arange(HORIZON_DAYS + 1)))
    rate = np.exp(log_hazard) * found.baseline[-1] / HORIZON_DAYS
    return float(np.sum((left[1:] + left[:-1]) / 2) + left[-1] / rate)


def simulated(units: int, slope: float, seed: int = 3) -> pd.DataFrame:
    """Units listed over a year at 20 days' mean at level, half as fast in the shop."""
    rng = np.random.default_rng(seed)
    asked, shop = rng.normal(0.02, 0.08, units), rng.random(units) < 0.4
    mean = 20.0 * np.exp(-slope * asked) * np.where(shop, 2.0, 1.0)
    days, open_for = rng.exponential(mean), rng.uniform(5.0, 365.0, units)
    sold = days <= open_for
    return pd.DataFrame(
        {
            "log_ratio": asked,
            "days": np.minimum(days, open_for),
            "sold": sold,
            "channel": np.where(shop, "own_shop", "marketplace"),
            "class": "phone",
            "log_reached": np.where(sold, np.log(0.98), np.nan),
        }
    )


def test_known_hazards_are_found_again() -> None:
    """Slope, channel and days at level of 600 simulated units, within 3 standard errors."""
    rows = simulated(600, -9.0)
    assert 20 < (~rows["sold"]).sum() < 200
    found = time_on_market(rows, 12.0)
    error = np.sqrt(np.diag(found.cov))
    assert abs(found.mean[0] + 9.0) < 3 * error[0] < 2.5
    assert found.names[1] == "channel own_shop"
    assert abs(found.mean[1] + np.log(2.0)) < 3 * error[1]
    assert mean_days(found, float(found.log_hazard(0.0, "marketplace"))) == pytest.approx(
        20, rel=0.1
    )
    assert found.reached == pytest.approx(0.98)


def test_the_baseline_is_breslows_sum_over_all_who_stood() -> None:
    """One over the risk standing at each sale, up to the ninth tenth of sales; then a mean rate."""
    rng = np.random.default_rng(3)
    days, risk = np.ceil(rng.exponential(30.0, 60)), np.exp(0.3 * rng.standard_normal(60))
    sold = rng.random(60) < 0.7
    found = _breslow(days, sold, risk)
    at = np.arange(len(found))
    steps = [(t, 1 / risk[days >= t].sum()) for t in days[sold]]
    whole = np.array([sum(s for t, s in steps if t <= day) for day in at])
    cut = np.quantile(days[sold], 0.9)
    below, above = int(np.floor(cut)), int(np.ceil(cut))
    there = whole[below] + (cut - below) * (whole[above] - whole[below])
    np.testing.assert_allclose(found, np.where(at <= cut, whole, there / cut * at))


def test_what_asking_more_costs_is_told_in_buyers_a_day() -> None:
    """Five per cent more at a slope of minus two: exp(-0.1), a tenth fewer."""
    known = TimeOnMarket(("log_ratio",), np.array([-2.0]), np.eye(1), np.zeros(2), 30, 5, -0.1, 0.1)
    assert known.words == (
        "30 units sold and 5 unsold with a price asked: 5 % more asked, 10 % fewer buyers a day"
    )


def test_unsold_units_count() -> None:
    """Leaving the unsold out would promise sales far too soon."""
    rows = simulated(600, -9.0, seed=5)
    rows["days"] = rows["days"].clip(upper=15.0)
    rows["sold"] &= rows["days"] < 15.0
    whole, sold_only = time_on_market(rows, 12.0), time_on_market(rows[rows["sold"]], 12.0)
    at_level = [mean_days(m, float(m.log_hazard(0.0))) for m in (whole, sold_only)]
    assert at_level[0] == pytest.approx(20, rel=0.2)
    assert at_level[1] < 10


def test_few_sales_leave_usual_practice_and_say_so() -> None:
    """With 19 sold the setting's days and the prior's slope hold; with 20 the own ones."""
    rows = simulated(60, -9.0)
    few = rows[rows["sold"]].head(FEWEST_SOLD - 1)
    found = time_on_market(few, 12.0)
    assert "usual practice: only 19 units" in found.words
    assert np.sqrt(np.diag(found.cov)) == pytest.approx([4.0, 0.5])
    assert found.mean[0] == ASKED_PRIOR
    assert mean_days(found, 0.0) == pytest.approx(12.0, rel=0.01)
    assert mean_days(time_on_market(rows[:0], 12.0), 0.0) == pytest.approx(12.0, rel=0.01)
    own = time_on_market(rows[rows["sold"]].head(FEWEST_SOLD), 12.0)
    assert "20 units sold" in own.words
    assert own.mean[0] != ASKED_PRIOR


MARKET = TimeOnMarket(
    ("log_ratio",), np.array([-10.0]), np.eye(1), np.arange(366) / 15.0, 50, 5, -0.1, 0.15
)
TERMS = SaleTerms(0.1, 1.0, 8.0, 0.0)
FALLING = 400.0 * 0.97 ** (np.arange(PERIODS + 1) * PERIOD_DAYS / 30.4375)


def path(waiting: float = 0.0004, market: TimeOnMarket = MARKET, since: int = 0):
    return ask_path(FALLING, market, 0.0, since, TERMS, 4.0, waiting)


def test_worth_of_a_path_is_what_following_it_earns() -> None:
    """20,000 units sold by luck at the path's prices earn its worth, within 3 standard errors."""
    found, rng = path(), np.random.default_rng(5)
    ratio = np.log(found.asks / FALLING[:PERIODS])
    chance = 1.0 - np.exp(-PERIOD_DAYS / 15.0 * np.exp(-10.0 * ratio))
    net = (found.asks * 0.9 - 13.0) * (1 - 0.0004 * PERIOD_DAYS / 2)
    left = 0.9 * FALLING[-1] * np.exp(-0.1) - 13.0
    held = (1 - 0.0004 * PERIOD_DAYS) ** np.arange(PERIODS + 1)
    sold = rng.random((20_000, PERIODS)) < chance
    first = np.where(sold.any(axis=1), sold.argmax(axis=1), PERIODS)
    earned = np.r_[net, left][first] * held[first]
    assert found.worth == pytest.approx(earned.mean(), abs=3 * earned.std() / 20_000**0.5)
    # Sold in mid-fortnight; what is left after the last one goes within one more.
    days = np.where(first < PERIODS, (first + 0.5) * PERIOD_DAYS, (PERIODS + 1.0) * PERIOD_DAYS)
    assert found.days == pytest.approx(days.mean(), abs=3 * days.std() / 20_000**0.5)


def test_what_hurries_lowers_the_price() -> None:
    """Dearer waiting and quicker buyers' flight ask less; dearer waiting sells sooner."""
    calm, hurried = path(), path(0.006)
    assert hurried.asks[0] < calm.asks[0]
    assert hurried.days < calm.days
    shy = path(market=replace(MARKET, mean=np.array([-16.0])))
    assert shy.asks[0] < calm.asks[0]


def test_asks_never_rise_and_stay_where_buyers_are_known() -> None:
    """Every ask lies within what was asked so far, and is marked down as the level falls."""
    found = path()
    assert (np.diff(found.asks) <= 0).all()
    assert found.asks[0] <= 400.0 * np.exp(0.15) + 0.5
    assert found.asks[-1] >= FALLING[PERIODS - 1] * np.exp(-0.1) - 0.5
    assert "days" in found.mark_downs()


@pytest.fixture(scope="module")
def shop() -> Shop:
    return demo_shop(100, NO_CHARGES, with_own_days(demo_logs(), read_settings(DEMO)))


def test_own_days_replace_the_setting_once_there_are_twenty(shop: Shop) -> None:
    """Phones have hundreds of own sales, watches too few; unsold days are counted."""
    known = own_days_to_sale(shop.logs)
    assert "watch" not in known
    days, n = known["phone"]
    assert n > FEWEST_SOLD
    assert shop.settings.for_class("phone").delay.selling_days == pytest.approx(days, abs=0.05)
    assert shop.settings.for_class("watch").delay.selling_days == 12.0
    bare = replace(shop.logs, tables={**shop.logs.tables, "stock": shop.logs.tables["stock"][:0]})
    assert own_days_to_sale(bare)["phone"][0] < days


@pytest.mark.parametrize("own", [FEWEST_SOLD - 1, FEWEST_SOLD])
def test_twenty_own_sales_are_enough_and_nineteen_are_not(own: int) -> None:
    """Sold after 0, 1, 2... days, and two still standing 30 days: days stood over units sold."""
    listed = pd.Timestamp("2026-09-01")
    sale = {"model_id": MODEL, "own_sale": 1.0, "listed_date": listed, "gross_amount": 500.0}
    sales = [{**sale, "sale_date": listed + pd.Timedelta(days=d)} for d in range(own)]
    logs = example_logs(sales=sales)
    unit = {"model_id": MODEL, "status": "listed"}
    standing = {"listed_date": logs.newest_day - pd.Timedelta(days=30)}
    stock = [{**unit, **standing, "unit_id": f"U{n}"} for n in range(2)]
    found = own_days_to_sale(example_logs(sales=sales, stock=stock))
    days = own * (own - 1) / 2 + 2 * 30
    assert found == ({"foldable": (days / own, own)} if own == FEWEST_SOLD else {})


def test_every_listed_unit_gets_a_price_a_channel_and_days(shop: Shop) -> None:
    """The demo's slope is -12: found within 3 errors; its own shop, dearer and cheaper, is best."""
    table, stock = shop.asking(), shop.logs.tables["stock"]
    assert list(table["unit_id"]) == list(stock.loc[stock["status"] == "listed", "unit_id"])
    assert (table["ask_price"] > 0).all()
    assert (table["days_expected"] > 0).all()
    assert (table["net_expected"] >= table["next_net"]).all()
    assert set(table["channel"]) == {"own_shop"}
    market = shop.selling
    assert abs(market.mean[0] + 12.0) < 3 * np.sqrt(market.cov[0, 0])
    assert "fewer buyers a day" in market.words


def test_a_price_falls_in_words_from_three_per_cent_on() -> None:
    """Smaller steps wait until together they make one: 97.5 stays 100, 97 is told, then 94.09."""
    asks = np.array([100.0, 97.5, 97.0, 95.0, 94.09])
    assert AskPath(asks, 0.0, 0.0).mark_downs() == "to 97 after 28 days; to 94 after 56 days"
    assert AskPath(np.array([100.0, 97.1]), 0.0, 0.0).mark_downs() == ""


def test_a_listed_unit_sells_in_the_channel_that_leaves_most() -> None:
    """Half the price kept by one, a tenth by the other; both told, with the days listed so far."""
    economics = example_economics(
        example_settings(
            channels=[
                Channel("dear", 0.5, 0.0, 1.0),
                Channel("cheap", 0.1, 0.0, 1.0),
                Channel("unknown", 0.0),
            ],
            sale=Sale(carriage=8.0, packaging=0.0, channel="dear"),
        )
    )
    family = replace(economics.outlook.families[FAMILY], channel={"cheap": np.full(1, 1.1)})  # type: ignore[type-var]
    economics = replace(economics, outlook=replace(economics.outlook, families={FAMILY: family}))
    unit = {"unit_id": "U1", "model_id": MODEL, "state": "working", "status": "listed",
            "listed_date": pd.Timestamp("2026-10-21"), "asking_price": 600.0}  # fmt: skip
    logs = example_logs(stock=[unit, {**unit, "unit_id": "U2", "status": "bench"}])
    (row,) = asking(logs, economics, MARKET).to_dict("records")
    assert (row["unit_id"], row["days_listed"], row["asked_now"]) == ("U1", 10, 600.0)
    assert (row["channel"], row["next_channel"]) == ("cheap", "dear")
    grades = 0.25 * 1.08 + 0.60 + 0.15 * 0.88
    level = 620.0 * 0.968 ** (PERIOD_DAYS * np.arange(PERIODS + 1) / 30.4375) * grades
    for name, fee, factor, told in (
        ("cheap", 0.1, 1.1, row["net_expected"]),
        ("dear", 0.5, 1.0, row["next_net"]),
    ):
        terms = SaleTerms(fee, 1.0, 8.0, 0.0)
        found = ask_path(level * factor, MARKET, 0.0, 10, terms, 7.01, 0.12 / 365.0)
        assert told == pytest.approx(found.worth, rel=1e-4), name
