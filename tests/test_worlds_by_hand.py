"""Drawn levels and parts, jumps, breaks and rows of broken units, each by hand or by its law."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from panels_by_hand import LAUNCH, NOW, models, points, usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation import shop_knowledge
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.design import (
    Priors,
    dense_prior,
    layout_of,
    level_and_slopes,
    rows_at,
)
from repair_horizon.estimation.curve.fit import fit_joint
from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.curve.panel import models_of
from repair_horizon.estimation.curve.predict import Band, draw, level_paths, predict
from repair_horizon.estimation.device_prices import PRICE_PRIORS
from repair_horizon.estimation.forecast import FamilyOutlook, forecast
from repair_horizon.estimation.owner_guesses import _prior, owner_guesses
from repair_horizon.estimation.part_paths import FittedPart, PartPaths
from repair_horizon.estimation.part_prices import (
    PART_PRIORS,
    Shift,
    fit_parts,
    held_days,
    shift_values,
    with_shifts,
)
from repair_horizon.estimation.pooled_ratios import (
    KEYS,
    _columns,
    _prior_spread,
    _width,
    against_plain,
    as_is_rows,
    family_ratios,
    hammer_rows,
    pooled_ratios,
    ratio_centre,
    single_units,
)
from repair_horizon.estimation.price_rows import (
    _traits,
    deflated,
    doublings,
    price_panel,
    read_index,
    usual_ratio,
)
from repair_horizon.estimation.repairs import _class_jobs, fit_rates, shares_after_reading
from repair_horizon.estimation.shop_knowledge import market_break
from repair_horizon.logs import CannotSay, LogFault
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.inputs import CLASSES
from repair_horizon.tables.months import month_middle
from scant_logs import FAMILY, all_fitted, workspace
from scipy.stats import norm

CATALOGUE = """model_id,family_id,device_class,launch_date,launch_price,launch_currency
ulver_1,ulver,phone,2022-01-01,500,EUR
ulver_2,ulver,phone,2024-08-15,600,EUR
ulver_3,ulver,phone,2024-08-16,600,EUR
ulver_4,ulver,phone,2025-08-16,700,EUR
ulver_5,ulver,phone,2023-01-01,,
"""

# -- levels


def test_a_level_is_told_from_the_mid_month_after_launch_and_a_reason_before(
    tmp_path: Path,
) -> None:
    """Six months from June 2024, and nine more in which what is bought last may be sold."""
    outlook = forecast(all_fitted(workspace(
        tmp_path / "w", catalogue=CATALOGUE,
        sales="sale_id,model_id,sale_date,gross_amount,currency,grade,condition\n"
        "S1,ulver_1,2024-05-03,240,EUR,B,working\n",
    )), months=6, draws=30)  # fmt: skip
    family = outlook.families[FAMILY]
    assert isinstance(family, FamilyOutlook)
    assert family.level.shape == (30, 5, 15)
    told = np.isfinite(family.level).all(axis=0)
    assert (np.isfinite(family.level).any(axis=0) == told).all()
    first = [15, 13, 12, 0, 0]
    assert told.sum(axis=1).tolist() == first
    assert [row.tolist() for row in told] == [[False] * (15 - n) + [True] * n for n in first]
    assert family.reasons == {
        "ulver_2": "not launched yet in the first month",
        "ulver_3": "not launched yet in the first month",
        "ulver_4": "not launched within the forecast",
        "ulver_5": "no launch price and no sale",
    }
    assert family.level_basis == {
        "ulver_1": Basis.OWN, **{f"ulver_{i}": Basis.FAMILY for i in range(2, 6)}
    }  # fmt: skip


def test_a_family_without_a_price_is_its_priors_and_as_wide() -> None:
    """Curve, model, quarter and market each by its own prior; a step by how likely it has come."""
    known = replace(models(2, first_ends=True), price_known=np.array([True, False]))
    panel = usual_panel(1, 2, known=known, graded=True).kept(np.zeros(80, dtype=bool))
    priors = Priors(market_slow=0.09)
    fit = fit_joint(panel, priors)
    mean, precision = dense_prior(fit.layout, panel.traits, priors)
    dense = np.linalg.inv(precision)
    for model, day in ((0, "2025-06-15"), (1, "2024-12-15"), (1, "2025-03-15")):
        where = points(model, pd.DatetimeIndex([day]), traits=1)
        x = rows_at(fit.layout, where, known, (panel.traits, panel.now)).dense[0]
        late = ((pd.Timestamp(day) - known.launch[model]).days / 30.4375 - 18) / 12
        share = x[fit.layout.dense("step")]
        variance = x @ dense @ x + 0.10**2 + (0.05 * late) ** 2 + (0.03 * share) ** 2
        variance += 0.05**2 + 0.045**2 + 0.09**2 + 0.5**2 * (model == 1)
        step = Priors().step
        variance += share * (1 - share) * (step[0] ** 2 + step[1] ** 2 + 0.03**2)
        band = predict(fit, where)
        assert band.median[0] == pytest.approx(x @ mean), day
        assert band.level_variance[0] == pytest.approx(variance, rel=1e-6), day
    assert fit.residuals.shape == fit.weights.shape == (0,)


# -- parts

QUOTES = "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency,"
QUOTES += "lead_days,shipping,doa_rate\n"


def test_a_quoted_parts_draws_lie_as_its_curves_say_and_its_terms_are_the_quotes(
    tmp_path: Path,
) -> None:
    """Every month, of every quality and model: mean and width of logs by ``predict``, 5 errors.

    A quality never quoted lies off the base by the shop's step, and is as much wider.
    """
    rows = [
        f"Q{i},2024-0{1 + i % 5}-07,ulver_{1 + i % 2},DA,{q},fenn,{p},EUR,{i},{2 * i},0.0{i}\n"
        for i, (q, p) in enumerate([("aftermarket", 60), ("aftermarket", 80),
                                    ("aftermarket", 66), ("maker_original", 150)])
    ]  # fmt: skip
    logs = workspace(tmp_path / "w", part_quotes=QUOTES + "".join(rows))
    n = 8000
    family = forecast(all_fitted(logs), months=6, draws=n).families[FAMILY]
    assert isinstance(family, FamilyOutlook)
    assert isinstance(family.parts, PartPaths)
    source, curves = family.parts.sources["DA"], fit_parts(logs, FAMILY)["DA"]
    assert isinstance(source, FittedPart)
    at = [0, 5, 14]
    days = pd.DatetimeIndex([month_middle(2024 * 12 + 5 + h) for h in at])
    assert (source.days[at] == days).all()
    assert "original_refurbished" in curves.unseen
    for i, model in enumerate(("ulver_1", "ulver_2", "ulver_3")):
        for quality in ("aftermarket", "maker_original", "original_refurbished"):
            log = np.log(family.parts[model, "DA", quality].price[:, at])
            band = predict(curves.fit, curves.points(np.full(3, i), days, quality))
            more = curves.unseen.get(quality, (0.0, 0.0))
            expected = band.median + more[0] + np.log(curves.fit.panel.models.launch_price[i])
            sd = np.sqrt(band.level_variance + more[1] ** 2)
            assert np.abs((log.mean(axis=0) - expected) / sd).max() < 5 / np.sqrt(n)
            np.testing.assert_allclose(log.std(axis=0), sd, rtol=5 / np.sqrt(2 * n))
            assert np.corrcoef(log[:, 0], log[:, 1])[0, 1] > 0.8, "months of a path are one"
    own = family.parts["ulver_1", "DA", "aftermarket"]
    assert (own.n_quotes, own.shipping, own.lead_days, own.doa_rate) == (2, 2.0, 1.0, 0.01)
    assert (own.basis, own.words) == (Basis.OWN, "own quotes")
    other = family.parts["ulver_3", "DA", "aftermarket"]
    assert (other.n_quotes, other.shipping, other.lead_days) == (0, 2.0, 1.0)
    assert other.words == "estimated from 2 siblings"
    unseen = family.parts["ulver_1", "DA", "original_refurbished"]
    assert unseen.words == "estimated from 2 quotes of another quality"
    assert (unseen.quoted, own.quoted, other.quoted) == (False, True, True)
    assert (unseen.shipping, unseen.lead_days, unseen.doa_rate) == (0.0, None, None)
    far = family.parts["ulver_3", "DA", "original_refurbished"]
    assert far.words == "estimated from 2 siblings, quality from the class"
    few = family.parts.first(4)
    for key in (("ulver_1", "DA", "aftermarket"), ("ulver_2", "BAT", "maker_original")):
        np.testing.assert_allclose(few[key].price, family.parts[key].price[:, :4])
    assert few.sources["DA"].drawn.market.shape[1] < source.drawn.market.shape[1]


def test_paths_are_kept_up_to_so_many_months_the_newest_ones() -> None:
    """2,048 months in all: two paths of 1,000 months each, of 3,000 the one asked for alone."""
    for months, kept in ((1000, "bc"), (3000, "c")):
        path = SimpleNamespace(price=np.zeros((1, months)))
        source = SimpleNamespace(path=lambda *_, p=path: p)
        keys = [(m, "DA", "q") for m in "abc"]
        parts = PartPaths({"DA": source}, dict.fromkeys(keys))  # type: ignore[dict-item]
        for key in keys:
            assert parts[key] is path
        assert [m for m, _, _ in parts._kept] == list(kept)


def test_a_shift_moves_its_model_its_quality_and_the_days_from_it_on() -> None:
    """Its first day is on the new level; one without a quality moves all of them."""
    day = pd.DatetimeIndex(["2024-03-31", "2024-04-01", "2024-05-01", "2024-05-01"])
    model, since = np.array([0, 0, 0, 1]), pd.Timestamp("2024-04-01")
    one = Shift(0, since, 0.3, 2, "q"), Shift(0, since, -0.3, 2)
    assert shift_values(one, (model, day), "q").tolist() == [[0, 0], [1, 1], [1, 1], [0, 0]]
    assert shift_values(one, (model, day), "p").tolist() == [[0, 0], [0, 1], [0, 1], [0, 0]]
    panel = usual_panel(1, graded=True)
    quality = ["q", "p"] * 60
    wide = with_shifts(panel, [Shift(1, pd.Timestamp("2024-01-01"), 0.3, 2, "q")], quality).traits
    assert wide.names == ("grade B", "shift m1")
    expected = (panel.model == 1) & (panel.day >= "2024-01-01") & (np.arange(120) % 2 == 0)
    np.testing.assert_array_equal(wide.values[:, 1], expected)
    np.testing.assert_array_equal(wide.values[:, 0], panel.traits.values[:, 0])
    assert (wide.sd.tolist(), wide.expected.tolist()) == ([0.3, 0.4], [0, 0])
    assert wide.ageing.tolist() == [False, False]


def test_a_series_that_turned_up_stands_still_after_today_and_no_other_does() -> None:
    now = pd.Timestamp("2024-04-20")
    day = pd.DatetimeIndex(["2024-03-31", "2024-04-20", "2024-05-01", "2024-05-01"])
    at = np.array([0, 0, 0, 1]), day
    up, down = Shift(0, now, 0.1, 2), Shift(0, now, -0.1, 2)
    held = held_days([up], at, now)
    assert held is not None
    assert held.tolist() == [*day[:2], now, day[3]]
    assert held_days([down], at, now) is None
    assert held_days([replace(up, size=0.0)], at, now) is None


# -- the shop's market


@pytest.mark.parametrize(
    ("found", "told"),
    [
        ([(0.06, 0.015, 4, 3)], 0),
        ([(-0.06, 0.015, 4, 3)], 0),
        ([(0.0599, 0.01, 4, 4)], None),
        ([(0.06, 0.0151, 4, 4)], None),
        ([(0.2, 0.01, 3, 2)], None),
        ([(0.2, 0.04, 4, 4), (-0.2, 0.03, 4, 4), (0.5, 0.12, 4, 4)], 1),
    ],
)
def test_a_break_is_told_where_it_is_sure_large_and_agreed_on(
    monkeypatch: pytest.MonkeyPatch, found: list[tuple[float, float, int, int]], told: int | None
) -> None:
    """Four errors, six hundredths, three families of four; the surest of several."""
    each = [MarketBreak(24_000 + i, *row) for i, row in enumerate(found)]
    monkeypatch.setattr(shop_knowledge, "steps", lambda *_: iter(each))
    assert market_break({}, {}, 24_010) == (None if told is None else each[told])
    monkeypatch.setattr(shop_knowledge, "steps", lambda *_: iter([]))
    assert isinstance(market_break({}, {}, 24_010), CannotSay)


# -- broken units


def test_lots_behind_hammer_prices_are_auctions_of_one_unit_with_a_price() -> None:
    """No terms mean an auction, no quantity one unit; what was not won has a higher rival."""
    rows = pd.DataFrame(
        {
            "listing_id": list("abcdefgh"),
            "model_id": "m",
            "listed_fault": "no_power",
            "end_time": pd.Timestamp("2024-05-01"),
            "final_price": [50.0, 50.0, 50.0, 50.0, 50.0, 0.0, np.nan, 50.0],
            "quantity": [np.nan, 1.0, 2.0, np.nan, np.nan, np.nan, np.nan, np.nan],
            "lot_id": ["", "", "", "L", "", "", "", ""],
            "terms": ["", "auction", "", "", "private", "", "", "fixed_price"],
            "result": ["won", "lost", "won", "won", "won", "won", "won", "skipped"],
        }
    )
    found = hammer_rows(SimpleNamespace(tables={"listings": rows}))  # type: ignore[arg-type]
    assert found.index.tolist() == [0, 1]
    assert found["unwon"].tolist() == [False, True]
    assert found[["asked", "opened", "found"]].to_numpy().any() == np.False_
    assert found["hammer"].all()
    assert single_units(rows)["listing_id"].tolist() == list("abefgh")


def test_one_familys_ratios_are_its_sales_less_the_classs_figures() -> None:
    """Where all sales of a fault agree their ratio is theirs; under the hammer less the class's.

    A model's working price, unsure alike for all, does not average out.
    """
    rows = pd.DataFrame(
        {
            "fault": ["no_power", "no_power", "battery", "battery"],
            "hammer": [False, True, False, False],
            "found": [True, False, False, True],
            "ratio": [-1.0, -1.4, -0.7, -0.7],
            "reference": [0.003, 0.01, 0.002, 0.004],
        }
    )
    found = family_ratios("f", "phone", rows)
    usual = {f: ratio_centre(f, "phone").log_ratio for f in ("no_power", "battery")}
    hammer = np.log(class_knowledge("phone").hammer_ratio.value)
    by_hand = [-0.7 - usual["battery"], -1.0 - usual["no_power"], -1.4 - usual["no_power"] - hammer]
    np.testing.assert_allclose(found.off, by_hand, atol=1e-9)
    assert found.hammer == (False, False, True)
    assert found.keys == tuple(ratio_centre(f, "phone").key for f in ("battery", *["no_power"] * 2))
    surer = family_ratios("f", "phone", rows.assign(reference=0.0))
    np.testing.assert_allclose(found.variance - surer.variance, [0.003, 0.003, 0.01])
    # One sale at the scale it starts with: five sevenths of its row's information, one of prior.
    assert 0.25**2 < surer.variance[1] < 0.30**2 * 7 / 5


def test_amounts_are_brought_to_the_money_of_one_day(tmp_path: Path) -> None:
    """An index doubling in a hundred days, even on the log scale, and carried on at both ends."""
    listings = "listing_id,model_id,listed_fault,end_time,final_price,result\n"
    listings += "L1,ulver_1,display_dead,2024-05-20 12:00,80,lost\n"
    quotes = QUOTES + "Q1,2024-02-10,ulver_1,DA,aftermarket,fenn,60,EUR,,,\n"
    logs = workspace(tmp_path / "w", listings=listings, part_quotes=quotes)
    start = pd.Timestamp("2024-02-01")
    days = pd.DatetimeIndex([start, start + pd.Timedelta(days=100)])
    index = pd.Series([50.0, 100.0], index=days)[::-1]
    now = start + pd.Timedelta(days=50)
    real = deflated(logs, index, now).tables

    def factor(day: str) -> float:
        gone = (pd.Timestamp(day) - start) / pd.Timedelta(days=1)
        return float(2 ** ((50 - np.clip(gone, 0, 100)) / 100))

    for table, column, day in (
        ("sales", "amount", "sale_date"),
        ("part_quotes", "amount", "quote_date"),
        ("listings", "final_price", "end_time"),
        ("catalogue", "launch_amount", "launch_date"),
    ):
        before = logs.tables[table]
        assert len(before)
        expected = [a * factor(d) for a, d in zip(before[column], before[day], strict=True)]
        np.testing.assert_allclose(real[table][column], expected)


def test_as_is_rows_are_sales_of_broken_units_with_a_fault(tmp_path: Path) -> None:
    """Prices asked and own sales told apart; working units and those without a fault left out."""
    head = "sale_id,model_id,sale_date,gross_amount,currency,condition,listed_fault,price_type,"
    rows = ["a,as_is,no_power,sold,yes", "b,as_is,no_power,asking,", "c,as_is,,sold,"]
    rows += ["d,working,,sold,"]
    sales = head + "own_sale\n" + "".join(
        f"{r[0]},ulver_1,2024-05-0{i + 1},{90 + i},EUR{r[1:]}\n" for i, r in enumerate(rows)
    )  # fmt: skip
    found = as_is_rows(workspace(tmp_path / "w", sales=sales))
    assert found["amount"].tolist() == [90.0, 91.0]
    assert found["asked"].tolist() == [False, True]
    assert found["found"].tolist() == [True, False]
    assert found["fault"].tolist() == ["no_power"] * 2
    assert not found[["hammer", "unwon", "opened"]].to_numpy().any()


def test_every_familys_ratios_are_of_its_own_models_against_their_own_working_sales(
    tmp_path: Path,
) -> None:
    """Two families, a model of each broken; prices of working units alone are what it is against.

    ``against_plain`` is worked out by hand elsewhere; here, which rows go into it.
    """
    catalogue = "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
    catalogue += "a_1,a,phone,2022-01-01,500,EUR\nb_1,b,tablet,2022-06-01,400,EUR\n"
    sales = "sale_id,model_id,sale_date,gross_amount,currency,condition,listed_fault\n"
    sales += "S1,a_1,2024-03-01,240,EUR,working,\nS2,a_1,2024-04-01,100,EUR,as_is,no_power\n"
    sales += "S3,b_1,2024-03-11,150,EUR,working,\nS4,b_1,2024-04-11,80,EUR,as_is,battery_worn\n"
    logs = workspace(tmp_path / "w", catalogue=catalogue, sales=sales)
    table, models = logs.tables["sales"], logs.tables["catalogue"].set_index("model_id")
    found = {f.family_id: f for f in pooled_ratios(logs).families}
    assert set(found) == {"a", "b"}
    for family, fault in (("a", "no_power"), ("b", "battery_worn")):
        mine = table[table["model_id"] == f"{family}_1"]
        row = as_is_rows(logs).query("model_id == @family + '_1'")
        model = models.loc[f"{family}_1"]
        (plain,) = against_plain(row, mine[mine["condition"] == "working"], model)["ratio"]
        kind = str(model["device_class"])
        assert found[family].device_class == kind
        np.testing.assert_allclose(found[family].off, plain - ratio_centre(fault, kind).log_ratio)
    assert pooled_ratios(workspace(tmp_path / "none")).families == ()


def test_a_class_is_as_unsure_of_each_fault_beforehand_as_it_says() -> None:
    """Before any sale: its own width, or a little more than what all faults of a shop share."""
    for kind in CLASSES:
        for key in KEYS:
            wide = _width(kind, key)
            shared = min(wide / 0.45, 1.0) ** 2 * (0.30**2 + 0.12**2 + 0.20**2)
            left = max(wide**2 - shared, 0.10**2)
            place = _columns()[kind, key]
            assert _prior_spread()[place] ** 2 == pytest.approx(left / 2), (kind, key)
    for key in KEYS:
        each = [_prior_spread()[_columns()[kind, key]] for kind in CLASSES]
        assert _prior_spread()[_columns()["", key]] == pytest.approx(np.mean(each))
    assert _prior_spread()[:2].tolist() == [0.30, 0.45]


# -- models and prices laid out


def test_models_are_laid_out_with_the_usual_gap_and_price() -> None:
    """Gaps between launches by hand, at least 1.5 months wide; without two of them 12 and 2."""
    day = pd.to_datetime
    table = pd.DataFrame(
        {
            "model_id": list("abcd"),
            "launch_date": day(["2020-01-01", "2021-01-01", "2021-06-01", "2023-06-01"]),
            "successor_launch_date": day(["2021-01-01", "2021-06-01", "2023-06-01", None]),
            "launch_amount": [400.0, 900.0, np.nan, np.nan],
        }
    )
    found, gaps = models_of(table), np.array([366, 151, 730]) / 30.4375
    assert (found.gap_months, found.gap_sd) == (
        pytest.approx(gaps.mean()),
        pytest.approx(gaps.std()),
    )
    assert found.launch_price.tolist() == pytest.approx([400, 900, 600, 600])
    assert found.price_known.tolist() == [True, True, False, False]
    assert found.steps
    later = table.assign(
        successor_launch_date=day(["2021-01-01", "2022-01-15", None, "2020-01-01"])
    )
    some = models_of(later)  # the last one's came before it: no gap
    two = np.array([366, 379]) / 30.4375
    assert (some.gap_months, some.gap_sd) == (pytest.approx(two.mean()), 1.5)
    one = models_of(table[2:])
    assert (one.gap_months, one.gap_sd) == (pytest.approx(730 / 30.4375), 2.0)
    none = models_of(table[3:])
    assert (none.gap_months, none.gap_sd, none.steps) == (12.0, 2.0, False)
    came = found.step(np.array([0, 0]), pd.DatetimeIndex(["2020-12-31", "2021-01-01"]), LAUNCH)
    assert came.tolist() == [0.0, 1.0]


def test_traits_are_grades_channels_and_what_differs_and_all_but_asking_may_age() -> None:
    """Base grade and channel have no column; storage in doublings, none where it is not known."""
    columns = (
        (np.array(["A", "B", "A"], dtype=object), "A"),
        (np.array(["n", "n", "s"], object), "n"),
    )
    doubled = doublings(pd.Series([256.0, np.nan, 128.0]), np.full(3, 128.0))
    asked = np.array([False, True, False])
    found = _traits(*columns, asked, doubled)
    assert found.names == ("grade B", "channel s", "asking price", "storage doubling")
    assert found.values.tolist() == [[0, 0, 0, 1], [1, 0, 1, 0], [0, 1, 0, 0]]
    assert found.ageing.tolist() == [True, True, False, True]
    assert (found.sd == 0.3).all()
    assert _traits(*columns, asked & False, 0 * doubled).names == ("grade B", "channel s")


def test_priors_alone_expect_what_some_class_does_and_a_fall_at_any_age() -> None:
    """In and near the range of all classes' shares at a half, one, two and three years."""
    ages = np.array([6.0, 12.0, 24.0, 36.0])
    each = np.log([class_knowledge(k).price_curve.at(ages).value for k in CLASSES])
    for priors in (Priors(), PRICE_PRIORS):
        told = usual_ratio(priors, ages)
        assert (told > each.min(axis=0) - 0.1).all()
        assert (told < each.max(axis=0) + 0.1).all()
    for priors in (Priors(), PRICE_PRIORS, PART_PRIORS):
        curve = level_and_slopes(priors)
        assert curve.mean[0] < 0
        assert (curve.mean[1:] < 0).all()


