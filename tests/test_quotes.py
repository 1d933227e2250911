"""Part quotes: ranking, original against aftermarket, waiting, and the last order."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outlook_by_hand import (
    FAMILY,
    FAULT,
    MODEL,
    example_economics,
    example_family,
    example_logs,
    example_settings,
)
from repair_horizon.classes import class_knowledge
from repair_horizon.decisions.costs.sale import sale_terms
from repair_horizon.decisions.month.quotes import (
    PartTerms,
    compare_qualities,
    drawn_needs,
    expected_gain,
    family_quotes,
    jobs_per_part,
    last_buy,
    newsvendor,
    part_orders,
    rank_quotes,
    wait_or_order,
    waiting_for,
)
from repair_horizon.decisions.unit.bench import (
    Bench,
    PartOffer,
    daily_fall,
    dead_part_cost,
    offer_of,
)
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import PartQuality, Repair, Settings
from scipy.stats import nbinom

DAY = pd.Timestamp("2026-10-31")


def quotes(*rows: dict[str, object]) -> pd.DataFrame:
    start = {"model_id": MODEL, "part_code": "DA", "quote_date": pd.Timestamp("2026-10-01"),
             "currency": "EUR", "quality_class": "aftermarket"}  # fmt: skip
    given_rows = [
        {**start, "quote_id": f"Q{i}", "supplier_id": f"s{i}", **row} for i, row in enumerate(rows)
    ]
    return example_logs(part_quotes=given_rows).tables["part_quotes"]


def bench(rules=None) -> Bench:  # type: ignore[no-untyped-def]
    rules = rules or example_settings()
    return Bench(example_family(), rules, sale_terms(rules), MODEL, 3)


def test_a_unit_at_620_loses_what_the_reference_says() -> None:
    """0.107 % a day, 0.66 on 620, 0.57 of it ours (trade reference 2.6), and interest.

    Interest is on the whole price here, since that is the cash the sale would free.
    """
    assert daily_fall(620.0, 0.032) == pytest.approx(0.66, abs=0.005)
    assert daily_fall(620.0, 0.032) / 620.0 == pytest.approx(0.00107, abs=5e-6)
    assert daily_fall(620.0, 0.032) * 0.861 == pytest.approx(0.57, abs=0.005)
    price = 620.0 * (0.25 * 1.08 + 0.60 + 0.15 * 0.88)
    by_hand = daily_fall(price, 0.032) * 0.861 + price * 0.12 / 365
    assert bench().loss_per_day == pytest.approx(by_hand, abs=1e-9)


def test_the_cheap_slow_quote_loses_to_the_dear_fast_one() -> None:
    """By hand at 0.80 a day lost and 30.50 a dead part.

    256.90 + 2.40 + 0.61 against 240 + 8 + 24 + 2.44; the quote that names nothing is charged the
    settings' usual 14 days and 4 %.
    """
    given_rows = quotes(
        {"unit_price": 240.0, "shipping": 8.0, "lead_days": 30.0, "doa_rate": 0.08},
        {"unit_price": 248.0, "shipping": 8.9, "lead_days": 3.0, "doa_rate": 0.02},
        {"unit_price": 250.0},
    )
    ranked = rank_quotes(given_rows, 0.80, example_settings(), DAY).set_index("quote_id")
    assert dead_part_cost(example_settings()) == 30.50
    assert list(ranked.index) == ["Q1", "Q2", "Q0"]
    assert ranked["total"].tolist() == pytest.approx([259.91, 262.42, 274.44])
    assert ranked.loc["Q2", ["delay_cost", "doa_cost"]].tolist() == [11.20, 1.22]


def test_a_familys_quotes_are_ranked_part_by_part() -> None:
    """Each part has its own ranking, at what a day costs its own model."""
    given_rows = quotes(
        {"unit_price": 250.0}, {"unit_price": 240.0}, {"unit_price": 58.0, "part_code": "FM"}
    )
    logs = replace(example_logs(), tables={**example_logs().tables, "part_quotes": given_rows})
    table = family_quotes(logs, example_economics(), FAMILY)
    assert table[["part_code", "quote_id", "rank"]].to_numpy().tolist() == [
        ["DA", "Q1", 1],
        ["DA", "Q0", 2],
        ["FM", "Q2", 1],
    ]
    assert table["wait_months"].tolist() == [0, 0, 0]
    assert table["delay_cost"].tolist() == pytest.approx(
        [round(14 * bench().loss_per_day, 2)] * 3, abs=0.01
    )


def test_waiting_is_weighed_from_the_forecast_of_part_and_unit() -> None:
    """A part that falls by 100 and then 60 is worth the unit's loss so far; a steady one is not.

    The unit's loss is worked out here from the family's own level and grades.
    """
    family = example_family()
    steady = waiting_for(bench(), "DA")
    assert steady is not None
    assert (steady.months, steady.gain) == (0, 0.0)
    key = next(k for k in family.parts if k[:2] == (MODEL, "DA"))
    path = family.parts[key]
    falling = path.price.copy()
    falling[:, 1:] -= 100.0
    falling[:, 2:] -= 60.0
    moved = replace(family, parts={**family.parts, key: replace(path, price=falling)})
    rules = example_settings()
    got = waiting_for(Bench(moved, rules, sale_terms(rules), MODEL, 3), "DA")
    mix = float(np.mean(sum(family.grade[g] * family.grade_shares[:, i]
                            for i, g in enumerate(rules.grade_order))))  # fmt: skip
    level = bench().level.mean(axis=0)
    lost = sale_terms(rules).kept * mix * (level[0] - level[2])
    saved = float((path.price[:, 0] - falling[:, 2]).mean())
    assert got is not None
    assert got.months == 2
    assert got.gain == pytest.approx(saved - lost)
    assert waiting_for(bench(), "no such part") is None


def test_only_offers_that_can_still_be_taken_count() -> None:
    """Run out, out of stock, of tomorrow, or replaced by the supplier's newer one: left out."""
    given_rows = quotes(
        {"unit_price": 1.0, "valid_until": pd.Timestamp("2026-10-30")},
        {"unit_price": 2.0, "in_stock": 0.0},
        {"unit_price": 3.0, "quote_date": pd.Timestamp("2026-11-01")},
        {"unit_price": 4.0, "quote_date": pd.Timestamp("2026-08-01"), "supplier_id": "same"},
        {"unit_price": 5.0, "supplier_id": "same"},
        {"unit_price": 6.0, "quote_date": pd.Timestamp("2026-08-01")},
    )
    ranked = rank_quotes(given_rows, 0.0, example_settings(), DAY).set_index("quote_id")
    assert list(ranked.index) == ["Q4", "Q5"]
    assert ranked["old"].tolist() == [False, True]
    assert rank_quotes(given_rows.iloc[:0], 1.0, example_settings(), DAY).empty


