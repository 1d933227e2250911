"""What must not pass for a change of price: another mix, another currency's fall, cheap models."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.broken_prices import fit_broken
from repair_horizon.estimation.curve.predict import learned_share, predict
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices
from repair_horizon.estimation.price_rows import deflated
from repair_horizon.logs import Logs, read_logs

LAUNCH = {
    "ulver_1": ("2020-01-01", 300.0),
    "ulver_2": ("2021-06-01", 600.0),
    "ulver_3": ("2023-01-01", 1200.0),
}


def catalogue(known: bool = True) -> str:
    rows = [
        f"{m},ulver,phone,{day},{price if known else ''},{'EUR' if known else ''}"
        for m, (day, price) in LAUNCH.items()
    ]
    header = "model_id,family_id,device_class,launch_date,launch_price,launch_currency"
    return "\n".join([header, *rows]) + "\n"


def level(model: str, day: pd.Timestamp) -> float:
    """True price: 0.9 of the launch price, less 2 % a month."""
    launch, price = LAUNCH[model]
    age = (day - pd.Timestamp(launch)).days / 30.4375
    return 0.9 * price * float(np.exp(-0.02 * age))


def sold(
    rng: np.random.Generator, model: str, day: pd.Timestamp, what: tuple[str, str, float]
) -> tuple[str, pd.Timestamp, float, str, str]:
    """One sale: model, day, amount, condition and fault; ``what`` ends in its price factor."""
    condition, fault, factor = what
    amount = level(model, day) * factor * float(np.exp(0.06 * rng.standard_normal()))
    return model, day, amount, condition, fault


Sale = tuple[str, pd.Timestamp, float, str, str]


def workspace(folder: Path, sales: list[Sale], currency: str = "EUR", rates: str = "") -> Logs:
    folder.mkdir()
    (folder / "catalogue.csv").write_text(catalogue(), encoding="utf-8")
    (folder / "settings.toml").write_text('currency = "EUR"\n', encoding="utf-8")
    header = "sale_id,model_id,sale_date,gross_amount,currency,grade,condition,listed_fault"
    rows = [
        f"S{i},{m},{d:%Y-%m-%d},{a:.4f},{currency},A,{c},{f}"
        for i, (m, d, a, c, f) in enumerate(sales)
    ]
    (folder / "sales.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    if rates:
        (folder / "fx_rates.csv").write_text(rates, encoding="utf-8")
    return read_logs(folder)


def days(rng: np.random.Generator, first: str, last: str, n: int) -> list[pd.Timestamp]:
    span = (pd.Timestamp(last) - pd.Timestamp(first)).days
    return [pd.Timestamp(first) + pd.Timedelta(days=int(d)) for d in rng.integers(0, span, n)]


def curves_of(logs: Logs) -> PriceCurves:
    curves = fit_prices(logs, "ulver")
    assert isinstance(curves, PriceCurves)
    return curves


def monthly_change(curves: PriceCurves, model: int, first: str, last: str) -> float:
    """Fitted change in log price per month."""
    ends = pd.DatetimeIndex([first, last])
    median = predict(curves.fit, curves.points(np.array([model] * 2), ends)).median
    return float(np.diff(median)[0]) / ((ends[1] - ends[0]).days / 30.4375)


def test_a_shift_of_the_mix_between_models_is_no_change_of_price(tmp_path: Path) -> None:
    """Sales move from the cheap model to the dear one; each model still falls 2 % a month.

    The plain median of the sales rises meanwhile.
    """
    rng, sales = np.random.default_rng(1), []
    for day in days(rng, "2023-02-01", "2024-12-28", 300):
        late = (day - pd.Timestamp("2023-02-01")).days / 700
        model = rng.choice(
            ["ulver_1", "ulver_2", "ulver_3"], p=[0.9 - 0.8 * late, 0.05, 0.05 + 0.8 * late]
        )
        sales.append(sold(rng, model, day, ("working", "", 1.0)))
    table = pd.DataFrame(sales, columns=["model", "day", "amount", "condition", "fault"])
    halves = table.groupby(table["day"] > "2024-01-15")["amount"].median()
    assert halves[True] > 1.5 * halves[False]
    curves = curves_of(workspace(tmp_path / "w", sales))
    for model in range(3):
        # Two standard errors of a line through a hundred sales are 0.2 % a month; prior pulls.
        assert monthly_change(curves, model, "2023-04-15", "2024-10-15") == pytest.approx(
            -0.02, abs=0.004
        )


def test_with_deflation_inflated_prices_give_the_same_real_curve(tmp_path: Path) -> None:
    """10 % inflation a year in every amount: deflated by the index, the very same curve.

    Undeflated, the fall looks 0.8 log points a month slower.
    """
    rng = np.random.default_rng(2)
    models = list(LAUNCH)
    real = [
        sold(rng, models[i % 3], day, ("working", "", 1.0))
        for i, day in enumerate(days(rng, "2023-02-01", "2024-12-28", 240))
    ]
    base = pd.Timestamp("2024-12-28")
    months = pd.date_range("2019-12-01", "2025-01-01", freq="MS")
    index = pd.Series(100 * 1.1 ** ((months - base).days / 365.25), index=months)
    # The published index is monthly, so prices follow its line between two months.
    grown = [(m, d, a * 1.1 ** ((d - base).days / 365.25), c, f) for m, d, a, c, f in real]
    plain = curves_of(workspace(tmp_path / "real", real))
    nominal = workspace(tmp_path / "nominal", grown)
    launch = {
        m: p * 1.1 ** ((pd.Timestamp(d) - base).days / 365.25) for m, (d, p) in LAUNCH.items()
    }
    table = nominal.tables["catalogue"]
    table = table.assign(launch_amount=table["model_id"].map(launch))
    from dataclasses import replace

    nominal = replace(nominal, tables={**nominal.tables, "catalogue": table})
    again = curves_of(deflated(nominal, index, base))
    undeflated = curves_of(nominal)
    for model in range(3):
        truth = monthly_change(plain, model, "2023-04-15", "2024-10-15")
        found = monthly_change(again, model, "2023-04-15", "2024-10-15")
        assert found == pytest.approx(truth, abs=2e-4)
        assert monthly_change(undeflated, model, "2023-04-15", "2024-10-15") > truth + 0.005


def test_a_falling_currency_is_no_change_of_price(tmp_path: Path) -> None:
    """Dollar sales at the day's rate, the dollar losing a third: the same curve as in euros."""
    rng = np.random.default_rng(3)
    models = list(LAUNCH)
    sales = [
        sold(rng, models[i % 3], day, ("working", "", 1.0))
        for i, day in enumerate(days(rng, "2023-02-01", "2024-12-28", 200))
    ]
    every = pd.date_range("2023-01-01", "2024-12-31")
    rate = {d: 0.95 * (2 / 3) ** ((d - every[0]).days / len(every)) for d in every}
    lines = ["date,base,quote,rate", *(f"{d:%Y-%m-%d},USD,EUR,{r:.8f}" for d, r in rate.items())]
    dollars = [(m, d, a / rate[d], c, f) for m, d, a, c, f in sales]
    euro = curves_of(workspace(tmp_path / "eur", sales))
    other = curves_of(workspace(tmp_path / "usd", dollars, "USD", "\n".join(lines) + "\n"))
    for model in range(3):
        change = monthly_change(euro, model, "2023-04-15", "2024-10-15")
        assert monthly_change(other, model, "2023-04-15", "2024-10-15") == pytest.approx(
            change, abs=1e-4
        )


