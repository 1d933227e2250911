"""Single figures of estimation, each worked out a second way: by hand, by scipy, by statsmodels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from panels_by_hand import LAUNCH, NOW, models, points, usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.classes.figures import PIVOT_MONTHS
from repair_horizon.estimation import shop_knowledge
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.calibration import width_factor
from repair_horizon.estimation.curve.checks import (
    _AGE_NAMES,
    _PRICES,
    far_off,
    level_after,
    market_index,
    model_effects,
    parameter_table,
    residual_groups,
    robust_check,
    width_shares,
)
from repair_horizon.estimation.curve.design import (
    Points,
    Priors,
    layout_of,
    level_and_slopes,
    segments,
)
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.market import FAMILIES_DIFFER, MarketBreak, covariances
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.curve.predict import draw, learned_share, level_paths, predict, until
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.forecast import _unit_noise, forecast
from repair_horizon.estimation.owner_guesses import (
    FAMILY_OFFSET_SD,
    OFFSET_SD,
    OwnerGuesses,
    _prior,
    owner_guesses,
)
from repair_horizon.estimation.part_paths import ClassPart, PartPaths
from repair_horizon.estimation.part_prices import PART_PRIORS, common_move, together
from repair_horizon.estimation.pooled_curves import (
    PART_STEP,
    SHOP_STEP,
    WIDER,
    PooledParts,
    base_columns,
    class_curve,
    curve_alone,
    part_steps,
)
from repair_horizon.estimation.pooled_effects import effects_alone
from repair_horizon.estimation.pooled_ratios import (
    NO_FAULT,
    WHOLE_SHARE_SD,
    _scale,
    _width,
    against_plain,
)
from repair_horizon.estimation.price_rows import _commonest, anchored
from repair_horizon.estimation.price_table import monthly_change
from repair_horizon.estimation.repairs import (
    _with_shares,
    beta_interval,
    fit_rates,
    reading_class,
    success_by_fault,
)
from repair_horizon.estimation.shop_knowledge import _OWN, _SHARED, _SLOW, SPAN, _months, steps
from repair_horizon.estimation.time_on_market import time_on_market
from repair_horizon.tables.inputs import CLASSES, QUALITIES
from repair_horizon.tables.months import month_middle
from repair_horizon.tables.words import percent
from scant_logs import FAMILY, all_fitted, workspace
from scipy import integrate
from scipy.optimize import brentq
from scipy.special import expit, logit
from scipy.stats import beta, norm, t


@pytest.fixture(scope="module")
def fit() -> JointFit:
    return fit_joint(usual_panel(1, graded=True), Priors())


def at(model: int, *days: str) -> Points:
    return points(model, pd.DatetimeIndex(days), traits=1)


def months_alone(panel: Panel) -> tuple[np.ndarray, np.ndarray]:
    """What a family's prices say of each month's market."""
    return _months(panel, "phone", NOW.year * 12 + NOW.month - 1)


# -- curves and what is told of them


def test_half_widths_are_those_of_a_sale_drawn_from_the_level_and_its_own_spread(
    fit: JointFit,
) -> None:
    """Shares add up to one; widths agree with 80 % of drawn sales, normal level and t spread."""
    where = at(0, "2025-02-15", "2026-06-15")
    half, shares = width_shares(fit, where)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)
    assert (shares >= 0).all()
    band, rng = predict(fit, where), np.random.default_rng(4)
    own = fit.scales.noise * t(4).rvs(200_000, random_state=rng)
    for i in range(2):
        sales = np.sqrt(band.level_variance[i]) * rng.standard_normal(200_000) + own
        assert half[i] == pytest.approx(np.quantile(np.abs(sales), 0.8), rel=0.04)


def test_intervals_of_market_and_coefficients_are_scipys(fit: JointFit) -> None:
    """Ends are the quantiles of a normal with the posterior's mean and deviation."""
    market, mean, cov = market_index(fit, 0.8), fit.posterior.mean, fit.posterior.cov
    at = fit.layout.months
    law = norm(mean[at], np.sqrt(np.diag(cov)[at]))
    for column, p in (("index", 0.5), ("lower", 0.1), ("upper", 0.9)):
        np.testing.assert_allclose(market[column], np.exp(law.ppf(p)), rtol=1e-9)
    table = parameter_table(fit, 0.5)
    each = norm(mean[: len(table)], np.sqrt(np.diag(cov))[: len(table)])
    np.testing.assert_allclose(table["lower"], each.ppf(0.25), atol=1e-5)
    np.testing.assert_allclose(table["upper"], each.ppf(0.75), atol=1e-5)


