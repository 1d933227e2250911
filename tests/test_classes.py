"""What is known of a device class before any log is sourced, wide enough, whole and our own."""

import math
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from class_doubts import off_by
from demo_business.catalogue import (
    FAMILIES,
    LISTED,
    QUALITY,
    as_is_faults,
    as_is_ratio,
    state_of,
)
from published.class_figures import SHIPPED, success_floors
from repair_horizon.classes import Figure, Mark, class_knowledge, meaning_of
from repair_horizon.classes.figures import LEAST_LOG_SD, mixture, rows
from repair_horizon.classes.knowledge import GRADES, ClassKnowledge
from repair_horizon.tables.faults import CannotSay, LogFault
from repair_horizon.tables.inputs import CLASSES, FAULT_STATES, QUALITIES

FILES = (
    "price_curve", "grades", "markets", "as_is", "part_prices", "part_qualities", "states",
    "fault_shares", "success_floors",
)  # fmt: skip
FIGURES = ("grades", "markets", "as_is", "part_prices", "part_qualities")


@pytest.mark.parametrize("name", FILES)
def test_every_figure_has_a_mark_and_a_source(name: str) -> None:
    for row in rows(name):
        marks = [value for column, value in row.items() if column.endswith("mark")]
        assert marks, row
        assert all(mark in list(Mark) for mark in marks), row
        assert len(row["source"]) > 5, row
        assert row["device_class"] in (*CLASSES, "all")


@pytest.mark.parametrize("name", FIGURES)
def test_a_guess_is_as_wide_as_its_mark_demands(name: str) -> None:
    """Steps and paces in logs, and factors about 1, are held to it relative to their own size."""
    for row in rows(name):
        least = LEAST_LOG_SD.get(Mark(row["mark"]), 0.0)
        value, width = float(row["value"]), float(row["log_sd"])
        if row["unit"].startswith("log "):
            least *= abs(value)
        elif row["what"] == "resale":
            least *= abs(math.log(value))
        assert width >= least - 1e-12, row


def test_a_wide_guess_is_not_worth_more_than_a_narrow_one() -> None:
    """Draws around the log centre have the figure itself as their mean."""
    rng = np.random.default_rng(1)
    wide = Figure(0.5, 0.6, Mark.MEMORY, "none")
    draws = np.exp(wide.log_centre + wide.log_sd * rng.normal(size=200_000))
    assert draws.mean() == pytest.approx(0.5, rel=0.01)


def test_price_curves_of_guesses_are_wide_too() -> None:
    for row in rows("price_curve"):
        assert float(row["level_log_sd"]) >= LEAST_LOG_SD.get(Mark(row["mark"]), 0.0), row


def test_words_say_whether_a_figure_is_a_guess() -> None:
    assert class_knowledge("phone").part_share("DA").words() == "class average"
    assert class_knowledge("watch").part_share("DA").words() == "class, a guess"
    assert class_knowledge("phone").part_share("DA", "aftermarket").words() == "class, a guess"
    assert class_knowledge("watch").share_of_launch(12).words() == "class, a guess"


@pytest.mark.parametrize("name", CLASSES)
def test_prices_fall_with_age_and_stay_under_the_launch_price(name: str) -> None:
    shares = class_knowledge(name).share_of_launch(np.arange(0, 121)).value
    assert np.all(np.diff(shares) < 0)
    assert shares[0] <= 1.0
    assert shares[-1] > 0.0


@pytest.mark.parametrize("name", CLASSES)
def test_a_price_is_less_sure_the_farther_from_the_first_year(name: str) -> None:
    widths = class_knowledge(name).share_of_launch([12, 24, 48, 96]).log_sd
    assert np.all(np.diff(widths) > 0)


def test_beyond_its_last_age_a_price_curve_goes_on_and_slows() -> None:
    """After its last age the pace dies away over 36 months, so the fall to come is bounded."""
    curve = class_knowledge("tablet").price_curve
    last = math.log(0.26 / 0.36) / 12
    fallen = np.diff(np.log(curve.at([48, 48.1, 84, 85, 400]).value))
    assert fallen[0] == pytest.approx(0.1 * last, rel=0.01)
    assert fallen[2] == pytest.approx(last / math.e, rel=0.02)
    assert fallen.sum() == pytest.approx(36 * last, rel=0.001)
    assert curve.pace(84).value == pytest.approx(last / math.e)
    assert curve.at(-5).value == curve.at(0).value


