"""What if: a move does what it says and no more, told from example 1's slopes."""

from dataclasses import replace

import numpy as np
import pytest
from outlook_by_hand import (
    FAULT,
    FIRST,
    MODEL,
    example_family,
    example_outlook,
    example_settings,
)
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves, scenario
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.logs import CannotSay
from repair_horizon.tables.settings import Settings

KEY = (MODEL, FAULT)


def moved_bid(moves: Moves, settings: Settings | None = None, draws: int = 1) -> float:
    outlook, rules = scenario(
        example_outlook(example_family(draws=draws)), settings or example_settings(), moves
    )
    unit = Economics(outlook, rules).unit("fx", *KEY)
    return bid_on_terms(Outcomes(unit, 0)).exact


def test_no_moves_change_nothing() -> None:
    outlook, settings = example_outlook(example_family()), example_settings()
    same = scenario(outlook, settings, NO_MOVES)
    assert same[0] is outlook
    assert same[1] is settings
    assert moved_bid(NO_MOVES) == pytest.approx(36.06, abs=0.006)  # trade reference 2.4, step 8


def test_resale_5_percent_lower_moves_the_bid_by_example_1s_slope() -> None:
    """Five times 2.69 (trade reference 2.4, step 10) and the as-is part.

    As-is and failed units fall as well: 0.861 x (0.25 x 118 + 0.049 x 95) / 1.234 x 1 % = 0.24.
    """
    fall = moved_bid(NO_MOVES) - moved_bid(Moves(resale=-0.05))
    assert fall == pytest.approx(5 * (2.69 + 0.24), abs=0.1)


def test_a_cheaper_display_raises_the_bid_by_example_1s_slope_and_then_by_the_gate() -> None:
    """10 x 0.5436 = 5.44 (trade reference 2.4, step 10).

    30 cheaper, repair also wins in s2, so the bid rises by more than 30 x 0.5436.
    """
    ten, thirty = (Moves(part_price=-less / 248, part_code="DA") for less in (10, 30))
    assert moved_bid(ten) - moved_bid(NO_MOVES) == pytest.approx(10 * 0.5436, abs=0.02)
    assert moved_bid(thirty) - moved_bid(NO_MOVES) > 30 * 0.5436 + 0.5


def test_a_move_of_one_part_leaves_the_others_alone() -> None:
    moved, _ = scenario(
        example_outlook(example_family()), example_settings(), Moves(part_price=0.5, part_code="DA")
    )
    before, after = example_family().parts, moved.families["fx"].parts
    for key, path in after.items():
        times = 1.5 if key[1] == "DA" else 1.0
        np.testing.assert_allclose(path.price, times * before[key].price)


def test_doubled_failures_cost_what_success_is_worth() -> None:
    """Success 0.93 to 0.86 costs 0.07 x (144.946 + 102.42) in s1, share 0.70, over den 1.23399.

    Figures from trade reference 2.4, steps 1 and 5; s2 is sold as is either way (step 6).
    """
    moves = Moves(failures=2.0)
    family = scenario(example_outlook(example_family()), example_settings(), moves)[0]
    np.testing.assert_allclose(family.families["fx"].success[FAULT], [[0.86, 0.80, 0.0, 0.0]])
    fall = moved_bid(NO_MOVES) - moved_bid(moves)
    assert fall == pytest.approx(0.70 * 0.07 * (144.946 + 102.42) / 1.233990137, abs=0.02)


def test_no_failures_do_not_mend_what_has_no_repair() -> None:
    family = scenario(example_outlook(example_family()), example_settings(), Moves(failures=0.0))[
        0
    ].families["fx"]
    np.testing.assert_allclose(family.success[FAULT], [[1.0, 1.0, 0.0, 0.0]])


def test_bench_rate_costs_the_expected_hours() -> None:
    """Dearer by 10 an hour costs 10 x 1.975 h (trade reference 2.4), and labour of damage."""
    fall = moved_bid(NO_MOVES) - moved_bid(Moves(bench_rate=38.0))
    hours = 1.975 + 0.70 * (0.08 * 0.5 + 0.03 * 0.75 + 0.04 * 0.5)
    assert fall == pytest.approx(10 * hours / 1.233990137, abs=0.05)


def test_a_class_figure_cannot_hide_a_move() -> None:
    """Settings of the device class are resolved before the move, so the move wins."""
    settings = replace(example_settings(), by_class={"foldable": {"bench": {"rate_per_hour": 5.0}}})
    _, rules = scenario(
        example_outlook(example_family()), settings, Moves(bench_rate=40.0, tax=("margin", 0.2))
    )
    again = rules.for_class("foldable")
    assert again.bench.rate_per_hour == 40.0
    assert (again.tax.scheme, again.tax.rate) == ("margin", 0.2)


def test_a_wait_cannot_fall_below_none() -> None:
    _, rules = scenario(
        example_outlook(example_family()), example_settings(), Moves(delay_days=-30)
    )
    assert rules.delay.queue_days == 0.0
    assert moved_bid(Moves(delay_days=21)) < moved_bid(NO_MOVES) < moved_bid(Moves(delay_days=-4))


def test_a_scenario_is_about_one_family_and_a_model_in_it() -> None:
    outlook = example_outlook(example_family())
    two = replace(outlook, families={**outlook.families, "other": CannotSay("no sale")})
    with pytest.raises(ValueError, match="one family, not 2"):
        scenario(two, example_settings(), NO_MOVES)
    with pytest.raises(ValueError, match="no model 'fx_9'"):
        scenario(outlook, example_settings(), Moves(successor=("fx_9", FIRST)))


def test_failures_beyond_certain_leave_no_success() -> None:
    family = scenario(example_outlook(example_family()), example_settings(), Moves(failures=20.0))[
        0
    ].families["fx"]
    np.testing.assert_allclose(family.success[FAULT], [[0.0, 0.0, 0.0, 0.0]])
