"""Scoring listings: bids, the question worth asking, and what would turn the verdict."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from outlook_by_hand import (
    FAMILY,
    FAULT,
    MODEL,
    example_economics,
    example_family,
    example_logs,
    example_outlook,
    example_settings,
    example_unit,
)
from repair_horizon.decisions.costs.purchase import landing
from repair_horizon.decisions.month.listings import (
    Scorer,
    open_listings,
    score,
    scorer_for,
    winning_told,
)
from repair_horizon.decisions.month.questions_asked import (
    BidMoves,
    _trials,
    best_question,
    bid_moves,
    by_state,
    question_at,
    turning_points,
    value_of_knowing,
)
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms
from repair_horizon.decisions.unit.bid_limits import EndStates, profit_at
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Limits, Purchase, Targets, Tier
from repair_horizon.tables.words import WITHIN_LIMIT

# Example 1's end states, trade reference 2.4.
WEIGHT = np.array([0.162750, 0.390600, 0.097650, 0.049000, 0.12, 0.13, 0.05])
VALUE = np.array([184.63, 143.93, 82.87, -102.42, 67.75, 67.75, -21.00])


def listings(*rows: dict[str, object]) -> pd.DataFrame:
    start = {"model_id": MODEL, "listed_fault": FAULT, "end_time": pd.Timestamp("2026-11-20")}
    given = [{**start, "listing_id": f"L{i}", **row} for i, row in enumerate(rows)]
    return example_logs(listings=given).tables["listings"]


def test_value_of_knowing_the_end_is_example_1s() -> None:
    """12.03 per unit at a bid of 36.06 (trade reference 2.4, step 11)."""
    land = landing(Purchase([Tier(0.0, 0.18)], 0.20, 0.0, 3.5, 12.0), 0.12, 45, True)
    profit = profit_at(EndStates(WEIGHT, VALUE, np.zeros(7)), land, 36.06)
    assert round(value_of_knowing(WEIGHT, profit), 2) == 12.03


def test_a_seller_can_only_tell_the_state_and_only_the_lock_matters() -> None:
    """Whether the repair will fail no seller knows; of the states only 'locked' loses at 36.06.

    0.05 x (21.00 + 59.35 x 1.0148) = 4.06, by hand from example 1.
    """
    unit = example_unit()
    known = Outcomes(unit, 0)
    weight, profit = by_state(known, unit.landing, 36.06, 0.0)
    assert weight == pytest.approx({"s1": 0.70, "s2": 0.12, "s3": 0.13, "locked": 0.05})
    assert [s for s, p in profit.items() if p < 0] == ["locked"]
    ask = question_at(known, unit.landing, 36.06, 0.0)
    assert (ask.state, round(ask.value, 2), round(ask.knowing_all, 2)) == ("locked", 4.06, 4.06)


def test_the_best_question_by_hand() -> None:
    """Half good (+20), a fifth bad (-50), the rest +5: mean 1.5; ruling the bad out is worth 10.

    Where no answer changes what is done, there is no question.
    """
    weight = {"good": 0.5, "bad": 0.2, "so so": 0.3}
    ask = best_question(weight, {"good": 20.0, "bad": -50.0, "so so": 5.0})
    assert (ask.state, ask.value, ask.knowing_all) == (
        "bad",
        pytest.approx(10.0),
        pytest.approx(10.0),
    )
    none = best_question(weight, {"good": 20.0, "bad": 1.0, "so so": 5.0})
    assert (none.state, none.value) == ("", 0.0)


def test_a_hopeless_listing_is_worth_asking_about_if_one_state_is_good() -> None:
    """Mean loss 20, yet 30 % of such units earn 40: the answer is worth 12 a listing."""
    ask = best_question({"good": 0.3, "bad": 0.7}, {"good": 40.0, "bad": -45.714})
    assert ask.value == pytest.approx(12.0, abs=1e-6)


def test_bid_moves_are_example_1s_slopes() -> None:
    """10 of display price moves the bid by -5.436 and 1 % of resale by 2.69 and the as-is part.

    Slopes -0.5436 and 2.69 per 1 % of repaired resale: trade reference 2.4, step 10; the as-is
    and failed units rise as well: 0.861 x (0.25 x 118 + 0.049 x 95) / 1.234 x 1 % = 0.24.
    """
    unit = example_unit()
    moves = bid_moves(example_economics(), unit)
    assert (moves.part_code, moves.part_price) == ("DA", 248.0)
    assert moves.part_ten == pytest.approx(-5.436, abs=0.01)
    assert moves.resale_percent == pytest.approx(2.69 + 0.24, abs=0.02)
    fall = 620 * 0.968 ** (45 / 30.4375) * (1 - 0.968 ** (7 / 30.4375))
    assert -moves.week == pytest.approx(fall * 0.4551, rel=0.25)


def test_each_input_takes_the_step_that_its_words_say() -> None:
    unit = example_unit()
    rules, family = unit.settings, unit.family
    key = next(k for k in family.parts if k[:2] == (unit.model_id, "DA"))
    able = family.success[FAULT] > 0
    seen: dict[str, list[float]] = {}
    for name, *words, step in _trials(unit):
        for way, said in zip((1, -1), words, strict=True):
            told, drawn = step(way)
            moved = (drawn.success[FAULT] - family.success[FAULT])[able]
            fees = [c.percentage_fee for c in told.channels]
            seen[f"{name}: {said}"] = [
                float(np.mean(drawn.level / family.level)) - 1,
                float(np.mean(drawn.parts[key].price / family.parts[key].price)) - 1,
                float(np.max(np.abs(moved)) * np.sign(moved.mean())),
                told.delay.selling_days - rules.delay.selling_days,
                told.bench.rate_per_hour / rules.bench.rate_per_hour - 1,
                fees[0] - rules.channels[0].percentage_fee,
                told.reserve.return_rate / rules.reserve.return_rate - 1,
            ]
    steps = {
        "resale price": ("5 % lower", -0.05, "5 % higher", 0.05),
        next(n for n in seen if n.startswith("price of the")).partition(":")[0]: (
            "20 % dearer", 0.20, "20 % cheaper", -0.20),
        "repair success": ("10 points lower", -0.10, "10 points higher", 0.10),
        "time to sell": ("a week longer", 7.0, "a week shorter", -7.0),
        "bench hour": ("20 % dearer", 0.20, "20 % cheaper", -0.20),
        "selling fee": ("2 points higher", 0.02, "2 points lower", -0.02),
        "returns": ("half as many again", 0.5, "half as many", -0.5),
    }  # fmt: skip
    for place, (name, (worse, by, better, back)) in enumerate(steps.items()):
        for said, size in ((worse, by), (better, back)):
            expected = [size if i == place else 0.0 for i in range(len(steps))]
            assert seen[f"{name}: {said}"] == pytest.approx(expected, abs=1e-9)


def test_turning_points_divide_what_is_missing_by_the_slope() -> None:
    """8 short: 3.2 % more resale at 2.50 a per cent, a part 16 cheaper at 0.50 a unit."""
    moves = BidMoves(2.5, -5.0, -0.5, "DA", 100.0)
    assert turning_points(8.0, moves) == "resale 3.2 % higher or DA 16.00 cheaper"
    assert turning_points(-5.0, moves).endswith("DA 10.00 dearer or 10.0 weeks later")
    assert turning_points(500.0, moves) == "no single change within reach"


def test_each_listing_is_scored_at_its_own_terms_and_bid() -> None:
    """At example 1's own terms the bid is 36.06; dearer carriage lowers it by its landed share."""
    rows = listings(
        {"current_bid": 10.0}, {"current_bid": 36.06}, {"current_bid": 10.0, "shipping": 22.0}
    )
    table = score(rows, example_logs(), example_economics()).set_index("listing_id")
    assert list(table.reset_index().columns) == OUTPUTS["bids"].names
    assert table.loc["L0", "max_bid"] == 36.06
    assert table.loc["L0", "advice"] == "bid"
    assert table.loc["L1", "advice"] == "pass"
    assert table.loc["L1", "reason"] == ("the bid has reached the maximum bid: 36.06 against 36.06")
    assert table.loc["L2", "max_bid"] == pytest.approx(36.06 - 10.0 / 1.216, abs=0.011)
    # Nothing is known of rivals, so what is told is the profit at the maximum bid itself.
    assert table.loc["L0", "expected_profit"] == pytest.approx(45.0018, abs=0.005)
    assert table.loc["L0", "profit_per_hour"] == pytest.approx(45.0018 / 1.975, abs=0.005)
    assert np.isnan(table.loc["L0", "probability_win"])
    own = table.loc[["L0", "L1", "L2"], "own_terms"]
    assert own.to_list() == pytest.approx([0.0, 0.0, -10.0 / 1.216], abs=0.011)
    assert (table["ask"] == "locked").all()


