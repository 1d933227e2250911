"""Rows of tables on prices, parts, lots, listed units and jobs, each by the law behind it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from panels_by_hand import usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation import part_prices
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.broken_prices import HammerSlope, fit_broken, log_ratios
from repair_horizon.estimation.calibration import (
    UNCHECKED,
    read_calibration,
    width_factor,
    write_calibration,
)
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import (
    PRICE_PRIORS,
    PriceCurves,
    _grade_steps,
    fit_prices,
)
from repair_horizon.estimation.forecast import _grade_factors
from repair_horizon.estimation.part_prices import (
    PartCurves,
    _offers,
    _scarce,
    _stale,
    _supply,
    find_shifts,
    fit_parts,
)
from repair_horizon.estimation.pooled_ratios import UNDER_HAMMER
from repair_horizon.estimation.price_rows import PriceRows, _unsold, price_rows
from repair_horizon.estimation.price_table import part_curve, price_forecast
from repair_horizon.estimation.repairs import _grades, _with_basis
from repair_horizon.estimation.rival_prices import answered_offers, bidding, hammer_ratios
from repair_horizon.estimation.time_on_market import listed_units
from repair_horizon.logs import LogFault, Logs
from repair_horizon.tables.arrays import quantiles
from repair_horizon.tables.months import month_middle, month_start, parse_month
from repair_horizon.tables.words import missing
from scant_logs import FAMILY, workspace
from scipy.stats import norm, t

CATALOGUE = """model_id,family_id,device_class,launch_date,launch_price,launch_currency,storage_gb
ulver_1,ulver,phone,2022-01-01,500,EUR,128
ulver_2,ulver,phone,2023-01-01,600,EUR,
ulver_3,ulver,phone,2024-08-15,700,EUR,128
ulver_4,ulver,phone,2023-06-01,,,128
"""
SALES = "sale_id,model_id,sale_date,gross_amount,currency,grade,channel,condition,listed_fault,"
SALES += "storage_gb,unit_id,own_sale\n"


def sales(count: int = 36) -> str:
    """Sales of two models over a year in three grades, two channels and two sizes of storage."""
    rng, rows = np.random.default_rng(3), []
    for i in range(count):
        model, grade, channel = 1 + i % 2, "ABBC"[i % 4], ("net", "net", "shop")[i % 3]
        storage = "" if model == 2 else str((128, 256)[i % 5 == 0])
        price = (250 if model == 1 else 380) * 0.98 ** (i / 3) * np.exp(0.1 * rng.standard_normal())
        day = pd.Timestamp("2023-06-01") + pd.Timedelta(days=10 * i)
        rows.append(
            f"S{i},ulver_{model},{day:%Y-%m-%d},{price:.2f},EUR,{grade},{channel},working,,"
            f"{storage},,"
        )
    return SALES + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    quotes = (
        "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency\n"
    )
    quotes += "".join(
        f"Q{i},2024-0{1 + i % 5}-10,ulver_{1 + i % 3},DA,{q},fenn,{p},EUR\n"
        for i, (q, p) in enumerate([("aftermarket", 50 + i) for i in range(9)]
                                   + [("maker_original", 120 + i) for i in range(4)])
    )  # fmt: skip
    lots = "listing_id,model_id,listed_fault,end_time,final_price,result\n"
    lots += "".join(
        f"L{i},ulver_{1 + i % 2},{f},2024-0{1 + i % 5}-20 10:00,{p},{r}\n"
        for i, (f, p, r) in enumerate([
            ("display_dead", 70, "won"), ("display_dead", 110, "lost"), ("no_power", 60, "lost"),
            ("display_dead", 95, "skipped"), ("no_power", 90, "won"), ("display_dead", 130, "won"),
        ])
    )  # fmt: skip
    folder = tmp_path_factory.mktemp("tables") / "w"
    return workspace(folder, catalogue=CATALOGUE, sales=sales(), part_quotes=quotes, listings=lots)


@pytest.fixture(scope="module")
def curves(logs: Logs) -> PriceCurves:
    found = fit_prices(logs, FAMILY)
    assert isinstance(found, PriceCurves)
    return found


# -- prices and parts by month


def test_a_price_is_told_for_every_grade_channel_and_storage_seen(
    logs: Logs, curves: PriceCurves
) -> None:
    """Median, and 90 % of one sale: normal level and Student-t (4) spread added as variances.

    A model's storages are its own and those sold; one not launched, or with neither price nor
    sale, has a reason.
    """
    keys = ("storage_gb", "channel", "grade")
    table = price_forecast(logs, {FAMILY: curves}, 4, 0.9, keys)
    first, names = parse_month("2024-06"), curves.fit.panel.traits.names
    storages: dict[str, list[float]] = {m: [128.0] for m in curves.models.ids}
    storages |= {"ulver_1": [128.0, 256.0], "ulver_2": [np.nan]}
    expected = [
        (m, s, c, g, h)
        for m in curves.models.ids
        for s, c, g, h in product(storages[m], ("net", "shop"), "ABC", range(4))
    ]
    assert len(table) == len(expected)
    for (model, storage, channel, grade, ahead), row in zip(
        expected, table.to_dict("records"), strict=True
    ):
        assert (row["model_id"], row["channel"], row["grade"]) == (model, channel, grade)
        assert row["storage_gb"] == storage or np.isnan(storage)
        at, day = curves.models.index(pd.Series([model])), month_middle(first + ahead)
        x = np.zeros((1, len(names)))
        for name in (f"grade {grade}", f"channel {channel}"):
            if name in names:
                x[0, names.index(name)] = 1.0
        x[0, names.index("storage doubling")] = float(storage == 256.0)
        band = predict(curves.fit, Points(at, pd.DatetimeIndex([day]), x))
        half = np.hypot(
            norm.ppf(0.95) * np.sqrt(band.level_variance), t(4).ppf(0.95) * band.sale_scale
        )
        launch = curves.models.launch[at[0]]
        told = curves.models.launch_price[at] * np.exp(band.median + half * [[0], [-1], [1]])
        reason = "not launched yet" if day < launch else ""
        reason = "no launch price and no sale" if model == "ulver_4" else reason
        values = [row[c] for c in ("predicted", "lower", "upper")]
        expect = np.full(3, np.nan) if reason else told.ravel()
        np.testing.assert_allclose(values, expect, atol=0.006)
        assert (row["reason"], row["level"], row["n_sales"]) == (
            reason, 0.9, 18 if model in ("ulver_1", "ulver_2") else 0,
        )  # fmt: skip
        assert row["age_months"] == pytest.approx((day - launch).days / 30.4375, abs=0.006)
    usual = price_forecast(logs, {FAMILY: curves}, 1)
    pd.testing.assert_frame_equal(usual, price_forecast(logs, {FAMILY: curves}, 1, 0.8, ("grade",)))
    assert set(table["reason"]) == {"", "not launched yet", "no launch price and no sale"}


def test_a_part_is_told_month_by_month_for_each_model_and_quality_quoted(logs: Logs) -> None:
    """From its launch on, in the months logged and beyond; 80 % by scipy's normal and Student-t."""
    parts = fit_parts(logs, FAMILY)
    fit, first, end = parts["DA"].fit, parse_month("2024-01"), parse_month("2024-11")
    table = part_curve(parts, end)
    keyed = table.set_index(["model_id", "quality_class", "month"])
    quoted = {(f"ulver_{1 + i % 3}", "aftermarket" if i < 9 else "maker_original")
              for i in range(13)}  # fmt: skip
    seen = 0
    for (model, quality), month in product(sorted(quoted), range(first, end)):
        at = np.array([fit.panel.models.ids.index(model)])
        day = pd.DatetimeIndex([month_middle(month)])
        if day[0] < fit.panel.models.launch[at[0]]:
            assert (model, quality, month_start(month)) not in keyed.index
            continue
        seen += 1
        row = keyed.loc[(model, quality, month_start(month))]
        band = predict(fit, parts["DA"].points(at, day, quality))
        level = norm.ppf(0.9) * np.sqrt(band.level_variance[0])
        sale = np.hypot(level, t(4).ppf(0.9) * fit.scales.noise)
        price = fit.panel.models.launch_price[at[0]] * np.exp(band.median[0])
        told = row[["predicted", "lower", "upper", "level_lower", "level_upper"]].astype(float)
        np.testing.assert_allclose(told, price * np.exp([0, -sale, sale, -level, level]), rtol=1e-6)
        assert row["phase"] == ("logged" if month <= parse_month("2024-05") else "forecast")
        assert row["part_code"] == "DA"
    assert len(table) == seen > 20


