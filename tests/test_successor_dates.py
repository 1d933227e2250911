"""A successor of unknown date is drawn once per path, in agreement with the expected share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from repair_horizon.decisions.month.stop_dates import first_of_two
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.design import Points, Priors
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.panel import Models, Panel, Traits
from repair_horizon.estimation.curve.predict import Draws, draw, level_paths, predict
from scipy.stats import truncnorm, uniform

NOW = pd.Timestamp("2024-12-28")
AHEAD = 30
DAYS = pd.date_range("2025-01-01", periods=AHEAD, freq="MS") + pd.Timedelta(days=14)


def models(newest_launch: str) -> Models:
    """Three models two years apart from each other's successor, the newest without one yet."""
    launch = pd.DatetimeIndex(["2020-06-01", "2022-06-01", newest_launch])
    return Models(
        ids=("a", "b", "c"),
        launch=launch,
        launch_price=np.full(3, 500.0),
        price_known=np.ones(3, dtype=bool),
        successor=pd.DatetimeIndex(["2022-06-01", newest_launch, pd.NaT]),
        gap_months=18.0,
        gap_sd=4.0,
        steps=True,
    )


def fitted(newest_launch: str = "2024-03-01", step: float = -0.25) -> JointFit:
    """Sixty sales a model over its life, falling 2 % a month, with a large step."""
    rng, known = np.random.default_rng(5), models(newest_launch)
    model = np.repeat(np.arange(3), 60)
    life = ((NOW - known.launch[model]) / pd.Timedelta(days=1)).to_numpy()
    day = known.launch[model] + pd.to_timedelta(np.floor(rng.uniform(5, life)), unit="D")
    age = ((day - known.launch[model]) / pd.Timedelta(days=30.4375)).to_numpy()
    come = np.nan_to_num((day >= known.successor[model]).astype("float64"))
    y = -0.1 - 0.02 * age + step * come + 0.05 * rng.standard_t(4, 180)
    traits = Traits((), np.zeros((180, 0)), np.zeros(0), np.zeros(0, dtype=bool))
    key = np.arange(180).astype(object)
    day = pd.DatetimeIndex(day)
    given = Panel(known, y, model, day, traits, key, 500 * np.exp(y), NOW)
    return fit_joint(given, Priors(step=(-0.1, 0.2), with_season=False))


def points(model: int) -> Points:
    return Points(np.full(AHEAD, model), pd.DatetimeIndex(DAYS), np.zeros((AHEAD, 0)))


def expected_share(fit: JointFit, drawn: Draws, where: Points, seed: int) -> np.ndarray:
    """Paths as they were before: the expected share of the step in every draw."""
    share = fit.panel.models.step(where.model, where.day, NOW)
    paths = level_paths(fit, drawn, where)
    age = ((where.day - fit.panel.models.launch[2]) / pd.Timedelta(days=30.4375)).to_numpy()
    step = drawn.theta[:, fit.layout.dense("step")] + drawn.theta[:, fit.layout.models(2).start + 2]
    come = age >= drawn.successor[:, [2]]
    return paths - (come - share) * step[:, None]


@pytest.mark.parametrize(
    ("launch", "ages"),
    [("2024-03-01", "due"), ("2022-09-01", "overdue by over two sd"), ("2021-01-01", "never")],
)
def test_drawn_dates_follow_the_expected_share(launch: str, ages: str) -> None:
    """In 40,000 draws the share whose successor has come equals ``step`` in every month ahead."""
    known = replace(
        models("2024-03-01"), launch=pd.DatetimeIndex(["2020-06-01", "2022-06-01", launch])
    )
    luck = np.random.default_rng(1).random((40_000, 3))
    drawn = known.successor_ages(luck, NOW)[:, 2]
    share = known.step(np.full(AHEAD, 2), pd.DatetimeIndex(DAYS), NOW)
    age = ((DAYS - known.launch[2]) / pd.Timedelta(days=30.4375)).to_numpy()
    seen = (age[None] >= drawn[:, None]).mean(axis=0)
    assert seen == pytest.approx(share, abs=4 * 0.5 / np.sqrt(40_000)), ages
    assert np.isinf(drawn).all() == (ages == "never")
    known_ones = known.successor_ages(luck, NOW)[:, :2]
    assert np.isinf(known_ones).all(), "a date that is known is not drawn"


