"""One figure everywhere: with draws widened by a back-test every face tells the same of a listing.

A small copy of the demo (two families), intervals widened by 1.6 as its back-test would say, and
for every model and fault a listing at the usual terms of purchase on which nobody has bid yet.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import some_families
from repair_horizon.decisions.review.why_changed import BidChange, attribute
from repair_horizon.estimation.calibration import Calibration, write_calibration
from repair_horizon.explorer.answers import Answers, answers
from repair_horizon.logs import read_logs
from repair_horizon.reports.estimates import worked_out
from repair_horizon.reports.family import family_month, view_of
from repair_horizon.shop import Shop, open_shop

FAMILIES = ["vellfold", "ulmvrist_watch"]
FACTOR = 1.6


def small_copy(folder: Path) -> Path:
    """Two families of the demo, 300 draws, one listing at the usual terms of each fault."""
    some_families(folder, FAMILIES, draws=300)
    (folder / "forecasts.csv").unlink()
    states = pd.read_csv(folder / "fault_states.csv")
    family = read_logs(folder).tables["catalogue"].set_index("model_id")["family_id"]
    usual = [
        {"listing_id": f"{m}:{f}", "model_id": m, "listed_fault": f,
         "end_time": "2026-11-20T20:00:00Z"}
        for m in sorted(family.index)
        for f in dict.fromkeys(states.loc[states["family_id"] == family[m], "listed_fault"])
    ]  # fmt: skip
    past = pd.read_csv(folder / "listings.csv", dtype=str, keep_default_na=False)
    past = past[past["result"] != ""]
    pd.concat([past, pd.DataFrame(usual)]).to_csv(folder / "listings.csv", index=False)
    calibration = Calibration(FACTOR, 0.6, 400, 6, 12, "Widened, as the back-test asks.")
    write_calibration(calibration, folder / "backtest")
    return folder


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return open_shop(small_copy(tmp_path_factory.mktemp("small")))


@pytest.fixture(scope="module")
def thresholds(shop: Shop) -> pd.DataFrame:
    return shop.thresholds().set_index(["model_id", "listed_fault"])


def same(told: object, said: object) -> bool:
    """Equal to the last digit that binary sums leave, missing equal to missing."""
    if isinstance(told, str) or isinstance(said, str):
        return str(told) == str(said)
    return bool(np.isclose(float(told), float(said), rtol=1e-9, atol=1e-9, equal_nan=True))  # type: ignore[arg-type]


def test_the_back_test_reaches_every_figure(shop: Shop, thresholds: pd.DataFrame) -> None:
    """Widened draws change chances of loss: a face that forgot them would be found out below."""
    assert shop.calibration.factor == FACTOR
    bare = Shop(shop.logs, shop.settings, valuation=shop.valuation())
    plain = bare.thresholds(families=["vellfold"]).set_index(["model_id", "listed_fault"])
    both = thresholds.loc[plain.index]
    moved = (both["probability_loss"] - plain["probability_loss"]).abs()
    assert moved.max() > 0.02
    assert ((both["exact_bid"] - plain["exact_bid"]).abs() > 0.5).any()
    assert (thresholds["verdict"] == "buy").sum() >= 5


def test_bids_and_plan_tell_the_thresholds(shop: Shop, thresholds: pd.DataFrame) -> None:
    """Every listing at the usual terms: maximum bid, chances, promise and verdict."""
    bids = shop.bids().set_index("listing_id")
    plan = shop.plan().items.set_index("item")
    assert len(bids) == len(thresholds)
    names = ("max_bid", "probability_win", "expected_profit", "profit_per_hour", "probability_loss")
    for (model, fault), row in thresholds.iterrows():
        bid = bids.loc[f"{model}:{fault}"]
        assert all(same(bid[n], row[n]) for n in (*names, "verdict", "binding_limit"))
        assert (bid["advice"] == "bid") == (row["verdict"] == "buy")
        assert (bid["own_terms"], bid["model_bid"]) == (0.0, row["max_bid"])
        assert (f"{model}:{fault}" in plan.index) == (row["verdict"] == "buy")
        if row["verdict"] == "buy":
            assert all(same(plan.loc[f"{model}:{fault}", n], row[n]) for n in names[:4])


def test_what_is_done_with_it_then_is_the_same_on_every_face(
    shop: Shop, thresholds: pd.DataFrame
) -> None:
    """Bids, plan, page and thresholds say of a unit in its commonest state what the shelf does."""
    bids = shop.bids().set_index("listing_id")
    plan = shop.plan().items.query("kind == 'buy'").set_index("item")["then"]
    assert len(plan)
    assert plan.to_dict() == bids["then"].reindex(plan.index).to_dict()
    done = (
        shop.dispositions()
        .sort_values("share", kind="stable")
        .groupby(["model_id", "listed_fault"])
    )
    common = done.last()["option"]
    page = family_month(shop, FAMILIES[0], shop.month()).thresholds
    page = page.set_index(["model_id", "listed_fault"])["then"]
    for (model, fault), row in thresholds.iterrows():
        assert row["then"] == common[model, fault] == bids.loc[f"{model}:{fault}", "then"]
    assert page.to_dict() == thresholds["then"].reindex(page.index).to_dict()
    assert thresholds["then"].nunique() > 1


def test_a_listings_own_carriage_and_premium_move_its_bid_and_the_difference_is_told(
    shop: Shop, thresholds: pd.DataFrame
) -> None:
    """20 more carriage lowers the bid by 20 / 1.18, and how far from the model's is told."""
    foldables = thresholds[thresholds["family_id"] == "vellfold"]
    (model, fault), row = next((k, r) for k, r in foldables.iterrows() if r["max_bid"] > 60)
    rows = shop.logs.tables["listings"]
    mine = rows[rows["listing_id"] == f"{model}:{fault}"].assign(shipping=32.0)
    (bid,) = shop.bids(mine).itertuples()
    assert bid.model_bid == row["max_bid"]
    assert bid.own_terms == pytest.approx(bid.max_bid - row["max_bid"])
    assert bid.own_terms == pytest.approx(-20.0 / 1.18, abs=1.0)