def test_terms_of_a_part_are_medians_of_half_a_year_in_the_shops_currency() -> None:
    """Shipping by the rate its price was turned at; older quotes count, and tell no terms."""
    key = {"part_code": "DA", "model_id": "m", "quality_class": "q"}
    days, last = [0, 180, 181, 30], pd.Timestamp("2024-12-31")
    rows = pd.DataFrame([{**key, "quote_id": f"Q{i}"} for i in range(4)]).assign(
        quote_date=[last - pd.Timedelta(days=d) for d in days],
        lead_days=[2.0, 6.0, 90.0, 4.0],
        doa_rate=[0.01, 0.03, 0.9, np.nan],
        unit_price=[10.0, 10.0, 10.0, 20.0],
        amount=[10.0, 20.0, 10.0, 10.0],
        shipping=[3.0, 3.0, 900.0, np.nan],
    )
    (row,) = _offers(rows).to_dict("records")
    assert (row["n_quotes"], row["newest"]) == (4, last)
    told = row["lead_days"], row["doa_rate"], row["shipping"]
    assert told == pytest.approx((4.0, 0.02, np.median([3.0, 6.0, 0.0])))


def curves_with(**about: Any) -> PartCurves:
    """Part curves of which only what is given is known."""
    return SimpleNamespace(**about)  # type: ignore[return-value]