def test_every_pass_gives_its_reason() -> None:
    """Nothing left, too little left, overbid, an unknown fault: four reasons, none empty."""
    rules = example_settings()
    poor = replace(rules, targets=replace(rules.targets, profit=95.0))
    small = replace(
        rules,
        targets=replace(rules.targets, profit=85.0),
        limits=Limits(lowest_lot_cost=5.0),
    )
    reasons = []
    for settings in (poor, small):
        table = score(listings({}), example_logs(), example_economics(settings))
        assert table.loc[0, "advice"] == "pass"
        reasons.append(table.loc[0, "reason"])
    assert reasons[0].startswith("do not buy at any price: profit target leaves -4.46")
    assert reasons[0].endswith("(worth 105.23 before buying, fees and carriage 15.73)")
    assert reasons[1].startswith("not worth the handling: profit target leaves 3.6")
    odd = score(listings({"listed_fault": "unheard_of"}), example_logs(), example_economics())
    assert odd.loc[0, "advice"] == "cannot say"
    assert "unheard_of" in odd.loc[0, "reason"]


def test_many_listings_are_each_scored_as_if_alone() -> None:
    """All come back, and what they share is worked out once; speed is tests/benchmark's matter."""
    rng = np.random.default_rng(2)
    rows = [
        {"current_bid": float(b), "shipping": float(s)}
        for b, s in zip(rng.integers(1, 60, 800), rng.choice([6.9, 9.9, 12.0], 800), strict=True)
    ]
    many = listings(*rows)
    logs, economics = example_logs(), example_economics(draws=50, spread=0.05)
    table = score(many, logs, economics).set_index("listing_id")
    assert set(table.index) == set(many["listing_id"])
    for name in ("L17", "L799"):
        alone = score(many[many["listing_id"] == name], logs, economics).set_index("listing_id")
        pd.testing.assert_frame_equal(alone, table.loc[[name]])


