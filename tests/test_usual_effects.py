"""Grades, channels and storage: what a family starts from is what the others found, no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_logs
from panels_by_hand import usual_panel
from repair_horizon.backtest.forecasts import known_at
from repair_horizon.estimation.device_prices import PRICE_PRIORS, PriceCurves, fit_prices
from repair_horizon.estimation.forecast import Estimates, fit_family, forecast
from repair_horizon.estimation.pooled_effects import (
    BETWEEN_SD,
    FamilyEffects,
    UsualEffects,
    effects_alone,
    usual_effects,
)
from repair_horizon.estimation.price_rows import CHANNEL, GRADE, TRAIT_SD, PriceRows, price_rows
from repair_horizon.logs import Logs
from statsmodels.stats.meta_analysis import combine_effects

from tests.benchmark.forecasts import TUNING, run
from tests.benchmark.shop import BASE, said_by
from tests.benchmark.simulator import BIG, NAMES, SMALL, panel_at, simulate

FAMILY = "ulmvrist_watch"


@pytest.fixture(scope="module")
def logs() -> Logs:
    return demo_logs()


def one(family_id: str, effect: float, sd: float) -> FamilyEffects:
    """A family that says one thing about grade C against grade B."""
    estimate, cov = np.array([effect]), np.array([[sd**2]])
    return FamilyEffects(family_id, ("grade C",), ("grade B", "channel net"), estimate, cov)


def without(logs: Logs, family_id: str, **which: str) -> Logs:
    """Logs without a family's sales of one kind."""
    models = logs.tables["catalogue"].query("family_id == @family_id")["model_id"]
    sales = logs.tables["sales"]
    gone = sales["model_id"].isin(models)
    for column, value in which.items():
        gone &= sales[column] == value
    return replace(logs, tables={**logs.tables, "sales": sales[~gone]})


def test_pooling_agrees_with_a_reference_library() -> None:
    """Random effects of 60 invented families: mean and spread as by statsmodels.

    Source of the reference: statsmodels' combine_effects with the iterated Paule-Mandel spread.
    Our mean starts from zero and our spread from 0.10, both worth little beside 60 families; the
    Student-t weights that keep out a wrong family make ours a little narrower on normal ones.
    """
    rng = np.random.default_rng(4)
    sd = rng.uniform(0.02, 0.12, 60)
    true = rng.normal(-0.20, 0.08, 60)
    found = true + sd * rng.standard_normal(60)
    reference = combine_effects(found, sd**2, method_re="iterated")
    shop = UsualEffects(
        tuple(one(str(i), e, s) for i, (e, s) in enumerate(zip(found, sd, strict=True)))
    )
    mean, wide, behind = shop.prior("another", "grade C", "grade B")
    assert behind == 60
    assert mean == pytest.approx(reference.mean_effect_re, abs=0.008)
    between = wide**2 - reference.sd_eff_w_re**2
    assert np.sqrt(between) == pytest.approx(np.sqrt(reference.tau2), rel=0.25)


def test_no_other_family_leaves_everything_as_it_was(logs: Logs) -> None:
    """Alone, a family starts from no effect give or take 0.3, and its fit is that of its rows."""
    assert UsualEffects().prior(FAMILY, "grade C", "grade B") == (0.0, TRAIT_SD, 0)
    assert UsualEffects((one(FAMILY, -1.0, 0.01),)).prior(FAMILY, "grade C", "grade B")[2] == 0
    alone = logs.family(FAMILY)
    rows = price_rows(alone, FAMILY, PRICE_PRIORS)
    started = usual_effects(alone).applied(FAMILY, rows)
    assert started.panel.traits.names == rows.panel.traits.names
    assert (started.panel.traits.sd == TRAIT_SD).all()
    assert (started.panel.traits.expected == 0).all()


def test_one_sure_family_is_believed_as_far_as_families_differ() -> None:
    """With one other family the prior is centred near it and no narrower than the judgement."""
    mean, wide, behind = UsualEffects((one("a", -0.2, 0.01),)).prior("b", "grade C", "grade B")
    assert behind == 1
    assert -0.2 < mean < -0.15
    assert 0.8 * BETWEEN_SD < wide < TRAIT_SD
    unsure = UsualEffects((one("a", -0.2, 0.6),))
    assert unsure.prior("b", "grade C", "grade B") == (0.0, TRAIT_SD, 0)


def test_the_other_families_are_all_but_the_one() -> None:
    known = UsualEffects((one("a", -0.2, 0.1), one("b", -0.1, 0.1), one("c", 0.0, 0.1)))
    assert (known.others("b"), known.others("new")) == (2, 3)