def test_groups_of_sales_are_told_as_pandas_groups_them() -> None:
    """Ages by year, thirds of the fitted price and channels, by groupby and scipy's Student-t."""
    drawn = usual_panel(1, graded=True)
    traits = replace(drawn.traits, names=("channel shop",))
    fit = fit_joint(replace(drawn, traits=traits), Priors())
    seen, noise, weight, left = fit.panel, fit.scales.noise, fit.weights, fit.residuals
    within = np.abs(left) <= noise * t(4).ppf(0.9)
    price = pd.Series(np.exp(seen.y - left) * 500).rank(method="first", pct=True)
    names = {
        "age": pd.cut(seen.age, [0, 12, 24, 36, 99], right=False, labels=_AGE_NAMES),
        "year": seen.day.year.astype(str),
        "price": pd.cut(price, [0, 1 / 3, 2 / 3, 1], labels=_PRICES),
        "channel": np.where(seen.traits.values[:, 0] > 0, "shop", "market"),
    }
    table = residual_groups(fit, "market").set_index(["what", "group"])
    rows = pd.DataFrame({"w": weight, "wr": weight * left, "within": within})
    for what, named in names.items():
        by = rows.groupby(np.asarray(named, dtype=object))
        told, w = table.loc[what].sort_index(), by["w"].sum()
        assert told["n"].tolist() == by.size().tolist()
        np.testing.assert_allclose(told["miss"], by["wr"].sum() / w)
        np.testing.assert_allclose(told["std_error"], noise * w**-0.5)
        np.testing.assert_allclose(told["inside"], by["within"].mean())
    first = table.iloc[0]
    for errors in (1.9, 2.1):
        off = replace(fit, residuals=left + errors * first["std_error"] - first["miss"])
        assert residual_groups(off, "market")["clear"].iloc[0] == (errors > 2)


def test_far_off_is_more_than_four_spreads_either_way(fit: JointFit) -> None:
    left = np.zeros(len(fit.panel.y))
    left[:4] = fit.scales.noise * np.array([4.1, -4.3, 3.9, -3.9])
    assert far_off(replace(fit, residuals=left))["key"].tolist() == ["S1", "S0"]


def test_what_is_learned_of_a_model_is_the_part_of_its_prior_variance_that_is_gone(
    fit: JointFit,
) -> None:
    variance = np.diag(fit.posterior.cov)[fit.layout.models(0)]
    expected = 1 - variance / fit.scales.level**2
    assert (expected > 0.1).all()
    np.testing.assert_allclose(model_effects(fit)["learned"], expected)


def test_intervals_are_80_per_cent_unless_asked_otherwise(fit: JointFit) -> None:
    where, there = at(0, "2025-06-15"), at(0, "2025-03-15")
    pd.testing.assert_frame_equal(market_index(fit), market_index(fit, 0.8))
    pd.testing.assert_frame_equal(parameter_table(fit), parameter_table(fit, 0.8))
    assert width_shares(fit, where)[0] == width_shares(fit, where, 0.8)[0]
    assert level_after(fit, where, there, 2) == level_after(fit, where, there, 2, 0.8)
    jobs = pd.DataFrame({"listed_fault": "f", "outcome": ["not_fixed", "fixed_first_pass"]})
    pd.testing.assert_frame_equal(success_by_fault(jobs), success_by_fault(jobs, 0.8))
    a, b = np.array([3.0]), np.array([2.0])
    np.testing.assert_allclose(beta_interval(a, b), beta.ppf([[0.1], [0.9]], 3.0, 2.0))


def test_a_further_sale_tells_of_a_level_what_drawn_paths_have_in_common(fit: JointFit) -> None:
    """Its level today, of the same model or of another, against 40,000 paths half a year on."""
    target = at(0, "2025-06-15")
    for model in (0, 1):
        there = at(model, "2024-12-28")
        both = together([target, there])
        paths = level_paths(fit, draw(fit, 7, 40_000, Antithetic.seeded(3)), both)
        cov = np.cov(paths.T)
        for count in (1, 4):
            left = cov[0, 0] - cov[0, 1] ** 2 / (cov[1, 1] + fit.scales.noise**2 / count)
            now, then = level_after(fit, target, there, count)
            assert now == pytest.approx(norm.ppf(0.9) * np.sqrt(cov[0, 0]), rel=0.015)
            assert (then[0] / now) ** 2 == pytest.approx(left / cov[0, 0], abs=0.015)


@pytest.mark.parametrize("first", ["2024-12-28", "2025-02-15"])
def test_draws_cut_to_some_days_give_the_same_paths_there(fit: JointFit, first: str) -> None:
    """Paths of this month need the known months' effects, later ones none of them."""
    drawn, where = draw(fit, 12, 20, Antithetic.seeded(2)), at(0, first, "2025-05-15")
    cut = until(fit, drawn, where.day)
    np.testing.assert_allclose(level_paths(fit, cut, where), level_paths(fit, drawn, where))
    assert cut.market.shape[1] == 6
    assert (cut.theta.shape == drawn.theta.shape) == (first == "2024-12-28")


