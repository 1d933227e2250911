"""One unit in front of you: what it answers, and what it refuses."""

import re
from dataclasses import replace
from math import inf
from pathlib import Path

import pandas as pd
import pytest
from demo_copies import demo_shop
from outlook_by_hand import example_settings
from repair_horizon.asking.given import Given, GradeGiven, PartGiven, StateGiven
from repair_horizon.asking.unit_answer import UnitAnswer
from repair_horizon.cli import parser
from repair_horizon.commands.decide import given_in
from repair_horizon.decisions.month.stop_dates import StopMonths
from repair_horizon.decisions.unit.options import REPAIR
from repair_horizon.logs import LogFault
from repair_horizon.one_unit import ask
from repair_horizon.shop import Shop, shop_from_frames
from repair_horizon.tables.settings import Limits, Settings, Targets
from scant_logs import workspace

TODAY = "2026-11-28"
EXAMPLE = Given(
    resale=620.0,
    fall=0.032,
    parts={"DA": PartGiven(248.0, 8.9, 0.015), "FM": PartGiven(58.0, 0.0, 0.0)},
    as_is={"s1": 140.0, "s2": 118.0, "s3": 118.0},
    states=(
        StateGiven("s1", 0.70, ("DA",), 1.75, 0.93),
        StateGiven("s2", 0.12, ("DA", "FM"), 2.25, 0.90),
        StateGiven("s3", 0.13),
        StateGiven("locked", 0.05),
    ),
    grades={"A": GradeGiven(0.25, 1.08), "B": GradeGiven(0.60, 1.0), "C": GradeGiven(0.15, 0.88)},
)
SMALL = Settings(draws=200)


def example(given: Given = EXAMPLE, **changes: object) -> UnitAnswer:
    """Worked example 1 of the trade reference, asked without a workspace."""
    rules = replace(example_settings(targets=Targets()), draws=20)
    rules = replace(rules, limits=Limits(bid_increment=0.01, risk_tolerance=inf), **changes)
    return ask(
        "foldable",
        "inner display dead",
        launch="2026-02",
        launch_price=1500.0,
        settings=rules,
        today=TODAY,
        given=given,
    )


def test_the_worked_example_answers_its_72_52() -> None:
    """With every figure given, at no charge and full tolerance, the bid is the one by hand."""
    answer = example()
    assert answer.bid.amount == 72.52
    done = answer.dispositions.set_index("state")["option"]
    assert list(done[["s1", "s2", "s3"]]) == ["repair", "sell as is", "sell as is"]
    assert answer.dispositions.set_index("state")["value"]["s1"] == pytest.approx(127.63, abs=0.01)


def test_a_fault_is_the_same_code_however_it_is_typed_states_given_or_not() -> None:
    """A shop's no_power is meant by 'no-power' too where the asker names the states himself."""
    rules = replace(example_settings(targets=Targets()), draws=20)
    terms = {"launch": "2026-02", "launch_price": 800.0}
    for words in ("No power", "no-power", "no_power"):
        for given in (EXAMPLE, Given()):
            answer = ask("phone", words, settings=rules, today=TODAY, given=given, **terms)
            assert answer.unit.listed_fault == "no_power", (words, given)


def test_an_as_is_price_that_is_given_holds_as_it_is() -> None:
    """50 more as is leave 50 x 0.861 more (trade reference 2.4), whatever its fault fetches."""
    worth = []
    for price in (400.0, 450.0):
        given = replace(EXAMPLE, as_is={**EXAMPLE.as_is, "s1": price})
        (row,) = (r for r in example(given).dispositions.itertuples() if r.state == "s1")
        assert row.option == "sell as is"
        worth.append(row.value)
    assert worth[1] - worth[0] == pytest.approx(50.0 * 0.861, abs=0.02)


