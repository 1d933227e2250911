"""What the kit estimates from the demo's logs against the truth they were drawn from.

Three invented businesses, each fitted as its logs stood twelve months before their end; the
forecasts are then held against the true curves. Bounds are for pooled shares; months, models and
parts of one family share its shocks, so they are wide on purpose and stated with their reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_business import Business, Truth, simulate, write_business
from demo_business.catalogue import CHANNEL_FACTOR, GRADE_FACTOR, JUMP, SUPPLIERS
from demo_business.workshop import _GRADE_SHARES as GRADE_SHARES
from repair_horizon.decisions.month.stop_dates import first_of_two, repair_stop
from repair_horizon.decisions.unit.economics import Economics, StateOptions
from repair_horizon.estimation.broken_prices import fit_broken
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.predict import Band, learned_share, predict
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices
from repair_horizon.estimation.forecast import FamilyOutlook, Outlook, forecast
from repair_horizon.estimation.part_prices import PartCurves, fit_parts
from repair_horizon.estimation.price_rows import CHANNEL, GRADE
from repair_horizon.estimation.repairs import fit_rates
from repair_horizon.logs import CannotSay, Logs, Settings, read_logs, read_settings
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.months import month_middle, month_number, month_start
from scant_logs import all_fitted

SEEDS = (7, 8, 9)
CUTOFF = pd.Timestamp("2025-10-31")
AHEAD = np.arange(1, 13)
FIRST = int(month_number([CUTOFF])[0])
Z80 = 1.2815515655


@dataclass(frozen=True, eq=False)
class World:
    """One invented business: its truth, its logs up to the cutoff, and the curves fitted."""

    truth: Truth
    logs: Logs
    settings: Settings
    curves: dict[str, PriceCurves]
    as_is_mix: float


def built(seed: int, folder: Path) -> World:
    business = simulate(seed)
    write_business(folder, business)
    logs = read_logs(folder).as_of(CUTOFF)
    found = {f: fit_prices(logs, f) for f in logs.families}
    curves = {f: c for f, c in found.items() if isinstance(c, PriceCurves)}
    assert len(curves) == len(logs.families)
    return World(business.truth, logs, read_settings(folder), curves, as_is_mix(business))


def as_is_mix(business: Business) -> float:
    """Mean log price of the grades and channels that as-is units come in, against grade A."""
    sales = business.tables["sales"]
    rows = sales[(sales["condition"] == "as_is") & sales["grade"].isin(GRADE_FACTOR)]
    rows = rows[rows["channel"].isin(CHANNEL_FACTOR)]
    factor = rows["grade"].map(GRADE_FACTOR) * rows["channel"].map(CHANNEL_FACTOR)
    return float(np.log(factor.astype("float64")).mean())


@pytest.fixture(scope="module")
def worlds(tmp_path_factory: pytest.TempPathFactory) -> list[World]:
    return [built(seed, tmp_path_factory.mktemp("world") / str(seed)) for seed in SEEDS]


def grade_a(curves: PriceCurves, model: np.ndarray, days: pd.DatetimeIndex) -> Points:
    """Points of grade A, whichever grade is the family's base."""
    where = curves.points(model, days)
    names = curves.fit.panel.traits.names
    if GRADE + "A" in names:
        where.traits[:, names.index(GRADE + "A")] = 1.0
    assert curves.base_channel == "marketplace"
    return where


def level_errors(world: World) -> pd.DataFrame:
    """Every model launched by the cutoff, 1 to 12 months ahead: log error and its sd."""
    out = []
    days = pd.DatetimeIndex([month_middle(FIRST + h) for h in AHEAD])
    for family, curves in world.curves.items():
        shares = learned_share(curves.fit)
        for m, model_id in enumerate(curves.models.ids):
            known = curves.models.price_known[m] or curves.fit.panel.sales_by_model[m]
            if curves.models.launch[m] > CUTOFF or not known:
                continue
            band: Band = predict(curves.fit, grade_a(curves, np.full(12, m), days))
            true = [world.truth.price_level(model_id, month_start(FIRST + h)) for h in AHEAD]
            error = band.median + np.log(curves.models.launch_price[m]) - np.log(true)
            table = {"family": family, "model": model_id, "ahead": AHEAD, "error": error}
            table["own_share"] = shares[m]
            out.append(pd.DataFrame({**table, "sd": np.sqrt(band.level_variance)}))
    return pd.concat(out, ignore_index=True)


