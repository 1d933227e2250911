"""Repair limits and the total-loss rule.

No standard gives a number for "beyond economic repair": EN 45554 leaves it out of scope. The
rules below are published; the percentage is always the user's.
"""

import pytest
from repair_horizon.decisions.costs.replacement import repair_pays, within_repair_limit


def test_a_repair_may_cost_up_to_the_limit_and_not_a_cent_more() -> None:
    """The estimate "must not exceed" limit x replacement price: US Army TB 43-0002-75, 7d (seen).

    The worksheet adds labour, materiel, overhead, shipping and other; figures derived.
    """
    worksheet = 12.5 * 28 + 310 + 45 + 60 + 15
    assert worksheet == 780
    assert within_repair_limit(worksheet, 1200, 0.65)
    assert not within_repair_limit(worksheet + 0.01, 1200, 0.65)


@pytest.mark.parametrize(
    ("repair", "salvage", "value", "pays"),
    [(7500, 500, 10000, True), (9500, 3500, 15000, True), (9600, 500, 10000, False)],
)
def test_total_loss_formula(repair: float, salvage: float, value: float, pays: bool) -> None:
    """Total loss when repair + salvage exceed the value; the first two cases seen."""
    assert repair_pays(repair, salvage, value) is pays


def test_the_two_rules_can_disagree() -> None:
    """Value 15,000, repair 9,500, salvage 3,500 (seen): 63.33 % of value, 2,000 under the limit."""
    assert repair_pays(9500 + 2000, 3500, 15000)
    assert not repair_pays(9500 + 2000.01, 3500, 15000)
    assert not within_repair_limit(9500, 15000, 0.6333)
    assert within_repair_limit(9500, 15000, 0.6334)
    assert repair_pays(9500, 3500, 15000)