def test_only_open_listings_not_yet_ended_are_candidates() -> None:
    day = pd.Timestamp("2026-10-31 15:00")
    ends = ["2026-10-30", "2026-10-31", "2026-11-02"]
    rows = listings(*({"end_time": pd.Timestamp(e)} for e in ends), {"result": "won"})
    assert open_listings(rows, day)["listing_id"].to_list() == ["L1", "L2"]


def test_a_price_asked_may_be_paid_and_above_the_bid_it_promises_what_the_bid_would() -> None:
    """Fixed price: met exactly it is bought; above the bid it is passed, never bought dearer.

    An auction's current bid must be topped, so met exactly it is passed.
    """
    logs, economics = example_logs(), example_economics()
    fixed: dict[str, object] = {"terms": "fixed_price"}
    bid = float(score(listings(fixed), logs, economics).loc[0, "max_bid"])
    rows = listings({**fixed, "current_bid": bid}, {**fixed, "current_bid": bid + 5.0})
    table = score(rows, logs, economics).set_index("listing_id")
    assert table.loc[["L0", "L1"], "advice"].to_list() == ["bid", "pass"]
    assert table["max_bid"].to_list() == [bid, bid]
    assert table["expected_profit"].to_list() == pytest.approx([45.0, 45.0], abs=0.02)
    assert table["room"].to_list() == pytest.approx([0.0, -5.0])
    exact = table.assign(terms="fixed_price", room=[0.0, -5.0], probability_win=[0.4, 0.3])
    told = winning_told(exact)
    assert told["L0"] == WITHIN_LIMIT
    assert told["L1"] == 0.3
    cheap = score(listings({**fixed, "current_bid": bid - 20.0}), logs, economics).loc[0]
    assert cheap["expected_profit"] == pytest.approx(45.0 + 20.0 * (1 + 0.12 * 45 / 365), abs=0.02)


