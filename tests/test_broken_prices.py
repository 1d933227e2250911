"""What broken units fetch, as is and under the hammer, and where the highest rival stands.

Worlds are drawn here, so what is right is known.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.broken_prices import START_NOISE, broken_design, ratio_draws
from repair_horizon.estimation.forecast import fit_family
from repair_horizon.estimation.pooled_ratios import (
    FAULT_SD,
    FOUND,
    HAMMER,
    LISTED,
    UNDER_HAMMER,
    FamilyRatios,
    PooledRatios,
    as_is_rows,
    family_ratios,
    kinds_of,
    loads,
    ratio_centre,
)
from repair_horizon.estimation.rival_prices import bidding, order_gap, rival_draws
from repair_horizon.estimation.robust_means import NORMAL_SPREAD, GaussianPrior, robust_fit
from repair_horizon.tables.codes import Basis
from scant_logs import FAMILY, Z80, outlook_of, workspace
from scipy.stats import norm

# --- As-is values -------------------------------------------------------------------------------

FAULTS = ("display_dead", "no_power", "battery_worn", "back_glass", "charge_port", "board")


def drawn_family(
    rng: np.random.Generator, shared: np.ndarray, kind: str, each: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True log ratios of a family's faults, and sales of each: places and log ratios seen."""
    centre = np.array([ratio_centre(f, kind).log_ratio for f in FAULTS])
    own = 0.12 * rng.standard_normal() + 0.18 * rng.standard_normal(len(FAULTS))
    true, place = centre + shared + own, np.repeat(np.arange(len(FAULTS)), each)
    return true, place, true[place] + 0.25 * rng.standard_t(4, len(place))


def own_ratios(name: str, kind: str, place: np.ndarray, seen: np.ndarray) -> FamilyRatios:
    faults = np.array(FAULTS, dtype=object)[place]
    rows = pd.DataFrame({"fault": faults, "ratio": seen, "reference": 0.003})
    return family_ratios(name, kind, rows.assign(hammer=False, found=False))