def test_the_worked_examples_repair_stops_in_month_6() -> None:
    """The owned unit's repair falls below selling as is in month 6 of the path by hand."""
    answer = example()
    stop = answer.repair_stop
    assert isinstance(stop, StopMonths)
    assert set(stop.months) == {6}
    by_hand = {0: (127.63, 86.69), 4: (83.05, 71.98), 6: (63.18, 65.32), 12: (12.02, 47.74)}
    for month, (repair, as_is) in by_hand.items():
        row = answer.months.iloc[month]
        assert row["repair"] == pytest.approx(repair, abs=0.011)
        assert row["alternative"] == pytest.approx(as_is, abs=0.011)
        assert row["repair_stopped"] == (month >= 6)


def test_a_current_foldable_pays_now_and_its_repair_may_stop_within_two_years() -> None:
    """By class knowledge alone: a bid now; the repair stop's interval meets months 12 to 24.

    The interval is wide: as-is prices of foldables are a guess, so repair may not pay at all.
    """
    answer = ask(
        "foldable",
        "inner display dead",
        launch="2026-09",
        launch_price=1799.0,
        settings=SMALL,
        today=TODAY,
    )
    assert answer.bid.amount > 0
    stop = answer.repair_stop
    assert isinstance(stop, StopMonths)
    age_now = 2
    early, late = stop.quantile(0.1), stop.quantile(0.9)
    assert early is not None
    assert age_now + early <= 24
    assert late is None or age_now + late >= 12
    assert set(answer.sources["basis"]) <= {"class average", "usual cost"}


def test_a_bid_that_other_faces_would_not_advise_is_not_advised_here() -> None:
    """By class alone: a phone whose won lots are expected to lose, a foldable whose earn."""
    asked = (
        ("phone", "cracked screen", "2024-09", 899.0),
        ("foldable", "no power", "2026-02", 1799.0),
    )
    objects = []
    for kind, fault, launch, price in asked:
        answer = ask(kind, fault, launch=launch, launch_price=price, settings=SMALL, today=TODAY)
        assert answer.bid.amount > 0
        objects.append("Not advised at an auction" in repr(answer))
        assert objects[-1] == (answer.bid.won.profit <= 0 or answer.bid.won.chance < 0.1)
    assert objects == [True, False]


def test_an_offer_too_rarely_taken_to_be_advised_is_said_to_be() -> None:
    """The same least chance as for a bid: a phone that sellers hardly part with at that price."""
    asked = "phone", "cracked screen"
    told = []
    for least in (0.0, 1.0):
        rules = replace(SMALL, limits=Limits(least_win_chance=least))
        given = {"launch": "2024-09", "launch_price": 899.0, "settings": rules, "today": TODAY}
        told.append(repr(ask(*asked, **given)))  # type: ignore[arg-type]
    assert ["too rarely taken to be advised; walk away above" in t for t in told] == [False, True]


def test_labour_decides_against_a_manufacturers_quote_near_the_parts_price() -> None:
    """At a quote of the part's price and usual wages the manufacturer's repair is worth more."""
    quoted = replace(EXAMPLE, manufacturer_quote=260.0)
    usual = example(quoted).two_repairs
    assert usual.manufacturer > usual.own
    assert 0 <= usual.break_even_wage < 28.0 or usual.break_even_wage < 0
    far = example(replace(EXAMPLE, manufacturer_quote=360.0)).two_repairs
    assert far.own > far.manufacturer
    # Equal at the break-even quote, by its own definition.
    even = example(replace(EXAMPLE, manufacturer_quote=usual.break_even_quote)).two_repairs
    assert even.own == pytest.approx(even.manufacturer, abs=0.02)