@pytest.mark.parametrize(("days", "stale"), [(180, False), (181, True)])
def test_a_quote_is_stale_after_180_days(days: int, stale: bool) -> None:
    now = pd.Timestamp("2024-12-31")
    offers = pd.DataFrame({"model_id": ["m"], "quality_class": ["q"]})
    offers = offers.assign(newest=now - pd.Timedelta(days=days))
    found = list(_stale(curves_with(offers=offers), now))
    assert [row[:3] for row in found] == [("m", "q", "stale")] * stale
    assert all(f"{days} days old" in row[4] for row in found)


@pytest.mark.parametrize(("days", "words"), [(0, "ended"), (1, "ends"), (182, "ends"), (183, "")])
def test_an_end_of_supply_is_told_from_half_a_year_before(days: int, words: str) -> None:
    """Six months of 30.4375 days are 182.6."""
    now = pd.Timestamp("2024-12-31")
    offers = pd.DataFrame({"model_id": ["m", "m", "other"]})
    ends = pd.Series({"m": now + pd.Timedelta(days=days)})
    found = list(_supply(curves_with(offers=offers), ends, now))
    assert [words in row[4] for row in found] == [True] * bool(words)


@pytest.mark.parametrize(
    ("moves", "found"),
    [
        ({5: (0.12, 0.04)}, (5, 0.12)),
        ({5: (0.119, 0.01)}, None),
        ({5: (-0.5, 0.17)}, None),
        ({5: (-0.5, 0.16), 4: (0.3, 0.05)}, (4, 0.3)),
        ({7: (0.5, 0.01)}, None),
        ({6: (0.5, 0.01)}, (6, 0.5)),
        ({3: (0.5, 0.01)}, (3, 0.5)),
        ({2: (0.5, 0.01)}, None),
    ],
)
def test_a_shift_is_clear_large_and_has_two_quotes_after_it_and_three_before(
    monkeypatch: pytest.MonkeyPatch, moves: dict[int, tuple[float, float]], found: Any
) -> None:
    """One model, a quote in each of eight months; by month, the common move from there on.

    A shift is at least 0.12 and three of its errors; of two the clearer by its errors is told.
    """
    now = pd.Timestamp("2024-08-20")
    month = parse_month("2024-01") + np.arange(8)
    panel = SimpleNamespace(month=month, model=np.zeros(8, dtype=int), now=now)
    fit = SimpleNamespace(panel=panel, rows=None, posterior=None, drift=None)
    monkeypatch.setattr(part_prices, "fitted_covariance", lambda *_: np.eye(8))
    monkeypatch.setattr(part_prices, "common_move", lambda _, late, __: moves.get(int(late[0])))
    told = find_shifts(fit, ["q"] * 8)  # type: ignore[arg-type]
    assert [(s.since.month - 1, s.size, s.n) for s in told] == (
        [(*found, 8 - found[0])] if found else []
    )


@pytest.mark.parametrize(("ago", "told"), [(17, True), (18, False)])
def test_a_shift_is_looked_for_in_the_newest_eighteen_months(
    monkeypatch: pytest.MonkeyPatch, ago: int, told: bool
) -> None:
    """Its first quote in the month asked about or one of the seventeen before."""
    last = parse_month("2024-12")
    month = np.array([last - 30, last - 29, last - 28, last - ago, last - ago])
    panel = SimpleNamespace(
        month=month, model=np.zeros(5, dtype=int), now=pd.Timestamp("2024-12-20")
    )
    fit = SimpleNamespace(panel=panel, rows=None, posterior=None, drift=None)
    monkeypatch.setattr(part_prices, "fitted_covariance", lambda *a: np.eye(len(a[3])))
    monkeypatch.setattr(part_prices, "common_move", lambda *_: (0.5, 0.01))
    assert bool(find_shifts(fit, ["q"] * 5)) == told  # type: ignore[arg-type]