def test_foreign_shipping_is_converted_with_its_price() -> None:
    """100 and 10 in another currency, 90 here: the shipping is 9 here."""
    given_rows = quotes({"unit_price": 100.0, "shipping": 10.0}).assign(amount=90.0)
    ranked = rank_quotes(given_rows, 0.0, example_settings(), DAY)
    assert ranked.loc[0, "landed"] == 99.0


def offered(rules: Settings, quality: str, price: float) -> tuple[Bench, PartOffer]:
    """A quality at a price, there at once and never dead, for a unit that fetches 590.89."""
    family = example_family()
    usual = 590.89 / (0.25 * 1.08 + 0.60 + 0.15 * 0.88)
    family = replace(family, level=np.full_like(family.level, usual))
    here = Bench(family, rules, sale_terms(rules), MODEL, 3)
    path = PartPath(np.full((1, 3), price), 0.0, 0.0, 0.0, 1, DAY)
    return here, offer_of(here, quality, path)


def test_original_against_aftermarket_by_net() -> None:
    """A part 100 cheaper loses if the unit then fetches 20 % less.

    By hand: 590.89 x 0.861 - 0.65 - 12.20 - 7.01 - 257.50 against 472.71 at a reserve of
    0.12 x 38 + 0.06 x 145 = 13.26.
    """
    rules = example_settings(repair=Repair(qualities=[PartQuality("aftermarket", 0.8, 0.12, 0.06)]))
    both = [offered(rules, *o) for o in (("aftermarket", 150.0), ("maker_original", 257.5))]
    table = compare_qualities(both[0][0], [offer for _, offer in both])
    assert table["quality_class"].tolist() == ["maker_original", "aftermarket"]
    original = round(590.89 - 82.13 - 19.86, 2) - 257.50
    copy = round(472.71 - 65.71 - 12.85 - 13.26, 2) - 150.0
    assert table["net"].tolist() == pytest.approx([original, copy], abs=0.005)
    assert table["named"].tolist() == [False, True]