def test_what_further_sales_tell_is_what_a_further_row_of_data_tells(fit: JointFit) -> None:
    """One over what n sales take off the variance is even in 1 / n, by the sale's own variance.

    At no 1 / n at all the level there is known, so that ratio is the level's variance by
    ``predict``.
    """
    target, there = at(0, "2025-06-15"), at(0, "2025-03-15")
    z = norm.ppf(0.9)

    def off(count: int) -> float:
        now, after = level_after(fit, target, there, count)
        return float((now**2 - after[0] ** 2) / z**2)

    one, two, four = (1 / off(n) for n in (1, 2, 4))
    assert one > two > four > 0, "more sales tell more"
    assert one - two == pytest.approx(2 * (two - four), rel=1e-6)
    variance = float(predict(fit, there).level_variance[0])
    assert (one - two) / (2 * two - one) == pytest.approx(
        0.5 * fit.scales.noise**2 / variance, rel=1e-6
    )


def test_the_robust_effect_is_that_of_statsmodels_on_dummies(fit: JointFit) -> None:
    """Models as dummies, age and its root, Tukey's biweight."""
    table, seen = robust_check(fit), fit.panel
    years = seen.age / 12
    x = pd.get_dummies(pd.Series(seen.model)).astype(float)
    x = x.assign(years=years, root=np.sqrt(years), grade=seen.traits.values[:, 0])
    x.columns = x.columns.astype(str)
    found = sm.RLM(seen.y, x, M=sm.robust.norms.TukeyBiweight()).fit()
    assert table["name"].tolist() == ["grade B"]
    assert table["robust"].iloc[0] == pytest.approx(found.params["grade"], abs=1e-6)
    assert table["std_error"].iloc[0] == pytest.approx(found.bse["grade"], rel=1e-6)


def test_what_own_sales_taught_is_told_against_a_twin_never_sold() -> None:
    """The twin stands in the fit: same launch, same price, no sale.

    Its variance today is what the family alone leaves, but for what the twin shares.
    """
    known = models(3)
    twin = replace(
        known,
        ids=("m0", "m1", "twin"),
        launch=pd.DatetimeIndex([*known.launch[:2], known.launch[0]]),
    )
    found = fit_joint(usual_panel(1, 2, known=twin, graded=True), Priors())
    now = [str(NOW.date())]
    sold, unsold = (float(predict(found, at(m, *now)).level_variance[0]) for m in (0, 2))
    assert learned_share(found)[0] == pytest.approx(1 - sold / unsold, abs=0.02)
    assert learned_share(found)[2] == pytest.approx(0.0, abs=1e-6)


def test_the_layout_reaches_from_the_first_sale_to_today_or_a_later_sale() -> None:
    prices = usual_panel(1, graded=True)
    layout = layout_of(prices, Priors())
    assert layout.first_month == prices.month.min()
    assert layout.last_month == NOW.year * 12 + NOW.month - 1
    late = prices.day.where(np.arange(len(prices.y)) > 0, pd.Timestamp("2025-02-10"))
    later = layout_of(replace(prices, day=pd.DatetimeIndex(late)), Priors())
    assert later.last_month == 2025 * 12 + 1


def test_a_family_steps_as_the_shop_does_to_within_the_surer_of_two_spreads() -> None:
    told = MarketBreak(24_000, -0.2, 0.01, 4, 4)
    assert told.spread == FAMILIES_DIFFER
    assert replace(told, sd=0.2).spread == 0.2


def test_bounds_of_a_step_are_its_80_per_cent() -> None:
    """A step of minus 0.2 with 0.05: scipy's quantiles, the nearer one first."""
    words = MarketBreak(24_000, -0.2, 0.05, 4, 4).words
    near, middle, far = (percent(-np.expm1(-0.2 - 0.05 * norm.ppf(p))) for p in (0.1, 0.5, 0.9))
    assert f"about {middle} ({near} to {far} with 80 %)" in words


def test_a_drawn_outlook_is_as_wide_ahead_as_the_curve_says(tmp_path: Path) -> None:
    """Levels drawn month by month for a family, against ``predict`` on the same days."""
    estimates = all_fitted(workspace(tmp_path / "w"))
    outlook = forecast(estimates, months=12, draws=4000)
    family, curves = outlook.families[FAMILY], estimates.families[FAMILY].prices
    days = pd.DatetimeIndex([month_middle(outlook.first_month + h) for h in (0, 6, 11)])
    band = predict(curves.fit, curves.points(np.full(3, 0), days))
    drawn = np.log(family.level[:, 0, [0, 6, 11]] / 500.0)
    assert drawn.std(axis=0) == pytest.approx(np.sqrt(band.level_variance), rel=0.06)
    assert drawn.mean(axis=0) == pytest.approx(band.median, abs=0.03)