def test_an_index_is_read_whole_or_told_line_by_line(tmp_path: Path) -> None:
    """A day and a number above zero in each row."""
    path = tmp_path / "index.csv"
    path.write_text("date,index\n2024-01-01,100\n2024-02-01,110\n", encoding="utf-8")
    assert read_index(path).to_dict() == {pd.Timestamp("2024-01-01"): 100.0,
                                          pd.Timestamp("2024-02-01"): 110.0}  # fmt: skip
    path.write_text("date,index\n2024-01-01,0\nsoon,110\n2024-03-01,1\n", encoding="utf-8")
    with pytest.raises(LogFault) as told:
        read_index(path)
    assert [(f.line, f.column) for f in told.value.faults] == [(3, "date"), (2, "index")]


def test_columns_of_season_step_and_ageing_traits_by_hand() -> None:
    """A year is one turn of 365.25 days; traits age by years past 18 months; a step stays."""
    known = models(2, first_ends=True)
    panel = usual_panel(1, 2, known=known, graded=True)
    panel = replace(panel, traits=replace(panel.traits, ageing=np.array([True])))
    layout = layout_of(panel, Priors())
    days = pd.DatetimeIndex(["2022-04-01", "2024-03-01"])
    where = replace(points(0, days, traits=1), traits=np.array([[1.0], [2.0]]))
    dense = rows_at(layout, where, known, (panel.traits, panel.now)).dense
    turn = 2 * np.pi * np.array([91, 61]) / 365.25
    late = (np.array([90, 790]) / 30.4375 - 18) / 12
    expected = {"level": [1, 1], "grade B": [1, 2], "grade B by age": late * [1, 2]}
    expected |= {"step": [0, 1], "season cos": np.cos(turn), "season sin": np.sin(turn)}
    for name, values in expected.items():
        np.testing.assert_allclose(dense[:, layout.dense(name)], values, err_msg=name)