@pytest.mark.parametrize(("score", "quality"), [(21.05, "b"), (20.95, "")])
def test_one_quality_alone_has_shifted_where_it_is_clearer_by_an_error(
    monkeypatch: pytest.MonkeyPatch, score: float, quality: str
) -> None:
    """All together lie twenty errors off; one class must lie 21 off to be told by itself."""
    named = np.array(["a", "b"] * 5)
    month = parse_month("2024-01") + np.arange(10)
    panel = SimpleNamespace(
        month=month, model=np.zeros(10, dtype=int), now=pd.Timestamp("2024-10-20")
    )
    fit = SimpleNamespace(panel=panel, rows=None, posterior=None, drift=None)

    def move(_: object, late: np.ndarray, __: object) -> tuple[float, float] | None:
        kinds = set(named[late])
        if len(kinds) == 2:
            return 0.2, 0.01
        return (0.01 * score, 0.01) if kinds == {"b"} else None

    monkeypatch.setattr(part_prices, "fitted_covariance", lambda *_: np.eye(10))
    monkeypatch.setattr(part_prices, "common_move", move)
    (shift,) = find_shifts(fit, list(named))  # type: ignore[arg-type]
    assert shift.quality == quality


def test_of_two_qualities_that_shifted_the_clearer_one_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both move by themselves, all together hardly: 22 and 25 errors off."""
    named = np.array(["a", "b"] * 5)
    month = parse_month("2024-01") + np.arange(10)
    panel = SimpleNamespace(
        month=month, model=np.zeros(10, dtype=int), now=pd.Timestamp("2024-10-20")
    )
    fit = SimpleNamespace(panel=panel, rows=None, posterior=None, drift=None)

    def move(_: object, late: np.ndarray, __: object) -> tuple[float, float] | None:
        return {frozenset("a"): (0.22, 0.01), frozenset("b"): (-0.25, 0.01)}.get(
            frozenset(named[late])
        )

    monkeypatch.setattr(part_prices, "fitted_covariance", lambda *_: np.eye(10))
    monkeypatch.setattr(part_prices, "common_move", move)
    (shift,) = find_shifts(fit, list(named))  # type: ignore[arg-type]
    assert (shift.quality, shift.size) == ("b", -0.25)


@pytest.mark.parametrize(("odd", "told"), [(1, True), (2, False)])
def test_quotes_have_moved_together_where_no_more_than_a_quarter_has_not(
    odd: int, told: bool
) -> None:
    """Of four late quotes 0.6 higher one or two stand where the others forecast them."""
    drawn = usual_panel(2, each=20)
    order = np.argsort(drawn.day[drawn.model == 0])
    late = np.flatnonzero(drawn.model == 0)[order][-4:]
    before = fit_joint(drawn, part_prices.PART_PRIORS)
    y = drawn.y.copy()
    y[late] -= before.residuals[late]  # on the curve
    y[late[odd:]] += 0.6
    found = part_prices.common_move(fit_joint(replace(drawn, y=y), part_prices.PART_PRIORS), late)
    assert (found is not None) == told


def test_a_quote_within_one_and_a_half_of_its_errors_has_not_moved() -> None:
    """Two of six late quotes less and less far off, by the rules for Gaussian vectors.

    Six quotes may hold one that has not moved, not two: no move is told while both lie within.
    """
    drawn = usual_panel(2, each=20)
    late = np.flatnonzero(drawn.model == 0)[np.argsort(drawn.day[drawn.model == 0])][-6:]
    others = np.setdiff1d(np.arange(len(drawn.y)), late)
    y = drawn.y.copy()
    y[late] -= fit_joint(drawn, part_prices.PART_PRIORS).residuals[late]
    quarter, seen = drawn.month // 3, set()
    for height in np.arange(0.30, 0.44, 0.01):
        moved = y + 0.5 * np.isin(np.arange(len(y)), late)
        moved[late[:2]] += height - 0.5
        fit = fit_joint(replace(drawn, y=moved), part_prices.PART_PRIORS)
        x, prior = fit.rows.full(), fit.posterior.prior_precision
        drift = fit.scales.drift**2 * 0.8 ** np.abs(np.subtract.outer(quarter, quarter))
        drift = drift * np.equal.outer(drawn.model, drawn.model)
        own = np.diag(1 / fit.row_precision)
        cov = x @ np.linalg.inv(prior) @ x.T + drift + own
        off = moved - x @ np.linalg.solve(prior, fit.posterior.prior_pull)
        gain = cov[np.ix_(late, others)] @ np.linalg.inv(cov[np.ix_(others, others)])
        error = off[late] - gain @ off[others]
        left = (cov - own)[np.ix_(late, late)] - gain @ cov[np.ix_(others, late)]
        sd = np.sqrt(np.diag(left) + fit.scales.noise**2)
        still = int((error < 1.5 * sd).sum())
        assert (part_prices.common_move(fit, late) is not None) == (still <= 1), height
        seen.add((still, int((error < 1.65 * sd).sum())))
    assert any(a <= 1 < b for a, b in seen), "a tenth more would be told apart"


@pytest.mark.parametrize(
    ("months", "score", "told"),
    [(35.9, 3.0, False), (36.1, 3.0, True), (36.1, 2.51, True), (36.1, 2.49, False)],
)
def test_an_old_parts_last_three_quotes_are_dear_from_two_and_a_half_errors_on(
    monkeypatch: pytest.MonkeyPatch, months: float, score: float, told: bool
) -> None:
    """Three years after launch; since the first of the three."""
    now = pd.Timestamp("2024-12-20")
    day = pd.DatetimeIndex(["2024-11-05", "2024-07-05", "2024-12-05", "2024-09-05"])
    known = SimpleNamespace(
        ids=("m",), launch=pd.DatetimeIndex([now - pd.Timedelta(days=round(months * 30.4375))])
    )
    month = np.array([parse_month(f"{d:%Y-%m}") for d in day])
    panel = SimpleNamespace(models=known, model=np.zeros(4, dtype=int), day=day, month=month)
    monkeypatch.setattr(
        part_prices, "common_move",
        lambda _, late: (score * 0.1, 0.1) if late.tolist() == [3, 0, 2] else None,
    )  # fmt: skip
    curves = curves_with(fit=SimpleNamespace(panel=panel), shifts=())
    found = [row[:4] for row in _scarce(curves, now)]
    since = pd.Timestamp("2024-09-01")
    assert found == [("m", "", "possible scarcity", since)] * told


# -- grades


def test_grades_out_of_order_share_their_mean_weighed_by_their_errors() -> None:
    """C at -0.10 (0.1) and D at 0 (0.2) share -0.08; E, never sold, takes D's; the rest stay."""
    told = {"A": (0.1, 0.1), "B": (0.0, 0.0), "C": (-0.1, 0.1), "D": (0.0, 0.2)}
    names = ("grade A", "grade C", "grade D", "channel x")
    fit = SimpleNamespace(
        panel=SimpleNamespace(traits=SimpleNamespace(names=names)),
        layout=SimpleNamespace(dense=names.index),
    )
    curves = SimpleNamespace(
        fit=fit, base_grade="B", effect=lambda n: told[n.removeprefix("grade ")]
    )
    theta = np.array([[0.2, -0.2, 0.1, 9.0], [0.0, 0.0, -0.1, 9.0]])
    drawn = SimpleNamespace(theta=theta)
    factors, moved = _grade_factors(curves, drawn, list("ABCDE"))  # type: ignore[arg-type]
    assert moved == ("C", "D")
    by_hand = {"A": theta[:, 0], "B": 0 * theta[:, 0], "C": theta[:, 1] + 0.02}
    by_hand |= {"D": theta[:, 2] - 0.08, "E": theta[:, 2] - 0.08}
    for grade, log in by_hand.items():
        np.testing.assert_allclose(np.log(factors[grade]), log, atol=1e-9)
    best, _ = _grade_factors(curves, drawn, ["S", "A", "B"])  # type: ignore[arg-type]
    np.testing.assert_allclose(best["S"], best["A"])