@pytest.fixture(scope="module")
def levels(worlds: list[World]) -> pd.DataFrame:
    return pd.concat([level_errors(w) for w in worlds], ignore_index=True)


def inside(error: pd.Series | np.ndarray, sd: pd.Series | np.ndarray) -> float:
    """Share of errors within their 80 % interval."""
    return float(np.mean(np.abs(error) <= Z80 * np.asarray(sd)))


def grade_cases(worlds: list[World]) -> pd.DataFrame:
    """Grade and channel effects against the base one, with their standard errors."""
    out = []
    for world in worlds:
        for curves in world.curves.values():
            for prefix, base, true in (
                (GRADE, curves.base_grade, GRADE_FACTOR),
                (CHANNEL, curves.base_channel, CHANNEL_FACTOR),
            ):
                for name in set(true) - {base}:
                    if prefix + name in curves.fit.layout.names:
                        effect, sd = curves.effect(prefix + name)
                        error = effect - np.log(true[name] / true[base])
                        out.append({"what": prefix, "error": error, "sd": sd})
    return pd.DataFrame(out)


def as_is_cases(worlds: list[World]) -> pd.DataFrame:
    """As-is ratios by fault; the kit's is against the base grade on the base channel."""
    out = []
    for world in worlds:
        for family, curves in world.curves.items():
            shift = world.as_is_mix - np.log(GRADE_FACTOR[curves.base_grade])
            for row in fit_broken(world.logs, family, curves).as_is.itertuples():
                if (family, row.fault) in world.truth.as_is_ratio and row.n:
                    true = np.log(world.truth.as_is_ratio[family, row.fault]) + shift
                    out.append({"error": row.log_ratio - true, "sd": row.std_error, "n": row.n})
    return pd.DataFrame(out)


def rate_cases(worlds: list[World]) -> pd.DataFrame:
    """Success and share of every state, with interval and truth."""
    out = []
    for world in worlds:
        for family in world.curves:
            for row in fit_rates(world.logs, family).states.itertuples():
                true = world.truth.success[family, row.state]
                share = world.truth.state_shares[family, row.listed_fault][row.state]
                held = row.success_lower <= true <= row.success_upper
                share_held = row.share_lower <= share <= row.share_upper
                mean = row.success_a / (row.success_a + row.success_b)
                case = {"true": true, "n": row.n_tried, "held": held, "error": mean - true}
                out.append({**case, "share_held": share_held, "share_error": row.share - share})
    return pd.DataFrame(out)


def jumped(model_id: str, part: str, month: pd.Timestamp) -> bool:
    """Whether a stop of supply nobody could foresee has struck the part by a month."""
    return (model_id, part) in JUMP and f"{month:%Y-%m}" >= JUMP[model_id, part][0]


def supplier_factor(curves: PartCurves) -> float:
    return next(s.price_factor for s in SUPPLIERS if s.supplier_id == curves.base_supplier)


def part_cases(world: World) -> pd.DataFrame:
    """Every part, model and quality on offer, 1 to 12 months ahead."""
    out = []
    days = pd.DatetimeIndex([month_middle(FIRST + h) for h in AHEAD])
    for family in world.curves:
        for part, curves in fit_parts(world.logs, family).items():
            known, factor = curves.fit.panel.models, supplier_factor(curves)
            for offer in curves.offers.itertuples():
                model_id, quality = str(offer.model_id), str(offer.quality_class)
                at = np.full(12, known.ids.index(model_id))
                band = predict(curves.fit, curves.points(at, days, quality))
                for i, h in enumerate(AHEAD):
                    month = month_start(FIRST + h)
                    if jumped(model_id, part, month):
                        continue
                    true = world.truth.part_level(model_id, part, quality, month) * factor
                    error = band.median[i] + np.log(known.launch_price[at[0]]) - np.log(true)
                    sd = float(np.sqrt(band.level_variance[i]))
                    out.append({"part": part, "ahead": h, "error": error, "sd": sd})
    return pd.DataFrame(out)


