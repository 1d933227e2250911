"""Whole estimates of curves and of days to sale, every pass written out densely or by scipy."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from panels_by_hand import models, usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.curve.design import Points, Priors, dense_prior, rows_at
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.curve.panel import Models
from repair_horizon.estimation.pooled_curves import class_curve
from repair_horizon.estimation.pooled_effects import FamilyEffects, UsualEffects
from repair_horizon.estimation.time_on_market import partial_likelihood, time_on_market
from scipy.linalg import block_diag, toeplitz
from scipy.optimize import minimize
from statsmodels.tools.numdiff import approx_hess
from statsmodels.tsa.arima_process import arma_acovf

# -- the joint fit


def four_models() -> Models:
    """The first is succeeded by the second, the third of unknown launch price, the last unsold."""
    known = models(4, first_ends=True)
    return replace(known, price_known=np.array([True, True, False, True]))


def market_covariance(months: int, slow: float) -> np.ndarray:
    """0.9 to the lag, and a slow AR(2) beside it with roots 0.98 and 0.85, by statsmodels."""
    path = arma_acovf(np.polymul([1.0, -0.98], [1.0, -0.85]), [1.0], nobs=months)
    return toeplitz(0.9 ** np.arange(months) + slow**2 * path / path[0])


@pytest.mark.parametrize("passes", [2, 5])
def test_a_joint_fit_is_expectation_maximisation_with_every_state_written_out(passes: int) -> None:
    """All coefficients and quarters' states in one dense system, scales by second moments.

    Weights are Student-t (4), a mean of four sales counts as four; the market stepped by 0.2 give
    or take 0.05 in a month. Prior worths: 4 levels and slopes, 12 steps, 4 sales, 5 quarters, 8
    months. Once the noise moves by under 2 % the next pass is the last.
    """
    rng = np.random.default_rng(5)
    given = usual_panel(1, known=four_models(), graded=True)
    given = replace(given, averaged=np.where(rng.random(len(given.y)) < 0.3, 4.0, 1.0))
    broke = MarketBreak(2024 * 12 + 3, -0.2, 0.02, 3, 3)
    priors = Priors(market_slow=0.09, broke=broke, model_slope=0.03)
    fit = fit_joint(given, priors, passes=passes)
    layout, y, counts = fit.layout, given.y, given.counts
    p, m, n_months = layout.size, 4, layout.n_months
    where = Points(given.model, given.day, given.traits.values)
    x = rows_at(layout, where, given.models, (given.traits, given.now)).full()
    quarter = given.month // 3 - given.month.min() // 3
    quarters = layout.last_month // 3 - given.month.min() // 3 + 1
    state = np.zeros((len(y), m * quarters))
    state[np.arange(len(y)), given.model * quarters + quarter] = 1.0
    whole = np.hstack([x, state])
    path = market_covariance(n_months, 0.09 / 0.045)
    late = np.arange(layout.first_month, layout.last_month + 1) >= broke.month
    walk = np.linalg.inv(path + (0.05 / 0.045) ** 2 * np.outer(late, late))
    stepped = -0.2 * late
    ar = toeplitz(0.8 ** np.arange(quarters))
    mean0, dense = dense_prior(layout, given.traits, priors)
    start = {"level": 0.10, "slope": 0.03, "step": 0.03, "noise": 0.10, "drift": 0.05}
    start |= {"market": 0.045}
    worth = {"level": 4, "slope": 4, "step": 12, "noise": 4, "drift": 5, "market": 8}
    scale, weight, settled = dict(start), np.ones(len(y)), False

    def blend(name: str, squares: np.ndarray) -> float:
        """Root mean square of what was seen and of the start, by its worth."""
        total = np.sum(squares) + worth[name] * start[name] ** 2
        return float(np.sqrt(total / (np.size(squares) + worth[name])))

    for left in reversed(range(passes)):
        level = scale["level"] ** 2 + 0.5**2 * ~given.models.price_known
        own = np.concatenate(
            [level, np.full(m, scale["slope"] ** 2), np.full(m, scale["step"] ** 2)]
        )
        prior = block_diag(
            dense, np.diag(1 / own), walk / scale["market"] ** 2,
            *[np.linalg.inv(ar) / scale["drift"] ** 2] * m,
        )  # fmt: skip
        start_at = np.concatenate([mean0, np.zeros(3 * m), stepped, np.zeros(m * quarters)])
        row = counts * weight / scale["noise"] ** 2
        cov = np.linalg.inv(whole.T @ (whole * row[:, None]) + prior)
        mean = cov @ (whole.T @ (row * y) + prior @ start_at)
        if settled or not left:
            break
        square = counts * ((y - whole @ mean) ** 2 + np.einsum("ij,jk,ik->i", whole, cov, whole))
        weight = 5 / (4 + square / scale["noise"] ** 2)
        second = cov + np.outer(mean, mean)
        first = layout.models(0).start
        sold, priced = np.arange(3), np.array([0, 1])
        moments = np.diag(second)
        new = {
            "level": blend("level", moments[first + priced]),
            "slope": blend("slope", moments[first + m + sold]),
            "step": blend("step", moments[first + 2 * m + sold]),
            "noise": blend("noise", weight * square),
        }
        steps = []
        for model in sold:
            seen = np.flatnonzero(state[:, model * quarters : (model + 1) * quarters].any(axis=0))
            at = p + model * quarters + np.arange(seen[0], seen[-1] + 1)
            steps.append(moments[at[0]])
            for before, now in pairwise(at):
                shock = moments[now] - 1.6 * second[now, before] + 0.64 * moments[before]
                steps.append(shock / 0.36)
        new["drift"] = blend("drift", np.array(steps))
        months = slice(layout.months.start, layout.months.stop)
        off = mean[months] - stepped
        shocks = off @ walk @ off + np.trace(walk @ cov[months, months])
        total = shocks + 8 * start["market"] ** 2
        new["market"] = float(np.sqrt(total / (n_months + 8)))
        settled = abs(np.log(new["noise"] / scale["noise"])) < 0.02
        scale = new
    np.testing.assert_allclose(fit.posterior.mean, mean[:p], atol=1e-7)
    np.testing.assert_allclose(fit.posterior.cov, cov[:p, :p], atol=1e-7)
    np.testing.assert_allclose(fit.drift.mean, mean[p:], atol=1e-7)
    for name, value in scale.items():
        assert getattr(fit.scales, name) == pytest.approx(value, rel=1e-6), name
    np.testing.assert_allclose(fit.weights, weight, rtol=1e-6)
    np.testing.assert_allclose(fit.row_precision, row, rtol=1e-6)
    np.testing.assert_allclose(fit.residuals, y - whole @ mean, atol=1e-7)


# -- where curves start


@pytest.mark.parametrize("kind", ["phone", "tablet"])
def test_a_classs_curve_is_as_wide_as_its_errors_and_a_walk_of_slopes_make_it(kind: str) -> None:
    """Half as much again in variance, at ages on the curve's knots and between them.

    Of the level's variance a shop's families share half, of that of slopes three tenths.

    The level's error grows from half at launch to all of it at a year, the pace's from there on;
    slopes start 0.05 off, keep their turns and wander by 0.04 a root year; beside them a first fall
    of 0.15 a year that dies away in five months.
    """
    known, found = class_knowledge(kind).price_curve, class_curve(kind)
    knots = np.array([0, 3, 6, 12, 18, 24, 36, 48, 60, 78, 102.0])
    starts = np.append(knots[:9], 84.0)
    walk = np.zeros((10, 10))
    walk[0, 0] = 0.05
    for k in range(1, 10):
        years = (starts[k] - starts[k - 1]) / 12
        walk[k] = walk[k - 1]
        walk[k, k] = 0.04 * np.sqrt(years)
    fine = np.exp(-np.linspace(knots[:-1], knots[1:], 20_001) / 5.0)
    causes = np.column_stack([walk, 0.15 * fine.mean(axis=0)])
    for age in (0.0, 3.0, 9.0, 12.0, 30.0, 84.0):
        spent = np.clip(age - knots[:-1], 0, np.append(np.diff(knots)[:-1], np.inf)) / 12
        level = known.level_log_sd * (0.5 + 0.5 * min(age, 12) / 12)
        pace = known.pace_log_sd * max(age - 12, 0.0)
        variance = 1.5 * (level**2 + pace**2 + np.sum((spent @ causes) ** 2))
        load = np.append(1.0, spent)
        told = load @ np.linalg.inv(found.precision) @ load
        assert told == pytest.approx(variance, rel=1e-6), age
        shared = 1.5 * (0.5 * level**2 + 0.3 * (pace**2 + np.sum((spent @ causes) ** 2)))
        assert load @ found.shared @ load == pytest.approx(shared, rel=1e-6), age
        if age in knots:
            assert load @ found.mean == pytest.approx(float(np.log(known.at(age).value))), age


# -- effects of traits


def test_what_a_trait_usually_is_worth_is_six_passes_of_random_effects_written_out() -> None:
    """Families' effects around a mean that is 0.3 wide with them, their spread worth three of 0.08.

    A family far off (Student-t, 4) counts for less; no family is narrower than 0.5 unless it says
    something. By weighted means and the precisions of each family's own effect.
    """
    seen = np.array([-0.25, -0.18, -0.31, 0.10])
    sd = np.array([0.03, 0.10, 0.20, 0.05])
    told = [
        FamilyEffects(f"f{i}", ("grade C",), ("grade B",), np.array([e]), np.array([[s**2]]))
        for i, (e, s) in enumerate(zip([*seen, 0.7], [*sd, 0.51], strict=True))
    ]
    mean, spread, loose = np.median(seen), 0.08**2, 0.3**2 - 0.08**2
    for _ in range(6):
        weight = 5 / (4 + (seen - mean) ** 2 / (sd**2 + spread))
        rows = np.append(weight / (sd**2 + spread), 1 / loose)
        mean, error = np.average(np.append(seen, 0.0), weights=rows), 1 / rows.sum()
        own = 1 / (1 / sd**2 + 1 / spread)  # variance of a family's effect where the mean is known
        nearer = own / sd**2 * (seen - mean)
        moved = (own / sd**2) ** 2 * error
        spread = (np.sum(weight * (nearer**2 + moved) + own) + 3 * 0.08**2) / (4 + 3)
    found = UsualEffects(tuple(told)).prior("new", "grade C", "grade B")
    assert found == pytest.approx((mean, np.sqrt(spread + error), 4))


# -- days to sale


def test_days_to_sale_are_the_mode_of_efrons_likelihood_and_the_priors() -> None:
    """By scipy's search, ties by Efron (1977) written out; slope -10 (4), channels 0 (0.5)."""
    rng, n = np.random.default_rng(6), 60
    rows = pd.DataFrame(
        {
            "log_ratio": rng.normal(0.02, 0.08, n),
            "days": np.ceil(rng.exponential(15.0, n)),
            "sold": rng.random(n) < 0.7,
            "channel": rng.choice(["a", "b", "b"], n),
            "class": rng.choice(["phone", "phone", "watch"], n),
            "log_reached": np.log(0.97),
        }
    )
    x = np.column_stack(
        [rows["log_ratio"], rows["channel"] == "a", rows["class"] == "watch"]
    ).astype(float)
    days, sold = rows["days"].to_numpy(), rows["sold"].to_numpy()

    def minus_log(b: np.ndarray) -> float:
        eta = x @ b
        total = 0.5 * ((b[0] + 10) / 4) ** 2 + 0.5 * np.sum((b[1:] / 0.5) ** 2)
        for day in np.unique(days[sold]):
            gone = sold & (days == day)
            standing, leaving = np.exp(eta[days >= day]).sum(), np.exp(eta[gone]).sum()
            k = int(gone.sum())
            total += np.sum(np.log(standing - np.arange(k) / k * leaving)) - eta[gone].sum()
        return float(total)

    assert rows.loc[rows["sold"], "days"].duplicated().any()
    best = minimize(minus_log, np.zeros(3), method="BFGS", options={"gtol": 1e-8})
    found = time_on_market(rows, 20.0)
    assert found.names == ("log_ratio", "channel a", "class watch")
    np.testing.assert_allclose(found.mean, best.x, atol=1e-4)
    np.testing.assert_allclose(found.cov, np.linalg.inv(approx_hess(best.x, minus_log)), rtol=1e-3)
    assert (found.sold, found.unsold) == (sold.sum(), (~sold).sum())
    assert (found.lowest, found.highest) == tuple(np.quantile(x[:, 0], [0.05, 0.95]))
    assert found.reached == pytest.approx(0.97)


def test_a_ratio_that_is_the_same_for_all_units_stays_at_its_prior_and_hides_nothing() -> None:
    """What never differs tells nothing; the channel's effect is that of a fit without it."""
    rng = np.random.default_rng(7)
    days, sold, channel = rng.exponential(15.0, 50), rng.random(50) < 0.7, rng.random(50) < 0.5
    x = np.column_stack([np.zeros(50), channel.astype(float)])
    precision = np.diag([4.0**-2, 0.5**-2])
    both, cov = partial_likelihood(days, sold, x, np.array([-10.0, 0.0]), precision)
    one, alone = partial_likelihood(days, sold, x[:, 1:], np.zeros(1), precision[1:, 1:])
    np.testing.assert_allclose(both, [-10.0, one[0]], rtol=1e-9)
    np.testing.assert_allclose(cov, np.diag([16.0, alone[0, 0]]), rtol=1e-9)
