"""The demo business: same bytes every time, planted mess caught, and logs true to their truth.

Tolerances are stated beside each check; where a bound is a multiple of a standard error, the
standard error is that of the simulator's own noise.
"""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_business import Business, simulate, write_business
from demo_business.catalogue import (
    ASKING_FACTOR,
    CHANNEL_FACTOR,
    FAMILIES,
    FAMILY_OF,
    GRADE_FACTOR,
    LISTED,
    MODEL_OF,
    STORAGE_DOUBLING,
    qualities_of,
)
from demo_business.truth import ratio_at
from demo_copies import DEMO, demo_logs
from repair_horizon.decisions.review.scorecard import Scorecard, results, score_ledger
from repair_horizon.logs import Logs, Settings, read_settings
from repair_horizon.tables.faults import HELD, SET_ASIDE, USED
from repair_horizon.tables.inputs import CLASSES, STOCK, TABLES

# The median of n draws from t(4) with scale s has a standard error of about 1.33 s / sqrt(n).
MEDIAN_SE = 1.33


@pytest.fixture(scope="module")
def business() -> Business:
    return simulate()


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


def test_files_in_the_repository_are_what_the_default_seed_writes(tmp_path: Path) -> None:
    """data/demo must equal a fresh run byte for byte, so nobody edits it by hand."""
    write_business(tmp_path / "again")
    fresh = {p.name: p.read_bytes() for p in (tmp_path / "again").iterdir()}
    kept = {p.name: p.read_bytes() for p in DEMO.iterdir()}
    assert sorted(fresh) == sorted(
        [
            *(f"{t}.csv" for t in TABLES if t != "answers"),
            "forecasts.csv",
            "settings.toml",
            "README.md",
        ]
    )
    assert fresh == kept
    assert sum(map(len, kept.values())) < 1_500_000


def test_another_seed_gives_another_business(business: Business) -> None:
    """The seed must reach the truth and every drawn log."""
    other = simulate(seed=8)
    for name in ("sales", "part_quotes", "maker_quotes", "repairs", "listings", "stock"):
        assert not business.tables[name].equals(other.tables[name]), name
    level = business.truth.price_level("pellvarn_4", "2025-01")
    assert level != other.truth.price_level("pellvarn_4", "2025-01")


def test_every_row_ends_where_its_planting_says(business: Business, logs: Logs) -> None:
    """The ledger's exceptions are the planted rows, each with its status, and no others."""
    planted = business.planted[business.planted["status"] != USED]
    wanted = Counter(zip(planted["table"], planted["row_id"], planted["status"], strict=True))
    found = logs.ledger.exceptions
    got = Counter(zip(found["table"], found["row_id"], found["status"], strict=True))
    assert got - wanted == Counter(), "rows not used although nothing was planted in them"
    assert wanted - got == Counter(), "planted rows the ledger did not catch"
    assert {SET_ASIDE, HELD} == set(planted["status"])


def test_used_set_aside_and_held_add_up_to_the_rows_read(business: Business, logs: Logs) -> None:
    """Nothing is lost: used rows plus exceptions are the rows of the file, per table."""
    counts = logs.ledger.counts().set_index("table")
    for name in set(business.tables) & set(TABLES):
        rows = business.tables[name]
        assert counts.loc[name, "read"] == len(rows)
        assert counts.loc[name, "used"] == len(logs.tables[name]) > 0
    assert (counts["used"] + counts["set_aside"] + counts["held"] == counts["read"]).all()
    assert logs.ledger.held_share() < read_settings(DEMO).limits.held_share


def test_odd_rows_that_must_be_used_are_used(business: Business, logs: Logs) -> None:
    """Mislabelled lots and missing grades cannot be seen in one row, so they stay in."""
    odd = business.planted[business.planted["status"] == USED]
    kinds = set(odd["what"])
    assert {"parts only", "grade not noted", "mislabelled: wrong grade"} <= kinds
    assert set(odd["row_id"]) <= set(logs.tables["sales"]["sale_id"])


def test_partial_refunds_lower_the_sale_they_belong_to(business: Business, logs: Logs) -> None:
    """The price kept is what the buyer finally paid: 15 % less in the demo."""
    raw = business.tables["sales"].set_index("sale_id")
    marks = business.planted.query("what == 'sale with a partial_refund record'")
    kept = logs.tables["sales"].set_index("sale_id")["gross_amount"]
    assert len(marks) == 8
    for sale_id in marks["row_id"]:
        paid = float(raw.loc[sale_id, "gross_amount"])
        assert kept[sale_id] == pytest.approx(0.85 * paid, abs=0.01)


