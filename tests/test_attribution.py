"""What changed since last month: each cause's share, and that the shares add up."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import combinations, permutations

import numpy as np
import pytest
from demo_copies import DEMO, demo_logs
from hypothesis import given, settings
from hypothesis import strategies as st
from repair_horizon.decisions.month.stop_dates import repair_stop
from repair_horizon.decisions.review.why_changed import (
    BLOCKS,
    CHARGES,
    FEES,
    NEWLY_KNOWN,
    PART,
    PRICE,
    SETTINGS,
    TIME,
    YIELD,
    BidChange,
    View,
    attribute,
    mixed_settings,
    shared_out,
)
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import Estimates, fit_family, forecast
from repair_horizon.logs import CannotSay, Logs, Settings, read_settings
from repair_horizon.tables.months import month_number
from repair_horizon.tables.settings import Targets

FAMILY, MODEL, FAULT = "pellvarn_phone", "pellvarn_6", "display_dead"
KEY = (FAMILY, MODEL, FAULT)
DRAWS = 60


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


@pytest.fixture(scope="module")
def rules() -> Settings:
    return read_settings(DEMO)


def view(logs: Logs, rules: Settings, months_later: int = 0) -> View:
    estimates = Estimates(logs.currency, logs.newest_day, {FAMILY: fit_family(logs, FAMILY)})
    month = int(month_number([logs.newest_day])[0]) + 1 + months_later
    return View(lambda first: forecast(estimates, 2, rules.seed, DRAWS, first), rules, month)


@pytest.fixture(scope="module")
def now(logs: Logs, rules: Settings) -> View:
    return view(logs, rules)


@pytest.fixture(scope="module")
def last_month(logs: Logs, rules: Settings) -> View:
    return view(logs.as_of("2026-09-30"), rules)


def changed(before: View, after: View) -> BidChange:
    got = attribute(before, after, KEY)
    assert isinstance(got, BidChange)
    return got


def shapley(blocks: str, value: Callable[[frozenset[str]], float]) -> dict[str, float]:
    """Mean effect of each block over all orders of swapping them (Shapley 1953)."""
    orders = list(permutations(blocks))
    out = dict.fromkeys(blocks, 0.0)
    for order in orders:
        for at, block in enumerate(order):
            alone = value(frozenset(order[: at + 1])) - value(frozenset(order[:at]))
            out[block] += alone / len(orders)
    return out


@settings(max_examples=50, deadline=None)
@given(worth=st.lists(st.floats(-100, 100), min_size=8, max_size=8))
def test_shares_add_up_whatever_the_values(worth: list[float]) -> None:
    """For any worth of every set of three blocks the shares sum to all less none."""
    value = {frozenset(b for i, b in enumerate("abc") if k >> i & 1): worth[k] for k in range(8)}
    shares = shared_out("abc", lambda s: value[s])
    assert sum(shares.values()) == pytest.approx(worth[7] - worth[0], abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(effects=st.lists(st.floats(-100, 100), min_size=16, max_size=16), three=st.floats(10, 100))
def test_shares_are_those_of_all_orders_unless_three_act_together(
    effects: list[float], three: float
) -> None:
    """With effects of each of four blocks and each pair: the Shapley value over all 24 orders.

    What only three of them do together is shared out otherwise, but not beyond what it is.
    """
    alone = dict(zip("abcd", effects, strict=False))
    pairs = dict(zip(combinations("abcd", 2), effects[4:], strict=False))

    def value(swapped: frozenset[str], all_three: float = 0.0) -> float:
        out = sum(alone[b] for b in swapped)
        out += sum(e for pair, e in pairs.items() if swapped.issuperset(pair))
        return out + all_three * swapped.issuperset("abc")

    assert shared_out("abcd", value) == pytest.approx(shapley("abcd", value), abs=1e-9)
    together = partial(value, all_three=three)
    told, every = shared_out("abcd", together), shapley("abcd", together)
    assert told != pytest.approx(every, abs=1e-3)
    assert all(abs(told[b] - every[b]) <= three / 2 for b in "abcd")


def test_shares_by_hand() -> None:
    """Two blocks: alone 10 and 20, together 50: half of the 20 they make together goes to each.

    Definition of the Shapley value (Shapley 1953), two players.
    """
    value = {"": 0.0, "a": 10.0, "b": 20.0, "ab": 50.0}
    shares = shared_out("ab", lambda s: value["".join(sorted(s))])
    assert shares == {"a": pytest.approx(20.0), "b": pytest.approx(30.0)}


def test_a_real_month_adds_up_exactly(last_month: View, now: View) -> None:
    """The shares of a month's change on the demo sum to after less before, to rounding noise.

    Nothing was changed in the rules, so fees and settings have none of it.
    """
    got = changed(last_month, now)
    assert sum(got.shares.values()) == pytest.approx(got.after - got.before, abs=1e-9)
    assert set(got.shares) == set(BLOCKS)
    assert got.shares[FEES] == got.shares[SETTINGS] == 0.0
    assert abs(got.shares[PRICE]) > 0.01
    assert got.shares[TIME] != 0.0
    assert got.table()["change"].abs().is_monotonic_decreasing


def test_the_ends_are_the_bids_of_the_two_months(last_month: View, now: View) -> None:
    """Before and after are what each month's own spine bids, not a third figure."""
    got = changed(last_month, now)
    for told, seen in ((got.before, last_month), (got.after, now)):
        unit = Economics(seen.outlook(seen.month), seen.settings).unit(*KEY)
        assert isinstance(unit, UnitEconomics)
        assert told == pytest.approx(bid_on_terms(Outcomes(unit, 0)).exact, abs=1e-9)


