"""The checks of a price fit: what was planted is named, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_logs
from family_by_hand import NASTY, family_by_hand
from repair_horizon.estimation.curve import checks
from repair_horizon.estimation.curve.checks import (
    FAR_OFF,
    MOST_MODELS,
    far_off,
    market_index,
    model_effects,
    residual_groups,
    robust_check,
)
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PRICE_PRIORS, PriceCurves, fit_prices
from repair_horizon.estimation.price_table import price_curve, price_points
from repair_horizon.reports.sections.prices import fit_checks
from repair_horizon.tables.months import month_middle, month_start
from scipy.stats import norm, t


@pytest.fixture(scope="module")
def curves() -> PriceCurves:
    found = fit_prices(demo_logs(), "pellvarn_phone")
    assert isinstance(found, PriceCurves)
    return found


@pytest.fixture(scope="module")
def fit(curves: PriceCurves) -> JointFit:
    return curves.fit


def moved(fit: JointFit, rows: np.ndarray, by: float) -> JointFit:
    """Return the same fit with some residuals moved, as if the curve missed them."""
    return replace(fit, residuals=fit.residuals + by * rows)


def test_a_sale_brought_to_the_base_misses_the_base_curve_by_its_residual(
    curves: PriceCurves,
) -> None:
    """What grade, channel and storage made of it is taken off, and nothing else."""
    fit, panel = curves.fit, curves.fit.panel
    points = price_points(curves, demo_logs().family("pellvarn_phone").tables["sales"])
    base = predict(fit, curves.points(panel.model, panel.day)).median
    missed = np.log(points["adjusted"] / panel.models.launch_price[panel.model]) - base
    np.testing.assert_allclose(missed, fit.residuals, atol=1e-9)
    assert (points["adjusted"] / points["amount"] - 1).abs().max() > 0.2
    far = np.abs(fit.residuals) > 4 * fit.scales.noise
    assert points["flagged"].tolist() == far.tolist()
    assert 0 < far.sum() < 0.2 * len(far)
    np.testing.assert_allclose(points["weight"], np.clip(fit.weights, None, 1.0))


def test_a_curve_is_told_month_by_month_with_scipys_80_per_cent(curves: PriceCurves) -> None:
    """At mid-month and the base of all traits; of a sale, and of the level; widened by a factor."""
    fit = curves.fit
    last, ids = fit.layout.last_month, fit.panel.models.ids
    for widen in (1.0, 1.5):
        table = price_curve(curves, last + 5, widen=widen).set_index(["model_id", "month"])
        for model in range(len(ids)):
            for ahead in (0, 4):
                row = table.loc[(ids[model], month_start(last + ahead))]
                day = pd.DatetimeIndex([month_middle(last + ahead)])
                band = predict(fit, curves.points(np.array([model]), day))
                z, own = norm.ppf(0.9), t(4).ppf(0.9) * fit.scales.noise
                level = widen * z * np.sqrt(band.level_variance[0])
                sale = np.hypot(level, widen * own)
                price = fit.panel.models.launch_price[model] * np.exp(band.median[0])
                expected = price * np.exp([0.0, -sale, sale, -level, level])
                told = ["predicted", "lower", "upper", "level_lower", "level_upper"]
                np.testing.assert_allclose(row[told].astype(float), expected, rtol=1e-6)
                assert row["phase"] == ("forecast" if ahead else "logged")
        first = table.reset_index().groupby("model_id")["month"].min()
        launch = fit.panel.models.launch.to_period("M").to_timestamp()
        begun = np.maximum(launch, month_start(fit.layout.first_month))
        assert first[list(ids)].tolist() == begun.tolist()
    assert table["age_months"].min() >= 0
    pd.testing.assert_frame_equal(price_curve(curves, last), price_curve(curves, last, 0.8, 1.0))
    assert table.index.get_level_values("month").max() == month_start(last + 4)


def test_far_off_sales_are_those_beyond_four_spreads(fit: JointFit) -> None:
    """The farthest first, each with what it should have fetched and how little it counts."""
    table = far_off(fit)
    assert len(table) == int((np.abs(fit.residuals) > FAR_OFF * fit.scales.noise).sum()) > 3
    assert np.abs(np.log(table["times"])).is_monotonic_decreasing
    assert table["amount"].to_numpy() == pytest.approx(table["expected"] * table["times"])
    assert (table["weight"] < 0.3).all()


def test_a_group_the_curve_misses_is_named_and_the_others_are_not(fit: JointFit) -> None:
    """A tenth more for every old sale shows by age, and nowhere where old and new are mixed."""
    clean = residual_groups(fit, "marketplace")
    assert not clean["clear"].any()
    assert clean.groupby("what")["n"].sum().eq(len(fit.panel.y)).all()
    assert clean["inside"].mean() == pytest.approx(0.8, abs=0.12)
    old = residual_groups(moved(fit, fit.panel.age >= 36, 0.10), "marketplace")
    named = old[old["clear"] & (old["what"] == "age")]["group"].tolist()
    assert named == ["36 months and more"]
    shop = fit.panel.traits.values[:, fit.panel.traits.names.index("channel own_shop")] > 0
    sold = residual_groups(moved(fit, shop, -0.10), "marketplace")
    assert sold[sold["clear"] & (sold["what"] == "channel")]["group"].tolist() == ["own_shop"]


def test_models_and_market_are_those_of_the_fit(fit: JointFit) -> None:
    """Most learned where most was sold; the market's band holds its estimate, 1 is no effect."""
    table = model_effects(fit)
    assert table["n_sales"].tolist() == fit.panel.sales_by_model.tolist()
    assert table["learned"].between(0, 1).all()
    assert table["level"].to_numpy() == pytest.approx(fit.posterior.mean[fit.layout.models(0)])
    few, many = table.loc[table["n_sales"].idxmin()], table.loc[table["n_sales"].idxmax()]
    assert many["learned"] > few["learned"]
    market = market_index(fit)
    assert len(market) == fit.layout.n_months
    assert market["lower"].lt(market["index"]).all()
    assert market["index"].lt(market["upper"]).all()
    assert np.log(market["index"]).to_numpy() == pytest.approx(
        fit.posterior.mean[fit.layout.months]
    )