def test_a_sales_quantiles_rise_with_their_chance_and_the_middle_one_is_the_median() -> None:
    band = Band(np.array([-0.5]), np.array([0.01]), 0.1)
    found = [float(band.sale_quantile(p)[0]) for p in (0.4, 0.48, 0.5, 0.52, 0.6)]
    assert found == sorted(found)
    assert found[1] < found[2] == -0.5 < found[3]


def test_a_price_counts_for_the_sales_it_is_the_mean_of_and_else_for_one() -> None:
    rows = pd.DataFrame({"model_id": ["m0", "m1"], "amount": [300.0, 400.0], "key": ["a", "b"]})
    rows = rows.assign(day=pd.to_datetime(["2023-01-01"] * 2), n_averaged=[np.nan, 4.0])
    traits = usual_panel(1).kept(np.arange(120) < 2).traits
    found = price_panel(models(2), rows, traits, NOW, Priors())
    assert found.counts.tolist() == [1.0, 4.0]
    np.testing.assert_allclose(found.y, np.log([300 / 500, 400 / 500]))


# -- jobs and readings


def test_a_guess_of_certainty_counts_as_98_of_a_hundred() -> None:
    """Nor does one count for less than two of a hundred."""
    zero, half = np.zeros(1), np.full(1, 0.5)
    told = [_prior(np.array([g]), zero, half)[0][0, 0] for g in (1.0, 0.99, 0.98, 0.979)]
    assert told[0] == told[1] == told[2] > told[3]
    low = [_prior(np.array([g]), zero, half)[0][0, 0] for g in (0.0, 0.02, 0.021)]
    assert low[0] == low[1] < low[2]