def test_a_family_that_got_it_wrong_is_not_believed() -> None:
    """A family sure of a grade C dearer by e^2 moves ten others' usual effect by under 0.02."""
    others = tuple(one(str(i), -0.30 + 0.01 * i, 0.05) for i in range(10))
    before = UsualEffects(others).prior("b", "grade C", "grade B")
    after = UsualEffects((*others, one("wrong", 2.0, 0.1))).prior("b", "grade C", "grade B")
    assert after[0] == pytest.approx(before[0], abs=0.02)
    assert after[2] == 11


def test_effects_are_turned_to_another_base() -> None:
    """A family based on grade B tells one based on grade C; grades never sold tell nothing."""
    shop = UsualEffects((one("a", -0.2, 0.01),))
    there, back = shop.prior("b", "grade C", "grade B"), shop.prior("b", "grade B", "grade C")
    assert back[0] == -there[0]
    assert back[1] == there[1]
    assert shop.prior("b", "grade D", "grade B")[2] == 0
    assert shop.prior("b", "grade C", "grade D")[2] == 0


def test_effects_alone_find_what_was_put_in() -> None:
    """On 12 invented families the true effects lie within the intervals as often as said."""
    scores = []
    for seed in range(TUNING, TUNING + 12):
        family = simulate(seed, BIG)
        panel = panel_at(family, 40)
        estimate, cov = effects_alone(panel)
        late = (panel.age.mean() - 18) / 12
        scores.append((estimate - family.effects - family.ageing * late) / np.sqrt(np.diag(cov)))
    assert np.mean(np.abs(scores) < 1.2815515655) > 0.65
    assert np.abs(np.mean(scores, axis=0)).max() < 1.0


def test_effects_alone_are_those_of_a_column_for_each_models_quarter() -> None:
    """Least squares on dummies, age and the trait; effects 0.5 wide, weights of Student-t (4).

    The first weights are by the distance from a model's median over 1.4826 times the usual one.
    """
    panel = usual_panel(8, graded=True)
    y, n = panel.y, len(panel.y)
    cell = pd.Categorical([f"{m} {d.to_period('Q')}" for m, d in zip(panel.model, panel.day)])  # noqa: B905
    dummies = np.eye(len(cell.categories))[cell.codes]
    x = np.column_stack([panel.traits.values, panel.age / 12, dummies])
    loose = np.diag(np.append([4.0, 4.0], np.zeros(dummies.shape[1])))
    off = (pd.Series(y) - pd.Series(y).groupby(panel.model).transform("median")).abs()
    weight = 5 / (4 + (off / max(1.4826 * off.median(), 0.1)).to_numpy() ** 4)
    noise = 0.1
    for _ in range(5):
        cov = np.linalg.inv(x.T @ (x * weight[:, None]) / noise**2 + loose)
        mean = cov @ (x.T @ (weight * y)) / noise**2
        square = (y - x @ mean) ** 2
        weight = 5 / (4 + square / noise**2)
        free = max(n - dummies.shape[1] - 2, 0)
        noise = np.sqrt((weight @ square + 4 * 0.1**2) / (free + 4))
    found = effects_alone(panel)
    np.testing.assert_allclose(found[0], mean[:1], rtol=1e-4)
    np.testing.assert_allclose(found[1], cov[:1, :1], rtol=1e-4)


