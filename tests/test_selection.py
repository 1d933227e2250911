"""Promises of won lots against results: what is found, what is taken off, what is left alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_copy, demo_shop
from outlook_by_hand import (
    FAMILY,
    FAULT,
    MODEL,
    example_economics,
    example_family,
    example_logs,
    example_outlook,
    example_settings,
)
from repair_horizon.decisions.month.listings import score
from repair_horizon.decisions.review.forecast_ledger import forecasts_of
from repair_horizon.decisions.review.scorecard import (
    CLASS_SD,
    LOT_COLUMNS,
    LUCK,
    LUCK_WEIGHT,
    PRICED,
    SHOP_SD,
    START,
    by_class,
    share_table,
    shortfalls,
)
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms, joint_lot
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.shop import open_shop

DAY = pd.Timestamp("2026-10-31")


def lots_of(kind: str, promised: list[float], realised: list[float], resale: float) -> pd.DataFrame:
    return pd.DataFrame(
        [
            (f"L{i}", f"U{i}", kind, p, r, resale, "sold")
            for i, (p, r) in enumerate(zip(promised, realised, strict=True))
        ],
        columns=LOT_COLUMNS,
    )


def test_shortfall_by_hand() -> None:
    """Two classes against the joint normal of their shares, written out and conditioned by hand.

    Phones fell 5 short of 100 ten times; one tablet brought 20 more of 200 than it promised.
    """
    lots = pd.concat(
        [lots_of("phone", [20.0] * 10, [15.0] * 10, 100.0), lots_of("tablet", [9.0], [29.0], 200.0)]
    )
    found = by_class(lots).set_index("device_class")
    assert found["raw"].tolist() == pytest.approx([0.05, -0.1])
    luck = LUCK_WEIGHT * LUCK**2 / (LUCK_WEIGHT + 11)  # no lot is off its own class's mean
    # Shares of shop, phones, tablets, then what was seen of phones and tablets.
    cov = np.full((5, 5), SHOP_SD**2)
    for at in (1, 3), (2, 4):
        cov[np.ix_(at, at)] += CLASS_SD**2
    cov[3, 3] += luck / 10
    cov[4, 4] += luck
    seen = np.array([0.05, -0.1]) - START
    told = START + cov[:3, 3:] @ np.linalg.inv(cov[3:, 3:]) @ seen
    assert found["shop"].tolist() == pytest.approx([told[0]] * 2)
    assert found["shortfall"].tolist() == pytest.approx(told[1:].tolist())
    assert by_class(lots[:0]).empty


def test_what_is_taken_off_makes_promises_of_won_lots_right() -> None:
    """2,000 lots won by the more hopeful of two: promises 11 too high, after it within 5 %."""
    rng = np.random.default_rng(2)
    worth = 60.0 + 40.0 * rng.standard_normal(2000)
    hopes = worth[:, None] + 20.0 * rng.standard_normal((2000, 2))
    promised = hopes.max(axis=1)
    short = by_class(lots_of("phone", list(promised), list(worth), 300.0))["shortfall"].iloc[0]
    assert promised.mean() - worth.mean() > 10.0
    assert (promised - 300.0 * short).mean() == pytest.approx(worth.mean(), rel=0.05)


def with_shortfall(share: float) -> Economics:
    family = replace(example_family(rival=45.0), shortfall=share)
    return Economics(example_outlook(family), example_settings())


def test_the_promise_falls_and_the_bid_stays() -> None:
    """A twentieth of the resale comes off the profit of a won lot, and off nothing else."""
    bids, shorts = [], []
    for share in (0.0, 0.05):
        unit = with_shortfall(share).unit(FAMILY, MODEL, FAULT)
        assert isinstance(unit, UnitEconomics)
        known = Outcomes(unit, 0)
        bids.append(bid_on_terms(known))
        shorts.append(known.shortfall)
        assert known.bought(unit.landing, 20.0).price == 20.0
    revenue = Outcomes(unit, 0).market.revenue
    assert shorts == [0.0, pytest.approx(0.05 * revenue)]
    assert bids[0].amount == bids[1].amount > 0
    assert bids[0].won.chance == bids[1].won.chance
    assert bids[0].won.profit - bids[1].won.profit == pytest.approx(0.05 * revenue)
    pair = joint_lot([known], [2], unit.landing)
    assert pair.shortfall == pytest.approx(2 * 0.05 * revenue)


def test_bids_show_what_is_left_and_the_ledger_what_was_promised() -> None:
    """The ledger's promise is before the deduction, or the next one would be counted twice."""
    rows = [
        {"listing_id": "L1", "model_id": MODEL, "listed_fault": FAULT, "current_bid": 10.0,
         "end_time": pd.Timestamp("2026-11-05")}
    ]  # fmt: skip
    logs = example_logs(listings=rows)
    listings, shown, kept = logs.tables["listings"], [], []
    for share in (0.0, 0.05):
        economics = with_shortfall(share)
        shown.append(float(score(listings, logs, economics)["expected_profit"].iloc[0]))
        kept.append(forecasts_of(listings, logs, economics, DAY)["expected_profit"].iloc[0])
    assert shown[0] - shown[1] > 5.0
    assert kept[0] == kept[1]