def test_the_largest_expected_gain_of_bidding_comes_first() -> None:
    """Bids before passes; profit of a win times the chance of winning, not profit alone."""
    rules = example_settings(targets=Targets())
    rows = listings(
        {"shipping": 12.0},
        {"shipping": 0.0, "current_bid": 70.0},
        {"current_bid": 500.0},
        {"listed_fault": "unheard_of"},
        {"terms": "fixed_price", "current_bid": 70.0},
    )
    table = score(rows, example_logs(), example_economics(rules, draws=60, spread=0.1, rival=60.0))
    assert table["advice"].to_list() == ["bid", "bid", "bid", "pass", "cannot say"]
    assert table["listing_id"].to_list() == ["L4", "L1", "L0", "L2", "L3"]
    bids = table[table["advice"] == "bid"]
    gain = (bids["expected_profit"] * bids["probability_win"].fillna(1.0)).to_list()
    assert gain == sorted(gain, reverse=True)
    assert bids["expected_profit"].idxmax() == 1  # which wins in two lots of three


def test_an_offer_that_is_rarely_taken_is_not_advised_either() -> None:
    """Rivals pay 200 for what is worth 36 here: pass at an auction and with a private seller."""
    private: dict[str, object] = {"terms": "private", "current_bid": 46.0}
    rows = listings({}, private, {**private, "quantity": 2}, {**private, "current_bid": 20.0})
    table = score(rows, example_logs(), example_economics(rival=200.0)).set_index("listing_id")
    rare = table.loc[["L0", "L1", "L2"]]
    assert (rare["probability_win"] < 0.10).all()
    assert list(rare["advice"]) == ["pass"] * 3
    assert list(rare["verdict"]) == ["own stock only", "own stock only", "stop"]
    assert table.loc["L1", "reason"] == "an offer would rarely be taken: 9\u00a0% of sellers"
    assert "; an offer would rarely be taken: under 1" in table.loc["L2", "reason"]
    # The price asked would surely be taken, and is within the limit.
    assert tuple(table.loc["L3", ["probability_win", "advice", "verdict"]]) == (1.0, "bid", "buy")


def test_a_price_asked_within_the_limit_is_passed_for_its_own_reason() -> None:
    """Won lots fall short of what is told: at the maximum bid itself one is expected to lose."""
    family = replace(example_family(), shortfall=0.05)
    economics = Economics(example_outlook(family), example_settings(targets=Targets()))
    fixed: dict[str, object] = {"terms": "fixed_price"}
    most = float(score(listings(fixed), example_logs(), economics).loc[0, "max_bid"])
    rows = listings({**fixed, "current_bid": most}, {**fixed, "current_bid": most + 1.0})
    table = score(rows, example_logs(), economics).set_index("listing_id")
    assert list(table.loc[["L0", "L1"], "advice"]) == ["pass", "pass"]
    assert table.loc["L0", "reason"].startswith("lots won at that price are expected to lose")
    assert table.loc["L1", "reason"].startswith("the bid has reached the maximum bid")