def test_every_sort_of_mess_is_there(business: Business) -> None:
    """Each sort named in the records reference, section 4, that our own columns can hold."""
    wanted = {
        "the same row again", "the same identifier, another amount", "refund record",
        "partial_refund record", "cancelled record", "chargeback record",
        "lot of several pieces", "placeholder amount", "decimal point lost",
        "sold before launch", "model not in the catalogue", "decimal comma",
        "a day that does not exist", "negative amount", "offer, not a price",
        "the same offer again", "no exchange rate near its day", "grade not noted",
    }  # fmt: skip
    assert wanted <= set(business.planted["what"])


def test_the_business_has_the_shape_it_promises(business: Business, logs: Logs) -> None:
    """Eight families of six kinds, four years, large and small, some models hardly traded."""
    catalogue = logs.tables["catalogue"]
    assert set(catalogue["device_class"]) == set(CLASSES)
    assert catalogue["family_id"].nunique() == 8
    assert catalogue.groupby("family_id").size().between(3, 6).all()
    assert catalogue["launch_amount"].isna().sum() == 1
    sales = logs.tables["sales"]
    assert sales["sale_date"].min() < pd.Timestamp("2023-01-01")
    assert sales["sale_date"].max() == pd.Timestamp("2026-10-31")
    per_model = sales["model_id"].value_counts().reindex(catalogue["model_id"], fill_value=0)
    assert (per_model == 0).sum() == 1
    assert per_model.between(1, 3).sum() == 3
    per_family = sales["model_id"].map(lambda m: FAMILY_OF[m].family_id).value_counts()
    assert per_family.max() > 600
    assert 25 <= per_family.min() <= 45
    assert 2500 <= len(business.tables["sales"]) <= 3500
    assert 600 <= len(logs.tables["repairs"]) <= 900
    assert 1500 <= len(logs.tables["part_quotes"]) <= 2500
    assert set(logs.tables["stock"]["status"]) == set(STOCK.column("status").choices)
    assert {"swollen", "wet", "blocked"} <= set(logs.tables["stock"]["flags"])


def test_settings_are_read_whole_for_every_kind_of_device() -> None:
    """settings.toml must carry what it says, also where one kind of device differs."""
    settings = read_settings(DEMO)
    assert settings.currency == "EUR"
    assert set(vars(settings.targets).values()) == {None}, "only costs, cash and hours are named"
    assert (settings.limits.probability_loss, settings.limits.loss_cap_share) == (None, None)
    assert (settings.limits.working_cash, settings.bench.hours_per_week) == (9000.0, 30.0)
    assert [c.name for c in settings.channels] == list(CHANNEL_FACTOR)
    foldable = settings.for_class("foldable")
    assert (foldable.bench.test_hours, foldable.bench.rate_per_hour) == (0.75, 28.0)
    assert [c.part_cost for c in foldable.repair.collateral] == [24.0, 92.0]
    assert all(isinstance(settings.for_class(c), Settings) for c in CLASSES)


def test_prior_shares_add_up_to_exactly_one(business: Business) -> None:
    """Every listed fault's shares sum to 1 as written; states without parts are named ones."""
    rows = business.tables["fault_states"]
    total = rows.groupby(["family_id", "listed_fault"])["prior_share"].agg(
        lambda s: sum(map(Decimal, s))
    )
    assert (total == Decimal(1)).all()
    assert rows.groupby(["family_id", "listed_fault"]).size().between(3, 5).all()
    bare = rows[rows["part_codes"] == ""]
    assert set(bare["state"]) == {"locked", "no_fault_found"}
    assert set(rows.loc[rows["state"] == "locked", "prior_success"]) == {"0.00"}


def test_every_part_a_state_needs_has_quotes(business: Business, logs: Logs) -> None:
    """A family's states must not name a part nobody quotes for it."""
    quotes = logs.tables["part_quotes"]
    quoted = {
        (FAMILY_OF[m].family_id, p) for m, p in zip(quotes.model_id, quotes.part_code, strict=True)
    }
    rows = business.tables["fault_states"]
    for family_id, parts in zip(rows["family_id"], rows["part_codes"], strict=True):
        for part in filter(None, parts.split(";")):
            assert (family_id, part) in quoted