def test_hours_of_the_classs_states_are_the_classs_and_no_owners_factor_is_on_them(
    tmp_path: Path,
) -> None:
    head = "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
    logs = workspace(tmp_path / "w", fault_states=head)
    guesses = replace(owner_guesses(logs), hours_factor=1.5)
    states = fit_rates(logs, FAMILY, guesses).states
    usual = class_knowledge("phone").fault_states(FAMILY)
    np.testing.assert_allclose(states["hours"], usual["bench_hours"])


def test_jobs_of_the_class_are_those_of_its_other_families(tmp_path: Path) -> None:
    catalogue = "model_id,family_id,device_class,launch_date\n" + "".join(
        f"{m},{f},{k},2022-01-01\n" for m, f, k in
        (("a_1", "a", "phone"), ("b_1", "b", "phone"), ("c_1", "c", "tablet"))
    )  # fmt: skip
    jobs = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome\n" + "".join(
        f"J{m},U{m},{m},2024-05-01,no_power,board,not_fixed\n" for m in ("a_1", "b_1", "c_1")
    )
    logs = workspace(tmp_path / "w", catalogue=catalogue, repairs=jobs)
    assert _class_jobs(logs, "a")["model_id"].tolist() == ["b_1"]
    assert _class_jobs(logs, "c").empty


