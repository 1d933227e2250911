"""The four stop dates against the same rule played out draw by draw."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_shop
from outlook_by_hand import (
    FAMILY,
    FAULT,
    FIRST,
    FREE,
    MODEL,
    example_family,
    example_outlook,
    example_settings,
)
from repair_horizon.decisions.month.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    PART_STOP,
    REPAIR_STOP,
    StopMonths,
    bid_paths,
    needed_until,
    repair_stop,
    stop_chances,
    stop_dates,
    unit_stops,
    unsure,
)
from repair_horizon.decisions.month.thresholds import bid_row, disposition_table, maximum_bid
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms, hammer_price
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay
from repair_horizon.reports.family import family_month
from repair_horizon.tables.months import month_start
from repair_horizon.tables.settings import Settings, Targets, Tax
from repair_horizon.tables.words import stop_words
from scipy.stats import norm

MONTHS, DRAWS = 20, 60


def economics_of(
    rules: Settings = FREE,
    worth: Valuation = NO_CHARGES,
    rival: float | None = 30.0,
    spread: float = 0.12,
) -> Economics:
    family = example_family(draws=DRAWS, months=MONTHS, spread=spread, rival=rival)
    return Economics(example_outlook(family, MONTHS), rules, worth)


def unit_of(economics: Economics) -> UnitEconomics:
    unit = economics.unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    return unit


@pytest.mark.parametrize(
    ("repair", "stopped", "said"),
    [
        (562.0, 0.504, "as likely as not (50\u00a0% chance that it has stopped)"),
        (562.0, 0.7, "worth more on average, yet 70\u00a0% chance that it has stopped"),
        (562.0, 0.3, ""),
        (550.0, 0.45, "as likely as not (45\u00a0% chance that it has stopped)"),
        (550.0, 0.3, "worth less on average, yet 30\u00a0% chance that it has stopped"),
        (550.0, 0.6, ""),
    ],
)
def test_where_the_larger_worth_and_most_draws_disagree_the_stop_is_unsure(
    repair: float, stopped: float, said: str
) -> None:
    """As is is worth 554 now; the median month is now where over half of the draws stopped."""
    worth = {"repair": np.array([repair]), "sell as is": np.array([554.0])}
    come = np.arange(1000) < 1000 * stopped
    assert unsure(worth, StopMonths(np.where(come, 0, 9), 24)) == said


def test_the_page_says_of_every_unit_what_its_list_of_dates_says() -> None:
    """In place of a month: no repair is known of a locked unit; else as likely as not, or nothing.

    Of the demo's foldables, shared out over model and listed fault.
    """
    month = family_month(demo_shop(), "vellfold", demo_shop().month())
    dates = month.stop_dates[month.stop_dates["date_name"] == REPAIR_STOP]
    rows = dates.merge(month.thresholds, on=["model_id", "listed_fault"], suffixes=("", "_row"))
    assert len(rows) == len(month.thresholds)
    for _, row in rows.iterrows():
        listed, shown = stop_words(row, month.ahead), row["repair_stop_said"]
        if listed.startswith(("cannot say", "as likely", "worth ")):
            assert shown == listed
        else:
            assert shown == ""


def first_of_two_running(below: np.ndarray) -> list[int]:
    """Month by month, in words of the rule: below now and still next month."""
    out = []
    for row in below:
        hit = [h for h in range(len(row) - 1) if row[h] and row[h + 1]]
        out.append(hit[0] if hit else len(row))
    return out


@pytest.mark.parametrize("worth", [NO_CHARGES, Valuation(hour=4.0, tolerance=300.0)])
def test_each_date_is_the_rule_played_out_in_every_draw(worth: Valuation) -> None:
    """Buy stop: the bid wins under a tenth. Bid zero: below nothing. Repair stop: below the best.

    Each for two months running, in each draw by its own certainty equivalent.
    """
    unit = unit_of(economics_of(worth=worth))
    exact = unit.exact_bids()
    stops = unit_stops(unit, exact)
    sure = unit.certainty_by_draw
    den, fixed = 1.216 * (1 + unit.landing.kappa), 15.5 * (1 + unit.landing.kappa)
    bids = (sure - fixed) / den
    np.testing.assert_allclose(bid_paths(unit, exact), bids)
    level = unit.family.level[:, 0, :MONTHS]
    with np.errstate(invalid="ignore"):
        log = np.log(np.maximum(bids, 1e-9) / (level * 30.0 / 620.0))
    chance = norm.cdf(log / 0.2)
    buy, zero, repair = (stops[n] for n in (BUY_STOP, BID_ZERO, REPAIR_STOP))
    assert isinstance(buy, StopMonths)
    assert isinstance(zero, StopMonths)
    assert isinstance(repair, StopMonths)
    assert buy.months.tolist() == first_of_two_running(chance < 0.10)
    assert zero.months.tolist() == first_of_two_running(bids < 0)
    state = unit.states[0]
    names = [n for n in state.options if n != "repair"]
    best = [max(names, key=lambda n: state.certainty[n][h]) for h in range(MONTHS)]
    other = np.stack([state.by_draw(n)[:, h] for h, n in enumerate(best)], axis=1)
    assert repair.months.tolist() == first_of_two_running(state.by_draw("repair") < other)
    assert 0 < buy.probability_by(6) < 1


def test_a_higher_least_chance_stops_buying_sooner_and_a_cheaper_rival_later() -> None:
    usual = unit_stops(u := unit_of(economics_of()), u.exact_bids())[BUY_STOP]
    picky = replace(FREE, limits=replace(FREE.limits, least_win_chance=0.5))
    sooner = unit_stops(u := unit_of(economics_of(picky)), u.exact_bids())[BUY_STOP]
    later = unit_stops(u := unit_of(economics_of(rival=15.0)), u.exact_bids())[BUY_STOP]
    for less, more in ((sooner, usual), (usual, later)):
        assert isinstance(less, StopMonths)
        assert isinstance(more, StopMonths)
        assert (less.months <= more.months).all()
        assert less.months.mean() < more.months.mean()
    silent = unit_stops(u := unit_of(economics_of(rival=None)), u.exact_bids())[BUY_STOP]
    assert isinstance(silent, CannotSay)


def test_what_an_owners_limit_takes_off_the_bid_it_takes_off_every_path() -> None:
    """A profit target of 20 lowers each draw's bid by 20 over a (1 + kappa)."""
    unit = unit_of(economics_of(example_settings(targets=Targets(profit=20.0))))
    exact = np.array([bid_on_terms(Outcomes(unit, h)).exact for h in range(MONTHS)])
    less = unit.landing.bid_for(unit.certainty_by_draw) - bid_paths(unit, exact)
    np.testing.assert_allclose(less, 20.0 / (1.216 * (1 + unit.landing.kappa)))