@pytest.mark.parametrize(
    ("order", "good"), [("ABCD", "B"), ("ABCDE", "B"), ("ABCDEFG", "C"), ("ABCDEFGHI", "D")]
)
def test_a_family_never_sold_is_told_at_the_grade_a_third_down(
    logs: Logs, order: str, good: str
) -> None:
    """Two thirds of the grades are worse: what shops call good."""
    known = price_rows(logs, FAMILY, PRICE_PRIORS)
    assert isinstance(known, PriceRows)
    settings = replace(logs, grade_order=tuple(order))
    rows = _unsold(settings, known.panel.models, PRICE_PRIORS, np.full(4, 128.0))
    assert isinstance(rows, PriceRows)
    assert rows.base_grade == good
    assert rows.panel.traits.names == tuple(f"grade {g}" for g in order if g != good)


def test_grades_start_as_far_apart_as_the_class_says_and_as_families_differ() -> None:
    known, order = class_knowledge("phone"), list("ABCD")
    steps = _grade_steps("phone", "B", order)
    assert set(steps) == {"grade A", "grade C", "grade D"}
    base = known.grade_step("B", order).value
    for name, (mean, sd) in steps.items():
        step = known.grade_step(name[-1], order)
        assert mean == pytest.approx(step.value - base)
        assert sd**2 == pytest.approx(step.log_sd**2 + 0.08**2)
    assert _grade_steps("phone", "Z", order) == {}


# -- broken units and lots