@pytest.mark.parametrize(("units", "told"), [(4, False), (5, True)])
def test_five_units_of_one_reading_are_enough(tmp_path: Path, units: int, told: bool) -> None:
    head = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome,test_volts,test_amps\n"
    jobs = head + "".join(
        f"J{i},U{i},ulver_1,2024-05-01,display_dead,board,not_fixed,5,0\n" for i in range(units)
    )
    logs = workspace(tmp_path / "w", repairs=jobs)
    assert len(shares_after_reading(logs, FAMILY, fit_rates(logs, FAMILY))) == told


def test_jobs_that_speak_a_thousandfold_still_leave_a_finite_law(tmp_path: Path) -> None:
    """Likelihoods apart by e^3000: the surest point of the grid has all the weight."""
    start = owner_guesses(workspace(tmp_path / "w"))
    log = -3000.0 * ((start.offset - 0.5) ** 2 + (np.log(start.spread) - np.log(0.45)) ** 2)
    known = replace(start, likelihood={"a": log, "b": log})
    for family in ("a", "b"):
        weight = known.weights(family)
        at = int(weight.argmax())
        assert (start.offset[at], start.spread[at]) == (pytest.approx(0.5), 0.45)
        assert weight.sum() == pytest.approx(1.0)


def test_what_a_reading_leaves_unsure_is_the_spread_of_bayes_rule_on_drawn_counts(
    tmp_path: Path,
) -> None:
    """Dirichlet shares and chances of a reading drawn by numpy for another seed: 80 % to 0.02."""
    rows = [("display_only", "0.1")] * 8 + [("board", "0.0")] * 6 + [("board", "0.1")] * 2
    head = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome,test_volts,test_amps\n"
    jobs = head + "".join(
        f"J{i},U{i},ulver_1,2024-05-01,display_dead,{s},fixed_first_pass,5,{a}\n"
        for i, (s, a) in enumerate(rows)
    )
    logs = workspace(tmp_path / "w", repairs=jobs)
    rates = fit_rates(logs, FAMILY)
    found = shares_after_reading(logs, FAMILY, rates).set_index("reading").loc["trickle"]
    states = rates.states["state"].tolist()
    counts = {"display_only": (0, 8), "board": (6, 2), "locked": (0, 0)}
    rng, n = np.random.default_rng(8), 60_000
    share = rng.dirichlet(rates.states["alpha"], n)
    chance = np.column_stack(
        [rng.dirichlet([counts[s][0] + 0.5, counts[s][1] + 0.5, 0.5, 0.5], n)[:, 1] for s in states]
    )
    joint = share * chance
    drawn = (joint / joint.sum(axis=1, keepdims=True))[:, states.index("display_only")]
    assert (found["state"], found["n_reading"], found["n_state"]) == ("display_only", 10, 8)
    assert found[["lower", "upper"]].tolist() == pytest.approx(
        list(np.quantile(drawn, [0.1, 0.9])), abs=0.02
    )