@pytest.mark.parametrize(
    ("age", "law"), [(25.9, "due"), (26.1, "overdue"), (43.9, "overdue"), (44.1, "never")]
)
def test_a_successor_is_due_overdue_from_two_deviations_on_and_never_a_gap_after(
    age: float, law: str
) -> None:
    """Gaps of 18 months, 4 either way: scipy's truncated normal, an even spread, nothing."""
    launch = NOW - pd.Timedelta(days=round(age * 30.4375))
    known = replace(models("2024-03-01"), launch=pd.DatetimeIndex([launch] * 3))
    now = (NOW - launch).days / 30.4375
    day = pd.DatetimeIndex([NOW + pd.Timedelta(days=180)])
    later, two = now + 180 / 30.4375, np.array([2])
    laws = {
        "due": truncnorm((now - 18) / 4, np.inf, 18, 4),
        "overdue": uniform(now, 18),
        "never": uniform(1e9, 1.0),
    }
    assert known.step(two, day, NOW)[0] == pytest.approx(laws[law].cdf(later), abs=1e-9)
    drawn = known.successor_ages(np.full((1, 3), 0.3), NOW)[0, 2]
    assert drawn == pytest.approx(np.inf if law == "never" else laws[law].ppf(0.3), rel=1e-9)


def test_mean_and_variance_of_paths_agree_with_the_analytic_band() -> None:
    """The mean path is the one with the expected share; the band allows for the unknown date."""
    fit, rng = fitted(), np.random.default_rng(2)
    paths = level_paths(fit, draw(fit, AHEAD + 1, 20_000, Antithetic(rng)), points(2))
    band = predict(fit, points(2))
    sd = np.sqrt(band.level_variance)
    assert np.abs((paths.mean(axis=0) - band.median) / sd).max() < 4 / np.sqrt(20_000)
    # A two-point step has other fourth moments than a normal, so a little more than for those.
    assert paths.var(axis=0) == pytest.approx(band.level_variance, rel=0.05)


def test_a_date_drawn_per_path_widens_the_interval_of_the_stop_month() -> None:
    """Where the step alone decides, half a step in every path gives one month, too surely."""
    fit, rng = fitted(), np.random.default_rng(3)
    drawn = draw(fit, AHEAD + 1, 4000, Antithetic(rng))
    level = predict(fit, points(2)).median
    limit = level[9]
    joint = level_paths(fit, drawn, points(2))
    before = expected_share(fit, drawn, points(2), 4)
    months = [first_of_two(p < limit) for p in (joint, before)]
    spread = [np.ptp(np.quantile(m, [0.1, 0.9])) for m in months]
    assert spread[0] >= spread[1] + 1
    assert joint.std(axis=0)[8] > 1.1 * before.std(axis=0)[8]


def test_every_month_of_a_path_knows_the_same_date() -> None:
    """A path has its step before or after a month, never back and forth."""
    fit, rng = fitted(), np.random.default_rng(6)
    drawn = draw(fit, AHEAD + 1, 300, Antithetic(rng))
    joint = level_paths(fit, drawn, points(2))
    base = expected_share(fit, drawn, points(2), 7)
    share = fit.panel.models.step(np.full(AHEAD, 2), pd.DatetimeIndex(DAYS), NOW)
    step = drawn.theta[:, fit.layout.dense("step")] + drawn.theta[:, fit.layout.models(2).start + 2]
    come = (joint - base) / step[:, None] + share
    assert np.diff(come, axis=1).min() > -1e-6
    assert set(np.unique(come.round(6))) == {0.0, 1.0}