def test_the_wage_at_which_both_repairs_are_equal_is_where_they_are() -> None:
    """Bench hours at the break-even wage make own repair worth the manufacturer's."""
    quoted = replace(EXAMPLE, manufacturer_quote=360.0)
    wage = example(quoted).two_repairs.break_even_wage
    assert wage > 28.0
    rules = example_settings().bench
    there = example(quoted, bench=replace(rules, rate_per_hour=wage)).two_repairs
    assert there.own == pytest.approx(there.manufacturer, abs=0.1)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"device_class": "toaster"}, "one of phone, foldable, tablet"),
        ({"launch": "2027-03"}, "a month up to 2026-11"),
        ({"launch": "soon"}, "a month such as"),
        ({"launch_price": None}, "what the model sells for working"),
        ({"launch_price": 0.0}, "launch_price: found '0'"),
        ({"resale": 0.0}, "resale: found '0.0'"),
        ({"part": 900.0, "resale": 400.0}, "less than the device sells for working, 400"),
        ({"manufacturer_quote": 900.0, "resale": 400.0}, "less than the device"),
        ({"hours": -1.0}, "bench hours from 0 to 100"),
        ({"parts": {"XYZ": 10.0}}, "one of "),
        ({"fault": "haunted"}, "one of inner display dead"),
    ],
)
def test_what_cannot_be_is_refused_with_what_is_allowed(changes, told: str) -> None:
    asked = {
        "device_class": "foldable",
        "fault": "inner display dead",
        "launch": "2026-02",
        "launch_price": 1500.0,
        "settings": SMALL,
        "today": TODAY,
    }
    with pytest.raises(LogFault) as refused:
        ask(**{**asked, **changes})
    assert told in str(refused.value)


def test_a_figure_given_has_no_width_and_says_so() -> None:
    """Given figures stand fixed; the others keep their width and their source."""
    answer = ask(
        "phone",
        "screen cracked",
        launch="2025-10",
        resale=400.0,
        part=90.0,
        hours=1.0,
        settings=SMALL,
        today=TODAY,
    )
    rows = answer.sources.set_index("figure")
    for name, value in {"working price now": 400.0, "price of the display": 90.0}.items():
        row = rows.loc[name]
        assert row["lower"] == pytest.approx(value)
        assert row["upper"] == pytest.approx(value)
        assert row["basis"] == "given"
    assert rows.loc["fall of it a month", "basis"] == "class average"
    assert "Launch price not given" in repr(answer)


def test_the_shop_answers_for_its_own_models_with_its_own_bid() -> None:
    """Asked without any figure, the maximum bid is the threshold of every other face."""
    catalogue = {
        "model_id": ["veld1"],
        "family_id": ["veld"],
        "device_class": ["phone"],
        "launch_date": ["2026-01-10"],
        "launch_price": [899.0],
        "launch_currency": ["EUR"],
    }
    sales = {
        "sale_id": ["s1", "s2"],
        "model_id": ["veld1", "veld1"],
        "sale_date": ["2026-10-01", "2026-10-20"],
        "gross_amount": [505.0, 520.0],
        "currency": ["EUR", "EUR"],
    }
    shop = shop_from_frames(SMALL, catalogue=catalogue, sales=sales)
    answer = shop.ask("veld1", "cracked screen")
    bids = shop.thresholds().set_index("listed_fault")
    assert answer.bid.amount == bids.loc[answer.key[2], "max_bid"]
    assert "2 sales of the model" in set(answer.sources["rests_on"])
    with pytest.raises(LogFault, match="did you mean veld1"):
        shop.ask("veld", "cracked screen")


STATES = (
    "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
    "ulver,display_dead,display_only,0.8,{common},0.8,{success}\n"
    "ulver,display_dead,board,0.15,FLX,2.5,0.5\n"
    "ulver,display_dead,locked,0.05,,0,0\n"
)


def test_a_part_without_any_price_is_the_reason_told_and_no_other_states_repair(
    tmp_path: Path,
) -> None:
    """Four in five need ZZ, which nobody quoted and the class does not know.

    The board's repair can be costed, but is not what such a unit would be mended by.
    """
    said = "own repair cannot be costed: no price known for ZZ"
    files = {"fault_states": STATES.format(common="ZZ", success=0.9)}
    shop = Shop(workspace(tmp_path / "w", **files), SMALL)
    for row in shop.thresholds().itertuples():
        assert said in row.reason
        assert row.then == "sell as is"
    answer = shop.ask("ulver_3", "display_dead")
    assert answer.bid.amount > 0
    told = " ".join(repr(answer).split())
    assert told.count(said) == 1
    assert f"Cannot say: {said}" in told
    assert "own repair (2.5 h)" not in told
    assert "Repair stop, if it is board:" in told