# --- Prices -------------------------------------------------------------------------------------


def test_the_word_own_sales_is_earned(levels: pd.DataFrame) -> None:
    """Models whose own sales carry their price are missed by far less than the others.

    Half of what is known is where the pages change from 'family average' to 'own sales'.
    """
    soon = levels[levels["ahead"] <= 3]
    missed = soon["error"].abs().groupby(soon["own_share"] >= 0.5).agg(["mean", "size"])
    assert missed["size"].min() >= 12
    assert missed.loc[True, "mean"] < 0.6 * missed.loc[False, "mean"]


def test_price_bands_hold_the_true_level(levels: pd.DataFrame) -> None:
    """The 80 % band of the level holds the truth in 65 to 95 % of model-months.

    24 families in all share shocks within themselves: a share of 80 % over 24 independent cases
    has a standard error of 8 %, so the bounds are two of them.
    """
    assert len(levels) > 1000
    assert 0.65 <= inside(levels["error"], levels["sd"]) <= 0.95
    for _, ahead in levels.groupby(pd.cut(levels["ahead"], [0, 3, 6, 12])):
        assert 0.60 <= inside(ahead["error"], ahead["sd"]) <= 0.97


def test_price_level_errors_stay_small(levels: pd.DataFrame) -> None:
    """Median absolute error of the level at most 9 %, mean error at most 5 %, over 12 months.

    Reference measurement of the method on another simulator: mean absolute error 5 to 9 % at 1
    to 12 months for large families, and small ones (here half of them) worse by a third. The
    priors lean on real offers, which fall slower with age than this invented business: hence
    the mean error (measured: 4.3 %).
    """
    assert float(levels["error"].abs().median()) < 0.09
    assert abs(float(levels["error"].mean())) < 0.05
    near, far = levels[levels["ahead"] <= 2], levels[levels["ahead"] >= 11]
    assert float(near["error"].abs().median()) < 0.07
    assert float(near["sd"].median()) < float(far["sd"].median())


def test_grade_and_channel_effects(worlds: list[World]) -> None:
    """Intervals of grade and channel factors hold the truth about as often as they say."""
    cases = grade_cases(worlds)
    for _, kind in cases.groupby("what"):
        assert len(kind) >= 40
        # 80 % over 40 cases has a standard error of 6 %; bounds at two and a half.
        assert 0.65 <= inside(kind["error"], kind["sd"]) <= 0.95
        assert float(kind["error"].abs().median()) < 0.03


def test_as_is_ratios(worlds: list[World]) -> None:
    """Intervals of the broken-to-working ratio hold the truth; rare faults lean to the prior.

    The truth is per unit of the same grade and channel, the kit's per working unit of the base
    grade, so it is first put on the mix of grades and channels as-is units came in.
    """
    cases = as_is_cases(worlds)
    assert len(cases) > 80
    assert 0.65 <= inside(cases["error"], cases["sd"]) <= 0.95
    often = cases[cases["n"] >= 5]
    assert float(often["error"].abs().median()) < 0.10
    assert abs(float(np.average(cases["error"], weights=cases["n"]))) < 0.06


# --- Repairs ------------------------------------------------------------------------------------


def test_success_rates_and_state_shares(worlds: list[World]) -> None:
    """Intervals hold the truth at least as often as they say, where something was tried.

    The partners' first guesses are within a few points of the truth, as the guesses of people
    in the trade are, so the intervals, which also allow for worse guesses, hold it nearly always.
    """
    cases = rate_cases(worlds)
    tried = cases[(cases["n"] >= 5) & (cases["true"] < 1) & (cases["true"] > 0)]
    assert len(tried) > 100
    assert float(tried["held"].mean()) >= 0.75
    assert float(tried["error"].abs().median()) < 0.06
    assert 0.75 <= float(cases["share_held"].mean()) <= 0.99
    assert float(cases["share_error"].abs().median()) < 0.05