def fitted(
    faults: tuple[str, ...],
    place: np.ndarray,
    seen: np.ndarray,
    asked: np.ndarray,
    shop: PooledRatios,
    opened: np.ndarray | bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Log ratios of some faults of a phone and their standard errors, from as-is sales."""
    centres = [ratio_centre(f, "phone") for f in (*faults, "for_parts")]
    rows = pd.DataFrame({"fault": np.array(faults, dtype=object)[place], "asked": asked})
    prior = shop.prior("own", "phone", centres)
    rows = rows.assign(hammer=False, found=False, opened=opened)
    whole, x = broken_design(rows, faults, faults, prior, "phone")
    got = robust_fit(seen, x, whole, START_NOISE, kinds_of(rows))
    return got.mean[: len(faults)], np.sqrt(np.diag(got.cov))[: len(faults)]


@pytest.mark.parametrize(("each", "others"), [(0, 2), (3, 0), (3, 4), (5, 1), (10, 1), (20, 1)])
def test_as_is_intervals_hold_what_they_say(each: int, others: int) -> None:
    """80 % intervals hold 74-88 % of true ratios, from no own sale of a fault to twenty.

    Shops lie off their classes by 0.3, faults of all families by 0.25 more; sales are heavy-tailed.
    """
    rng, held = np.random.default_rng(11), []
    for _ in range(60):
        shared = 0.25 * rng.standard_normal() + 0.25 * rng.standard_normal(len(FAULTS))
        true, place, seen = drawn_family(rng, shared, "phone", each)
        known = [own_ratios("own", "phone", place, seen)] if each else []
        for j in range(others):
            kind = ("tablet", "phone", "laptop", "phone")[j]
            known.append(own_ratios(f"f{j}", kind, *drawn_family(rng, shared, kind, 4)[1:]))
        shop = PooledRatios(tuple(known))
        mean, error = fitted(FAULTS, place, seen, np.zeros(len(seen)), shop)
        held.append(np.abs(mean - true) <= Z80 * error)
    assert 0.74 <= float(np.mean(held)) <= 0.88


@pytest.mark.parametrize("factor", [0.5, 0.68, 0.85])
def test_units_whose_repair_failed_do_not_lower_what_untouched_ones_fetch(factor: float) -> None:
    """Nine of ten own as-is sales of a state were opened; the untouched unit's ratio is kept."""
    rng, off = np.random.default_rng(5), []
    for _ in range(40):
        true, place, seen = drawn_family(rng, np.zeros(len(FAULTS)), "phone", 20)
        opened = rng.random(len(place)) < np.where(place == 0, 0.9, 0.1)
        seen = seen + np.log(factor) * opened
        mean, _ = fitted(FAULTS, place, seen, np.zeros(len(seen)), PooledRatios(), opened)
        off.append((mean - true)[0])
    assert abs(float(np.mean(off))) < 0.06


def test_failed_repairs_are_found_by_their_unit(tmp_path: Path) -> None:
    """A sale is of an opened unit where a repair of that unit failed, and only there."""
    logs = workspace(tmp_path / "w")
    sale = dict.fromkeys(logs.tables["sales"].columns, "")
    rows = pd.DataFrame([sale] * 3).assign(
        sale_id=["a", "b", "c"],
        unit_id=["failed", "untouched", ""],
        own_sale=[1.0, 1.0, 0.0],
        condition="as_is",
        listed_fault="no_power",
        amount=100.0,
        price_type="sold",
    )
    job = dict.fromkeys(logs.tables["repairs"].columns, "")
    jobs = pd.DataFrame([job] * 3).assign(
        unit_id=["failed", "untouched", ""], outcome=["not_fixed", "not_attempted", "not_fixed"]
    )
    tables = {**logs.tables, "sales": rows, "repairs": jobs}
    told = as_is_rows(replace(logs, tables=tables))
    assert told["opened"].tolist() == [True, False, False]
    assert told["found"].tolist() == [True, True, False]


def test_a_state_has_the_spread_of_found_units_and_a_listed_fault_its_own(tmp_path: Path) -> None:
    """Without a sale: the starting scales, by what is named."""
    noise = fit_family(workspace(tmp_path / "w"), FAMILY).as_is.set_index("fault")["noise"]
    found, listed = START_NOISE[FOUND], START_NOISE[LISTED]
    assert noise[["board", "display_only"]].tolist() == [found, found]
    assert noise[["display_dead", "(other faults)"]].tolist() == [listed, listed]


def test_a_students_rows_say_five_sevenths_of_what_their_weights_say() -> None:
    """The standard error of a mean of Student-t rows is what repeated samples show, not less."""
    rng, n = np.random.default_rng(3), 40
    wide = GaussianPrior(np.zeros(1), np.full((1, 1), 100.0))
    fits = [robust_fit(rng.standard_t(4, n), np.ones((n, 1)), wide, 1.0) for _ in range(600)]
    said = float(np.mean([f.cov[0, 0] for f in fits]))
    assert float(np.var([f.mean[0] for f in fits])) == pytest.approx(said, rel=0.12)


def test_each_kind_of_row_has_a_scale_of_its_own() -> None:
    """Found states spread by 0.2, listed faults by 0.45, hammer prices by 0.3 (normal rows).

    A mean of all kinds is then as sure as one weighed by the true variances; with one scale for
    all, its error is a tenth and more larger.
    """
    rng, sd, n = np.random.default_rng(9), np.array([0.2, 0.45, 0.3]), 30
    kind = np.repeat([FOUND, LISTED, UNDER_HAMMER], n)
    wide, x = GaussianPrior(np.zeros(1), np.full((1, 1), 100.0)), np.ones((3 * n, 1))
    rows = sd[kind] * rng.standard_normal((300, 3 * n))
    apart = [robust_fit(y, x, wide, START_NOISE, kind) for y in rows]
    alike = [robust_fit(y, x, wide, 0.3) for y in rows]
    scales = NORMAL_SPREAD * np.mean([f.noise for f in apart], axis=0)
    np.testing.assert_allclose(scales, sd, rtol=0.12)
    error, naive = (np.sqrt(np.mean([f.mean[0] ** 2 for f in fits])) for fits in (apart, alike))
    assert error < 1.1 * np.sum(n * sd**-2.0) ** -0.5
    assert naive > 1.08 * error


@pytest.mark.parametrize("apart", [0.08, 0.3])
def test_how_far_faults_lie_apart_is_learned_from_the_families(apart: float) -> None:
    """Twelve families of six faults, each around what they share: half as far from the truth."""
    rng, keys = np.random.default_rng(2), tuple(ratio_centre(f, "phone").key for f in FAULTS)
    scale, error = loads("phone", keys)[:, 0], 0.1
    families = []
    for i in range(12):
        off = 0.12 * rng.standard_normal() + apart * rng.standard_normal(len(keys))
        seen = scale * off + error * rng.standard_normal(len(keys))
        families.append(FamilyRatios(f"f{i}", "phone", keys, seen, np.full(len(keys), error**2)))
    shop = PooledRatios(tuple(families))
    assert abs(shop._fault_sd - apart) < 0.5 * abs(FAULT_SD - apart)
    centres = [ratio_centre(FAULTS[0], "phone")] * 2
    cov = shop.prior("own", "phone", centres).cov  # two faults of one key differ by their own alone
    assert cov[0, 0] - cov[0, 1] == pytest.approx((scale[0] * shop._fault_sd) ** 2)


def test_an_own_as_is_sale_is_of_a_unit_whose_state_was_found() -> None:
    """Own sales, others' sales by the fault they list, and hammer prices are told apart."""
    rows = pd.DataFrame({"hammer": [False, False, True], "found": [True, False, False]})
    assert kinds_of(rows).tolist() == [FOUND, LISTED, UNDER_HAMMER]


def test_what_a_family_tells_of_the_shared_effects_is_generalised_least_squares() -> None:
    """Written out: a family's own offset 0.12, a fault's 0.20, under the hammer 0.12 and 0.30."""
    off, error = np.array([0.3, -0.2, 0.1]), np.array([0.2, 0.3, 0.25])
    keys = ("display", "battery", "display")
    family = FamilyRatios("f", "phone", keys, off, error**2, (False, False, True))
    x, hammer = loads("phone", keys), np.array([0.0, 0.0, 1.0])
    scale = x[:, 0].copy()
    x[:, HAMMER] = hammer
    v = np.diag(error**2 + (0.20 * scale) ** 2 + (0.30 * hammer) ** 2)
    v += 0.12**2 * (np.outer(scale, scale) + np.outer(hammer, hammer))
    precision, pull = family.information(0.2)
    np.testing.assert_allclose(precision, x.T @ np.linalg.inv(v) @ x, atol=1e-9)
    np.testing.assert_allclose(pull, x.T @ np.linalg.inv(v) @ off, atol=1e-9)


def test_asking_prices_of_broken_units_do_not_raise_their_value() -> None:
    """Asks a third above what is paid: read with an offset of their own, the value stays put."""
    rng = np.random.default_rng(8)
    asked = np.repeat([0.0, 1.0], 15)
    seen = np.log(0.4) + 0.3 * asked + 0.15 * rng.standard_normal(30)
    place = np.zeros(30, dtype="int64")
    told = fitted(FAULTS[:1], place, seen, asked, PooledRatios())[0][0]
    plain = fitted(FAULTS[:1], place, seen, np.zeros(30), PooledRatios())[0][0]
    assert told == pytest.approx(np.log(0.4), abs=0.08)
    assert plain > np.log(0.4) + 0.1


def test_hammer_prices_and_as_is_sales_are_one_market(tmp_path: Path) -> None:
    """Three low hammer prices lower the as-is value of their fault, and of others by less."""
    head = "listing_id,model_id,listed_fault,end_time,final_price,result\n"
    rows = [f"L{i},ulver_1,display_dead,2024-05-0{i + 1} 10:00,50,lost\n" for i in range(3)]
    before = fit_family(workspace(tmp_path / "a"), FAMILY).as_is.set_index("fault")
    after = fit_family(workspace(tmp_path / "b", listings=head + "".join(rows)), FAMILY)
    table = after.as_is.set_index("fault")
    fall = before["log_ratio"] - table["log_ratio"]
    assert 0.1 < fall["display_dead"] < 0.9
    assert 0.0 < fall["board"] < fall["display_dead"]
    assert table.loc["display_dead", "std_error"] < before.loc["display_dead", "std_error"]
    assert table.loc["display_dead", "words"] == "from 3 hammer prices"


# --- Rivals -------------------------------------------------------------------------------------


def test_gap_of_the_two_highest_bidders_is_what_simulation_shows() -> None:
    """Mean gap and both variances of the two largest of n normal values."""
    rng = np.random.default_rng(1)
    for n in (2, 3, 6, 12):
        top = np.sort(rng.standard_normal((200_000, n)), axis=1)[:, -2:]
        known = order_gap(n)
        assert known.gap == pytest.approx(float((top[:, 1] - top[:, 0]).mean()), abs=0.01)
        assert known.first == pytest.approx(float(top[:, 1].var()), abs=0.01)
        assert known.second == pytest.approx(float(top[:, 0].var()), abs=0.01)


def auctions(rng: np.random.Generator, n: int, mine: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Second-price lots among six rivals and us: what is recorded, and each highest rival.

    Logs of ratios to the working price; we bid ``mine`` in every second lot and skip the others.
    """
    usual = np.log(0.30) + 0.12 * rng.standard_normal(n)
    rivals = np.sort(usual[:, None] + 0.2 * rng.standard_normal((n, 6)), axis=1)
    first, second, there = rivals[:, -1], rivals[:, -2], np.arange(n) % 2 == 0
    won = there & (mine > first)
    price = np.where(won, first, np.where(there, np.maximum(second, mine), second))
    result = np.where(won, "won", np.where(there, "lost", "skipped"))
    return pd.DataFrame({"log_price": price, "result": result}), first


def test_highest_rival_is_read_from_second_prices(tmp_path: Path) -> None:
    """From prices recorded of won, lost and skipped lots: the chance of winning is the true one.

    Read as if it were the price to beat, the usual hammer price promises far too many wins.
    """
    rng = np.random.default_rng(4)
    level, day = 240.0, "2024-05-01"
    seen, first = auctions(rng, 160, np.log(0.36))
    rows = [
        f"L{i},ulver_1,display_dead,{day} 10:00,{np.exp(p) * level:.2f},{r}"
        for i, (p, r) in enumerate(zip(seen["log_price"], seen["result"], strict=True))
    ]
    head = "listing_id,model_id,listed_fault,end_time,final_price,result\n"
    sold = "".join(f"S{i},ulver_1,{day},{level},EUR,B,working,\n" for i in range(10, 40))
    header = "sale_id,model_id,sale_date,gross_amount,currency,grade,condition,listed_fault\n"
    logs = workspace(tmp_path / "w", listings=head + "\n".join(rows) + "\n", sales=header + sold)
    family = outlook_of(logs, draws=1000)
    rival, usual = family.rivals["display_dead"], family.hammer["display_dead"]
    assert (rival.basis, rival.n) == (Basis.OWN, 160)
    for quantile in (0.3, 0.5, 0.7):
        bid = float(np.exp(np.quantile(first, quantile)))
        said = float(norm.cdf((np.log(bid) - rival.log_ratio) / rival.spread).mean())
        assert said == pytest.approx(quantile, abs=0.12)
        naive = float(norm.cdf((np.log(bid) - np.log(usual)) / rival.spread).mean())
        assert naive > said + 0.08


def test_without_a_hammer_price_the_rival_stands_a_gap_above_the_classs_ratio(
    tmp_path: Path,
) -> None:
    """No auction seen: as-is ratio times hammer ratio, wide, and the class's gap above it."""
    family = outlook_of(workspace(tmp_path / "w"), draws=4000)
    rival, usual = family.rivals["display_dead"], np.log(family.hammer["display_dead"])
    assert (rival.basis, rival.n) == (Basis.CLASS, 0)
    knowledge = class_knowledge("phone")
    expected = knowledge.as_is_ratio("display").log_centre + bidding(knowledge, 0.3, 0).gap
    assert float(np.median(rival.log_ratio)) == pytest.approx(expected, abs=0.06)
    assert float(rival.log_ratio.std()) > 0.4
    assert 0.08 < bidding(knowledge, 0.3, 0).gap < 0.2
    assert float(np.median(usual)) < float(np.median(rival.log_ratio))


def test_bidders_are_shrunk_to_what_prices_spread() -> None:
    """Narrow prices leave room for narrow bids only, and the gap shrinks with them."""
    knowledge = class_knowledge("phone")
    wide, narrow = bidding(knowledge, 0.35, 100), bidding(knowledge, 0.10, 100)
    assert narrow.gap < bidding(knowledge, 0.3, 0).gap
    assert narrow.spread < 0.2 < wide.spread
    assert narrow.bid_spread < wide.bid_spread


def test_draws_have_the_errors_the_tables_tell_and_faults_share_the_common_part() -> None:
    """Variance is the squared error (and what is not known of bidders), covariance the common."""
    told = {"std_error": [0.30, 0.20], "common": [0.12, 0.12], "n": 0, "newest": pd.NaT}
    table = pd.DataFrame(
        {"fault": ["a", "b"], "log_ratio": [-2.0, -1.8], "basis": "class", "words": "", **told}
    )
    rng = np.random.default_rng(6)
    rivals = rival_draws(table.assign(spread=0.3, gap_sd=0.1), 100_000, rng)
    ratios = ratio_draws(table.assign(noise=0.0), 100_000, rng)
    for drawn, bidders in (
        (np.stack([r.log_ratio for r in rivals.values()]), 0.01),
        (np.log(np.stack(list(ratios.values()))), 0.0),
    ):
        np.testing.assert_allclose(drawn.mean(axis=1), [-2.0, -1.8], atol=0.005)
        expected = np.array([[0.09, 0.0144], [0.0144, 0.04]]) + bidders
        np.testing.assert_allclose(np.cov(drawn), expected, atol=0.0015)