def test_the_quality_planned_with_is_named_with_what_its_price_rests_on(tmp_path: Path) -> None:
    """A display quoted pulled at 158, planned with as a copy that nobody quoted: both are told."""
    quotes = (
        "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency\n"
        "Q1,2024-05-02,ulver_3,DA,{quality},s1,{price},EUR\n"
    )
    told = {}
    for quality, price in (("pulled", 158), ("aftermarket", 20)):
        files = {"part_quotes": quotes.format(quality=quality, price=price)}
        shop = Shop(workspace(tmp_path / quality, **files), SMALL)
        row = shop.thresholds().set_index("model_id").loc["ulver_3"]
        answer = shop.ask("ulver_3", "display_dead")
        rows = answer.sources.set_index("figure")["rests_on"]
        told[quality] = rows["price of the display, aftermarket"]
        assert row["part_quality"] == "DA aftermarket"
        assert told[quality].startswith(row["part_rests_on"])
        assert told[quality] in " ".join(repr(answer).split())
    assert told["aftermarket"] == "own quotes"
    words, _, other = told["pulled"].partition("; ")
    assert words == "estimated from 1 quote of another quality"
    assert re.fullmatch(r"own quote of 2 May 2024: pulled, now about 1[56]\d", other)


def test_an_auctioned_unit_that_cannot_be_costed_says_so_beside_its_advice(
    tmp_path: Path,
) -> None:
    files = {
        "fault_states": STATES.format(common="ZZ", success=0.9),
        "listings": "listing_id,model_id,listed_fault,terms,current_bid,end_time\n"
        "L1,ulver_3,display_dead,auction,1,2024-06-20\n"
        "L2,ulver_3,display_dead,auction,600,2024-06-20\n",
    }
    bids = Shop(workspace(tmp_path / "w", **files), SMALL).bids().set_index("listing_id")
    assert bids["reason"].str.contains("own repair cannot be costed: no price known for ZZ").all()
    assert bids.loc["L2", "reason"].startswith("the bid has reached the maximum bid")


def test_a_repair_of_another_state_than_the_commonest_is_named_by_its_state(
    tmp_path: Path,
) -> None:
    files = {"fault_states": STATES.format(common="", success=0)}
    shop = Shop(workspace(tmp_path / "w", **files), SMALL)
    assert (shop.thresholds()["reason"].str.contains("costed") == False).all()  # noqa: E712
    told = " ".join(repr(shop.ask("ulver_3", "display_dead")).split())
    assert "own repair (2.5 h) of one that is board is worth" in told
    assert "Repair stop, if it is board:" in told


def test_an_owners_target_holds_in_every_month_told_and_in_the_stop_dates() -> None:
    """A profit asked of each unit lowers each month's bid, and buying stops no later."""
    asked = {"launch": "2025-10", "resale": 400.0, "today": TODAY}
    rules = replace(SMALL, targets=Targets(profit=30.0))
    plain = ask("phone", "screen cracked", settings=SMALL, **asked)
    held = ask("phone", "screen cracked", settings=rules, **asked)
    assert plain.months["max_bid"].iloc[0] == plain.bid.exact
    assert held.months["max_bid"].iloc[0] == held.bid.exact
    less = plain.months["max_bid"] - held.months["max_bid"]
    assert (less > 20.0).all()
    for name in ("buy stop", "bid zero"):
        dates = [a.stops.set_index("date_name").loc[name, "probability_12"] for a in (held, plain)]
        assert dates[0] >= dates[1]