def test_under_a_margin_scheme_paths_move_with_worth_after_tax() -> None:
    """Mean of the paths is the month's bid; a draw moves it by its worth less theta of revenue."""
    unit = unit_of(economics_of(replace(FREE, tax=Tax("margin", 0.2))))
    exact = unit.exact_bids()
    paths = bid_paths(unit, exact)
    np.testing.assert_allclose(paths.mean(axis=0), exact)
    after = unit.value - unit.revenue / 6
    moved = (after - after.mean(axis=0)) / (1.216 * (1 + unit.landing.kappa))
    np.testing.assert_allclose(paths - exact, moved)


def test_the_table_tells_months_chances_and_the_part_that_is_no_longer_needed() -> None:
    """Medians and 80 % ends are months of the draws; a part stops a month before its last job."""
    economics = economics_of()
    unit = unit_of(economics)
    table = stop_dates(economics).set_index(["date_name", "part_code"])
    stop = repair_stop(unit.main)
    assert isinstance(stop, StopMonths)
    row = table.loc[(REPAIR_STOP, "")]
    for name, p in (("lower", 0.1), ("median", 0.5), ("upper", 0.9)):
        at = np.sort(stop.months)[int(np.ceil(p * DRAWS)) - 1]
        assert row[name] == month_start(FIRST + int(at))
    for name, month in (("now", 0), ("3", 3), ("6", 6), ("12", 12)):
        assert row[f"probability_{name}"] == pytest.approx((stop.months <= month).mean())
    needed = needed_until(unit)
    both = np.maximum(repair_stop(unit.states[0]).months, repair_stop(unit.states[1]).months)  # type: ignore[union-attr]
    assert needed[MODEL, "DA"].tolist() == both.tolist()
    before = np.where(both >= MONTHS, MONTHS, np.maximum(both - 1, 0))
    part = table.loc[(PART_STOP, "DA")]
    assert part["median"] == month_start(FIRST + int(np.sort(before)[DRAWS // 2 - 1]))
    assert part["probability_now"] == pytest.approx((both == 0).mean())
    told = stop_chances({REPAIR_STOP: stop, BUY_STOP: CannotSay("no rival")}, FIRST)
    assert told["probability"].tolist() == pytest.approx(
        [(stop.months <= h).mean() for h in range(MONTHS)]
    )


def test_the_threshold_table_is_the_bids_months_and_verdicts() -> None:
    """Every column against the bid it comes from; the table tells the first month."""
    economics = economics_of()
    unit = unit_of(economics)
    (told,) = maximum_bid(economics).to_dict("records")
    assert told["month"] == month_start(FIRST)
    assert told["exact_bid"] == bid_on_terms(Outcomes(unit, 0)).exact
    for h in range(3):
        row, bid = bid_row(Outcomes(unit, h)), bid_on_terms(Outcomes(unit, h))
        assert (row["max_bid"], row["exact_bid"], row["target_bid"]) == (
            bid.amount,
            bid.exact,
            bid.uncapped,
        )
        assert row["probability_win"] == bid.won.chance
        assert row["expected_profit"] == bid.won.profit
        assert row["profit_per_hour"] == pytest.approx(bid.won.profit / Outcomes(unit, h).hours)
        assert row["probability_loss"] == bid.won.probability_loss
        assert row["won_price"] == bid.won.price < bid.amount
    rare = bid_row(Outcomes(unit_of(economics_of(rival=200.0)), 0))
    assert rare["verdict"] == "own stock only"
    assert str(rare["reason"]).startswith("would rarely win at that price: under 1")


def test_the_usual_hammer_price_is_the_ratio_of_the_level() -> None:
    """Median and 80 % of level times ratio, as seen, not of the highest rival."""
    family = example_family(draws=DRAWS, months=3, spread=0.12, rival=60.0)
    family = replace(family, hammer={FAULT: np.full(DRAWS, 0.1)})
    unit = unit_of(Economics(example_outlook(family), FREE))
    lower, middle, upper = hammer_price(unit, 1)
    seen = family.level[:, 0, 1] * 0.1
    assert (lower, middle, upper) == pytest.approx(tuple(np.quantile(seen, [0.1, 0.5, 0.9])))
    assert np.isnan(hammer_price(unit_of(economics_of()), 1)).all()
    assert pd.isna(bid_row(Outcomes(unit_of(economics_of()), 0))["hammer"])


def test_a_part_needed_beyond_the_forecast_has_no_stop_in_it() -> None:
    """Repair leads by far in all of three months: no date is guessed, least of all the last one."""
    family = example_family(draws=8, months=3, rival=30.0)
    family = replace(family, level=family.level * 1.5)
    table = stop_dates(Economics(example_outlook(family), FREE))
    part = table[(table["date_name"] == PART_STOP) & (table["part_code"] == "DA")].iloc[0]
    assert pd.isna(part["median"])
    assert part["reason"] == "not within the 3 months forecast"
    assert part["probability_now"] == 0.0
    # Beyond the forecast no chance can be told either.
    assert np.isnan(part["probability_3"])
    assert np.isnan(part["probability_12"])


def test_what_to_do_in_each_state_is_example_1s_disposition() -> None:
    """s1 repair 127.63 over 86.69, s2 and s3 as is 67.75; locked -21 (trade reference 2.4)."""
    table = disposition_table(Economics(example_outlook(example_family()), FREE))
    rows = table.set_index("state")
    assert rows["option"].to_list() == ["repair", "sell as is", "sell as is", "not sold: locked"]
    assert rows["value"].to_list() == pytest.approx([127.63, 67.75, 67.75, -21.0], abs=0.011)
    assert rows["next_best"].to_list()[:2] == ["sell as is", "repair"]
    assert rows.loc["s1", "gain"] == pytest.approx(127.63 - 86.69, abs=0.02)
    # There a failed s2 sells at 95.00 as s1 does; here at the same share of its own 118.00.
    s2 = 47.79 - 0.10 * 0.861 * (95.0 - 118.0 * 95.0 / 140.0)
    assert rows.loc["s2", "gain"] == pytest.approx(67.75 - s2, abs=0.02)
    assert rows["hours"].to_list() == [1.75, 0.0, 0.0, 0.0]
    assert rows["share"].to_list() == pytest.approx([0.70, 0.12, 0.13, 0.05])