def test_each_change_of_the_rules_goes_to_its_own_block(now: View) -> None:
    """One thing changed at a time: all of the change is in its block, none elsewhere.

    Half a year on at the same knowledge is time's alone, and lowers the bid.
    """
    rules, month = now.settings, now.month
    carriage = replace(rules.sale, carriage=rules.sale.carriage + 5.0)
    cases = (
        (FEES, View(now.outlook, replace(rules, sale=carriage), month)),
        (TIME, View(now.outlook, rules, month + 6)),
        (SETTINGS, View(now.outlook, replace(rules, targets=Targets(profit=50.0)), month)),
    )
    for block, after in cases:
        got = changed(now, after)
        assert got.shares[block] == pytest.approx(got.after - got.before, abs=1e-9)
        assert got.shares[block] < -1.0
        assert all(v == pytest.approx(0.0, abs=1e-9) for b, v in got.shares.items() if b != block)


def test_a_dearer_part_and_a_worse_bench_are_told_apart(now: View, logs: Logs) -> None:
    """Part quotes 20 % up and every job failed are blamed on part and yield, both lowering."""
    quotes = logs.tables["part_quotes"]
    dearer = quotes.assign(amount=quotes["amount"] * 1.2, unit_price=quotes["unit_price"] * 1.2)
    tables = {**logs.tables, "part_quotes": dearer}
    part = changed(now, view(replace(logs, tables=tables), now.settings))
    assert part.shares[PART] < -5.0
    assert abs(part.shares[YIELD]) < 1e-9
    jobs = logs.tables["repairs"]
    worse = jobs.assign(outcome=np.where(jobs["outcome"] == "", "", "not_fixed"))
    bench = changed(
        now, view(replace(logs, tables={**logs.tables, "repairs": worse}), now.settings)
    )
    assert bench.shares[YIELD] < -5.0
    assert abs(bench.shares[PART]) < 1e-9