def test_a_broken_unit_is_held_against_a_working_one_of_its_own_storage(
    curves: PriceCurves,
) -> None:
    """Twice the base storage is one doubling; unknown storage is taken for the base."""
    day = pd.Timestamp("2024-03-05")
    rows = pd.DataFrame({"model_id": "ulver_1", "day": day, "amount": [90.0, 90.0, 45.0]})
    found = log_ratios(curves, rows.assign(storage_gb=[np.nan, 256.0, 64.0]))
    where = pd.DatetimeIndex([day])
    working = predict(curves.fit, curves.points(np.array([0]), where)).median[0] + np.log(500)
    layout, mean = curves.fit.layout, curves.fit.posterior.mean
    late = ((day - pd.Timestamp("2022-01-01")).days / 30.4375 - 18) / 12
    one = mean[layout.dense("storage doubling")]
    one += late * mean[layout.dense("storage doubling by age")]
    assert abs(one) > 0.005
    expected = np.log([90, 90, 45]) - working - np.array([0, one, -one])
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_rivals_stand_above_hammer_prices_by_the_gap_as_far_as_these_rest_on_lots_not_won(
    logs: Logs, curves: PriceCurves
) -> None:
    """The fit done again with a gap added to every lot not won and to the class's hammer ratio.

    Ordinary least squares with the prior's rows; the spread behind the gap is that of the lots,
    beside four of the class's.
    """
    broken = fit_broken(logs, FAMILY, curves)
    fit, known = broken.fit, class_knowledge("phone")
    seen, rivals = hammer_ratios(broken, "phone")
    lots = broken.rows["hammer"].to_numpy(bool)
    assert lots.sum() == 6
    start = known.market("hammer_spread").value / 1.196
    off = broken.residuals[lots]
    spread = np.sqrt((fit.weights[lots] @ off**2 + 4 * start**2) / (6 + 4))
    bidders = bidding(known, 1.196 * spread, 6)
    unwon = (broken.rows["unwon"].to_numpy() & lots).astype(float)
    assert unwon.tolist() == [0, 1, 1, 1, 0, 0]
    root = np.linalg.cholesky(np.linalg.inv(broken.prior.cov)).T
    row = np.sqrt(fit.weights) / fit.noise[fit.kind]
    design = np.vstack([broken.x * row[:, None], root])
    hammer = np.arange(len(fit.mean)) == len(broken.names)
    more = np.linalg.lstsq(design, np.append(unwon * row, root @ hammer), rcond=None)[0]
    assert set(fit.kind[lots]) == {UNDER_HAMMER}
    for i, fault in enumerate(broken.faults):
        at = [broken.names.index(fault), len(broken.names), len(broken.names) + 1 + i]
        assert seen["fault"][i] == rivals["fault"][i] == fault
        assert seen["log_ratio"][i] == pytest.approx(fit.mean[at].sum())
        error = np.sqrt(fit.cov[np.ix_(at, at)].sum())
        assert seen["std_error"][i] == pytest.approx(error)
        own = broken.rows.loc[broken.rows["hammer"] & (broken.rows["fault"] == fault), "day"]
        assert (seen["n"][i], rivals["n"][i]) == (len(own), len(own))
        assert len(own) == 0 or seen["newest"][i] == own.max() > own.min()
        above = more[at].sum()
        moved = rivals["log_ratio"][i] - seen["log_ratio"][i]
        assert moved == pytest.approx(bidders.gap * above)
        assert (rivals["gap"][i], rivals["gap_sd"][i], rivals["spread"][i]) == pytest.approx(
            (bidders.gap * above, bidders.gap_sd * above, bidders.spread)
        )
    assert (rivals["noise"] == fit.noise[UNDER_HAMMER]).all()
    slope = broken.hammer_slope
    assert slope is not None
    price = np.log(broken.rows["amount"].to_numpy(float)) - log_ratios(curves, broken.rows)
    assert slope.centre == pytest.approx(price[lots].mean())
    np.testing.assert_allclose(broken.x[lots, -3], price[lots] - slope.centre)
    assert not broken.x[~lots, -3].any()
    assert slope.at(np.array([slope.centre + 2.0])) == pytest.approx(2 * slope.mean)
    drawn = slope.drawn(40_000, Antithetic.seeded(1))
    assert drawn.slope.mean() == pytest.approx(slope.mean, abs=3 * slope.sd / 200)
    assert drawn.slope.std() == pytest.approx(slope.sd, rel=0.02)
    np.testing.assert_allclose(
        drawn.at(np.full((40_000, 2), slope.centre + 2.0)), 2 * drawn.slope[:, None] * [1, 1]
    )