# -- draws of the joint fit


def test_a_day_beyond_what_was_drawn_stands_on_the_last_month_and_quarter_drawn() -> None:
    """As if these had been drawn over and over again to that day."""
    fit = fit_joint(usual_panel(2), Priors())
    drawn = draw(fit, 3, 50, Antithetic.seeded(4))
    last = [np.repeat(a[..., -1:], 30, axis=-1) for a in (drawn.market, drawn.drift)]
    longer = replace(
        drawn,
        market=np.concatenate([drawn.market, last[0]], axis=-1),
        drift=np.concatenate([drawn.drift, last[1]], axis=-1),
    )
    where = points(0, pd.DatetimeIndex(["2025-03-15", "2026-12-15"]))
    np.testing.assert_allclose(level_paths(fit, drawn, where), level_paths(fit, longer, where))


def test_draws_of_fewer_months_are_those_of_more_cut_off() -> None:
    fit = fit_joint(usual_panel(2), Priors())
    few, many = (draw(fit, months, 50, Antithetic.seeded(4)) for months in (5, 12))
    np.testing.assert_array_equal(few.theta, many.theta)
    np.testing.assert_array_equal(few.successor, many.successor)
    np.testing.assert_allclose(few.market, many.market[:, :6])
    np.testing.assert_array_equal(few.drift, many.drift[:, :, : few.drift.shape[2]])
    assert few.drift.shape[2] > 1