def test_as_is_ratio_is_not_fooled_by_which_models_break(tmp_path: Path) -> None:
    """Broken units are mostly the cheap model, working ones the dear: the true ratio is 0.35.

    Over twelve invented businesses the kit's mean ratio is within 6 % of it; the ratio of raw
    medians is off by half.
    """
    kit, raw = [], []
    for seed in range(12):
        rng, sales = np.random.default_rng(seed), []
        for day in days(rng, "2023-02-01", "2024-12-28", 150):
            model = rng.choice(list(LAUNCH), p=[0.15, 0.25, 0.60])
            sales.append(sold(rng, model, day, ("working", "", 1.0)))
        for day in days(rng, "2023-02-01", "2024-12-28", 40):
            model = rng.choice(list(LAUNCH), p=[0.75, 0.20, 0.05])
            sales.append(sold(rng, model, day, ("as_is", "display_dead", 0.35)))
        logs = workspace(tmp_path / str(seed), sales)
        table = fit_broken(logs, "ulver", curves_of(logs)).as_is.set_index("fault")
        kit.append(float(table.loc["display_dead", "ratio"]))
        rows = logs.tables["sales"]
        medians = rows.groupby("condition")["amount"].median()
        raw.append(float(medians["as_is"] / medians["working"]))
    assert np.mean(kit) == pytest.approx(0.35, rel=0.06)
    assert np.std(kit) < 0.04
    assert np.mean(raw) < 0.6 * 0.35


def test_learned_share_tells_own_sales_from_the_familys(tmp_path: Path) -> None:
    """0 for a model never sold, near 1 for one with forty sales in a family of three, rising."""
    rng = np.random.default_rng(4)
    counts = {"ulver_1": 41, "ulver_2": 4}
    sales = [
        sold(rng, m, day, ("working", "", 1.0))
        for m, n in counts.items()
        for day in days(rng, "2023-02-01", "2024-12-28", n)
    ]
    share = learned_share(curves_of(workspace(tmp_path / "w", sales)).fit)
    assert share[2] == pytest.approx(0.0, abs=1e-9)
    assert share[0] > 0.8
    assert 0.2 < share[1] < share[0]