def test_offers_for_a_dear_unit_are_held_against_a_rival_who_pays_more_of_its_price(
    logs: Logs, curves: PriceCurves
) -> None:
    """Rival's usual ratio, moved by the slope times the log working price above the lots' mean."""
    rows = pd.DataFrame({"listing_id": ["X"], "model_id": ["ulver_2"], "offer": [90.0]}).assign(
        listed_fault="display_dead", offer_result="taken", current_bid=np.nan, terms="private",
        quantity=np.nan, lot_id="", end_time=pd.Timestamp("2024-05-02"),
    )  # fmt: skip
    family = SimpleNamespace(tables={"listings": rows})
    _, rivals = hammer_ratios(fit_broken(logs, FAMILY, curves), "phone")
    day = pd.DatetimeIndex(["2024-05-02"])
    working = predict(curves.fit, curves.points(np.array([1]), day)).median[0] + np.log(600)
    usual = rivals.set_index("fault")["log_ratio"]["display_dead"]
    slope = HammerSlope(0.4, 0.1, float(np.log(200)))
    (told,) = answered_offers(family, curves, rivals, slope)["offered"]  # type: ignore[arg-type]
    rival = working + usual + 0.4 * (working - np.log(200))
    assert told == pytest.approx(np.log(90) - rival)


# -- listed units and jobs


def test_units_put_up_for_sale_are_told_with_days_and_prices_against_their_level(
    tmp_path: Path,
) -> None:
    """Sold and unsold, of the grade they sold or were mended to; broken ones and others are out."""
    sold = sales().strip() + "\n"
    sold += "S90,ulver_1,2024-05-10,200,EUR,A,shop,working,,,U1,yes\n"
    stock = "unit_id,model_id,buy_date,currency,state,status,listed_date,asking_price\n"
    stock += "U1,ulver_1,2024-04-01,EUR,working,sold,2024-05-01,230\n"
    stock += "U2,ulver_2,2024-04-01,EUR,working,listed,2024-05-03,390\n"
    stock += "U3,ulver_2,2024-04-01,EUR,display_dead,listed,2024-05-03,90\n"
    stock += "U4,ulver_2,2024-04-01,EUR,working,bench,2024-05-03,390\n"
    sold += "S91,ulver_1,2024-05-09,210,EUR,A,shop,working,,,U6,yes\n"
    stock += "U6,ulver_1,2024-04-01,EUR,working,sold,2024-05-09,230\n"
    stock += "U5,ulver_2,2024-04-01,EUR,working,sold,2024-05-03,390\n"
    jobs = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome,grade_out\n"
    jobs += "J1,U2,ulver_2,2024-04-10,display_dead,board,fixed_first_pass,C\n"
    logs = workspace(tmp_path / "w", catalogue=CATALOGUE, sales=sold, stock=stock, repairs=jobs)
    curves = fit_prices(logs, FAMILY)
    assert isinstance(curves, PriceCurves)
    table = listed_units(logs, {FAMILY: curves}).set_index("unit_id")
    assert table.index.tolist() == ["U1", "U2", "U6"]
    still = (logs.newest_day - pd.Timestamp("2024-05-03")).days
    assert table["days"].tolist() == [9.0, still, 0.0]
    assert table["sold"].tolist() == [True, False, True]
    assert table["log_reached"]["U1"] == pytest.approx(np.log(200 / 230))
    assert np.isnan(table["log_reached"]["U2"])
    for unit, model, day, asked, traits in (
        ("U1", 0, "2024-05-01", 230.0, ("grade A", "channel shop")),
        ("U2", 1, "2024-05-03", 390.0, ("grade C",)),
    ):
        where = curves.points(np.array([model]), pd.DatetimeIndex([day]))
        level = predict(curves.fit, where).median[0] + np.log(curves.models.launch_price[model])
        effects = [curves.fit.posterior.mean[curves.fit.layout.dense(n)] for n in traits]
        assert table["log_ratio"][unit] == pytest.approx(np.log(asked) - level - sum(effects))


def test_grades_after_repair_are_own_jobs_beside_six_of_the_classs(logs: Logs) -> None:
    """Others' counts and a job a grade in the mix sold, made six in all; not mended, no grade."""
    order = list(logs.grade_order)
    sold = logs.tables["sales"]
    sold = sold.loc[sold["listed_fault"] == "", "grade"].value_counts().reindex(order).fillna(0)
    assert sold.nunique() > 1
    a, b, worst = order[0], order[1], order[-1]

    def jobs(grades: list[str], bad: str = "") -> pd.DataFrame:
        outcome = ["fixed_first_pass"] * len(grades) + ["not_fixed"]
        return pd.DataFrame({"outcome": outcome, "grade_out": [*grades, bad]})

    found = _grades(logs, jobs([a, a, b], worst), jobs([b] * 5, a)).set_index("grade")
    prior = len(order) * (sold + 1) / (sold + 1).sum()
    prior[b] += 5
    alpha = 6 * prior / prior.sum() + pd.Series({a: 2, b: 1}).reindex(order).fillna(0)
    np.testing.assert_allclose(found["alpha"], alpha)
    np.testing.assert_allclose(found["share"], alpha / alpha.sum())
    assert found["n"].tolist() == [2, 1, *[0] * (len(order) - 2)]