def test_the_robust_regression_agrees_until_a_grade_is_spoiled(fit: JointFit) -> None:
    """On the demo both see the traits alike; an effect moved by 0.3 in ours alone is found."""
    table = robust_check(fit).set_index("name")
    assert (~table["apart"]).mean() >= 0.8
    assert np.corrcoef(table["ours"], table["robust"])[0, 1] > 0.97
    spoiled = fit.posterior.mean.copy()
    spoiled[fit.layout.dense("grade D")] += 0.3
    other = replace(fit, posterior=replace(fit.posterior, mean=spoiled))
    assert robust_check(other).set_index("name").loc["grade D", "apart"]


@pytest.mark.parametrize("rows", [1, 3, 9])
def test_a_handful_of_sales_has_checks_too(curves: PriceCurves, rows: int) -> None:
    """Few rows give finite tables, and no regression where there is nothing to regress on."""
    panel = curves.fit.panel
    kept = {n: getattr(panel, n)[:rows] for n in ("y", "model", "day", "key", "amount")}
    traits = replace(panel.traits, values=panel.traits.values[:rows])
    few = fit_joint(replace(panel, traits=traits, **kept), PRICE_PRIORS)
    assert robust_check(few).empty
    assert np.isfinite(residual_groups(few, "").drop(columns=["what", "group"]).astype(float)).all(
        axis=None
    )
    assert far_off(few).empty
    assert len(model_effects(few)) == len(panel.models.ids)


def test_the_page_names_what_stands_out_as_text() -> None:
    """A group, a trait and a sale with hostile names are told, and nothing of them is markup."""
    month = family_by_hand()
    html = fit_checks(month).html
    assert "Worth a look: sales lie off their curve" in html
    assert "age under 12 months" in html
    assert "a plain robust regression sees channel" in html
    assert "Outliers, 2 of 2" in html
    assert "and S2) hardly counts: a broken unit, or a wrong price?" in html
    assert NASTY[0] not in html
    usual = month.far_off.assign(times=[1.8, 0.5])
    assert "hardly counts" not in fit_checks(month.with_tables(far_off=usual)).html
    others = month.models.iloc[[0] * MOST_MODELS].assign(n_sales=1)
    others["model_id"] = [f"other {i}" for i in range(MOST_MODELS)]
    many = pd.concat([month.models, others])
    left = fit_checks(month.with_tables(models=many, robust=month.robust.iloc[:0])).html
    assert f"more than {MOST_MODELS} models sold" in left
    quiet = month.with_tables(
        misses=month.misses.assign(clear=False),
        robust=month.robust.assign(apart=False),
        far_off=month.far_off.iloc[:0],
    )
    said = fit_checks(quiet).html
    assert "No group of sales lies off its curve" in said
    assert "Outliers" not in said
    assert fit_checks(month.with_tables(model_effects=pd.DataFrame())).html == ""


def test_a_family_of_very_many_models_goes_without_the_robust_check(
    fit: JointFit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes the cube of their number: 200 models at most (a family of 1,000 took minutes)."""
    whole, sold = robust_check(fit), int((fit.panel.sales_by_model > 0).sum())
    monkeypatch.setattr(checks, "MOST_MODELS", sold)
    pd.testing.assert_frame_equal(robust_check(fit), whole)
    monkeypatch.setattr(checks, "MOST_MODELS", sold - 1)
    left_out = robust_check(fit)
    assert left_out.empty
    assert list(left_out) == list(whole)
