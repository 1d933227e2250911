"""The joint price model: what must hold whatever the data, and the special cases by name.

Panels are laid out by hand or drawn from the model itself, so that what is right is known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from panels_by_hand import LAUNCH, NOW, models, panel, points, usual_panel
from repair_horizon.decisions.month.stop_dates import first_of_two
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.checks import augmented_ols, parameter_table
from repair_horizon.estimation.curve.design import (
    Points,
    Priors,
    Rows,
    dense_prior,
    layout_of,
    posterior_of,
)
from repair_horizon.estimation.curve.fit import NU, JointFit, fit_joint
from repair_horizon.estimation.curve.market import covariances, market_path
from repair_horizon.estimation.curve.panel import Models, Panel, Traits, dummies
from repair_horizon.estimation.curve.predict import draw, level_paths, predict
from repair_horizon.estimation.curve.quarter_effects import fitted_covariance
from scipy import linalg
from statsmodels.regression.mixed_linear_model import MixedLMParams
from statsmodels.tsa.arima_process import arma_acovf

NO_TRAITS = Traits((), np.zeros((0, 0)), np.zeros(0), np.zeros(0, dtype=bool))


def test_the_mean_of_many_sales_counts_as_many() -> None:
    """A price of ``n_averaged`` 16 tells what sixteen sales of that price on that day tell."""
    whole = usual_panel(3, count=4)
    many = np.where(np.arange(len(whole.y)) % 5 == 0, 16, 1)
    again = np.repeat(np.arange(len(whole.y)), many)
    copies = panel(whole.models, whole.model[again], whole.day[again], whole.y[again])
    mine = fit_joint(replace(whole, averaged=many.astype(float)), Priors(), passes=1)
    theirs = fit_joint(copies, Priors(), passes=1)
    np.testing.assert_allclose(mine.posterior.mean, theirs.posterior.mean, atol=1e-9)
    np.testing.assert_allclose(mine.posterior.cov, theirs.posterior.cov, atol=1e-9)
    alone = fit_joint(whole, Priors(), passes=1)
    assert np.abs(alone.posterior.mean - theirs.posterior.mean).max() > 1e-3


def months_from(first: str, count: int) -> pd.DatetimeIndex:
    return pd.date_range(first, periods=count, freq="MS") + pd.Timedelta(days=14)


@pytest.fixture(scope="module")
def usual() -> JointFit:
    return fit_joint(usual_panel(1, count=4), Priors())


# --- The solver and its second form -------------------------------------------------------------


def test_dummies_are_pandas_own_but_for_the_base() -> None:
    values = pd.Series(["b", "a", "c", "b"])
    names, columns = dummies(values, "b")
    theirs = pd.get_dummies(values, dtype=float).drop(columns="b")
    assert names == list(theirs.columns)
    np.testing.assert_array_equal(columns, theirs)
    assert dummies(values[:1], "b")[1].shape == (1, 0)


def test_a_prior_is_as_sure_as_one_over_its_squared_width(usual: JointFit) -> None:
    """Traits by age 0.03 a year, season 0.03, step 0.07 (the estimation reference's widths)."""
    traits = Traits(
        ("grade B",), np.zeros((len(usual.panel.y), 1)), np.array([0.3]), np.array([True])
    )
    priors = Priors(trait_age_sd=0.03, season_sd=0.03, step=(-0.05, 0.07))
    layout = layout_of(replace(usual.panel, traits=traits), priors)
    _, precision = dense_prior(layout, traits, priors)
    width = {n: precision[i, i] ** -0.5 for i, n in enumerate(layout.names)}
    assert width["grade B"] == pytest.approx(0.3)
    assert width["grade B by age"] == pytest.approx(0.03)
    assert [w for n, w in width.items() if n.startswith("season")] == pytest.approx([0.03] * 2)
    assert width.get("step", 0.07) == pytest.approx(0.07)


def test_solver_equals_dense_normal_equations() -> None:
    """An independent dense solution of (X'WX + P) theta = X'Wy + P m0 must agree."""
    rng = np.random.default_rng(2)
    x = np.hstack(
        [rng.normal(size=(60, 5)), (rng.random((60, 7)) < 0.2) * rng.normal(size=(60, 7))]
    )
    y, w = rng.normal(size=60), rng.uniform(0.2, 3.0, 60)
    root = rng.normal(size=(12, 12))
    precision, mean = root @ root.T + np.eye(12), rng.normal(size=12)
    given = (precision, precision @ mean)
    post = posterior_of(x.T @ (x * w[:, None]), x.T @ (w * y), given)
    stacked = np.vstack([np.sqrt(w)[:, None] * x, np.linalg.cholesky(precision).T])
    target = np.r_[np.sqrt(w) * y, np.linalg.cholesky(precision).T @ mean]
    assert post.mean == pytest.approx(np.linalg.lstsq(stacked, target, rcond=None)[0], abs=1e-10)
    assert post.cov == pytest.approx(np.linalg.inv(x.T @ np.diag(w) @ x + precision), abs=1e-10)


def test_last_pass_is_an_ordinary_regression_on_augmented_rows(usual: JointFit) -> None:
    """Statsmodels OLS with the priors as rows must give posterior and covariance to 1e-8."""
    results = augmented_ols(usual)
    cov = results.cov_params().to_numpy()
    assert results.params.to_numpy() == pytest.approx(usual.posterior.mean, rel=1e-8, abs=1e-8)
    assert np.abs(cov - usual.posterior.cov).max() < 1e-8 * np.abs(usual.posterior.cov).max()


def test_parameter_table_names_every_coefficient(usual: JointFit) -> None:
    """One row per coefficient, each with the fit's own estimate and an 80 % interval."""
    table = parameter_table(usual).set_index("name")
    assert len(table) == usual.layout.size
    assert table.index.is_unique
    at = usual.layout.models(0).start + 2
    row = table.loc["level of m2"]
    assert row["estimate"] == pytest.approx(usual.posterior.mean[at], abs=1e-9)
    assert row["upper"] - row["lower"] == pytest.approx(2 * 1.2815516 * row["std_error"], rel=1e-6)
    assert {"level", "slope from 0", "market 2024-12"} <= set(table.index)
    wide = parameter_table(usual, 0.95).set_index("name")
    assert (wide["upper"] > table["upper"]).all()


def test_agrees_with_a_mixed_model_when_only_what_that_knows_is_left() -> None:
    """Nearly flat priors, one slope, no market, cell or weights: statsmodels' MixedLM.

    Balanced family, 12 models x 25 sales, normal noise; variances fixed to those MixedLM found.
    """
    rng = np.random.default_rng(6)
    known = models(12, gap_days=0)
    model, age = np.repeat(np.arange(12), 25), np.tile(np.arange(1.0, 26.0), 12)
    effect, slope = rng.normal(0, 0.15, 12), rng.normal(0, 0.08, 12)
    late = (age - 18) / 12
    y = -0.1 - 0.02 * age + effect[model] + slope[model] * late + rng.normal(0, 0.1, 300)
    day = pd.DatetimeIndex(LAUNCH + pd.to_timedelta(age * 30.4375, unit="D"))
    exact = ((day - LAUNCH) / pd.Timedelta(days=30.4375)).to_numpy()
    x = np.column_stack([np.ones(300), exact / 12])
    z = np.column_stack([np.ones(300), (exact - 18) / 12])
    diagonal = MixedLMParams.from_components(np.ones(2), np.eye(2))
    # In hundredths of a log point, because MixedLM takes any variance below 0.01 for a boundary.
    mixed = sm.MixedLM(100 * y, x, groups=model, exog_re=z).fit(free=diagonal)
    sd = np.sqrt(np.diag(mixed.cov_re)) / 100
    left = Priors(
        level=(0.0, 100.0), first_slope=(0.0, 100.0), damp=1.0, stiffness=1e-4, with_season=False,
        fast_phase=(0.0, 0.0),
        model_level=float(sd[0]), model_slope=float(sd[1]), noise=float(np.sqrt(mixed.scale) / 100),
        drift=1e-7, market=1e-6,
    )  # fmt: skip
    found = fit_joint(panel(known, model, day, y), left, passes=1)
    at = [0, 1]
    assert found.posterior.mean[at] == pytest.approx(mixed.fe_params / 100, abs=2e-5)
    assert np.sqrt(np.diag(found.posterior.cov))[at] == pytest.approx(mixed.bse_fe / 100, rel=2e-3)
    effects = np.array([mixed.random_effects[i].to_numpy() for i in range(12)]) / 100
    assert found.posterior.mean[found.layout.models(0)] == pytest.approx(effects[:, 0], abs=2e-4)
    assert found.posterior.mean[found.layout.models(1)] == pytest.approx(effects[:, 1], abs=2e-4)


# --- What must not matter -----------------------------------------------------------------------


def test_order_of_rows_does_not_matter(usual: JointFit) -> None:
    """The same sales in another order give the same answer."""
    given = usual.panel
    order = np.random.default_rng(8).permutation(len(given.y))
    again = fit_joint(
        panel(given.models, given.model[order], given.day[order], given.y[order]), Priors()
    )
    assert again.posterior.mean == pytest.approx(usual.posterior.mean, abs=1e-9)
    assert again.posterior.cov == pytest.approx(usual.posterior.cov, abs=1e-9)


def test_order_and_names_of_models_do_not_matter(usual: JointFit) -> None:
    """Models listed backwards under other names are forecast alike."""
    given, known = usual.panel, usual.panel.models
    turned = Models(
        ids=tuple("zyxw"), launch=known.launch[::-1], launch_price=known.launch_price[::-1],
        price_known=known.price_known[::-1], successor=known.successor[::-1], gap_months=12.0,
        gap_sd=2.0, steps=False,
    )  # fmt: skip
    again = fit_joint(panel(turned, 3 - given.model, given.day, given.y), Priors())
    days = months_from("2025-01-01", 12)
    for m in range(4):
        before, after = predict(usual, points(m, days)), predict(again, points(3 - m, days))
        assert after.median == pytest.approx(before.median, abs=1e-9)
        assert after.level_variance == pytest.approx(before.level_variance, abs=1e-9)


def test_unit_of_money_does_not_matter(usual: JointFit) -> None:
    """Only the ratio to the launch price enters, so prices in another currency change nothing."""
    dearer = replace(usual.panel.models, launch_price=np.full(4, 5e5))
    again = fit_joint(panel(dearer, usual.panel.model, usual.panel.day, usual.panel.y), Priors())
    assert again.posterior.mean == pytest.approx(usual.posterior.mean, abs=1e-12)


def test_a_price_ten_times_too_high_hardly_moves_the_level() -> None:
    """One typo among three sales: the level stays, the typo's weight falls, the noise grows.

    The reference measurement of this case: same level as with good sales, noise 0.12 to 0.23.
    """
    day = pd.DatetimeIndex(["2023-10-10", "2023-11-10", "2023-12-10"])
    y = np.log(np.array([300.0, 295.0, 290.0]) / 500)
    found = [
        fit_joint(panel(models(1), np.zeros(3, dtype=int), day, y + typo), Priors())
        for typo in (np.zeros(3), np.array([0.0, 0.0, np.log(10.0)]))
    ]
    levels = [float(predict(f, points(0, day[2:])).median[0]) for f in found]
    assert levels[1] == pytest.approx(levels[0], abs=0.05)
    weights = found[1].weights
    assert weights[2] < 0.1
    assert weights[:2].min() > 0.8
    assert 1.5 < found[1].scales.noise / found[0].scales.noise < 2.6


def test_a_burst_in_one_quarter_teaches_only_so_much() -> None:
    """Three hundred sales of a model in one quarter share that quarter's drift: it caps them.

    Ten times the sales in the same quarter must not make the next quarter's level much surer.
    """
    known, rng = models(1), np.random.default_rng(9)
    widths = {}
    for n in (30, 300):
        day = pd.DatetimeIndex(pd.Timestamp("2024-10-01") + pd.to_timedelta(np.arange(n) % 80, "D"))
        y = -0.7 + 0.1 * rng.standard_t(4, n)
        found = fit_joint(panel(known, np.zeros(n, dtype=int), day, y), Priors())
        band = predict(found, points(0, months_from("2025-02-01", 1)))
        widths[n] = float(np.sqrt(band.level_variance[0]))
    assert widths[300] > 0.6 * widths[30]
    assert widths[300] > 0.02


# --- Draws and intervals ------------------------------------------------------------------------


def test_draws_agree_with_the_analytic_forecast(usual: JointFit) -> None:
    """Mean and variance of 20,000 drawn paths must match ``predict`` in every month ahead."""
    rng = np.random.default_rng(10)
    days = months_from("2024-11-01", 20)
    paths = level_paths(usual, draw(usual, 24, 20_000, Antithetic(rng)), points(1, days))
    band = predict(usual, points(1, days))
    sd = np.sqrt(band.level_variance)
    assert np.abs((paths.mean(axis=0) - band.median) / sd).max() < 4 / np.sqrt(20_000)
    assert paths.var(axis=0) == pytest.approx(band.level_variance, rel=4 * np.sqrt(2 / 20_000))


def test_months_drawn_one_by_one_stop_too_early(usual: JointFit) -> None:
    """The margin must be followed along whole paths; shuffled months cross zero much earlier.

    The reference measurement: 63 % coverage for 80, and 1.3 to 2.8 months too early.
    """
    rng = np.random.default_rng(11)
    days = months_from("2025-01-01", 30)
    paths = level_paths(usual, draw(usual, 30, 4000, Antithetic(rng)), points(3, days))
    below = np.exp(paths) < float(np.exp(np.median(paths[:, 14])))
    joint = first_of_two(below)
    apart = first_of_two(np.stack([rng.permutation(column) for column in below.T], axis=1))
    assert np.mean(apart) < np.mean(joint) - 1.0
    spread = [np.ptp(np.quantile(m, [0.1, 0.9])) for m in (joint, apart)]
    assert spread[1] < 0.75 * spread[0]


def drawn_family(seed: int, ahead: int = 12) -> tuple[Panel, pd.DatetimeIndex, np.ndarray]:
    """Prices drawn from the model itself, and the true level of model 0 in the months ahead."""
    rng, priors = np.random.default_rng(seed), Priors(with_season=False)
    known = models(3)
    model = rng.integers(0, 3, 70)
    span = (NOW - known.launch[model]) / pd.Timedelta(days=1)
    day = pd.DatetimeIndex(
        known.launch[model] + pd.to_timedelta(np.floor(rng.uniform(0, span)), "D")
    )
    blank = fit_joint(panel(known, model, day, np.zeros(70)), priors, passes=1)
    days = months_from("2025-01-01", ahead)
    layout, n_dense = blank.layout, blank.layout.n_dense
    mean, precision = dense_prior(layout, NO_TRAITS, priors)
    theta = np.zeros(layout.size)
    theta[:n_dense] = rng.multivariate_normal(mean, np.linalg.inv(precision))
    for part, sd in enumerate((priors.model_level, priors.model_slope, priors.model_step)):
        theta[layout.models(part)] = rng.normal(0, sd, layout.n_models)
    rho = 0.9
    assert priors.market_slow == 0.0
    shock = priors.market * np.sqrt(1 - rho**2)
    market = np.zeros(layout.n_months + ahead)
    market[0] = rng.normal(0, priors.market)
    for t in range(1, len(market)):
        market[t] = rho * market[t - 1] + rng.normal(0, shock)
    theta[layout.months] = market[: layout.n_months]
    states, quarters = blank.drift.states, blank.drift.states.quarters + ahead // 3 + 1
    apart = np.abs(np.subtract.outer(np.arange(quarters), np.arange(quarters)))
    drift = rng.multivariate_normal(np.zeros(quarters), priors.drift**2 * 0.8**apart, 3)
    noise = priors.noise * rng.standard_t(NU, 70)
    y = blank.rows.full() @ theta + drift[model, states.of_row % states.quarters] + noise
    theta[layout.months] = 0.0
    truth = blank_rows(blank, points(0, days)).full() @ theta + market[layout.n_months :]
    later = days.year.to_numpy() * 4 + (days.month.to_numpy() - 1) // 3 - states.first
    return panel(known, model, day, y), days, truth + drift[0, later]


def blank_rows(found: JointFit, where: Points) -> Rows:
    from repair_horizon.estimation.curve.design import rows_at

    return rows_at(found.layout, where, found.panel.models, (found.panel.traits, found.panel.now))


def standardised(seeds: range) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the level in its own standard deviations, and cover of single sales at 80 %."""
    errors, cover = [], []
    for seed in seeds:
        given, days, truth = drawn_family(seed)
        band = predict(fit_joint(given, Priors(with_season=False)), points(0, days))
        errors.append((truth - band.median) / np.sqrt(band.level_variance))
        sale = truth + Priors().noise * np.random.default_rng(10_000 + seed).standard_t(
            NU, len(days)
        )
        cover.append((sale > band.sale_quantile(0.1)) & (sale < band.sale_quantile(0.9)))
    return np.array(errors), np.array(cover)


def test_intervals_hold_what_they_say_on_data_from_the_model_itself() -> None:
    """200 families drawn from the priors: errors one standard deviation in size, cover 80 %.

    Months of one family go together, so a share over 200 families has a standard error of up to
    sqrt(.8 x .2 / 200) = 2.8 %; the mean square of an error one of up to 10 %. Bounds: three.
    """
    errors, cover = standardised(range(200))
    assert np.abs(errors.mean()) < 0.21
    assert np.mean(errors**2) == pytest.approx(1.0, abs=0.30)
    assert np.mean(np.abs(errors) < 1.2815516) == pytest.approx(0.80, abs=0.085)
    assert np.mean(cover) == pytest.approx(0.80, abs=0.04)


def test_without_weights_heavy_tails_break_the_intervals(monkeypatch: pytest.MonkeyPatch) -> None:
    """With every weight at one, single bad sales inflate the noise: 80 % bands hold far more.

    The reference measurement of this fault: 96 % coverage for 80.
    """
    rng = np.random.default_rng(12)
    given = usual_panel(13, count=5, each=60)
    bad = rng.random(300) < 0.05
    y = given.y + np.where(bad, rng.normal(0, 1.2, 300), 0.0)
    soiled = panel(given.models, given.model, given.day, y)

    def cover() -> float:
        found = fit_joint(soiled, Priors())
        band = predict(found, Points(given.model, given.day, np.zeros((300, 0))))
        lower, upper = band.sale_quantile(0.1), band.sale_quantile(0.9)
        return float(np.mean((given.y > lower) & (given.y < upper)))

    with_weights = cover()
    monkeypatch.setattr("repair_horizon.estimation.curve.fit.NU", 1e12)
    without = cover()
    assert 0.80 < with_weights < 0.92
    assert without > 0.96


def test_market_and_drift_decay_to_the_curve(usual: JointFit) -> None:
    """Months ahead rho^h of the market is left, and 0.8^q of a model's drift q quarters ahead.

    Two years ahead rho^24 = 0.08 is left of the market.
    """
    days = months_from("2024-12-01", 25)
    band = predict(usual, points(0, days))
    market = usual.posterior.mean[usual.layout.months][-1]
    drift = usual.drift.mean.reshape(4, -1)[0, -1]
    rows = blank_rows(usual, points(0, days))
    theta = usual.posterior.mean.copy()
    theta[usual.layout.months] = 0.0
    without = rows.full() @ theta
    left = market * 0.9 ** np.arange(25) + drift * 0.8 ** ((np.arange(25) + 2) // 3)
    assert band.median - without == pytest.approx(left, abs=1e-9)


def test_market_prior_is_a_stationary_path() -> None:
    """Without a slow part the precision of the monthly effects must invert to rho^|i-j|."""
    for n in (1, 2, 30):
        lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        cov = np.linalg.inv(market_path(n, 0.0).precision)
        assert cov == pytest.approx(0.9**lag, rel=1e-9)


def test_slow_market_has_the_covariances_of_its_equation() -> None:
    """The slow part's covariances must be those statsmodels gives for the same AR(2)."""
    polynomial = np.polymul([1.0, -0.98], [1.0, -0.85])
    expected = arma_acovf(polynomial, [1.0], nobs=30)
    slow = (covariances(30, 2.0) - covariances(30, 0.0)) / 4.0
    assert slow == pytest.approx(expected / expected[0], rel=1e-6)


def test_market_is_carried_on_as_its_joint_distribution_says() -> None:
    """Months ahead have the mean and variance of the whole path given its first months.

    The reference is the precision of the longer path, whose blocks give the same by another road.
    """
    slow, seen, ahead = 2.5, 20, 12
    precision = market_path(seen + ahead, slow).precision
    cov = np.linalg.inv(precision[seen:, seen:])
    given = -cov @ precision[seen:, :seen]
    path = market_path(seen, slow, ahead)
    weights, variance = path.ahead(np.arange(ahead + 1))
    assert weights[1:] == pytest.approx(given, abs=1e-6)
    assert variance == pytest.approx(np.r_[0.0, np.diag(cov)], rel=1e-6, abs=1e-9)
    known = np.random.default_rng(3).normal(size=(2, seen))
    still = path.carried_on(known, np.zeros((2, ahead)))
    assert still[:, 0] == pytest.approx(known[:, -1])
    assert still[:, 1:] == pytest.approx(known @ given.T, abs=1e-6)
    rng = np.random.default_rng(4)
    drawn = path.carried_on(np.zeros((20_000, seen)), rng.standard_normal((20_000, ahead)))
    assert np.cov(drawn[:, 1:].T) == pytest.approx(cov, abs=0.1 * float(cov[-1, -1]))


def test_drift_equals_a_dense_solution_with_a_column_for_every_state(usual: JointFit) -> None:
    """Taking the states out first must give what one big dense system gives, to 1e-8.

    Posterior of the coefficients, mean and variance of the states, variance of fitted values.
    """
    fit, states = usual, usual.drift.states
    p, total = fit.layout.size, states.models * states.quarters
    indicator = np.zeros((len(fit.panel.y), total))
    indicator[np.arange(len(fit.panel.y)), states.of_row] = 1.0
    x = np.hstack([fit.rows.full(), indicator])
    one = states.prior_precision(fit.scales.drift)
    precision = linalg.block_diag(fit.posterior.prior_precision, *[one] * states.models)
    w = fit.row_precision
    cov = np.linalg.inv(x.T @ (x * w[:, None]) + precision)
    pull = np.concatenate([fit.posterior.prior_pull, np.zeros(total)])
    mean = cov @ (x.T @ (w * fit.panel.y) + pull)
    scale = np.abs(cov).max()
    assert fit.posterior.mean == pytest.approx(mean[:p], abs=1e-8)
    assert np.abs(fit.posterior.cov - cov[:p, :p]).max() < 1e-8 * scale
    assert fit.drift.mean == pytest.approx(mean[p:], abs=1e-8)
    assert fit.residuals == pytest.approx(fit.panel.y - x @ mean, abs=1e-8)
    newest = np.arange(states.models) * states.quarters + states.quarters - 1
    day = pd.DatetimeIndex([NOW] * states.models)
    where = Points(np.arange(states.models), day, np.zeros((states.models, 0)))
    at = np.zeros((states.models, p + total))
    at[:, :p] = blank_rows(fit, where).full()
    at[np.arange(states.models), p + newest] = 1.0
    band = predict(fit, where)
    assert band.median == pytest.approx(at @ mean, abs=1e-8)
    variance = np.einsum("ij,jk,ik->i", at, cov, at)
    assert band.level_variance == pytest.approx(variance, rel=1e-6)
    late = np.flatnonzero(fit.panel.model == 1)[-5:]
    whole = x[late] @ cov @ x[late].T
    got = fitted_covariance(fit.rows, fit.posterior, fit.drift, late)
    assert got == pytest.approx(whole, abs=1e-8)


# --- One wrong price of a model hardly sold -----------------------------------------------------


def lone_level(*offsets: float) -> tuple[float, np.ndarray]:
    """Level of a fourth model against its family, and the weights of its prices, that far off."""
    known = models(4)
    given = usual_panel(21, count=3, each=12, known=known)
    day = pd.DatetimeIndex([NOW - pd.Timedelta(days=20 * i) for i in range(len(offsets))])
    age = ((day - known.launch[3]) / pd.Timedelta(days=30.4375)).to_numpy()
    y = np.log(0.98) * age + np.array(offsets)
    whole = panel(
        known,
        np.append(given.model, np.full(len(offsets), 3)),
        given.day.append(day),
        np.append(given.y, y),
    )
    fit = fit_joint(whole, Priors())
    price = predict(fit, Points(np.array([3]), day[:1], np.zeros((1, 0)))).median[0]
    return float(price - np.log(0.98) * age[0]), fit.weights[len(given.y) :]


@pytest.mark.parametrize("times", [10.0, 0.1])
def test_a_zero_too_many_in_a_models_only_sale_is_not_believed(times: float) -> None:
    """Its family says what it sells for; the sale is kept and hardly counts.

    From even weights alone a single price pulls its model along, is then near its own curve and
    stays: the price of a model sold once was told six times too high.
    """
    level, weight = lone_level(float(np.log(times)))
    assert abs(level) < 0.35
    assert weight.max() < 0.1


def test_sales_that_agree_are_believed_however_far_off() -> None:
    """Four sales of a model at three times what its family would say are no typing error."""
    level, weight = lone_level(*np.log([3.0, 3.1, 2.9, 3.0]))
    assert level == pytest.approx(np.log(3.0), abs=0.25)
    assert weight.min() > 0.3