def test_a_class_of_two_brands_is_their_equal_mixture() -> None:
    """class_priors.md table (a): phone at 12 months .61 and .46, log sd .15 and .28."""
    phone = class_knowledge("phone").share_of_launch(12)
    logs = np.log([0.61, 0.46])
    assert phone.value == pytest.approx(math.exp(logs.mean()))
    assert phone.log_sd == pytest.approx(math.sqrt((0.15**2 + 0.28**2) / 2 + logs.var()))
    wide, narrow = Figure(2.0, 0.3, Mark.MEMORY, "a"), Figure(2.0, 0.1, Mark.PUBLISHED, "b")
    assert mixture([wide, narrow]).mark == Mark.MEMORY


# class_priors.md table (a), read off by hand: the figures of one-column classes stand as they are.
@pytest.mark.parametrize(
    ("name", "months", "share", "width"),
    [("foldable", 6, 0.46, 0.25), ("tablet", 24, 0.49, 0.22), ("watch", 36, 0.25, 0.35),
     ("console", 48, 0.55, 0.25), ("console", 18, 0.74, 0.25)],
)  # fmt: skip
def test_shares_of_launch_are_those_of_the_source(
    name: str, months: float, share: float, width: float
) -> None:
    knowledge = class_knowledge(name)
    assert knowledge.share_of_launch(months).value == pytest.approx(share)
    assert knowledge.price_curve.level_log_sd == pytest.approx(width)


# class_priors.md table (a): as is for display / no power / for parts; success of display and
# board with the cases they are worth; warranty claims; display and battery of one-column classes.
TABLE_A = {
    "phone": ((0.50, 0.30, 0.30), (0.93, 0.50, 8), 0.05, None),
    "foldable": ((0.40, 0.25, 0.25), (0.86, 0.40, 4), 0.08, (0.34, 0.08)),
    "tablet": ((0.48, 0.30, 0.35), (0.85, 0.45, 6), 0.03, (0.27, 0.08)),
    "laptop": ((0.55, 0.40, 0.40), (0.92, 0.50, 8), 0.07, None),
    "watch": ((0.35, 0.20, 0.20), (0.80, 0.30, 3), 0.05, (0.40, 0.12)),
    "console": ((0.50, 0.40, 0.35), (0.90, 0.50, 4), 0.05, (0.16, 0.10)),
}
NO_POWER = dict(zip(CLASSES, (0.50, 0.45, 0.50, 0.55, 0.45, 0.55), strict=True))


@pytest.mark.parametrize("name", CLASSES)
def test_figures_are_those_of_the_source(name: str) -> None:
    knowledge = class_knowledge(name)
    as_is, (display, board, cases), claims, parts = TABLE_A[name]
    found = tuple(knowledge.as_is_ratio(f).value for f in ("display", "no power", "for parts"))
    assert found == as_is
    assert knowledge.as_is_ratio("display").log_sd >= 0.45
    listed = "inner_display_dead" if name == "foldable" else "display_dead"
    for state, mean in (("display_only", display), ("board", board)):
        chance = knowledge.success(listed, state)
        assert (chance.mean, chance.cases) == (mean, cases)
    assert knowledge.market("warranty_rate").value == claims
    if parts:
        assert tuple(knowledge.part_share(c).value for c in ("DA", "BAT")) == parts
    assert (knowledge.hammer_ratio.value, knowledge.hammer_ratio.log_sd) == (1.0, 0.35)
    assert (knowledge.serious_bidders.value, knowledge.serious_bidders.log_sd) == (6.0, 0.5)
    assert knowledge.bid_spread.value == 0.2
    assert knowledge.market("ask_to_sold").value == 0.87
    steps = [knowledge.grade_step(g).value for g in ("as_new", *GRADES)]
    assert steps == [0.21, 0.08, 0.0, -0.08, -0.25]


@pytest.mark.parametrize("name", CLASSES)
def test_states_of_a_dead_unit_imply_the_success_of_the_source(name: str) -> None:
    """Table (a)'s success without power is of the listed fault, so the states must add to it."""
    implied = sum(s.share.mean * s.success.mean for s in class_knowledge(name).states("no_power"))
    assert implied == pytest.approx(NO_POWER[name], abs=0.06)


@pytest.mark.parametrize("name", CLASSES)
def test_every_starter_fault_is_whole(name: str) -> None:
    """Shares add to one, and each state has a price for each of its parts in some quality."""
    knowledge = class_knowledge(name)
    for fault in knowledge.listed_faults:
        states = knowledge.states(fault)
        assert sum(s.share.mean for s in states) == pytest.approx(1.0)
        assert 0 < knowledge.as_is_ratio(fault).value < 1
        for state in states:
            for code in state.part_codes:
                for quality in ("maker_original", "original_refurbished", "pulled"):
                    share = knowledge.part_share(code, quality)
                    assert isinstance(share, Figure), (fault, code)
                    assert 0 < share.value < 1, (fault, code)