def test_one_unit_lies_around_the_mean_sale_as_students_t_cut_at_six_scales_does() -> None:
    noise = _unit_noise(0.1, 200_000, Antithetic.seeded(3))
    assert noise.mean() == pytest.approx(1.0)
    log = np.log(noise / np.median(noise)) / 0.1
    for p in (0.05, 0.25, 0.75, 0.95):
        assert np.quantile(log, p) == pytest.approx(t(4).ppf(p), abs=0.03)
    assert (log.min(), log.max()) == pytest.approx((-6, 6), abs=0.03)


# -- where curves start


@pytest.mark.parametrize(("ages", "priors"), [((6.0, 30.0), PRICE_PRIORS), ((3.0,), PART_PRIORS)])
def test_a_family_without_launch_price_stands_where_its_prices_would(
    ages: tuple[float, ...], priors: Priors
) -> None:
    """Above every price, twice as high at twice the prices, and higher for older devices."""
    known = models(1, known=False)
    day = pd.DatetimeIndex([LAUNCH + pd.Timedelta(days=30.4375 * a) for a in ages])
    amount = np.linspace(200.0, 150.0, len(ages))
    found = anchored(known, (np.zeros(len(ages), dtype=int), day, amount), priors)
    price = float(found.launch_price[0])
    assert price > amount.max()
    dearer = anchored(known, (np.zeros(len(ages), dtype=int), day, 2 * amount), priors)
    assert dearer.launch_price[0] == pytest.approx(2 * price)
    later = anchored(
        known, (np.zeros(len(ages), dtype=int), day + pd.Timedelta(days=365), amount), priors
    )
    assert later.launch_price[0] > 1.02 * price


def test_a_family_is_told_at_its_commonest_grade() -> None:
    grades = pd.Series(["B", "C", "A", "B", "C", "B"])
    assert _commonest(grades.to_numpy(dtype=object), "none") == grades.mode()[0]
    assert _commonest(grades[:0].to_numpy(dtype=object), "none") == "none"


def test_a_part_is_expected_at_a_share_of_the_launch_price_that_some_class_has() -> None:
    """Level of the parts' own priors: within the parts of all classes, and as wide as they are."""
    told = [
        class_knowledge(kind).part_share(code, "maker_original")
        for kind in CLASSES
        for code in class_knowledge(kind).part_codes
    ]
    shares = np.log([s.value for s in told if hasattr(s, "value")])
    level, wide = PART_PRIORS.level
    assert shares.min() < level < shares.max()
    assert level == pytest.approx(shares.mean(), abs=wide)
    assert np.ptp(shares) / 4 < wide < 2 * np.ptp(shares)


def test_where_no_class_is_known_a_device_falls_in_the_end_as_those_of_some_class_do() -> None:
    """The last slope of the priors alone lies among the classes' last slopes, and none rises."""
    last = [class_curve(kind).mean[-1] for kind in CLASSES]
    assert min(last) < level_and_slopes(PRICE_PRIORS).mean[-1] < max(last) < 0


@pytest.mark.parametrize("priors", [PRICE_PRIORS, PART_PRIORS])
def test_no_price_rests_on_a_tenth_of_a_judged_prior(priors: Priors) -> None:
    """A year ahead, from three sales or 120: a tenth of any figure is lost in what is not known.

    Levels move by under a seventh of their deviation, deviations by under a twentieth; how fast
    slopes fade is apart.
    """
    where, known = at(0, "2025-12-15"), models(3, first_ends=True)
    for panel in (
        usual_panel(1, 1, 3, known=known, graded=True),
        usual_panel(1, known=known, graded=True),
    ):
        usual = predict(fit_joint(panel, priors), where)
        sd = np.sqrt(usual.level_variance)
        for name, figure in vars(priors).items():
            for other in tenths(figure) if name != "damp" else []:
                band = predict(fit_joint(panel, replace(priors, **{name: other})), where)
                assert abs(band.median - usual.median) < sd / 7, name
                assert np.sqrt(band.level_variance) == pytest.approx(sd, rel=0.05), name


def tenths(figure: object) -> list[object]:
    """A figure a tenth larger; of a mean and a deviation first one, then the other."""
    if isinstance(figure, tuple):
        return [(figure[0] * 1.1, figure[1]), (figure[0], figure[1] * 1.1)]
    return [figure * 1.1] if isinstance(figure, float) else []