@pytest.mark.parametrize("family", FAMILIES, ids=lambda f: f.family_id)
def test_true_curves_fall_fast_then_slowly_to_their_floor(family) -> None:
    """Log price falls 1 to 8 % a month (trade check values), ever slower, never below the floor."""
    ratio = np.array([ratio_at(family, float(a)) for a in range(0, 121)])
    fall = -np.diff(np.log(ratio))
    assert (fall > 0).all()
    assert fall[0] > fall[24] > fall[60]
    assert 0.02 < fall[:6].mean() < 0.08
    assert 0.006 < fall[12:24].mean() < 0.03
    floor = family.curve.start * family.curve.floor
    assert floor < ratio[-1] < 5.0 * floor
    assert 0.08 < floor < 0.15


def test_truth_is_known_from_launch_to_three_years_past_the_logs(business: Business) -> None:
    """Forecasts of 36 months can be scored; months outside are refused, not made up."""
    truth = business.truth
    for model_id, model in MODEL_OF.items():
        months = pd.period_range(model.launch, "2029-10", freq="M")
        levels = np.array([truth.price_level(model_id, str(m)) for m in months])
        assert (levels > 0).all()
        # Season cancels over a year; without the market's shocks every model then loses value.
        shocks = truth.market[FAMILY_OF[model_id].family_id][-len(levels) :]
        calm = levels / np.exp(shocks)
        assert (calm[12:] < calm[:-12]).all()
    with pytest.raises(ValueError, match="known from 2020-09 to 2029-10"):
        truth.price_level("pellvarn_1", "2029-11")
    with pytest.raises(ValueError, match="known from"):
        truth.price_level("pellvarn_1", "2020-08")
    with pytest.raises(ValueError, match="no aftermarket DA"):
        truth.part_level("vellfold_5", "DA", "aftermarket", "2026-01")


def test_part_prices_keep_their_order_and_their_planned_surprises(business: Business) -> None:
    """Copies fall, originals do not; one display jumps in July 2026; some parts turn scarce."""
    truth = business.truth
    for family in FAMILIES:
        model = family.models[-2].model_id
        for part in family.parts:
            qualities = qualities_of(family, part)
            levels = [truth.part_level(model, part, q, "2026-06") for q in qualities]
            assert levels == sorted(levels, reverse=True)
    june = truth.part_level("tarnquo_4", "DA", "aftermarket", "2026-06")
    july = truth.part_level("tarnquo_4", "DA", "aftermarket", "2026-07")
    assert 1.25 < july / june < 1.42
    old = [
        truth.part_level("pellvarn_1", "BAT", "maker_original", m) for m in ("2025-03", "2026-10")
    ]
    assert old[1] > 1.15 * old[0]


def test_displays_cost_what_the_trade_says(business: Business) -> None:
    """Share of resale price of the newest traded model: bar 15-32 %, foldable 30-48 %.

    Source: trade check values (common practice, no source), widened by the models' own spread.
    """
    truth = business.truth
    for model, low, high in (("pellvarn_6", 0.15, 0.32), ("vellfold_5", 0.30, 0.48)):
        part = truth.part_level(model, "DA", "original_refurbished", "2026-10")
        assert low < part / truth.price_level(model, "2026-10") < high


def _log_errors(business: Business, logs: Logs) -> pd.DataFrame:
    """Log of each used sale over its true median, every factor taken out."""
    sales = logs.tables["sales"]
    odd = set(business.planted["row_id"])
    rows = sales[~sales["sale_id"].isin(odd) & (sales["grade"] != "")].copy()
    base = rows["model_id"].map(lambda m: FAMILY_OF[m].storage_gb).astype("float64")
    doublings = np.log2(rows["storage_gb"] / base).fillna(0.0)
    level = [
        business.truth.price_on(m, d) for m, d in zip(rows.model_id, rows.sale_date, strict=True)
    ]
    family = rows["model_id"].map(lambda m: FAMILY_OF[m].family_id)
    ratio = [
        business.truth.as_is_ratio[f, x] if x else 1.0
        for f, x in zip(family, rows.listed_fault, strict=True)
    ]
    factor = rows["grade"].map(GRADE_FACTOR) * rows["channel"].map(CHANNEL_FACTOR) * ratio
    factor *= STORAGE_DOUBLING**doublings
    factor *= np.where(rows["price_type"] == "asking", ASKING_FACTOR, 1.0)
    return rows.assign(error=np.log(rows["amount"] / (level * factor)), family=family)