def test_an_answer_shows_itself_at_80_columns_and_in_a_notebook() -> None:
    answer = example(replace(EXAMPLE, asking=60.0))
    assert max(len(line) for line in repr(answer).splitlines()) <= 80
    assert "may be paid" in repr(answer)
    page = answer._repr_html_()
    assert "<script" not in page
    assert "72.52" in page
    assert answer.plot().data
    assert answer.table()["month"].iloc[0] == pd.Timestamp("2026-11-01")
    assert answer.options["option"].isin([REPAIR, "sell as is", "part out"]).all()


def test_each_figures_swing_is_what_asking_again_says() -> None:
    """What matters is worked out by the same rule: asked at the low resale, the bid is its low."""
    answer = example()
    row = answer.matters.set_index("figure").loc["working price now"]
    assert (row["low"], row["high"]) == (pytest.approx(558.0), pytest.approx(682.0))
    # As-is prices are ratios of the working price; given prices would not move with it.
    assert row["bid_low"] < answer.exact_bid < row["bid_high"]
    assert answer.matters["swing"].is_monotonic_decreasing


def test_the_command_line_says_the_same_figures_as_python() -> None:
    """The worked example's states, grades and falling part, typed, are the example's record."""
    words = [
        "ask",
        "--class",
        "foldable",
        "--fault",
        "x",
        "--resale",
        "620",
        "--monthly-fall",
        "0.032",
    ]
    for option, given in (
        ("--part", ["DA=248+8.9@0.015", "FM=58@0"]),
        ("--as-is", ["s1=140", "s2=118", "s3=118"]),
        ("--state", ["s1=0.70,DA,1.75,0.93", "s2=0.12,DA+FM,2.25,0.90", "s3=0.13", "locked=0.05"]),
        ("--grade", ["A=0.25,1.08", "B=0.60,1", "C=0.15,0.88"]),
    ):
        words += [w for value in given for w in (option, value)]
    assert given_in(parser().parse_args(words)) == EXAMPLE


@pytest.mark.parametrize(
    ("option", "value"), [("--state", "s1=many"), ("--state", "s1=1,DA,1,1,1"), ("--grade", "A=x")]
)
def test_a_state_that_cannot_be_read_is_one_message(option: str, value: str) -> None:
    words = ["ask", "--class", "phone", "--fault", "x", option, value]
    with pytest.raises(LogFault, match=f"{option}: found"):
        given_in(parser().parse_args(words))


def test_a_grade_given_without_a_factor_sells_at_the_familys_own(capsys) -> None:
    """Everything in the best grade is worth more than everything in the worst."""
    shop, key = demo_shop(100), ("vellfold_2", "inner_display_dead")
    bids = {
        grade: shop.ask(*key, grades={grade: GradeGiven(1.0)}).offer.walk_away for grade in "AC"
    }
    assert bids["A"] > bids["C"] + 10
    same = shop.ask(*key, grades={"C": GradeGiven(1.0, 1.0)}).offer.walk_away
    assert bids["A"] > same > bids["C"]


def test_grades_after_repair_are_told_with_what_they_rest_on() -> None:
    """A sixth of a price can hang on them: own repairs, or what was sold and the class."""
    shop, key, told = demo_shop(100), ("vellfold_2", "inner_display_dead"), []
    tables = {**shop.logs.tables, "repairs": shop.logs.tables["repairs"].iloc[:0]}
    bare = Shop(replace(shop.logs, tables=tables), shop.settings)
    for answer in (
        shop.ask(*key),
        bare.ask(*key),
        shop.ask(*key, grades={"C": GradeGiven(1.0, 0.9)}),
    ):
        rows = answer.sources.set_index("figure")
        told.append(rows.loc["grades after repair, times the price"])
    assert told[0]["rests_on"].endswith("repairs of its family")
    assert told[1]["rests_on"].startswith("no own repair notes a grade")
    assert (told[2]["value"], told[2]["basis"]) == (pytest.approx(0.9), "given")