def test_a_class_is_unsure_of_the_level_by_all_its_figure_at_twelve_months() -> None:
    """Between two classes the variances there differ by their figures alone, half as much again."""
    load = np.concatenate([[1.0], segments(np.array([float(PIVOT_MONTHS)]))[0]])
    variances, figures = {}, {}
    for kind in CLASSES:
        variances[kind] = load @ np.linalg.inv(class_curve(kind).precision) @ load
        figures[kind] = class_knowledge(kind).price_curve.level_log_sd
    wide, sure = max(figures, key=figures.__getitem__), min(figures, key=figures.__getitem__)
    assert figures[wide] > figures[sure]
    expected = WIDER * (figures[wide] ** 2 - figures[sure] ** 2)
    assert variances[wide] - variances[sure] == pytest.approx(expected, rel=1e-6)


def test_what_a_successor_takes_is_taken_off_before_families_are_compared() -> None:
    """By the usual step of the joint model's own prior, where one has come."""
    prices = usual_panel(1, known=models(3, first_ends=True))
    came = (prices.model == 0) & (prices.day >= prices.models.launch[1])
    x, y, sd = base_columns(prices)
    assert came.any()
    np.testing.assert_allclose(y - prices.y, np.where(came, -Priors().step[0], 0.0))
    np.testing.assert_allclose(x[:, 11], came)
    assert sd[0] == Priors().step[1]


def test_a_quality_nobody_quoted_lies_from_the_base_as_the_class_says_and_as_wide() -> None:
    """Both qualities may lie off in the shop and in this part, each by itself."""
    known = class_knowledge("phone")
    step, wide = PooledParts(0.2).step(known, ("f", "DA"), "aftermarket", "maker_original")
    shares = [known.part_share("DA", q).value for q in ("aftermarket", "maker_original")]
    assert step == pytest.approx(np.log(shares[0] / shares[1]))
    own = part_steps(known, "DA")
    assert (own >= PART_STEP).all()
    names = ("aftermarket", "maker_original")
    each = [SHOP_STEP**2 + own[QUALITIES.index(q)] ** 2 for q in names]
    assert wide == pytest.approx(np.sqrt(sum(each)))


# -- parts


def test_a_class_parts_draws_have_the_classs_figure_as_their_mean_and_its_width() -> None:
    """As wide as the figure at that age, a model's own level and a launch price unknown (0.4)."""
    rng, n = np.random.default_rng(8), 400_000
    for known in (True, False):
        part = ClassPart(
            "phone",
            "DA",
            models(1, known=known),
            pd.DatetimeIndex([LAUNCH + pd.Timedelta(days=900)]),
            rng.standard_normal((n, 2)),
            {"aftermarket": rng.standard_normal(n)},
        )
        path = part.path("m0", "aftermarket")
        log_share, _ = part._shares("aftermarket", np.array([900 / 30.4375]))
        assert path.price.mean() / 500 == pytest.approx(float(np.exp(log_share[0])), rel=0.006)
        own = class_knowledge("phone").part_share("DA", "aftermarket", 900 / 30.4375).log_sd
        wide = np.sqrt(own**2 + PART_PRIORS.model_level**2 + (not known) * 0.4**2)
        assert np.log(path.price).std() == pytest.approx(wide, rel=0.005)


def test_parts_of_the_first_month_are_the_first_month_of_their_paths(tmp_path: Path) -> None:
    family = forecast(all_fitted(workspace(tmp_path / "w")), months=6, draws=50).families[FAMILY]
    parts = family.parts
    assert isinstance(parts, PartPaths)
    assert len(list(parts)) > 3
    for key in parts:
        np.testing.assert_allclose(parts.now[key].price[:, 0], parts[key].price[:, 0])
        alone = replace(parts, keyed={key: None})
        np.testing.assert_allclose(alone.now[key].price[:, 0], parts[key].price[:, 0])


def test_a_change_over_more_months_than_are_drawn_is_the_change_over_those(
    tmp_path: Path,
) -> None:
    """A share a month, from the first month to the last drawn within a year."""
    family = forecast(all_fitted(workspace(tmp_path / "w")), months=6, draws=50).families[FAMILY]
    for last in (3, 12):
        level = family.level[:, :, : last + 1]
        by_hand = (level[:, 0, last] / level[:, 0, 0]) ** (1 / last) - 1
        row = monthly_change(replace(family, level=level)).iloc[0]
        told = row[["lower", "change", "upper"]].tolist()
        assert told == pytest.approx(np.quantile(by_hand, [0.1, 0.5, 0.9]).tolist())