def test_slipped_decimals_hardly_move_a_family_of_many_sales() -> None:
    """Of over 150 sales three ten times too high move an effect by a seventh of its error."""
    moved = []
    for seed in range(TUNING, TUNING + 12):
        panel = panel_at(simulate(seed, BIG), 40)
        if len(panel.y) > 150:
            y = panel.y.copy()
            y[:: len(y) // 3 + 1] += np.log(10.0)
            clean, cov = effects_alone(panel)
            moved.append((effects_alone(replace(panel, y=y))[0] - clean) / np.sqrt(np.diag(cov)))
    assert len(moved) >= 5
    assert np.mean(np.abs(moved)) < 0.15


def test_slipped_decimals_in_every_family_hardly_move_what_is_usual() -> None:
    """Three amounts ten times too high in each of 24 families move no usual effect by 0.03."""
    families = [simulate(s, BIG) for s in range(TUNING, TUNING + 8)]
    families += [simulate(TUNING + 500 + i, SMALL) for i in range(16)]
    clean, spoiled = [], []
    for family in families:
        panel = panel_at(family, 40)
        if len(panel.y):
            y = panel.y.copy()
            y[:: len(y) // 3 + 1] += np.log(10.0)
            clean.append(said_by(panel, family.seed)[0])
            spoiled.append(said_by(replace(panel, y=y), family.seed)[0])
    for name in NAMES:
        against = next((b for b in BASE if b.split()[0] == name.split()[0]), "")
        before, after = (UsualEffects(tuple(f)).prior("", name, against) for f in (clean, spoiled))
        assert after[0] == pytest.approx(before[0], abs=0.03)
        assert after[1] < 1.3 * before[1]


def test_sales_that_cannot_be_compared_say_nothing() -> None:
    """With one sale of a model a quarter there is no pair, and the family is not listened to."""
    family = simulate(TUNING, BIG)
    panel = panel_at(family, 40)
    first = pd.DataFrame({"m": panel.model, "q": panel.month // 3}).drop_duplicates().index
    traits = replace(panel.traits, values=panel.traits.values[first])
    kept = {n: getattr(panel, n)[first] for n in ("y", "model", "day", "key", "amount")}
    estimate, cov = effects_alone(replace(panel, traits=traits, **kept))
    said = FamilyEffects("a", NAMES, ("grade A", "channel net"), estimate, cov)
    assert said.contrast("grade B", "grade A") is None


def test_own_sales_do_not_count_twice(logs: Logs) -> None:
    """What a family starts from does not change with its own sales."""
    before = usual_effects(logs).prior(FAMILY, "grade C", "grade B")
    after = usual_effects(without(logs, FAMILY, grade="C")).prior(FAMILY, "grade C", "grade B")
    assert before == after
    assert before[2] == 7
    other = usual_effects(without(logs, "vellfold", grade="C"))
    assert other.prior(FAMILY, "grade C", "grade B")[2] == 6


def test_what_came_later_is_not_known(logs: Logs) -> None:
    """Effects as of a day are those of logs that end there."""
    day = pd.Timestamp("2025-06-30")
    early = logs.tables["sales"]["sale_date"] <= day + pd.Timedelta(hours=23)
    cut = replace(logs, tables={**logs.tables, "sales": logs.tables["sales"][early]})
    then = usual_effects(known_at(logs, day))
    assert then.prior(FAMILY, "grade C", "grade B") == pytest.approx(
        usual_effects(known_at(cut, day)).prior(FAMILY, "grade C", "grade B")
    )
    assert then.prior(FAMILY, "grade C", "grade B") != usual_effects(logs).prior(
        FAMILY, "grade C", "grade B"
    )


def test_a_grade_never_sold_here_takes_the_others_factor(logs: Logs) -> None:
    """Without its grade C sales a family still tells C from B, from the others, and widely."""
    known = without(without(logs, FAMILY, grade="C"), FAMILY, grade="D")
    fit = fit_family(known, FAMILY)
    assert isinstance(fit.prices, PriceCurves)
    effect, sd = fit.prices.effect(GRADE + "C")
    usual, wide, _ = usual_effects(known).prior(FAMILY, "grade C", "grade B")
    assert effect == pytest.approx(usual, abs=0.02)
    assert sd == pytest.approx(wide, rel=0.1)
    estimates = Estimates(known.currency, known.newest_day, {FAMILY: fit})
    factor = forecast(estimates, 2, 7, 400).families[FAMILY].grade
    assert float(np.median(factor["C"])) == pytest.approx(np.exp(usual), abs=0.03)
    assert 0 < np.median(factor["D"]) < np.median(factor["C"]) < 1


def test_a_worker_with_one_family_says_the_same(logs: Logs) -> None:
    """The shop's effects travel with a family cut out of the logs."""
    whole = fit_prices(logs, FAMILY)
    sent = fit_prices(logs.of([FAMILY]), FAMILY, usual=usual_effects(logs))
    left_out = fit_prices(logs.of([FAMILY]), FAMILY)
    assert np.array_equal(whole.fit.posterior.mean, sent.fit.posterior.mean)
    assert not np.array_equal(whole.fit.posterior.mean, left_out.fit.posterior.mean)


def test_small_families_gain(logs: Logs) -> None:
    """On invented small families what the others know takes over 3 % off the loss."""
    together = run(TUNING, 0, 14, origins=(42,), rivals=False)
    losses = [run(TUNING + i, 0, 1, origins=(42,), rivals=False) for i in range(14)]
    apart = pd.concat(losses)
    assert together["loss"].mean() < 0.97 * apart["loss"].mean()
    assert np.allclose(
        together.groupby("seed").size().sort_index(), apart.groupby("seed").size().sort_index()
    )


def test_rows_are_laid_out_with_their_base(logs: Logs) -> None:
    rows = price_rows(logs, FAMILY, PRICE_PRIORS)
    assert isinstance(rows, PriceRows)
    assert GRADE + rows.base_grade not in rows.panel.traits.names
    assert CHANNEL + rows.base_channel not in rows.panel.traits.names