@pytest.mark.parametrize("family", FAMILIES)
def test_the_page_tells_the_thresholds(shop: Shop, thresholds: pd.DataFrame, family: str) -> None:
    """The rows of thresholds.csv are the page's, and the page's are the shop's."""
    page = family_month(shop, family, shop.month()).thresholds
    assert len(page) == (thresholds["family_id"] == family).sum()
    names = ["max_bid", "probability_win", "expected_profit", "probability_loss", "verdict"]
    for row in page.to_dict("records"):
        told = thresholds.loc[(row["model_id"], row["listed_fault"])]
        assert all(same(row[n], told[n]) for n in names)


def test_the_explorer_tells_the_thresholds(shop: Shop, thresholds: pd.DataFrame) -> None:
    """Three listings of each family: headline, first month of the bid path, and options."""
    for family in FAMILIES:
        stand = worked_out(shop, family)
        rows = thresholds[thresholds["family_id"] == family]
        for key, row in rows.sort_values("max_bid", ascending=False).head(3).iterrows():
            found = answers(stand, key)  # type: ignore[arg-type]
            assert isinstance(found, Answers)
            head = found.now
            assert same(head.max_bid, row["max_bid"])
            assert same(head.probability_win, row["probability_win"])
            assert same(head.expected_profit, row["expected_profit"])
            assert same(head.probability_loss, row["probability_loss"])
            assert head.verdict.value == row["verdict"]
            assert same(found.bid_path["max_bid"].iloc[0], row["max_bid"])


def test_stock_tells_the_dispositions_and_the_explorers_options(shop: Shop) -> None:
    """A unit still on its way stands where one bought today would: same option, same worth."""
    told = shop.dispositions()
    wanted = told[told["model_id"] == "vellfold_5"].drop_duplicates("state")
    start = shop.logs.tables["stock"].iloc[:1]
    units = [
        start.assign(unit_id=f"{r.state}", model_id=r.model_id, state=r.state, status="in_transit",
                     ownership_check="clear", flags="", erase_date=pd.Timestamp("2026-10-20"))
        for r in wanted.itertuples()
    ]  # fmt: skip
    logs = shop.logs
    owned = replace(logs, tables={**logs.tables, "stock": pd.concat(units)})
    other = Shop(owned, shop.settings, shop.calibration, shop.valuation(), shop.knowledge)
    table = other.stock().set_index("unit_id")
    checked = 0
    for row in wanted[wanted["state"] != "locked"].itertuples():
        advice = table.loc[row.state]
        if str(advice["advice"]).startswith("hold") or row.gain < 0:
            continue
        assert (advice["advice"], advice["next_best"]) == (row.option, row.next_best)
        assert same(advice["value"], row.value)
        found = answers(worked_out(shop, "vellfold"), ("vellfold_5", row.listed_fault))
        best = found.options[found.options["best"]].set_index("state")  # type: ignore[union-attr]
        assert same(best.loc[row.state, "value"], row.value)
        checked += 1
    assert checked >= 3


def test_what_changed_ends_at_the_bid(shop: Shop, thresholds: pd.DataFrame) -> None:
    """The last line of 'what changed the bid' is the bid told everywhere, unrounded and rounded."""
    rows = thresholds[thresholds["family_id"] == "vellfold"].sort_values("max_bid")
    key, row = rows.index[-1], rows.iloc[-1]
    past = Shop(shop.logs.as_of("2026-09-30"), shop.settings, shop.calibration, shop.valuation())
    month = shop.month()
    sides = (past, month - 1), (shop, month)
    views = [view_of(s, "vellfold", m, key[0]) for s, m in sides]
    change = attribute(*views, ("vellfold", *key))
    assert isinstance(change, BidChange)
    assert same(change.after, row["exact_bid"])
    before = past.economics("vellfold", month - 1, 2).unit("vellfold", *key)
    assert same(change.before, before.exact_bid(0))  # type: ignore[union-attr]
    assert sum(change.shares.values()) == pytest.approx(change.after - change.before)