def test_sales_lie_around_the_truth(business: Business, logs: Logs) -> None:
    """Median log error per family, grade, channel, currency and kind is 0 within 4 errors."""
    rows = _log_errors(business, logs)
    for by in ("family", "grade", "channel", "currency", "price_type", "condition"):
        for name, group in rows.groupby(by)["error"]:
            assert len(group) > 20, (by, name)
            assert abs(group.median()) < 4 * MEDIAN_SE * 0.12 / len(group) ** 0.5, (by, name)
    for fault, group in rows[rows["listed_fault"] != ""].groupby("listed_fault")["error"]:
        assert abs(group.median()) < 4 * MEDIAN_SE * 0.13 / len(group) ** 0.5, fault


def test_sale_noise_is_heavy_tailed_with_the_planned_scale(business: Business, logs: Logs) -> None:
    """Half of working sales lie within 0.741 scales, as Student's t(4) has it (scale 0.10)."""
    rows = _log_errors(business, logs)
    error = rows.loc[rows["condition"] == "working", "error"].abs()
    assert error.median() == pytest.approx(0.0741, rel=0.08)
    assert (error > 0.30).mean() == pytest.approx(0.040, abs=0.012)


def test_asking_prices_stand_above_sold_ones(business: Business, logs: Logs) -> None:
    """There are enough of them, 10 % up, to estimate their offset."""
    rows = _log_errors(business, logs)
    asking = rows[rows["price_type"] == "asking"]
    assert 100 < len(asking) < 260
    assert (asking["error"] + np.log(ASKING_FACTOR)).median() == pytest.approx(0.0953, abs=0.03)


def test_repairs_follow_the_true_rates(business: Business, logs: Logs) -> None:
    """Successes per state and states per fault lie within 3.5 binomial standard errors."""
    jobs = logs.tables["repairs"]
    jobs = jobs[jobs["outcome"] != ""]
    family = jobs["model_id"].map(lambda m: FAMILY_OF[m].family_id)
    tried = jobs[jobs["outcome"] != "not_attempted"]
    won = tried["outcome"].str.startswith("fixed")
    for key, group in won.groupby([family.loc[tried.index], tried["state_found"]]):
        p, n = business.truth.success[key], len(group)
        assert abs(group.mean() - p) <= 3.5 * (p * (1 - p) / n) ** 0.5 + 1 / n, key
    for key, group in jobs["state_found"].groupby([family, jobs["listed_fault"]]):
        for state, p in business.truth.state_shares[key].items():
            n = len(group)
            off = abs((group == state).mean() - p)
            assert off <= 3.5 * (p * (1 - p) / n) ** 0.5 + 1 / n, (key, state)


def test_locked_units_are_never_repaired(logs: Logs) -> None:
    """No job on a locked unit was attempted, and none cost parts."""
    locked = logs.tables["repairs"].query("state_found == 'locked'")
    assert len(locked) > 10
    assert set(locked["outcome"]) == {"not_attempted"}
    assert (locked["parts_cost"] == 0).all()


def test_sold_units_were_repaired_before_and_graded_as_sold(logs: Logs) -> None:
    """An own sale of a repaired unit follows its job, same model, same grade."""
    jobs = logs.tables["repairs"].set_index("unit_id")
    sales = logs.tables["sales"]
    sold = sales[sales["unit_id"].isin(jobs.index)]
    job = jobs.loc[sold["unit_id"]]
    assert len(sold) > 150
    assert sold["unit_id"].is_unique
    assert (sold["model_id"].to_numpy() == job["model_id"].to_numpy()).all()
    assert (sold["grade"].to_numpy() == job["grade_out"].to_numpy()).all()
    assert (sold["sale_date"].to_numpy() > job["opened"].to_numpy()).all()


def test_stock_is_in_states_its_family_knows_and_holds_the_open_jobs(logs: Logs) -> None:
    """Every state can be looked up, and each unit under repair stands on the bench."""
    stock, states = logs.tables["stock"], logs.tables["fault_states"]
    known = set(zip(states["family_id"], states["state"], strict=True))
    for model_id, state in zip(stock["model_id"], stock["state"], strict=True):
        assert state == "working" or (FAMILY_OF[model_id].family_id, state) in known
    jobs = logs.tables["repairs"]
    waiting = jobs.loc[jobs["outcome"] == "", ["unit_id", "model_id"]]
    on_bench = stock.loc[stock["status"] == "bench", ["unit_id", "model_id"]]
    assert len(waiting) > 2
    assert len(waiting.merge(on_bench)) == len(waiting)
    assert stock["erase_date"].isna().sum() >= 5