def test_waiting_never_pays_in_example_1() -> None:
    """The display loses 3.7 a month, the unit 19.8 (trade reference 2.6): order now."""
    months = np.arange(12)
    part, unit = 248.0 * 0.985**months, 620.0 * 0.968**months
    assert (round(part[0] - part[1], 1), round(unit[0] - unit[1], 1)) == (3.7, 19.8)
    assert wait_or_order(part, unit, 0.861).months == 0
    dropping = wait_or_order(248.0 - 60.0 * np.minimum(months, 2), 620.0 * 0.968**months)
    assert dropping.months == 2
    assert dropping.gain == pytest.approx(120.0 - 620.0 * (1 - 0.968**2))
    assert wait_or_order([10.0, 9.0], [50.0, 49.0]).months == 0  # a tie gains nothing


def test_newsvendor_is_the_published_one() -> None:
    """H 0.18, p 0.70, demand N(50, 8): 56.60395592743389 at a cost of 1.9976051931766445.

    Snyder and Shen, Example 4.3, as printed in the documentation of stockpyl (MIT).
    """
    quantity, cost = newsvendor(0.18, 0.70, 50.0, 8.0)
    assert quantity == pytest.approx(56.60395592743389, rel=1e-12)
    assert cost == pytest.approx(1.9976051931766445, rel=1e-12)
    needs = np.rint(np.random.default_rng(1).normal(50.0, 8.0, 200_000)).astype("int64")
    terms = PartTerms(cost=0.18, worth=0.88, leftover=0.0)
    assert terms.critical_ratio == pytest.approx(0.70 / 0.88)
    assert last_buy(needs, terms).best == 57  # the next whole piece


def test_needs_are_negative_binomial() -> None:
    """7 jobs in 12 months, 6 to go: Gamma(7.5, 12) mixed with Poisson has this closed form."""
    needs = drawn_needs(7, 12.0, np.full(100_000, 6.0), np.random.default_rng(2))
    exact = nbinom(7.5, 12.0 / 18.0)
    assert needs.mean() == pytest.approx(exact.mean(), rel=0.01)
    assert needs.var() == pytest.approx(exact.var(), rel=0.03)
    got = last_buy(needs, PartTerms(10.0, 50.0, 5.0))
    assert (got.order, got.median, got.upper) == (exact.ppf(0.5), exact.ppf(0.5), exact.ppf(0.9))
    assert got.probability_all_used == pytest.approx(1 - exact.cdf(got.order - 1), abs=0.01)


def test_the_smallest_order_is_respected_and_weighed() -> None:
    """Need 3, smallest order 5: taken where a piece earns much, refused where it earns little."""
    needs = np.array([1, 2, 3, 3, 4, 5])
    rich = last_buy(needs, PartTerms(10.0, 60.0, 5.0, 5))
    assert (rich.order, rich.reason) == (5, "smallest order of 5 still pays")
    lean = last_buy(needs, PartTerms(10.0, 12.0, 0.0, 5))
    assert (lean.order, lean.reason) == (0, "smallest order of 5 would not pay")
    assert expected_gain(needs, PartTerms(10.0, 60.0, 5.0, 5), 5) == pytest.approx(
        3 * 60.0 + 2 * 5.0 - 50.0
    )
    assert last_buy(needs, PartTerms(10.0, 60.0, 5.0)).order == 3
    none = last_buy(needs * 0, PartTerms(10.0, 60.0, 5.0))
    assert (none.order, none.reason) == (0, "most likely none is needed")


@settings(max_examples=60, deadline=None)
@given(
    needs=st.lists(st.integers(0, 40), min_size=1, max_size=50),
    moq=st.integers(1, 12),
)
def test_orders_are_nothing_or_at_least_the_smallest(needs: list[int], moq: int) -> None:
    got = last_buy(np.array(needs), PartTerms(10.0, 30.0, 3.0, moq))
    assert got.order == 0 or got.order >= moq
    assert got.order <= max(moq, max(needs))


def job(i: int, **row: object) -> dict[str, object]:
    start = {"job_id": f"J{i}", "unit_id": f"U{i}", "model_id": MODEL, "listed_fault": FAULT,
             "state_found": "s1", "outcome": "fixed_first_pass",
             "opened": pd.Timestamp("2026-06-01")}  # fmt: skip
    return {**start, **row}