def test_a_common_move_is_told_against_the_forecast_from_all_other_quotes() -> None:
    """Six newest quotes given all others, by the rules for Gaussian vectors; a move is 0.4 wide."""
    drawn = usual_panel(2, each=20)
    late = np.flatnonzero(drawn.model == 0)[np.argsort(drawn.day[drawn.model == 0])][-6:]
    others = np.setdiff1d(np.arange(len(drawn.y)), late)
    y = drawn.y + 0.6 * np.isin(np.arange(len(drawn.y)), late)
    fit = fit_joint(replace(drawn, y=y), PART_PRIORS)
    x, prior = fit.rows.full(), fit.posterior.prior_precision
    quarter = drawn.month // 3
    drift = fit.scales.drift**2 * 0.8 ** np.abs(np.subtract.outer(quarter, quarter))
    drift = drift * np.equal.outer(drawn.model, drawn.model)
    own = np.diag(1 / fit.row_precision)
    cov = x @ np.linalg.inv(prior) @ x.T + drift + own
    off = y - x @ np.linalg.solve(prior, fit.posterior.prior_pull)
    gain = cov[np.ix_(late, others)] @ np.linalg.inv(cov[np.ix_(others, others)])
    error = off[late] - gain @ off[others]
    left = (cov - own)[np.ix_(late, late)] - gain @ cov[np.ix_(others, late)]
    precision = np.linalg.inv(left + fit.scales.noise**2 * np.eye(6))
    sure = precision.sum() + 0.4**-2
    found = common_move(fit, late)
    assert found == pytest.approx((precision.sum(axis=0) @ error / sure, sure**-0.5), rel=1e-5)
    assert common_move(fit, others[drawn.model[others] == 0][-6:]) is None


# -- guesses, shares, readings


def test_a_guess_is_the_mean_where_nothing_else_is_known() -> None:
    """By scipy's quadrature over a normal logit; the closed form is MacKay's (1992)."""
    sd = float(np.hypot(OFFSET_SD, FAMILY_OFFSET_SD))
    for guess in (0.6, 0.75, 0.9):
        mean, _ = _prior(np.array([guess]), np.zeros(1), np.full(1, 0.5))
        assert float(logit(mean[0, 0])) == pytest.approx(
            float(logit(guess)) * np.sqrt(1 + np.pi * sd**2 / 8), rel=1e-9
        )
        usual = float(logit(mean[0, 0]))
        over, _ = integrate.quad(lambda x, u=usual: expit(u + x) * norm.pdf(x, 0, sd), -4, 4)
        assert over == pytest.approx(guess, abs=0.01)


def guesses_of(tmp_path: Path) -> OwnerGuesses:
    return owner_guesses(workspace(tmp_path / "g"))


def test_one_job_of_another_family_counts_as_one_of_ones_own(tmp_path: Path) -> None:
    """A state's guess is worth a job at least, so one job elsewhere weighs in full."""
    known = guesses_of(tmp_path)
    for fixed in (0.0, 1.0):
        one, none = np.ones(1), np.zeros(1)
        guess, declared = np.array([0.8]), np.ones(1)
        lent = known.success(FAMILY, guess, none, none, np.array([[fixed, 1.0]]), declared)
        own = known.success(FAMILY, guess, fixed * one, one, np.zeros((1, 2)), declared)
        np.testing.assert_allclose(lent, own)


def test_many_jobs_of_other_families_weigh_no_more_than_the_guess(tmp_path: Path) -> None:
    """A thousand of a thousand elsewhere bring a guess of a half to three quarters."""
    known = guesses_of(tmp_path)
    nothing = np.zeros(1)
    (a, b), = known.success(
        FAMILY, np.array([0.5]), nothing, nothing, np.array([[1000.0, 1000.0]]), nothing
    )  # fmt: skip
    assert a / (a + b) == pytest.approx(0.75, abs=1e-6)


def test_jobs_of_one_family_move_what_another_may_expect(tmp_path: Path) -> None:
    """By the whole grid, laid out anew: the offset of a second family is the first's, less sure."""
    known = guesses_of(tmp_path)
    likelihood = norm.logpdf(known.offset, 1.2, 0.3)
    told = replace(known, likelihood={"first": likelihood}, start_mean=0.0, start_sd=OFFSET_SD)
    weight = told.weights("second")
    variance = OFFSET_SD**2
    seen = FAMILY_OFFSET_SD**2 + 0.3**2
    shop = variance * 1.2 / (variance + seen)
    assert weight @ known.offset == pytest.approx(shop, abs=0.02)
    own = told.weights("first") @ known.offset
    both = variance + FAMILY_OFFSET_SD**2
    assert own == pytest.approx(both * 1.2 / (both + 0.3**2), abs=0.02)


def test_drawn_rates_have_the_means_and_intervals_that_are_told(tmp_path: Path) -> None:
    rates, rng = fit_rates(workspace(tmp_path / "w"), FAMILY), np.random.default_rng(5)
    told = rates.states[rates.states["listed_fault"] == "display_dead"]
    for name, drawn in (
        ("share", rates.draw_shares("display_dead", 40_000, Antithetic(rng))),
        ("success", rates.draw_success("display_dead", 40_000, Antithetic(rng))),
    ):
        np.testing.assert_allclose(drawn.mean(axis=0), told[name], atol=0.005)
        ends = np.quantile(drawn, [0.1, 0.9], axis=0)
        np.testing.assert_allclose(ends, told[[f"{name}_lower", f"{name}_upper"]].T, atol=0.01)
    drawn = rates.draw_grades(40_000, Antithetic(rng))
    np.testing.assert_allclose(drawn.mean(axis=0), rates.grades["share"], atol=0.005)