def test_declared_shares_are_held_against_units_bought() -> None:
    """Declared 0.77, found in none of 20: differs; a state found as declared does not."""
    found = {"s1": 0, "s2": 16, "s3": 4}
    states = [
        {"family_id": FAMILY, "listed_fault": FAULT, "state": s, "prior_share": p,
         "part_codes": "", "bench_hours": 1.0, "prior_success": 0.9}
        for s, p in (("s1", 0.3), ("s2", 0.5), ("s3", 0.2))
    ]  # fmt: skip
    jobs = [
        {"job_id": f"{s}{i}", "unit_id": f"{s}{i}", "model_id": MODEL, "listed_fault": FAULT,
         "opened": DAY, "state_found": s, "outcome": "fixed_first_pass"}
        for s, n in found.items()
        for i in range(n)
    ]  # fmt: skip
    table = share_table(example_logs(fault_states=states, repairs=jobs)).set_index("state")
    assert list(table["jobs"]) == [20, 20, 20]
    assert bool(table.loc["s1", "differs"])
    assert table.loc["s1", "probability"] < 0.01
    assert not bool(table.loc["s3", "differs"])
    assert table.loc["s3", "found"] == pytest.approx(0.2)


def test_the_demo_s_track_record_counts_every_lot_once() -> None:
    """Lots and classes add up; a unit on sale counts at the price asked; the shop uses the same."""
    shop = demo_shop()
    logs, rules = shop.logs, shop.settings
    found = shop.track_record()
    assert found.classes["lots"].sum() == len(found.lots) > 35
    assert found.lots["unit_id"].is_unique
    assert (found.lots["ended"] == PRICED).sum() >= 1
    taken = dict(zip(found.classes["device_class"], found.classes["shortfall"], strict=True))
    others = set(logs.tables["catalogue"]["device_class"]) - set(taken)
    assert shop.selection == {**taken, **dict.fromkeys(others, found.classes["shop"].iloc[0])}
    assert "won lots promised" in found.words
    bare = replace(logs, folder=Path("nowhere"))
    assert shortfalls(bare, rules) == {}


def test_a_ledger_that_cannot_be_read_stops_no_bid(tmp_path: Path) -> None:
    """The report says it; the promise is then the plain one."""
    demo_copy(tmp_path)
    (tmp_path / "forecasts.csv").write_text("entry_id,price\nx,much\n", encoding="utf-8")
    assert open_shop(tmp_path).selection == {}


def test_an_economics_without_history_promises_the_plain_profit() -> None:
    """No shop, no deduction."""
    unit = example_economics(rival=45.0).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    assert Outcomes(unit, 0).shortfall == 0.0