# --- Parts --------------------------------------------------------------------------------------


def test_part_bands_hold_the_true_level(worlds: list[World]) -> None:
    """Every part in every quality, 1 to 12 months ahead, without the jump nobody could foresee.

    With one decline for all qualities the bands held 69 % and the median error was 10.6 %.
    """
    cases = pd.concat([part_cases(world) for world in worlds[:2]], ignore_index=True)
    assert len(cases) > 4000
    assert 0.75 <= inside(cases["error"], cases["sd"]) <= 0.97
    assert float(cases["error"].abs().median()) < 0.08
    assert abs(float(cases["error"].mean())) < 0.06


# --- Stop months --------------------------------------------------------------------------------


MONTHS = 24


def quoted(drawn: FamilyOutlook) -> FamilyOutlook:
    """Leave out the parts nobody quoted: the truth has no price of most of them."""
    own = {k: drawn.parts[k] for k in drawn.parts if drawn.parts.basis(k) is Basis.OWN}
    return replace(drawn, parts=own)


def true_outlook(world: World, drawn: FamilyOutlook, family_id: str) -> FamilyOutlook:
    """Replace everything estimated in a family's outlook by the truth: one world, the true one."""
    truth, curves = world.truth, world.curves[family_id]
    base, horizon = GRADE_FACTOR[curves.base_grade], drawn.level.shape[2]
    months = [month_start(FIRST + 1 + h) for h in range(horizon)]
    level = np.full((1, len(drawn.models), horizon), np.nan)
    for m, model_id in enumerate(drawn.models):
        if curves.models.launch[m] <= CUTOFF:
            level[0, m] = [truth.price_level(model_id, month) * base for month in months]
    parts = {}
    for (model_id, code, quality), path in quoted(drawn).parts.items():
        factor = supplier_factor(drawn.estimates.parts[code])
        price = [truth.part_level(model_id, code, quality, month) * factor for month in months]
        parts[model_id, code, quality] = replace(path, price=np.array([price]))
    noise = np.clip(np.random.default_rng(1).standard_t(4, 200_000), -6, 6)
    as_is = np.exp(world.as_is_mix) / base * float(np.exp(0.13 * noise).mean())
    states = drawn.estimates.rates.states
    return replace(
        drawn,
        level=level,
        unit_noise=np.ones(1),
        mean_factor=float(np.exp(0.10 * noise).mean()),
        grade={g: np.array([f / base]) for g, f in GRADE_FACTOR.items()},
        channel={c: np.array([f]) for c, f in CHANNEL_FACTOR.items()},
        as_is={
            x: np.array([r * as_is]) for (f, x), r in truth.as_is_ratio.items() if f == family_id
        },
        hammer={},
        parts=parts,
        shares={
            f: np.array([list(truth.state_shares[family_id, f].values())]) for f in drawn.shares
        },
        success={
            f: np.array([[truth.success[family_id, s] for s in rows["state"]]])
            for f, rows in states.groupby("listed_fault")
        },
        grade_shares=np.array([GRADE_SHARES]),
    )


def test_a_stop_needs_two_months_running() -> None:
    """One bad month is no stop; the stop is the first of the first two, or the horizon."""
    below = np.array([[0, 1, 0, 1, 1, 0], [0, 0, 0, 0, 0, 1], [1, 1, 0, 0, 0, 0]], dtype=bool)
    assert first_of_two(below).tolist() == [3, 6, 0]


def shuffled_stop(state: StateOptions, rng: np.random.Generator) -> np.ndarray:
    """Repair stop with each month's draws shuffled: right month by month, wrong as paths."""
    assert state.repair is not None
    below = state.repair.value < state.best_alternative()
    return first_of_two(np.stack([rng.permutation(column) for column in below.T], axis=1))