def test_a_job_of_unknown_state_counts_in_parts_by_bayes_rule(tmp_path: Path) -> None:
    """Four mended and two not: three rounds of parts by success and success by parts."""
    outcome = ["fixed_first_pass"] * 4 + ["not_fixed"] * 2
    rows = [f"J{i},U{i},ulver_1,2024-05-0{i + 1},display_dead,,{o}" for i, o in enumerate(outcome)]
    head = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome"
    logs = workspace(tmp_path / "w", repairs="\n".join([head, *rows]) + "\n")
    guesses = owner_guesses(logs)
    states = fit_rates(logs, FAMILY, guesses).states
    share, guess = (states[c].to_numpy(float) for c in ("share", "prior_success"))
    able, none, parts = guess > 0, np.zeros((len(guess), 2)), np.zeros((2, len(guess)))
    for _ in range(4):
        a, b = guesses.success(FAMILY, guess, *parts, none, np.ones(len(guess))).T
        p = a / (a + b)
        good, bad = share * p * able, share * (1 - p) * able
        mended = 4 * good / good.sum()
        parts = np.stack([mended, mended + 2 * bad / bad.sum()])
    np.testing.assert_allclose(states["success"], p * able)


def test_jobs_elsewhere_count_one_each_up_to_what_declared_shares_are_worth() -> None:
    """Ten worth: four elsewhere count four, forty count ten in all, in their own proportions."""
    states = pd.DataFrame(
        {"listed_fault": ["f", "f"], "state": ["a", "b"], "prior_share": [0.7, 0.3]}
    )

    def alpha(a: int, b: int) -> np.ndarray:
        rows = [("f", "a")] * a + [("f", "b")] * b
        jobs = pd.DataFrame(rows, columns=["listed_fault", "state_found"])
        nobody = jobs.iloc[:0]
        return _with_shares(states, nobody, jobs, 10.0)["alpha"].to_numpy()

    np.testing.assert_allclose(alpha(1, 3), [7 + 1, 3 + 3])
    np.testing.assert_allclose(alpha(10, 30), [7 + 2.5, 3 + 7.5])


def test_a_reading_at_a_bound_belongs_above_it() -> None:
    """Ampere at every bound and just below, and the volts at which a charger has negotiated."""
    amps = pd.Series([0.0, 0.019, 0.02, 0.15, 0.7, 0.1, 0.1, np.nan])
    volts = pd.Series([5.0, 5.0, 5.0, 5.0, 5.0, 8.0, 7.9, 9.0])
    assert reading_class(volts, amps).tolist() == [0, 0, 1, 2, 3, 3, 1, -1]


# -- widths, ratios, days, the shop's market


def test_sales_that_end_just_on_the_interval_are_held() -> None:
    """Ends at a half and twice, prices at twice: all are held, before and after the factor."""
    sales = pd.DataFrame(
        {
            "cutoff": pd.Timestamp("2025-01-31"),
            "horizon": np.repeat([1, 3], 40),
            "actual": 2.0,
            "predicted": 1.0,
            "lower_80": 0.5,
            "upper_80": 2.0,
        }
    )
    found = width_factor(pd.concat([sales] * 2))
    assert (found.coverage, found.factor, found.supported_months) == (1.0, 1.0, 3)


def test_a_fault_goes_along_with_what_all_share_as_far_as_it_is_unsure() -> None:
    """None more than wholly; the surer the class is of a fault, the less."""
    keys = [*class_knowledge("phone").listed_faults, NO_FAULT]
    each = {k: _scale("phone", k) for k in keys}
    assert max(each.values()) <= 1.0
    assert min(each.values()) < 0.9
    for key, scale in each.items():
        assert scale == pytest.approx(np.clip(_width("phone", key) / WHOLE_SHARE_SD, None, 1.0))