@pytest.mark.parametrize("name", CLASSES)
def test_success_lies_between_what_was_fixed_and_what_was_not_given_up(name: str) -> None:
    """Open repair records bound the success of a listed fault, over all it may turn out to be."""
    knowledge, bounded = class_knowledge(name), 0
    for fault in knowledge.listed_faults:
        bounds = knowledge.success_bounds(fault)
        if isinstance(bounds, CannotSay):
            continue
        implied = sum(s.share.mean * s.success.mean for s in knowledge.states(fault))
        assert bounds.floor <= implied <= bounds.ceiling, (fault, implied, bounds)
        bounded += 1
    assert bounded >= {"phone": 7, "laptop": 10, "tablet": 3, "console": 3}.get(name, 0)


def test_bounds_of_success_are_those_computed_from_the_published_records() -> None:
    shipped = pd.read_csv(SHIPPED)
    pd.testing.assert_frame_equal(shipped, success_floors())


def test_computed_bounds_are_those_of_the_source() -> None:
    """class_priors.md section 5, read off: fixed, n and one less end of life."""
    found = success_floors().set_index(["device_class", "listed_fault"])
    for key, n, floor, ceiling in (
        (("phone", "any"), 2807, 0.527, 0.84),
        (("tablet", "any"), 1701, 0.473, 0.78),
        (("laptop", "any"), 5196, 0.569, 0.87),
        (("phone", "display_dead"), 619, 0.55, 0.95),
        (("phone", "power_or_battery"), 221, 0.41, 0.89),
        (("laptop", "keyboard"), 106, 0.49, 0.94),
        (("laptop", "board"), 67, 0.34, 0.76),
    ):
        row = found.loc[key]
        assert row["n"] == n
        assert row["floor"] == pytest.approx(floor, abs=0.006)
        assert row["ceiling"] == pytest.approx(ceiling, abs=0.006)


@pytest.mark.parametrize("name", CLASSES)
def test_starter_faults_stand_in_for_a_family_without_rows(name: str) -> None:
    table = class_knowledge(name).fault_states("some_family")
    assert list(table.columns) == [c.name for c in FAULT_STATES.columns]
    assert set(table["family_id"]) == {"some_family"}
    assert table.groupby("listed_fault")["prior_share"].sum().to_numpy() == pytest.approx(1.0)
    named = class_knowledge(name).fault_states("some_family", "cracked screen")
    assert set(named["listed_fault"]) == {"cracked screen"}
    assert "display_only" in set(named["state"])


@pytest.mark.parametrize(
    ("said", "name", "key"),
    [
        ("display_dead", "phone", "display"), ("outer_display_dead", "foldable", "cover_display"),
        ("inner_display_dead", "foldable", "display"), ("Won’t turn on", "laptop", "no_power"),
        ("no_power", "watch", "no_power"), ("battery_worn", "tablet", "battery"),
        ("back_glass", "phone", "back"), ("charge_port", "console", "other_part"),
        ("activation lock, screen cracked", "phone", "locked"), ("stick_drift", "console",
        "other_part"), ("water damage", "phone", "liquid"), ("board", "laptop", "board"),
        ("no backlight", "laptop", "display"), ("hard drive dead", "laptop", "other_part"),
        ("see photos", "phone", "for_parts"), ("Rückseite gesprungen", "phone", "back"),
        ("geht nicht an", "tablet", "no_power"), ("Displayschaden", "phone", "display"),
        ("keyboard", "laptop", "other_part"), ("display_and_back", "phone", "display"),
        ("battery_and_back", "watch", "back"), ("no backlight", "phone", "display"),
        ("software", "console", "no_power"), ("battery_only", "phone", "battery"),
    ],
)  # fmt: skip
def test_fault_words_are_read_by_the_declared_table(said: str, name: str, key: str) -> None:
    assert meaning_of(said, name).as_is_key == key


def test_unknown_words_are_a_fault_unsaid_and_say_so() -> None:
    meaning = meaning_of("as pictured", "phone")
    assert meaning.listed_fault == "for_parts"
    assert not meaning.understood
    knowledge = class_knowledge("phone")
    assert knowledge.as_is_ratio("as pictured") == knowledge.as_is_ratio("for parts")


def test_each_quality_but_the_makers_own_is_cheaper_and_less_sure() -> None:
    for name in CLASSES:
        knowledge = class_knowledge(name)
        own = knowledge.part_share("BAT")
        for quality in QUALITIES:
            share, brings = (
                knowledge.part_share("BAT", quality),
                knowledge.part_consequences(quality),
            )
            if quality != "maker_original":
                assert share.value < own.value
                assert share.log_sd > own.log_sd
                usual = knowledge.part_consequences("maker_original")
                assert brings.dead_on_arrival.value > usual.dead_on_arrival.value
                assert brings.resale.value < usual.resale.value


