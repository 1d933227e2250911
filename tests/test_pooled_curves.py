"""What a family's curve starts from: its class, moved by what the shop's other families show."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from panels_by_hand import models, usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation import pooled_curves
from repair_horizon.estimation.curve.design import CurvePrior, segments
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.estimation.pooled_curves import (
    FamilyCurve,
    PooledCurves,
    _cells,
    base_columns,
    class_curve,
    curve_alone,
    models_taken_out,
    part_steps,
    pooled_parts,
)
from repair_horizon.estimation.price_rows import usual_ratio
from repair_horizon.estimation.shop_knowledge import _months
from repair_horizon.tables.inputs import QUALITIES
from scant_logs import workspace

NOW = pd.Timestamp("2025-12-28")
START = class_curve("phone")
AGES = np.array([6.0, 12.0, 24.0, 36.0])


def at_ages(coefficients: np.ndarray, ages: np.ndarray = AGES) -> np.ndarray:
    """Log share of the launch price at some ages."""
    return np.asarray(coefficients[0] + segments(ages) @ coefficients[1:])


def width(prior: CurvePrior) -> np.ndarray:
    """Standard deviation of the log share at some ages."""
    load = np.column_stack([np.ones(len(AGES)), segments(AGES)])
    return np.sqrt(np.diag(load @ np.linalg.inv(prior.precision) @ load.T))


def prices(
    rng: np.random.Generator, coefficients: np.ndarray, sales: int = 120, known: bool = True
) -> Panel:
    """Sales of three models of one family that falls by given coefficients."""
    launch = pd.DatetimeIndex(["2021-01-01", "2022-06-01", "2024-01-01"])
    models = Models(tuple("xyz"), launch, np.full(3, 500.0), np.full(3, known), launch[:0].append(
        pd.DatetimeIndex([pd.NaT] * 3)), 12.0, 2.0, False)  # fmt: skip
    model = rng.integers(0, 3, sales)
    span = (NOW - launch).days.to_numpy()
    day = launch[model] + pd.to_timedelta((rng.random(sales) * span[model]).astype(int), unit="D")
    age = (day - launch[model]).days.to_numpy() / 30.4375
    y = at_ages(coefficients, age) + 0.08 * rng.standard_normal(3)[model]
    y = y + 0.1 * rng.standard_t(4, sales)
    traits = Traits((), np.zeros((sales, 0)), np.zeros(0), np.zeros(0, dtype=bool))
    key = np.arange(sales).astype(object)
    return Panel(models, y, model, pd.DatetimeIndex(day), traits, key, 500 * np.exp(y), NOW)


def shop(rng: np.random.Generator, drawn: list[np.ndarray]) -> PooledCurves:
    told = [
        FamilyCurve(f"f{i}", "phone", *curve_alone(prices(rng, c))) for i, c in enumerate(drawn)
    ]
    return PooledCurves(tuple(told), {"phone": START, "tablet": class_curve("tablet")})


def test_with_no_other_family_the_class_stands_as_it_is() -> None:
    """Nothing is learned from a family's own prices about what it starts from."""
    alone = shop(np.random.default_rng(1), [START.mean])
    assert alone.prior("f0", "phone") is START
    assert alone.prior("f1", "phone") is not START


def test_a_shop_whose_families_fall_faster_is_believed() -> None:
    """Six families worth a quarter less than the class says: the seventh starts near there.

    So does one of another class, which those families are not, and all of it narrower than the
    class alone; what the family itself sells for changes nothing of it.
    """
    rng = np.random.default_rng(2)
    lower = START.mean.copy()
    lower[0] -= 0.25
    pooled = shop(rng, [lower] * 6)
    moved = at_ages(pooled.prior("new", "phone").mean) - at_ages(START.mean)
    assert moved == pytest.approx(-0.25, abs=0.08)
    assert (width(pooled.prior("new", "phone")) < 0.8 * width(START)).all()
    tablet = pooled.prior("new", "tablet").mean
    assert at_ages(tablet) - at_ages(class_curve("tablet").mean) == pytest.approx(-0.25, abs=0.08)
    own = pooled.prior("f0", "phone").mean
    other = [FamilyCurve("f0", "phone", 9 * START.precision, np.zeros(11)), *pooled.families[1:]]
    again = PooledCurves(tuple(other), pooled.starts).prior("f0", "phone").mean
    assert own == pytest.approx(again)