def test_a_broken_unit_is_held_against_the_weighted_mean_of_what_worked_then() -> None:
    """Launch price by the class's curve, 0.30 wide; working sales, 0.15 wide, faded over 120 days.

    Those are moved to the day by the class's pace. Asking prices are brought to sold ones, prices
    of opened units to untouched ones. A year and four months off nothing is said.
    """
    kind, day = class_knowledge("phone"), pd.Timestamp("2023-09-01")
    sold = pd.DataFrame({"sale_date": pd.DatetimeIndex(["2023-07-01", "2024-01-01", "2022-05-01"])})
    sold["amount"] = [300.0, 240.0, 900.0]
    rows = pd.DataFrame({"day": day, "amount": 100.0, "asked": [0.0, 1.0], "opened": [0.0, 1.0]})
    age = (day - LAUNCH).days / 30.4375
    year = np.log(kind.share_of_launch(np.array([age - 1, age + 1])).value)
    apart = (day - sold["sale_date"]).dt.days.to_numpy()
    near = np.where(apart < 480, np.exp(-0.5 * (apart / 120) ** 2), 0.0) / 0.15**2
    moved = np.log(sold["amount"]) + (year[1] - year[0]) / 2 * apart / 30.44
    both = [np.log(500 * kind.share_of_launch(age).value), *moved], [0.30**-2, *near]
    for price, sales, (values, weights) in (
        (500.0, None, ([both[0][0]], [both[1][0]])),
        (500.0, sold, both),
        (np.nan, sold, (moved, near)),
    ):
        about = {"device_class": "phone", "launch_date": LAUNCH, "launch_amount": price}
        found = against_plain(rows, sales, pd.Series(about))
        ratio = np.log(100) - np.average(values, weights=weights)
        off = np.log(kind.market("ask_to_sold").value / 0.68)
        np.testing.assert_allclose(found["ratio"], [ratio, ratio + off], rtol=1e-9)
        np.testing.assert_allclose(found["reference"], 1 / np.sum(weights))
    assert against_plain(rows, None, pd.Series(about)).empty
    assert against_plain(rows, sold[2:], pd.Series(about)).empty


def test_before_anything_was_listed_the_usual_price_is_within_the_range_asked() -> None:
    """Five per cent below the level to ten above (judgement), and paid as asked."""
    columns = {"days": [], "sold": [], "log_ratio": [], "channel": [], "class": []}
    rows = pd.DataFrame({**columns, "log_reached": []}).astype(
        {"days": float, "sold": bool, "log_ratio": float, "channel": "str", "class": "str"}
    )
    found = time_on_market(rows, 20.0)
    assert (found.lowest, found.highest) == (-0.05, 0.10)
    assert found.reached == 1.0


def test_the_step_of_all_families_is_generalised_least_squares(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Months told of by three families, each with a path of its own on top of a shared one.

    A family whose own step is known to 0.16 has no say in whether they agree, one to 0.14 has.
    """
    last, n, rng = 24_000, SPAN, np.random.default_rng(3)
    wander = np.array([[covariances(n, _SLOW)[abs(i - j)] for j in range(n)] for i in range(n)])
    step = np.arange(n) >= n - 6

    def own(precision: np.ndarray) -> np.ndarray:
        return np.linalg.inv(np.linalg.inv(precision) + _OWN**2 * wander)

    def as_sure(sd: float) -> np.ndarray:
        """Months known alike, so that the family's own step has a deviation."""
        root = brentq(lambda p: step @ own(np.exp(p) * np.eye(n)) @ step - sd**-2.0, -5, 15)
        return np.exp(root) * np.eye(n)

    each = [as_sure(sd) for sd in (0.05, 0.14, 0.16)]
    seen = [-0.2 * step + 0.02 * rng.standard_normal(n) for _ in each]
    told = {f"f{i}": (p, p @ y) for i, (p, y) in enumerate(zip(each, seen, strict=True))}
    monkeypatch.setattr(shop_knowledge, "_months", lambda name, kind, last: told[name])
    rows = {f: SimpleNamespace(panel=f) for f in told}
    found = {s.month: s for s in steps(rows, dict.fromkeys(told, "phone"), last)}
    precision = np.sum([own(p) for p in each], axis=0)
    pull = np.sum([own(p) @ y for p, y in zip(each, seen, strict=True)], axis=0)
    seen_by_all = np.linalg.solve(precision, pull)
    whole = np.linalg.inv(np.linalg.inv(precision) + _SHARED**2 * wander)
    said = found[last - 5]
    assert said.size == pytest.approx(step @ whole @ seen_by_all / (step @ whole @ step), rel=1e-4)
    assert said.sd == pytest.approx((step @ whole @ step) ** -0.5, rel=1e-4)
    assert (said.families, said.agree) == (2, 2)


@pytest.mark.parametrize("what", [months_alone, curve_alone, effects_alone])
def test_what_a_family_says_does_not_hang_on_the_order_of_its_models(
    what: Callable[[Panel], tuple[np.ndarray, np.ndarray]],
) -> None:
    given = usual_panel(4, graded=True)
    known = given.models
    turned = replace(
        known, ids=known.ids[::-1], launch=known.launch[::-1], successor=known.successor[::-1]
    )
    for one, other in zip(
        what(given), what(replace(given, models=turned, model=2 - given.model)), strict=True
    ):
        np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-6)