def test_a_private_seller_is_offered_no_more_than_the_price_asked() -> None:
    """Asked 10 that is the offer, taken for certain; it earns E[V] less (10 + 12)(1 + kappa)."""
    rules = example_settings(targets=Targets())
    economics = example_economics(rules, draws=1, rival=60.0)
    rows = listings({"terms": "private", "current_bid": 10.0}, {"terms": "private"})
    table = score(rows, example_logs(), economics).set_index("listing_id")
    assert (table.loc["L0", "offer"], table.loc["L0", "probability_win"]) == (10.0, 1.0)
    left = 105.228766 - 22.0 * (1 + 0.12 * 45 / 365)
    assert table.loc["L0", "expected_profit"] == pytest.approx(left, abs=0.02)
    assert table.loc["L0", "max_bid"] == pytest.approx(
        105.228766 / (1 + 0.12 * 45 / 365) - 12.0, abs=0.02
    )
    free = table.loc["L1"]
    assert 10.0 < free["offer"] < free["max_bid"]
    assert 0.0 < free["probability_win"] < 1.0
    assert table["advice"].to_list() == ["bid", "bid"]


def test_a_verdict_turns_only_within_a_season() -> None:
    """Resale by 30 %, a part by its whole price, 12 weeks: so far and no further."""
    assert turning_points(30.0, BidMoves(1.0, 0.0, 0.0, "", 0.0)) == "resale 30.0 % higher"
    assert "no single" in turning_points(30.1, BidMoves(1.0, 0.0, 0.0, "", 0.0))
    assert turning_points(12.0, BidMoves(0.0, 0.0, -1.0, "", 0.0)) == "12.0 weeks sooner"
    assert "no single" in turning_points(12.1, BidMoves(0.0, 0.0, -1.0, "", 0.0))
    assert turning_points(50.0, BidMoves(0.0, -5.0, 0.0, "DA", 100.0)) == "DA 100.00 cheaper"
    assert "no single" in turning_points(50.1, BidMoves(0.0, -5.0, 0.0, "DA", 100.0))


@pytest.mark.parametrize("limits", [Limits(), Limits(probability_loss=0.2)])
def test_a_price_already_bid_changes_the_chance_of_winning_alone(limits: Limits) -> None:
    """Asked of what is kept or worked out anew: the same bid, with an owner's limit or without."""
    rules = example_settings(targets=Targets(), limits=limits)
    economics = example_economics(rules, draws=60, spread=0.1, rival=40.0)
    scorer = scorer_for(economics, FAMILY, (MODEL, FAULT))
    assert isinstance(scorer, Scorer)
    for shipping in (np.nan, 20.0):
        terms = scorer.terms(shipping, np.nan)
        for floor in (0.0, 25.0, 500.0):
            kept, anew = scorer.bid(terms, floor), bid_on_terms(scorer.known, terms, floor)
            assert replace(kept, won=anew.won, limit_cost=anew.limit_cost) == anew
            assert repr(kept) == repr(anew)


@pytest.mark.parametrize("terms", ["fixed_price", "private", "auction"])
def test_what_is_worth_no_bid_promises_nothing(terms: str) -> None:
    """Worth less than its carriage: no bid, no offer, no profit told, alone or as a lot of two."""
    economics = example_economics(example_settings(targets=Targets(profit=200.0)), rival=60.0)
    row: dict[str, object] = {"terms": terms, "current_bid": 5.0}
    rows = listings(row, {**row, "lot_id": "J", "quantity": 2.0, "current_bid": 500.0})
    table = score(rows, example_logs(), economics).set_index("listing_id")
    alone = table.loc["L0"]
    assert (alone["advice"], alone["max_bid"], alone["verdict"]) == ("pass", 0.0, "own stock only")
    assert alone[["offer", "expected_profit", "probability_loss"]].isna().all()
    if terms != "private":  # whose price is only where talking starts
        assert table.loc["J", "advice"] == "pass"