def test_a_price_that_became_known_is_not_a_price_that_moved(now: View, logs: Logs) -> None:
    """Last month nobody had quoted the model's display: what its quotes tell is 'newly known'.

    The lines add up, and by far the most of the change stands in that one, not under 'part'.
    """
    quotes = logs.tables["part_quotes"]
    unquoted = quotes[~((quotes["model_id"] == MODEL) & (quotes["part_code"] == "DA"))]
    assert len(unquoted) < len(quotes)
    before = view(replace(logs, tables={**logs.tables, "part_quotes": unquoted}), now.settings)
    got = changed(before, now)
    known = got.shares[NEWLY_KNOWN]
    assert abs(known) > 1.0
    assert known == pytest.approx(got.after - got.before, rel=0.2)
    assert abs(got.shares[PART]) < 0.2 * abs(known)
    assert sum(got.shares.values()) == pytest.approx(got.after - got.before, abs=1e-9)
    dearer = replace(
        logs,
        tables={**logs.tables, "part_quotes": quotes.assign(amount=quotes["amount"] * 1.2)},
    )
    assert changed(now, view(dearer, now.settings)).shares[NEWLY_KNOWN] == 0.0


def test_charges_have_their_own_line(now: View) -> None:
    """An hour worth 10 more lowers the bid, and all of it stands under 'charges'."""
    dear = replace(now, valuation=Valuation(hour=10.0))
    got = changed(now, dear)
    assert got.shares[CHARGES] == pytest.approx(got.after - got.before, abs=1e-9)
    assert got.shares[CHARGES] < -3.0


def test_fees_of_one_device_class_belong_to_fees(rules: Settings) -> None:
    """A class's own carriage and delay go with fees and time, its targets with the settings."""
    before = replace(rules, by_class={"phone": {"sale": {"carriage": 1.0}}})
    changes = {"sale": {"carriage": 9.0}, "delay": {"queue_days": 9.0}, "targets": {"profit": 9.0}}
    after = replace(rules, by_class={"phone": changes})
    assert mixed_settings(before, after, frozenset({FEES})).by_class["phone"] == {
        "sale": {"carriage": 9.0}
    }
    mixed = mixed_settings(before, after, frozenset({TIME, SETTINGS})).by_class["phone"]
    assert mixed == {**changes, "sale": {"carriage": 1.0}}
    assert mixed_settings(before, after, frozenset(BLOCKS)) == after


def test_a_model_not_there_in_both_months_is_said(now: View) -> None:
    got = attribute(now, now, (FAMILY, "unheard_of", FAULT))
    assert isinstance(got, CannotSay)
    assert "both months" in got.reason


def test_display_is_the_dearest_part_of_the_demos_devices(logs: Logs) -> None:
    """Common practice, no source: a display is the dearest part of most devices."""
    quotes = logs.tables["part_quotes"]
    median = quotes.groupby(["model_id", "part_code"])["amount"].median().unstack()
    assert (median.idxmax(axis=1) == "DA").mean() > 0.9


def test_foldable_inner_display_pays_on_the_current_model_and_no_longer_on_the_oldest(
    logs: Logs, rules: Settings
) -> None:
    """Common practice, no source: the dearest repair of all pays on new models and stops first.

    On the demo: the newest foldable, 16 months old, still pays; the oldest, in its sixth year, has
    stopped, most likely, though pulled displays are to be had at a third of new ones.
    """
    estimates = Estimates(
        logs.currency, logs.newest_day, {"vellfold": fit_family(logs, "vellfold")}
    )
    outlook = forecast(estimates, 12, 1, 300)
    economics = Economics(outlook, rules)
    launched = logs.tables["catalogue"].set_index("model_id")["launch_date"]
    now_stopped = {}
    for model_id in outlook.families["vellfold"].models:  # type: ignore[union-attr]
        unit = economics.unit("vellfold", model_id, "inner_display_dead")
        assert isinstance(unit, UnitEconomics)
        stop = repair_stop(unit.main)
        assert not isinstance(stop, CannotSay)
        now_stopped[model_id] = stop.probability_by(0)
    by_age = sorted(now_stopped, key=lambda m: launched[m])
    assert now_stopped[by_age[-1]] < 0.1
    assert now_stopped[by_age[0]] > 0.6