def test_start_of_a_family_is_as_wide_as_it_should_be() -> None:
    """Drawn families: the 80 % interval of the next one's curve holds it 70-92 % of the time."""
    rng, held = np.random.default_rng(3), []
    cov = np.linalg.inv(START.precision) / 1.5
    for _ in range(40):
        offset = rng.multivariate_normal(np.zeros(11), cov / 2)
        drawn = [
            START.mean + offset + rng.multivariate_normal(np.zeros(11), cov / 2) for _ in range(6)
        ]
        prior = shop(rng, drawn[:5]).prior("f5", "phone")
        error = at_ages(drawn[5]) - at_ages(prior.mean)
        held.append(np.abs(error) <= 1.2816 * width(prior))
    assert 0.70 <= float(np.mean(held)) <= 0.92


def test_without_a_launch_price_prices_say_nothing_of_the_level() -> None:
    """Ratios to a stand-in teach slopes only: the level moves no other family."""
    rng = np.random.default_rng(4)
    precision, pull = curve_alone(prices(rng, START.mean - np.eye(11)[0], known=False))
    assert precision[0] == pytest.approx(0.0, abs=1e-8)
    assert pull[0] == pytest.approx(0.0, abs=1e-8)
    assert precision[4, 4] > 0.1


# --- What is worked out in a quick way, once more with every coefficient written out ------------


def written_out(
    panel: Panel, y: np.ndarray, x: np.ndarray, prior: np.ndarray, cells: list
) -> tuple[np.ndarray, np.ndarray]:
    """Precision and pull of a robust regression with a level and a slope for every model.

    A model's level lies 0.10 off its family's, 0.5 where no launch price is known, its slope 0.03;
    rows are Student-t with 0.10, worth four rows, and share an error in each cell.
    """
    rows, k = np.arange(len(y)), x.shape[1]
    own = np.zeros((len(y), 2 * len(panel.models.ids)))
    own[rows, 2 * panel.model], own[rows, 2 * panel.model + 1] = 1.0, (panel.age - 18) / 12
    level = np.sqrt(0.10**2 + np.where(panel.models.price_known, 0.0, 0.5**2))
    sd = np.column_stack([level, np.full(len(level), 0.03)]).ravel()
    whole = np.hstack([x, own])
    weight, noise = np.ones(len(y)), 0.10
    for _ in range(5):
        row = weight / noise**2
        for cell, shared in cells:
            total = pd.Series(weight).groupby(cell).transform("sum").to_numpy()
            row = row / (1 + shared**2 * total / noise**2)
        precision = whole.T @ np.diag(row) @ whole + np.diag(np.append(prior, sd**-2.0))
        pull = whole.T @ (row * y)
        square = (y - whole @ np.linalg.solve(precision, pull)) ** 2
        weight = 5 / (4 + square / noise**2)
        noise = np.sqrt((weight @ np.minimum(square, 0.25) + 4 * 0.10**2) / (len(y) + 4))
    return marginal(precision, pull, k)


def marginal(precision: np.ndarray, pull: np.ndarray, k: int) -> tuple[np.ndarray, np.ndarray]:
    """Precision and pull of the first coefficients, the others integrated out."""
    cov = np.linalg.inv(precision)
    left = np.linalg.inv(cov[:k, :k])
    return left, left @ (cov @ pull)[:k]


@pytest.mark.parametrize("known", [True, False])
def test_models_are_taken_out_as_if_each_had_columns_of_its_own(known: bool) -> None:
    panel = usual_panel(5, known=models(3, known=known, first_ends=True), graded=True)
    x, y, sd = base_columns(panel)
    y[3] += 1.0  # a price that is not what it is labelled
    prior = np.append(np.full(11, 0.5), sd**-2.0)
    quarter = panel.month // 3 - panel.month.min() // 3
    cells = [(panel.model * 100 + quarter, 0.045), (quarter, 0.05)]
    numbered = [(np.unique(c, return_inverse=True)[1], sd) for c, sd in cells]
    for found, expected in zip(
        models_taken_out(panel, y, x, prior, numbered),
        written_out(panel, y, x, prior, cells),
        strict=True,
    ):
        np.testing.assert_allclose(found, expected, rtol=1e-7, atol=1e-7)


