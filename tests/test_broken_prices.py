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
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.broken_prices import (
    START_NOISE,
    Ratios,
    broken_design,
    ratio_draws,
    ratio_table,
)
from repair_horizon.estimation.forecast import fit_family
from repair_horizon.estimation.pooled_ratios import (
    FAULT_SD,
    FOUND,
    HAMMER,
    LISTED,
    UNDER_HAMMER,
    FamilyRatios,
    PooledRatios,
    _columns,
    _prior_spread,
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
from scipy.linalg import block_diag
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


def test_a_robust_mean_is_iterated_weighted_least_squares_written_out() -> None:
    """Prior rows as data, twelve passes; each kind's scale is worth four rows at its start."""
    rng, n = np.random.default_rng(4), 24
    x, y = rng.normal(size=(n, 2)), 0.4 * rng.standard_t(4, n)
    prior = GaussianPrior(np.array([0.2, -0.1]), np.array([[0.3, 0.1], [0.1, 0.2]]))
    kind, start = np.arange(n) % 2, np.array([0.25, 0.4])
    root, scale, weight = np.linalg.cholesky(np.linalg.inv(prior.cov)).T, start, np.ones(n)
    for _ in range(12):
        precise = np.sqrt(weight) / scale[kind]
        rows = np.vstack([x * precise[:, None], root])
        mean = np.linalg.lstsq(rows, np.append(y * precise, root @ prior.mean), rcond=None)[0]
        square = (y - x @ mean) ** 2 + np.diag(x @ np.linalg.inv(rows.T @ rows) @ x.T)
        weight = 5 / (4 + square / scale[kind] ** 2)
        told = pd.Series(weight * square).groupby(kind).sum().to_numpy()
        scale = np.sqrt((told + 4 * start**2) / (n / 2 + 4))
    found = robust_fit(y, x, prior, start, kind)
    np.testing.assert_allclose(found.mean, mean)
    np.testing.assert_allclose(found.noise, scale)
    left = x.T @ (x * (precise**2)[:, None]) * 5 / 7 + np.linalg.inv(prior.cov)
    np.testing.assert_allclose(found.cov, np.linalg.inv(left))


def test_the_ratios_a_family_starts_from_are_the_posterior_of_one_gaussian_written_out() -> None:
    """Shared effects, each family's own 0.12, each fault's as far as is learned (ten of 0.20).

    How wide shared effects are has one factor, worth six of them at one. Five passes each.
    """
    rng, keys = np.random.default_rng(3), ("display", "battery", "board", "display")
    families = [
        FamilyRatios(f"f{i}", kind, keys, -0.3 + 0.4 * rng.standard_normal(4),
                     rng.uniform(0.01, 0.05, 4), (False, False, False, True))
        for i, kind in enumerate(("phone", "tablet", "phone"))
    ]  # fmt: skip
    shop, hammer = PooledRatios(tuple(families)), np.array([0.0, 0.0, 0.0, 1.0])
    start = _prior_spread()

    def parts(family: FamilyRatios, sd: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        x = loads(family.device_class, keys)
        scale = x[:, 0].copy()
        x[:, HAMMER] = hammer
        own = np.diag((sd * scale) ** 2)
        rest = np.diag(family.variance + 0.30**2 * hammer)
        rest += 0.12**2 * (np.outer(scale, scale) + np.outer(hammer, hammer))
        return x, own, own + rest

    def shared(sd: float, wide: np.ndarray, of: list[FamilyRatios]) -> tuple[np.ndarray, ...]:
        """Mean and covariance of the shared effects, by the rules for Gaussian vectors."""
        x, v = np.vstack([parts(f, sd)[0] for f in of]), block_diag(*[parts(f, sd)[2] for f in of])
        gain = np.diag(wide**2) @ x.T @ np.linalg.inv(x @ np.diag(wide**2) @ x.T + v)
        off = np.concatenate([f.off for f in of])
        return gain @ off, np.diag(wide**2) - gain @ x @ np.diag(wide**2)

    sd = 0.20
    for _ in range(5):
        mean, cov = shared(sd, start, families)
        squares = []
        for family in families:
            x, own, v = parts(family, sd)
            gain = own @ np.linalg.inv(v + x @ cov @ x.T)
            second = (gain @ (family.off - x @ mean)) ** 2 + np.diag(own - gain @ own)
            squares += list((second / np.diag(own) * sd**2)[:3])
        sd = np.sqrt((sum(squares) + 10 * 0.20**2) / (len(squares) + 10))
    assert shop._fault_sd == pytest.approx(sd, rel=1e-9)
    factor, seen = 1.0, np.zeros(len(start), dtype=bool)
    seen[np.flatnonzero(np.vstack([parts(f, sd)[0] for f in families]).any(axis=0))] = True
    seen[: HAMMER + 1] = False
    for _ in range(5):
        wide = np.where(np.arange(len(start)) > HAMMER, factor * start, start)
        mean, cov = shared(sd, wide, families)
        second = ((mean**2 + np.diag(cov)) / start**2)[seen]
        factor = np.sqrt((second.sum() + 6) / (seen.sum() + 6))
    wide = np.where(np.arange(len(start)) > HAMMER, factor * start, start)
    mean, cov = shared(sd, wide, families[1:])
    centre = ratio_centre("display_dead", "phone")
    prior = shop.prior("f0", "phone", [centre, centre])
    load = np.vstack([loads("phone", [centre.key] * 2), np.eye(len(start))[HAMMER]])
    usual = np.log(class_knowledge("phone").hammer_ratio.value)
    expected = np.array([centre.log_ratio, centre.log_ratio, usual]) + load @ mean
    np.testing.assert_allclose(prior.mean, expected, rtol=1e-8)
    scale = np.append(load[:2, 0], 0.0)
    more = 0.12**2 * np.outer(scale, scale) + np.diag((sd * scale) ** 2 + [0, 0, 0.12**2])
    np.testing.assert_allclose(prior.cov, load @ cov @ load.T + more, rtol=1e-7)


def test_a_fault_rests_on_its_key_everywhere_its_key_in_the_class_and_what_the_shop_shares() -> (
    None
):
    """The first two whole, the last by how unsure the class is of it (0.45 is all)."""
    (load,) = loads("phone", ["battery"])
    places = [_columns()["", "battery"], _columns()["phone", "battery"]]
    expected = np.zeros(len(load))
    expected[0], expected[places] = class_knowledge("phone").as_is_ratio("battery").log_sd / 0.45, 1
    np.testing.assert_allclose(load, expected)
    assert 0 < load[0] < 1


def test_rows_of_broken_units_are_laid_out_by_fault_hammer_opened_and_asked() -> None:
    """Opened units start at 0.68 of before (0.25), asks above what is paid by the class's ratio."""
    rows = pd.DataFrame(
        {
            "fault": ["no_power", "display_dead", "display_dead"],
            "hammer": [False, True, False],
            "opened": [True, False, False],
            "asked": [False, False, True],
        }
    )
    faults = ("display_dead", "no_power")
    centres = [ratio_centre(f, "phone") for f in (*faults, "for_parts")]
    prior = PooledRatios().prior("own", "phone", centres)
    whole, x = broken_design(rows, faults, faults, prior, "phone")
    paid = class_knowledge("phone").market("ask_to_sold")
    np.testing.assert_allclose(whole.mean[-3:], [0.25, np.log(0.68), np.log(1 / paid.value)])
    beside = [0.30, 0.30, 0.30, 0.25, 0.25, 2 * paid.log_sd]
    np.testing.assert_allclose(whole.cov[4:, 4:], np.diag(np.square(beside)))
    np.testing.assert_allclose(whole.cov[:4, :4], prior.cov)
    # Two faults and any other, the hammer offset, each fault's beside it, slope, opened, asked.
    assert x.tolist() == [
        [0, 1, 0, 0, 0, 0, 0, 0, 1, 0],
        [1, 0, 0, 1, 1, 0, 0, 0, 0, 0],
        [1, 0, 0, 0, 0, 0, 0, 0, 0, 1],
    ]


def test_of_several_faults_the_worst_counts_whole_and_the_others_for_three_tenths() -> None:
    known = class_knowledge("phone")
    worst, other = (known.as_is_ratio(w) for w in ("board", "battery"))
    assert worst.value < other.value
    found = ratio_centre("battery_and_board", "phone")
    assert found.key == "board"
    assert found.log_ratio == pytest.approx(worst.log_centre + 0.3 * np.log(other.value))
    assert found.log_sd == worst.log_sd
    sound = ratio_centre("no_fault_found", "phone")
    assert (sound.log_ratio, sound.log_sd) == (pytest.approx(np.log(0.70)), 0.25)


def test_a_table_of_ratios_tells_its_fit_with_80_per_cent_and_what_faults_share() -> None:
    """The shared part is the mean covariance of two faults, at most a fault's own error."""
    cov = np.array([[0.09, 0.02, 0.01], [0.02, 0.04, 0.03], [0.01, 0.03, 0.0225]])
    mean, day = np.array([-1.0, -0.8, -1.2]), pd.Timestamp("2024-05-01")
    rows = pd.DataFrame({"fault": ["a", "a", "b"], "hammer": [False, False, True], "day": day})
    part = Ratios(("a", "b", "c"), mean, cov, np.full(3, 0.3))
    table = ratio_table(part, rows, False, 0)
    error = np.sqrt(np.diag(cov))
    for column, p in (("ratio", 0.5), ("lower", 0.1), ("upper", 0.9)):
        np.testing.assert_allclose(table[column], np.exp(norm(mean, error).ppf(p)), rtol=1e-5)
    np.testing.assert_allclose(table["common"], np.minimum(np.sqrt(0.12 / 6), error))
    assert table["n"].tolist() == [2, 0, 0]
    assert table["words"].tolist() == [
        "2 own as-is sales",
        *["from 2 as-is sales of other faults"] * 2,
    ]
    assert table["newest"].tolist()[0] == day
    for behind, others, words in (
        (rows[2:], 3, "from 1 hammer price"),
        (rows[:0], 3, "from 3 other families"),
        (rows[:0], 1, "from another family"),
        (rows[:0], 0, "from the class, wide"),
    ):
        assert set(ratio_table(part, behind, False, others)["words"]) == {words}


@pytest.mark.parametrize("each", [2, 20])
def test_no_ratio_rests_on_a_tenth_of_a_judged_scale(each: int) -> None:
    """A tenth more of what a row of one kind starts at moves no ratio by a seventh of its error."""
    rng, n = np.random.default_rng(7), 3 * each
    kind = np.repeat([FOUND, LISTED, UNDER_HAMMER], each)
    y, x = 0.4 * rng.standard_t(4, n), np.ones((n, 1))
    prior = GaussianPrior(np.zeros(1), np.full((1, 1), 0.4**2))
    usual = robust_fit(y, x, prior, START_NOISE, kind)
    for i in range(3):
        other = robust_fit(y, x, prior, START_NOISE * (1 + 0.1 * np.eye(3)[i]), kind)
        error = np.sqrt(usual.cov[0, 0])
        assert abs(other.mean - usual.mean)[0] < error / 7
        assert np.sqrt(other.cov[0, 0]) == pytest.approx(error, rel=0.05)


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


def test_dearer_models_of_a_family_fetch_more_of_their_price(tmp_path: Path) -> None:
    """Lots at .30 of a working price of 240 and at .30 (540 / 240)^.5 of one of 540.

    A rival of either model, and of the one between that no lot was seen of, stands where that law
    puts it; one ratio for all would be a fifth off either way. Without a lot there is no slope.
    """
    rng, day = np.random.default_rng(6), "2024-05-01"
    prices, law = {"ulver_1": 240.0, "ulver_2": 360.0, "ulver_3": 540.0}, 0.5
    head = "listing_id,model_id,listed_fault,end_time,final_price,result\n"
    sold = "sale_id,model_id,sale_date,gross_amount,currency,grade,condition,listed_fault\n"
    usual = {m: 0.30 * p * (p / 240.0) ** law for m, p in prices.items()}
    for i in range(60):
        for model, price in prices.items():
            sold += f"S{i}{model},{model},{day},{price},EUR,B,working,\n"
            hammer = usual[model] * np.exp(0.15 * rng.standard_normal())
            if model != "ulver_2":
                head += f"L{i}{model},{model},display_dead,{day} 10:00,{hammer:.2f},won\n"
    family = outlook_of(workspace(tmp_path / "w", listings=head, sales=sold), draws=1000)
    assert family.hammer_slope is not None
    assert family.hammer_slope.slope.mean() == pytest.approx(law, abs=0.06)
    ratio = np.log(family.hammer["display_dead"]) - 0.15**2 / 2  # the mean sale, told as a median
    for model, price in prices.items():
        level = np.full(1000, np.log(price))
        told = level + ratio + family.dearer(level)
        assert float(np.median(told)) == pytest.approx(np.log(usual[model]), abs=0.05)
        flat = level + ratio
        assert model == "ulver_2" or abs(np.median(flat) - np.log(usual[model])) > 0.15
    assert outlook_of(workspace(tmp_path / "none")).dearer(np.zeros(400)) == 0.0


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


@pytest.mark.parametrize(("seen", "n"), [(0.3, 0), (0.2, 12)])
def test_bidders_behind_prices_are_weighed_world_by_world(seen: float, n: int) -> None:
    """Two thousand drawn worlds, gaps and variances by simulation of 20,000 auctions each.

    A world of a spread counts as n normal rows of its log deviation do (1 / 2n): exp(-n log^2).
    """
    knowledge = class_knowledge("phone")
    z = np.random.default_rng(5).standard_normal((3, 2000))
    figures = (knowledge.serious_bidders, knowledge.bid_spread, knowledge.market("hammer_spread"))
    drawn = [f.value * np.exp(f.log_sd * row) for f, row in zip(figures, z, strict=True)]
    bidders = np.clip(np.rint(drawn[0]), 2, 40).astype(int)
    rng, of = np.random.default_rng(1), {}
    for b in np.unique(bidders):
        top = np.sort(rng.standard_normal((20_000, b)), axis=1)[:, -2:]
        of[b] = (top[:, 1] - top[:, 0]).mean(), top[:, 1].var(), top[:, 0].var()
    gap, first, second = np.array([of[b] for b in bidders]).T
    between = np.sqrt(np.maximum(drawn[2] ** 2 - second * drawn[1] ** 2, 0.02**2))
    world = np.sqrt(second * drawn[1] ** 2 + between**2)
    weight = norm.pdf(np.log(world), np.log(seen), np.sqrt(1 / (2 * n))) if n else np.ones(2000)
    found = bidding(knowledge, seen, n)
    mean = np.average(gap * drawn[1], weights=weight)
    assert found.gap == pytest.approx(mean, rel=0.02)
    spread = np.average((gap * drawn[1] - mean) ** 2, weights=weight) ** 0.5
    assert found.gap_sd == pytest.approx(spread, rel=0.03)
    whole = np.average(first * drawn[1] ** 2 + between**2, weights=weight)
    assert found.spread == pytest.approx(whole**0.5, rel=0.02)
    assert found.bidders == pytest.approx(np.average(bidders, weights=weight), rel=0.002)
    assert found.bid_spread == pytest.approx(np.average(drawn[1], weights=weight), rel=0.01)


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
    rivals = rival_draws(table.assign(spread=0.3, gap_sd=0.1), 100_000, Antithetic(rng))
    ratios = ratio_draws(table.assign(noise=0.0), 100_000, Antithetic(rng))
    for drawn, bidders in (
        (np.stack([r.log_ratio for r in rivals.values()]), 0.01),
        (np.log(np.stack(list(ratios.values()))), 0.0),
    ):
        np.testing.assert_allclose(drawn.mean(axis=1), [-2.0, -1.8], atol=0.005)
        expected = np.array([[0.09, 0.0144], [0.0144, 0.04]]) + bidders
        np.testing.assert_allclose(np.cov(drawn), expected, atol=0.0015)