@pytest.mark.parametrize("later", [1, 13])
def test_a_later_month_looks_at_the_same_worlds(tmp_path: Path, later: int) -> None:
    """Whatever is drawn beyond, so that nothing but time moves a bid that is told again."""
    quotes = (
        "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency\n"
        "Q1,2024-05-02,ulver_2,DA,aftermarket,s,60,EUR\n"
    )
    known = all_fitted(workspace(tmp_path / "w", part_quotes=quotes))
    start = 2024 * 12 + 5
    first, second = (
        forecast(known, 16, draws=60, start=start + later * i).families[FAMILY] for i in range(2)
    )
    assert isinstance(first, FamilyOutlook)
    assert isinstance(second, FamilyOutlook)
    shared = first.level.shape[2] - later
    np.testing.assert_allclose(first.level[:, :, later:], second.level[:, :, :shared])
    for key in (("ulver_2", "DA", "aftermarket"), ("ulver_1", "BAT", "maker_original")):
        before, after = (o.parts[key].price for o in (first, second))
        np.testing.assert_allclose(before[:, later:], after[:, :shared])
    for name in ("as_is", "hammer", "success", "shares"):
        before, after = (getattr(o, name)["display_dead"] for o in (first, second))
        np.testing.assert_array_equal(before, after)
    np.testing.assert_array_equal(first.unit_noise, second.unit_noise)


def test_drawn_coefficients_and_market_have_the_moments_of_the_posterior() -> None:
    """Means within five errors; the market a year on as wide as its prior path and the newest."""
    fit, n = fit_joint(usual_panel(2, graded=True), Priors(market_slow=0.09)), 20_000
    drawn = draw(fit, 12, n, Antithetic.seeded(4))
    sd = np.sqrt(np.diag(fit.posterior.cov))
    assert np.abs((drawn.theta.mean(axis=0) - fit.posterior.mean) / sd).max() < 5 / np.sqrt(n)
    np.testing.assert_allclose(drawn.theta.std(axis=0), sd, rtol=5 / np.sqrt(2 * n))
    np.testing.assert_array_equal(drawn.market[:, 0], drawn.theta[:, fit.layout.months.stop - 1])
    assert norm(0, 1).cdf(np.abs(np.corrcoef(drawn.market[:, [0, 1]].T)[0, 1])) > 0.8
