"""The part quality a bid rests on, named with what the next one would cost more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from outlook_by_hand import FAMILY, FAULT, MODEL, example_family, example_outlook, example_settings
from repair_horizon.classes import class_knowledge
from repair_horizon.decisions.month.thresholds import maximum_bid
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.pooled_curves import PooledParts


def family_with(extra: float):
    """Example 1 with a second quality of its display, dearer by so much."""
    family = example_family()
    key = next(k for k in family.parts if k[1] == "DA")
    path = family.parts[key]
    other = replace(path, price=path.price + extra)
    return replace(family, parts={**family.parts, (MODEL, "DA", "original_refurbished"): other})


@pytest.mark.parametrize("extra", [-60.0, 35.0])
def test_the_cheaper_in_all_is_named_and_what_the_other_costs_more(extra: float) -> None:
    """The difference is that of the whole cost, and the bid table shows both."""
    economics = Economics(example_outlook(family_with(extra)), example_settings())
    unit = economics.unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    first, second = bench_of(economics, FAMILY, MODEL).offers("DA")  # type: ignore[union-attr]
    assert unit.quality is not None
    assert unit.quality.quality == first.quality
    assert unit.quality.other_cost == pytest.approx(second.total - first.total)
    assert unit.quality.other_cost > 0
    row = maximum_bid(economics).iloc[0]
    assert row["part_quality"] == f"DA {first.quality}"
    assert row["other_quality_cost"] == unit.quality.other_cost


def test_an_owner_s_order_is_named_with_what_it_costs() -> None:
    """The owner takes the dearer one: the other would cost less, so the figure is below zero."""
    rules = example_settings()
    rules = replace(rules, repair=replace(rules.repair, quality_order=["original_refurbished"]))
    unit = Economics(example_outlook(family_with(35.0)), rules).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    assert unit.quality is not None
    assert unit.quality.quality == "original_refurbished"
    assert unit.quality.other_cost < 0


def test_one_quality_has_no_other() -> None:
    """With a single price there is nothing to compare: missing, not zero."""
    unit = Economics(example_outlook(example_family()), example_settings()).unit(
        FAMILY, MODEL, FAULT
    )
    assert isinstance(unit, UnitEconomics)
    assert unit.quality is not None
    assert unit.quality.other == ""
    assert np.isnan(unit.quality.other_cost)


def test_a_copy_is_cheaper_also_where_copies_of_the_display_are_dear() -> None:
    """A folding phone's battery copy starts below the refurbished one, as any phone's does."""
    both = ("aftermarket", "original_refurbished")
    for kind in ("phone", "foldable"):
        mean, sd = PooledParts(0.25).step(class_knowledge(kind), ("new", "BAT"), *both)
        assert mean < -0.3
        assert 0.1 < sd < 0.5


def test_what_the_class_guesses_of_one_part_gives_way_to_two_quotes_sooner() -> None:
    """A folding display's copy is a guess on top of a guess: its step is wider than a battery's."""
    kind, both = class_knowledge("foldable"), ("aftermarket", "maker_original")
    _, battery = PooledParts(0.25).step(kind, ("new", "BAT"), *both)
    _, display = PooledParts(0.25).step(kind, ("new", "DA"), *both)
    own = kind.quality_apart("DA", "aftermarket")
    assert own > 0.1
    assert kind.quality_apart("BAT", "aftermarket") == 0.0
    assert display**2 - battery**2 == pytest.approx(own**2)
