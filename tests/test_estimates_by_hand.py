"""Single figures of estimation, each worked out a second way: by hand, by scipy, by statsmodels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from repair_horizon.classes import class_knowledge
from repair_horizon.classes.figures import PIVOT_MONTHS
from repair_horizon.estimation.calibration import width_factor
from repair_horizon.estimation.curve.checks import (
    level_after,
    market_index,
    parameter_table,
    robust_check,
    width_shares,
)
from repair_horizon.estimation.curve.design import Points, Priors, layout_of, segments
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.market import FAMILIES_DIFFER, MarketBreak
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.curve.predict import learned_share, predict
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.forecast import forecast
from repair_horizon.estimation.owner_guesses import (
    FAMILY_OFFSET_SD,
    OFFSET_SD,
    OwnerGuesses,
    _prior,
    owner_guesses,
)
from repair_horizon.estimation.part_paths import ClassPart, PartPaths
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.estimation.pooled_curves import (
    PART_STEP,
    SHOP_STEP,
    WIDER,
    PooledParts,
    base_columns,
    class_curve,
    part_steps,
)
from repair_horizon.estimation.pooled_ratios import NO_FAULT, WHOLE_SHARE_SD, _scale, _width
from repair_horizon.estimation.price_rows import anchored
from repair_horizon.estimation.price_table import monthly_change
from repair_horizon.estimation.repairs import _with_shares, reading_class
from repair_horizon.estimation.shop_knowledge import steps
from repair_horizon.estimation.time_on_market import time_on_market
from repair_horizon.tables.inputs import CLASSES, QUALITIES
from repair_horizon.tables.months import month_middle
from repair_horizon.tables.words import percent
from scant_logs import FAMILY, all_fitted, workspace
from scipy import integrate
from scipy.special import expit, logit
from scipy.stats import norm, t

NOW = pd.Timestamp("2024-12-28")
LAUNCH = pd.Timestamp("2022-01-01")


def models(count: int, known: bool = True, steps: bool = False) -> Models:
    """Models of one family, eight months apart; the first has a successor where there are steps."""
    launch = pd.DatetimeIndex([LAUNCH + pd.Timedelta(days=240 * i) for i in range(count)])
    next_one = [launch[1] if steps else pd.NaT, *[pd.NaT] * (count - 1)]
    names = tuple(f"m{i}" for i in range(count))
    price = np.full(count, 500.0)
    return Models(
        names, launch, price, np.full(count, known), pd.DatetimeIndex(next_one), 12.0, 2.0, steps
    )


def panel(known: Models, sold: int, seed: int = 1, each: int = 40) -> Panel:
    """Prices of the first models falling two per cent a month, a fifth off for a second grade."""
    rng = np.random.default_rng(seed)
    model = np.repeat(np.arange(sold), each)
    span = (NOW - known.launch[model]).days.to_numpy()
    day = known.launch[model] + pd.to_timedelta(np.floor(rng.uniform(10, span)), unit="D")
    age = (day - known.launch[model]).days.to_numpy() / 30.4375
    second = rng.integers(0, 2, len(model)).astype(float)
    y = -0.08 - 0.02 * age - 0.2 * second + 0.1 * rng.standard_t(4, len(model))
    y = y + rng.normal(0, 0.08, sold)[model]
    traits = Traits(("grade B",), second[:, None], np.array([0.3]), np.array([False]))
    key = np.array([f"S{i}" for i in range(len(y))], dtype=object)
    return Panel(known, y, model, pd.DatetimeIndex(day), traits, key, 500 * np.exp(y), NOW)


@pytest.fixture(scope="module")
def fit() -> JointFit:
    return fit_joint(panel(models(3), 3), Priors())


def at(model: int, *days: str) -> Points:
    return Points(np.full(len(days), model), pd.DatetimeIndex(days), np.zeros((len(days), 1)))


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
    found = fit_joint(panel(twin, 2), Priors())
    now = [str(NOW.date())]
    sold, unsold = (float(predict(found, at(m, *now)).level_variance[0]) for m in (0, 2))
    assert learned_share(found)[0] == pytest.approx(1 - sold / unsold, abs=0.02)
    assert learned_share(found)[2] == pytest.approx(0.0, abs=1e-6)


def test_the_layout_reaches_from_the_first_sale_to_today_or_a_later_sale() -> None:
    prices = panel(models(3), 3)
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
    prices = panel(models(3, steps=True), 3)
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


def test_the_mean_of_a_class_parts_draws_is_the_classs_figure() -> None:
    """Whatever the width; 400,000 draws, the launch price known and not."""
    rng, n = np.random.default_rng(8), 400_000
    for known in (True, False):
        part = ClassPart(
            "phone",
            "DA",
            models(1, known),
            pd.DatetimeIndex([LAUNCH + pd.Timedelta(days=900)]),
            rng.standard_normal((n, 2)),
            {"aftermarket": rng.standard_normal(n)},
        )
        (path,) = part.paths("m0", ["aftermarket"])
        log_share, _ = part._shares("aftermarket", np.array([900 / 30.4375]))
        assert path.price.mean() / 500 == pytest.approx(float(np.exp(log_share[0])), rel=0.006)


def test_parts_of_the_first_month_are_the_first_month_of_their_paths(tmp_path: Path) -> None:
    family = forecast(all_fitted(workspace(tmp_path / "w")), months=6, draws=50).families[FAMILY]
    parts = family.parts
    assert isinstance(parts, PartPaths)
    assert len(list(parts)) > 3
    for key in parts:
        np.testing.assert_allclose(parts.now[key].price[:, 0], parts[key].price[:, 0])


def test_a_change_over_more_months_than_are_drawn_is_the_change_over_those(
    tmp_path: Path,
) -> None:
    """A share a month, so that the last month drawn stands for all beyond it."""
    family = forecast(all_fitted(workspace(tmp_path / "w")), months=6, draws=50).families[FAMILY]
    drawn = family.level.shape[2] - 1
    pd.testing.assert_frame_equal(monthly_change(family, 99), monthly_change(family, drawn))
    level = family.level[:, 0]
    by_hand = np.median((level[:, 3] / level[:, 0]) ** (1 / 3) - 1)
    assert monthly_change(family, 3)["change"].iloc[0] == pytest.approx(by_hand)


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


def test_before_anything_was_listed_the_usual_price_is_within_the_range_asked() -> None:
    columns = {"days": [], "sold": [], "log_ratio": [], "channel": [], "class": []}
    rows = pd.DataFrame({**columns, "log_reached": []}).astype(
        {"days": float, "sold": bool, "log_ratio": float, "channel": "str", "class": "str"}
    )
    found = time_on_market(rows, 20.0)
    assert found.lowest < 0.0 < found.highest


def test_a_family_less_sure_than_enough_has_no_say_in_whether_families_agree() -> None:
    """Four families, one of a few scattered prices: it is not counted among those that agree."""
    rng = np.random.default_rng(2)

    class Rows:
        def __init__(self, prices: Panel) -> None:
            self.panel = prices

    big = {f"f{i}": Rows(panel(models(3), 3, seed=i, each=60)) for i in range(3)}
    few = panel(models(3), 3, seed=9, each=60)
    kept = np.zeros(len(few.y), dtype=bool)
    kept[rng.choice(len(few.y), 3, replace=False)] = True
    last = NOW.year * 12 + NOW.month - 1
    rows = {**big, "small": Rows(few.kept(kept))}
    said = list(steps(rows, dict.fromkeys(rows, "phone"), last))
    alone = list(steps(big, dict.fromkeys(big, "phone"), last))
    assert said
    assert [s.families for s in said] == [s.families for s in alone]