def test_listings_name_faults_of_their_family_and_the_open_ones_are_open(logs: Logs) -> None:
    """Candidates end in November 2026 without a result; all others have one."""
    rows = logs.tables["listings"]
    kinds = rows["model_id"].map(lambda m: FAMILY_OF[m].device_class)
    assert all(f in LISTED[k] for f, k in zip(rows["listed_fault"], kinds, strict=True))
    coming = rows["end_time"] > pd.Timestamp("2026-10-31")
    assert coming.sum() == 42
    assert (rows.loc[coming, "result"] == "").all()
    assert rows.loc[coming, "final_price"].isna().all()
    assert rows.loc[coming, "current_bid"].notna().all()
    assert set(rows.loc[~coming, "result"]) == {"won", "lost", "skipped"}


def test_hammer_prices_stand_below_what_broken_units_sell_for(
    business: Business, logs: Logs
) -> None:
    """The median hammer is 0.83 of the as-is price of grade B, within 3 errors of its median."""
    rows = logs.tables["listings"].dropna(subset=["final_price"])
    rows = rows[rows["final_price"] > 20]  # below, rounding to whole euros shows
    worth = [
        business.truth.price_on(m, d)
        * GRADE_FACTOR["B"]
        * business.truth.as_is_ratio[FAMILY_OF[m].family_id, f]
        for m, d, f in zip(rows.model_id, rows.end_time, rows.listed_fault, strict=True)
    ]
    log_ratio = np.log(rows["final_price"] / worth)
    assert log_ratio.median() == pytest.approx(np.log(0.83), abs=3 * 1.25 * 0.2 / len(rows) ** 0.5)
    assert 0.15 < log_ratio.std() < 0.25


@pytest.fixture(scope="module")
def year(logs: Logs) -> pd.DataFrame:
    """Units bought in the last year, from stock.csv."""
    stock = logs.tables["stock"]
    return stock[stock["unit_id"].str.startswith("U7")]


def test_every_unit_of_the_last_year_has_a_whole_record(
    business: Business, logs: Logs, year: pd.DataFrame
) -> None:
    """Purchase, repair, sale: all but the planted rows lead to a profit, none before its day."""
    assert len(year) > 40
    assert year["buy_date"].min() < pd.Timestamp("2025-12-01")
    sold = year[year["status"] == "sold"].set_index("unit_id")
    assert (sold["asking_amount"] > 0).all()
    sales = logs.tables["sales"].set_index("unit_id")
    own = sales.rename(columns={"listed_date": "listed_date_sold"})
    joined = sold.join(own[["sale_date", "listed_date_sold"]], how="inner")
    raw, planted = business.tables["sales"], set(business.planted["row_id"])
    lost = raw[raw["unit_id"].isin(set(sold.index) - set(joined.index))]
    assert set(lost["sale_id"]) <= planted, "a sale is missing although nothing was planted in it"
    assert len(joined) > 35
    assert (joined["listed_date"] == joined["listed_date_sold"]).all()
    assert (joined["buy_date"] < joined["listed_date"]).all()
    assert (joined["listed_date"] < joined["sale_date"]).all()
    done = results(logs, read_settings(DEMO)).set_index("unit_id")
    assert done.loc[joined.index, "profit"].notna().mean() > 0.9


def test_forecasts_of_the_last_year_are_held_against_what_came(logs: Logs) -> None:
    """The ledger reads back, and its 80 % intervals hold 60 to 95 % of the lots, as drawn."""
    found = score_ledger(logs, read_settings(DEMO))
    assert isinstance(found, Scorecard)
    assert len(found.lots) > 35
    assert 0.6 < found.coverage < 0.95


def test_history_has_private_offers_with_answers_a_lot_and_other_terms(logs: Logs) -> None:
    """Offers taken stand above those refused, against what such a unit sells for as it is."""
    rows = logs.tables["listings"]
    offers = rows[rows["offer"] > 0]
    assert set(offers["terms"]) == {"private"}
    counts = offers["offer_result"].value_counts()
    assert counts["taken"] > 12
    assert counts["refused"] > 12
    assert ((rows["terms"] == "fixed_price") & (rows["result"] == "won")).sum() >= 3
    coming = rows[rows["result"] == ""]
    assert {"", "private", "fixed_price"} == set(coming["terms"])
    assert (coming["lot_id"] == "LOT1").sum() == 3
    assert (coming["quantity"] == 4).sum() == 1