def test_last_orders_from_the_logs() -> None:
    """Jobs count by the parts their state needs; old, open and not attempted ones do not."""
    states = [
        {"family_id": FAMILY, "listed_fault": FAULT, "state": "s1", "part_codes": "DA"},
        {"family_id": FAMILY, "listed_fault": FAULT, "state": "s2", "part_codes": "DA; FM"},
    ]
    repairs = [
        job(0), job(1, state_found="s2"), job(2, outcome=""), job(3, outcome="not_attempted"),
        job(4, opened=pd.Timestamp("2024-01-01")), job(5, outcome="not_fixed"),
    ]  # fmt: skip
    logs = example_logs(fault_states=states, repairs=repairs, part_quotes=[
        {"quote_id": "Q", "model_id": MODEL, "part_code": "DA", "moq": 2, "unit_price": 248.0,
         "quality_class": "maker_original", "quote_date": pd.Timestamp("2026-10-01")}
    ])  # fmt: skip
    counts, over = jobs_per_part(logs, FAMILY)
    assert counts == {(MODEL, "DA"): 3, (MODEL, "FM"): 1}
    assert over == 12.0
    table = part_orders(logs, example_economics(months=12, draws=400), FAMILY)
    assert list(table.columns) == OUTPUTS["part_orders"].names
    row = table.set_index("part_code").loc["DA"]
    assert (row["jobs"], row["moq"], row["landed"]) == (3, 2, pytest.approx(256.9))
    # The example's repair stops in its sixth month: half the needs of (3.5 / 12) x 6 jobs.
    assert str(row["stop_month"])[:7] == "2027-05"
    assert row["median_need"] == nbinom(3.5, 12.0 / 18.0).ppf(0.5)
    # A piece used earns repair's lead, 40.94; one left over loses 30 % of 256.90.
    ratio = 40.94 / (40.94 + 0.3 * 256.9)
    assert row["newsvendor_order"] == nbinom(3.5, 12.0 / 18.0).ppf(ratio) == 1


def test_needs_are_told_by_their_80_per_cent_and_median() -> None:
    """A hundred equally likely needs 1 to 100: 10, 50 and 90."""
    got = last_buy(np.arange(1, 101), PartTerms(10.0, 12.0, 5.0))
    assert (got.lower, got.median, got.upper) == (10, 50, 90)
    assert got.order == 50
    assert got.best == 29  # newsvendor: 2 / (2 + 5) = 0.286 of the needs
    assert got.probability_all_used == pytest.approx(0.51)
    assert PartTerms(10.0, 8.0, 5.0).critical_ratio == 0.0


def test_jobs_are_counted_over_a_year_or_since_the_first() -> None:
    """Opened 151 days ago by the first: 152 days; a log of two weeks counts as a month."""

    def over(day: str) -> float:
        states = [{"family_id": FAMILY, "listed_fault": FAULT, "state": "s1", "part_codes": "DA"}]
        rows = [job(0, opened=pd.Timestamp(day)), job(1, opened=pd.Timestamp("2026-10-20"))]
        counts, months = jobs_per_part(example_logs(fault_states=states, repairs=rows), FAMILY)
        assert counts[MODEL, "DA"] == 2
        return months

    assert over("2026-06-02") == pytest.approx(152 / 30.4375)
    assert over("2026-10-18") == 1.0


def test_a_quality_the_settings_do_not_name_sells_at_the_usual_price() -> None:
    """A copy comes back as much more often as the class knows, times the usual rates."""
    here, offer = offered(example_settings(), "maker_original", 150.0)
    row = compare_qualities(here, [offer]).iloc[0]
    assert (row["resale"], row["reserve"], row["total"]) == (590.89, 7.01, 150.0)
    known = class_knowledge("foldable").part_consequences("aftermarket")
    here, offer = offered(example_settings(), "aftermarket", 150.0)
    row = compare_qualities(here, [offer]).iloc[0]
    more = example_settings().reserve
    by_hand = round(more.return_rate * known.returns.value * more.return_cost, 2)
    by_hand += round(more.warranty_rate * known.warranty.value * more.warranty_cost, 2)
    assert row["reserve"] == pytest.approx(by_hand, abs=0.011)  # a tie of cents
    assert row["resale"] == 590.89
    assert known.returns.value > 1