def test_a_family_s_curve_alone_is_what_its_prices_say_with_traits_and_models_averaged_out() -> (
    None
):
    """The hold of a ten-thousandth on the curve is taken off, so slopes nobody saw stay unknown."""
    panel = usual_panel(5, known=models(3, first_ends=True), graded=True)
    x, y, sd = base_columns(panel)
    quarter = panel.month // 3
    cells = [(panel.model * 99999 + quarter, 0.045), (quarter, 0.05)]
    gram, right = written_out(panel, y, x, np.append(np.full(11, 1e-4), sd**-2.0), cells)
    precision, pull = curve_alone(panel)
    expected = marginal(gram, right, 11)
    np.testing.assert_allclose(precision, expected[0] - 1e-4 * np.eye(11), atol=1e-5)
    np.testing.assert_allclose(pull, expected[1], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("before", [0, 2])
def test_what_a_family_says_of_each_months_market_has_curve_models_and_traits_averaged_out(
    before: int,
) -> None:
    """Thirty months up to the one asked for, each with a column; the class's curve as the prior.

    Weights are found while the curve's coefficients are held apart, as only that far the months
    can; a month's hold of ten is taken off, so months nobody sold in stay unknown.
    """
    panel = usual_panel(4, known=models(3, first_ends=True), graded=True)
    last = int(panel.month.max()) - before
    ago = last - panel.month
    assert {0, 30} <= set(ago)
    kept = panel.kept((ago >= 0) & (ago < 30))
    x, y, sd = base_columns(kept)
    assert sd.tolist() == [0.07, 0.3]
    months = (29 - (last - kept.month)[:, None] == np.arange(30)).astype(float)
    prior = np.concatenate([np.diag(START.precision), sd**-2.0, np.full(30, 10.0)])
    quarter = kept.month // 3
    off = y - START.mean[0] - segments(kept.age) @ START.mean[1:]
    gram, right = written_out(
        kept, off, np.hstack([x, months]), prior, [(kept.model * 99999 + quarter, 0.045)]
    )
    gram[:11, :11] += START.precision - np.diag(np.diag(START.precision))
    turned = np.r_[x.shape[1] : len(gram), 0 : x.shape[1]]
    expected = marginal(gram[np.ix_(turned, turned)], right[turned], 30)
    precision, pull = _months(panel, "phone", last)
    np.testing.assert_allclose(precision, expected[0] - 10.0 * np.eye(30), atol=1e-6)
    np.testing.assert_allclose(pull, expected[1], atol=1e-6)
    assert precision[29, 29] > 1.0
    nobody = _months(panel, "phone", int(panel.month.min()) - 1)
    assert not nobody[0].any()


def test_a_family_starts_from_the_posterior_of_shop_and_families_written_out() -> None:
    """What a class's families share is the shop's; the rest is learned, worth six of them.

    Expectation-maximisation over the shop's offset and every family's own, all in one Gaussian.
    """
    rng = np.random.default_rng(6)
    pooled = shop(rng, [START.mean - 0.1 * np.eye(11)[0], START.mean, START.mean])
    start = np.linalg.inv(START.precision)
    between, n = (start - START.shared), 2
    told = pooled.families[1:]

    def posterior(between: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and covariance of the offset and then of each family's distance from the class."""
        precision, pull = np.zeros((33, 33)), np.zeros(33)
        precision[:11, :11] = np.linalg.inv(START.shared)
        apart = np.kron(np.array([[1, -1], [-1, 1]]), np.linalg.inv(between))
        for i, family in enumerate(told, 1):
            at = np.r_[0:11, 11 * i : 11 * i + 11]
            precision[np.ix_(at, at)] += apart
            precision[11 * i : 11 * i + 11, 11 * i : 11 * i + 11] += family.precision
            pull[11 * i : 11 * i + 11] = family.pull - family.precision @ START.mean
        cov = np.linalg.inv(precision)
        return cov @ pull, cov

    for _ in range(5):
        mean, cov = posterior(between)
        second = 6 * (start - START.shared)
        for i in range(1, n + 1):
            less = np.hstack([-np.eye(11), np.zeros((11, 22))])
            less[:, 11 * i : 11 * i + 11] = np.eye(11)
            second = second + np.outer(less @ mean, less @ mean) + less @ cov @ less.T
        between = second / (n + 6)
    mean, cov = posterior(between)
    prior = pooled.prior("f0", "phone")
    np.testing.assert_allclose(prior.mean, START.mean + mean[:11], atol=1e-6)
    np.testing.assert_allclose(
        np.linalg.inv(prior.precision), between + cov[:11, :11], rtol=1e-5, atol=1e-7
    )


@pytest.mark.parametrize("most", [2, 3])
def test_up_to_so_many_families_ones_own_prices_do_not_tell_how_widely_they_differ(
    monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    monkeypatch.setattr(pooled_curves, "LEFT_OUT_UP_TO", most)
    pooled = shop(np.random.default_rng(6), [START.mean] * 3)
    far = replace(
        pooled.families[0], pull=pooled.families[0].pull + pooled.families[0].precision[0]
    )
    again = replace(pooled, families=(far, *pooled.families[1:]))
    wide, other = (width(p.prior("f0", "phone")) for p in (pooled, again))
    assert np.allclose(wide, other, rtol=1e-9) == (most == 3)


QUOTES = "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency\n"


def test_what_quotes_say_of_qualities_is_one_gaussian_written_out(tmp_path: Path) -> None:
    """A level for each part, loose (ten); its qualities around the shop's; models' own levels.

    A cell of quotes has 0.08, each quote 0.08 beside it; the shop lies 0.12 off its class. Six
    passes of Student-t weights and of how widely models differ, worth six.
    """
    rng = np.random.default_rng(7)
    rows = [
        f"Q{i},2024-0{1 + i % 6}-02,ulver_{1 + i % 3},{part},{quality},s,{price:.2f},EUR"
        for i, (part, quality, price) in enumerate(
            (p, q, 80 * w * np.exp(0.2 * rng.standard_t(4)))
            for p in ("DA", "BAT")
            for q, w in (("maker_original", 1.0), ("aftermarket", 0.4))
            for _ in range(5)
        )
    ]
    logs = workspace(tmp_path / "w", part_quotes=QUOTES + "\n".join(rows) + "\n")
    found, cells = pooled_parts(logs, PART_PRIORS), _cells(logs, PART_PRIORS)
    y, n = cells["y"].to_numpy(), len(cells)
    quotes, known = logs.tables["part_quotes"], class_knowledge("phone")
    about = logs.tables["catalogue"].set_index("model_id").loc[quotes["model_id"]]
    age = (quotes["quote_date"].to_numpy() - about["launch_date"]).dt.days.to_numpy() / 30.4375
    share = {q: known.part_share("DA", q).value for q in quotes["quality_class"].unique()}
    off = np.log(quotes["amount"].to_numpy() / about["launch_amount"].to_numpy())
    off = off - usual_ratio(PART_PRIORS, np.maximum(age, 0.0))
    da = quotes.assign(y=off - np.log(quotes["quality_class"].map(share) / share[QUALITIES[0]]))
    by = da[da["part_code"] == "DA"].groupby(["model_id", "quality_class"])["y"]
    mine = cells[cells["code"] == "DA"].set_index(["model", "quality"])
    np.testing.assert_allclose(mine["y"], by.median().loc[mine.index])
    assert mine["n"].tolist() == by.size().loc[mine.index].tolist()
    load = (cells["quality"].to_numpy()[:, None] == np.array(QUALITIES)).astype(float)
    part, model = (pd.get_dummies(c).to_numpy(float) for c in (
        cells["code"], cells["code"] + cells["model"]))  # fmt: skip
    codes = sorted(cells["code"].unique())
    steps = [part_steps(class_knowledge("phone"), code) for code in codes]
    own = np.hstack([np.column_stack([part[:, [i]], part[:, [i]] * load]) for i in range(2)])
    x, variance = np.hstack([own, model]), 0.08**2 + 0.08**2 / cells["n"].to_numpy()
    inner = np.concatenate([np.append(1e-2, s**-2.0) for s in steps])
    weight, sd = np.ones(n), PART_PRIORS.model_level
    for _ in range(6):
        whole, right = np.eye(4) / 0.12**2, np.zeros(4)
        for i, code in enumerate(codes):
            at = part[:, i] > 0
            v = np.diag((variance / weight)[at]) + 100.0 + sd**2 * (model @ model.T)[at][:, at]
            v = v + load[at] @ np.diag(steps[i] ** 2) @ load[at].T
            one = load[at].T @ np.linalg.solve(v, load[at]), load[at].T @ np.linalg.solve(v, y[at])
            told = found.told["ulver", code], one
            whole, right = whole + one[0], right + one[1]
        expected = np.concatenate([np.append(0.0, np.linalg.solve(whole, right))] * 2)
        prior = np.diag(np.append(inner, np.full(model.shape[1], sd**-2.0)))
        cov = np.linalg.inv(x.T @ (x * (weight / variance)[:, None]) + prior)
        start = prior[:, :10] @ expected
        mean = cov @ (x.T @ (weight / variance * y) + start)
        weight = 5 / (4 + (y - x @ mean) ** 2 / variance)
        second = (mean**2 + np.diag(cov))[10:].sum() + 6 * PART_PRIORS.model_level**2
        sd = np.sqrt(second / (model.shape[1] + 6))
    np.testing.assert_allclose(told[0][0], told[1][0], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(told[0][1], told[1][1], rtol=1e-6, atol=1e-6)
    assert found.model_sd == pytest.approx(sd, rel=1e-8)
    some = replace(found, told={})
    mean = np.linalg.solve(whole - one[0], right - one[1])
    step, plain = (
        p.step(known, ("ulver", codes[-1]), "aftermarket", "maker_original")[0]
        for p in (found, some)
    )
    assert step - plain == pytest.approx(mean[QUALITIES.index("aftermarket")] - mean[0], abs=1e-8)