def test_what_a_state_rests_on_is_own_jobs_others_or_who_declared_it() -> None:
    states = pd.DataFrame(
        {
            "n_found": [2, 0, 0, 0, 0],
            "n_tried": [0, 1, 0, 0, 0],
            "n_class": [3.0, 0.0, 3.0, 0.0, 0.0],
            "of_class": [False, True, True, True, False],
        }
    )
    told = _with_basis(states)
    assert told["basis"].tolist() == ["own", "own", "family", "class", "family"]
    assert told["words"].tolist() == [
        "2 own jobs", "0 own jobs", "3 jobs of other families", "from the class, wide",
        "declared by the owner",
    ]  # fmt: skip


# -- widths


def held_out(inside: tuple[int, ...], counts: tuple[int, ...] = (40, 40, 40)) -> pd.DataFrame:
    """So many sales at 1, 3 and 6 months, errors half of half a width or twice it; 3 cutoffs."""
    size = np.concatenate([np.where(np.arange(n) < i, 0.5, 2.0) for i, n in
                           zip(inside, counts, strict=True)])  # fmt: skip
    way = np.where(np.arange(len(size)) % 2, 1.0, -1.0)
    return pd.DataFrame(
        {
            "cutoff": pd.Timestamp("2025-01-31") + pd.to_timedelta(np.arange(len(size)) % 3, "D"),
            "horizon": np.repeat([1, 3, 6], counts),
            "actual": 90.0 * np.exp(0.2 * way * size),
            "predicted": 90.0,
            "lower_80": 90.0 * np.exp(-0.2),
            "upper_80": 90.0 * np.exp(0.2),
        }
    )


@pytest.mark.parametrize(
    ("inside", "counts", "factor", "months"),
    [
        ((40, 28, 4), (40, 40, 40), 2 ** (3 / 9), 3),  # 60 % are held, 80 % within twice the width
        ((40, 27, 5), (40, 40, 40), 2 ** (3 / 9), 1),
        ((30, 30, 24), (40, 40, 40), 1.0, 3),  # just 70 %
        ((36, 36, 36), (40, 40, 40), 1.0, 6),  # just 90 %
        ((40, 40, 40), (40, 40, 40), 0.5 ** (3 / 9), 6),
        ((30, 29, 30), (40, 29, 40), 1.0, 1),  # thirty sales tell, 29 do not
        ((30, 30, 28), (40, 30, 40), 1.0, 6),
    ],
)
def test_widths_and_their_reach_by_hand(
    inside: tuple[int, ...], counts: tuple[int, ...], factor: float, months: int
) -> None:
    """Left alone from 70 to 90 %; else the 80 % quantile, to a third for three cutoffs of nine."""
    found = width_factor(held_out(inside, counts))
    assert found.coverage == pytest.approx(sum(inside) / sum(counts))
    assert (found.factor, found.supported_months) == (pytest.approx(factor), months)
    assert found.origins == 3


@pytest.mark.parametrize(
    ("factor", "sound"), [(0.1, True), (10.0, True), (0.09, False), (10.5, False)]
)
def test_a_factor_of_widths_lies_from_a_tenth_to_ten(
    tmp_path: Path, factor: float, sound: bool
) -> None:
    write_calibration(replace(UNCHECKED, factor=factor), tmp_path)
    if sound:
        assert read_calibration(tmp_path).factor == factor
    else:
        with pytest.raises(LogFault, match=r"from 0\.1 to 10"):
            read_calibration(tmp_path)


def test_quantiles_down_the_draws_are_numpys() -> None:
    """Missing wherever a draw is missing, as there."""
    drawn = np.random.default_rng(5).normal(size=(41, 3, 2))
    drawn[7, 1, 0] = np.nan
    levels = [0.0, 0.1, 0.37, 0.5, 1.0]
    np.testing.assert_allclose(quantiles(drawn, levels), np.quantile(drawn, levels, axis=0))
    np.testing.assert_allclose(quantiles(drawn[:1], [0.5]), drawn[:1])


@pytest.mark.parametrize(
    "value", [None, "", np.nan, float("nan"), pd.NaT, pd.NA, np.datetime64("NaT")]
)
def test_nothing_is_missing_but_what_is_not_given(value: object) -> None:
    assert missing(value)
    assert not any(
        missing(v) for v in (0, 0.0, False, "0", np.float64(1), pd.Timestamp("2026-01-01"))
    )