def stop_cases(world: World, outlook: Outlook) -> pd.DataFrame:
    """Every model and fault: drawn repair-stop months against the month the truth gives."""
    drawn = {f: o for f, o in outlook.families.items() if not isinstance(o, CannotSay)}
    families = {f: true_outlook(world, o, f) for f, o in drawn.items()}
    known = Economics(replace(outlook, draws=1, families=families), world.settings)
    same_parts = {f: quoted(o) for f, o in drawn.items()}
    guessed = Economics(replace(outlook, families=same_parts), world.settings)
    out, rng = [], np.random.default_rng(4)
    for family in families:
        for model_id, fault in guessed.keys(family):
            unit, right = guessed.unit(family, model_id, fault), known.unit(family, model_id, fault)
            if isinstance(unit, CannotSay) or isinstance(right, CannotSay):
                continue
            same = next(s for s in right.states if s.state == unit.main.state)
            stop, true = repair_stop(unit.main), repair_stop(same)
            if isinstance(stop, CannotSay) or isinstance(true, CannotSay):
                continue
            lower, upper = np.quantile(stop.months, [0.1, 0.9], method="inverted_cdf")
            apart = shuffled_stop(unit.main, rng)
            out.append(
                {
                    "unit": f"{model_id} {fault}",
                    "true": int(true.months[0]),
                    "lower": lower,
                    "median": np.quantile(stop.months, 0.5, method="inverted_cdf"),
                    "upper": upper,
                    "by_12": stop.probability_by(12),
                    "apart": np.quantile(apart, 0.5, method="inverted_cdf"),
                    "apart_lower": np.quantile(apart, 0.1, method="inverted_cdf"),
                    "apart_upper": np.quantile(apart, 0.9, method="inverted_cdf"),
                }
            )
    return pd.DataFrame(out)


@pytest.fixture(scope="module")
def stops(worlds: list[World]) -> pd.DataFrame:
    outlook = forecast(all_fitted(worlds[0].logs), months=MONTHS, seed=1, draws=300)
    return stop_cases(worlds[0], outlook)


def test_repair_stop_months_hold_the_true_month(stops: pd.DataFrame) -> None:
    """The 80 % interval of the repair stop holds the month that the truth gives.

    Few independent cases (some sixty open ones in eight families), whole months and an open end
    at the horizon make the interval hold more than it says; the reference measurement is 87 to
    89 %, and here the bench's success rate, not only prices, is uncertain.
    """
    open_ones = stops[(stops["lower"] < MONTHS) & (stops["upper"] > 0)]
    assert len(stops) > 100
    assert len(open_ones) > 30
    held = (open_ones["lower"] <= open_ones["true"]) & (open_ones["true"] <= open_ones["upper"])
    assert float(held.mean()) >= 0.70
    within = stops[(stops["true"] > 0) & (stops["true"] < MONTHS)]
    assert len(within) >= 10
    assert float((within["lower"] <= within["true"]).mean()) >= 0.6
    assert float((within["median"] - within["true"]).abs().median()) <= 10


def test_chances_of_a_stop_within_a_year_are_worth_having(stops: pd.DataFrame) -> None:
    """Brier score of "within 12 months" below 0.14, the reference target.

    It must also be well below that of knowing only how often it happens.
    """
    came = stops["true"] <= 12
    score = float(((came - stops["by_12"]) ** 2).mean())
    assert score < 0.14
    assert score < 0.6 * float(came.mean() * (1 - came.mean()))


def test_shuffled_months_would_stop_too_early_and_too_sure(stops: pd.DataFrame) -> None:
    """The same draws with each month shuffled give earlier, narrower, wrong answers.

    The reference measurement: 1.3 to 2.8 months too early, 63 % held for 80.
    """
    open_ones = stops[(stops["lower"] < MONTHS) & (stops["upper"] > 0)]
    assert float((open_ones["apart"] - open_ones["median"]).mean()) < -0.5
    width = open_ones["upper"] - open_ones["lower"]
    apart = open_ones["apart_upper"] - open_ones["apart_lower"]
    assert float(apart.median()) < 0.8 * float(width.median())