def test_parts_fall_after_their_first_months() -> None:
    knowledge = class_knowledge("phone")
    at = [knowledge.part_share("DA", "aftermarket", age) for age in (0, 6, 18, 30)]
    assert at[0].value == at[1].value
    assert at[2].value == pytest.approx(at[1].value * math.exp(-0.02 * 12))
    assert all(b.log_sd > a.log_sd for a, b in pairwise(at[1:]))


def test_what_the_class_does_not_know_is_said() -> None:
    phone = class_knowledge("phone")
    assert "KB" in phone.part_share("KB").reason
    assert "DA" in phone.part_share("KB").reason
    assert isinstance(phone.part_share("DA", "gold"), CannotSay)
    assert isinstance(phone.success("no_power", "hinge_only"), CannotSay)
    assert isinstance(class_knowledge("foldable").success_bounds("no_power"), CannotSay)


def test_a_copy_of_a_folding_display_is_dear_and_a_wide_guess() -> None:
    """No quality of a part is lost; copies that are rare cost more of the original's price."""
    foldable, phone = class_knowledge("foldable"), class_knowledge("phone")

    def of_original(kind: ClassKnowledge) -> float:
        return kind.part_share("DA", "aftermarket").value / kind.part_share("DA").value

    assert of_original(phone) < of_original(foldable) < 1
    copy = foldable.part_share("DA", "aftermarket")
    assert copy.log_sd > foldable.part_share("DA").log_sd
    assert "rare" in copy.source


def test_an_unknown_class_is_refused_with_the_allowed_ones() -> None:
    with pytest.raises(LogFault, match="'camera', allowed: one of phone, foldable, tablet"):
        class_knowledge("camera")
    with pytest.raises(LogFault, match=r"allowed: one of .*hammer_ratio"):
        class_knowledge("phone").market("luck")


def test_grades_follow_the_shops_own_order() -> None:
    phone = class_knowledge("phone")
    order = ("mint", "ok", "worn", "rough")
    own = [phone.grade_step(g, order).value for g in order]
    assert own == [phone.grade_step(g).value for g in "ABCD"] == [0.08, 0.0, -0.08, -0.25]
    three = [phone.grade_step(g, ("1", "2", "3")).value for g in "123"]
    assert three == pytest.approx([0.08, -0.04, -0.25])
    assert phone.grade_step("?").value == 0.0
    assert phone.grade_step("?").log_sd > 0.1


def test_nothing_is_copied_from_the_invented_business() -> None:
    """Displays' and boards' success stand in class_priors.md; all else differs from the demo's."""
    for family in FAMILIES:
        knowledge = class_knowledge(family.device_class)
        for code, (share, _) in family.parts.items():
            assert knowledge.part_share(code).value != share, (family.family_id, code)
        for fault in as_is_faults(family):
            assert knowledge.as_is_ratio(fault).value != as_is_ratio(family, fault), fault
        for fault, states in LISTED[family.device_class].items():
            known = {s.state: s for s in knowledge.states(fault)}
            shares = {name: s.share.mean for name, s in known.items()}
            assert shares != dict(states), fault
            for state in set(states) - {"locked", "board", "display_only"}:
                if state in known:
                    assert known[state].success.mean != state_of(family, state).success, state
    for quality in set(QUALITIES) - {"maker_original"}:
        rate = class_knowledge("phone").part_consequences(quality).dead_on_arrival.value
        assert rate != QUALITY[quality].doa_rate
        ratio = (
            class_knowledge("phone").part_share("DA", quality).value
            / class_knowledge("phone").part_share("DA").value
        )
        assert ratio != pytest.approx(QUALITY[quality].price_factor)


def test_knowledge_can_be_made_wrong_on_purpose_and_right_again() -> None:
    """What tests lean on to see that own data wash it out: every figure of one class, no other."""
    before = class_knowledge("watch")
    part, other = before.part_share("DA").value, class_knowledge("phone").part_share("DA")
    year, ratio = before.share_of_launch(12).value, before.as_is_ratio("display").value
    with off_by("watch", 0.6):
        wrong = class_knowledge("watch")
        assert wrong.part_share("DA").value == pytest.approx(0.6 * part)
        assert wrong.share_of_launch(12).value == pytest.approx(0.6 * year)
        assert wrong.as_is_ratio("display").value == pytest.approx(0.6 * ratio)
        assert class_knowledge("phone").part_share("DA") == other
    assert class_knowledge("watch").part_share("DA").value == part
