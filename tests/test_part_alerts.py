"""Warnings about parts, and curves that start again where a series has left its band."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_business import Business, simulate, write_business
from demo_business.catalogue import SUPPLIERS
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.part_prices import (
    ALERT_COLUMNS,
    LEFT_BAND,
    SCARCE,
    STALE,
    SUPPLY,
    PartCurves,
    fit_parts,
    part_alerts,
)
from repair_horizon.logs import Logs, read_logs

HEADER = "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency"


def quotes(prices: dict[str, list[float]], quality: str = "aftermarket") -> list[str]:
    """Monthly quotes per model, the last of each in December 2025."""
    rows = []
    for model, series in prices.items():
        days = pd.date_range(end="2025-12-31", periods=len(series), freq="MS")
        rows += [
            f"Q{model}{quality}{i},{d:%Y-%m-%d},{model},DA,{quality},fenn,{p:.2f},EUR"
            for i, (d, p) in enumerate(zip(days, series, strict=True))
        ]
    return rows


def workspace(folder: Path, rows: list[str], ends: tuple[str, str] = ("", "")) -> Logs:
    """One family of two models and its quotes; ``ends`` are their ends of supply."""
    folder.mkdir()
    (folder / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date,launch_price,launch_currency,"
        "spare_part_end_date\n"
        f"ulver_1,ulver,phone,2021-01-01,500,EUR,{ends[0]}\n"
        f"ulver_2,ulver,phone,2023-01-01,500,EUR,{ends[1]}\n",
        encoding="utf-8",
    )
    (folder / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency\nS1,ulver_1,2025-12-20,150,EUR\n"
    )
    (folder / "part_quotes.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return read_logs(folder)


def falling(start: float, months: int, seed: int, monthly: float = 0.985) -> list[float]:
    rng = np.random.default_rng(seed)
    return [start * monthly**i * float(np.exp(rng.normal(0, 0.03))) for i in range(months)]


def found(logs: Logs) -> tuple[pd.DataFrame, PartCurves]:
    parts = fit_parts(logs, "ulver")
    table = part_alerts(parts, logs.family("ulver").tables["catalogue"], logs.newest_day)
    assert list(table.columns) == ALERT_COLUMNS
    return table, parts["DA"]


def test_quiet_series_give_no_alert(tmp_path: Path) -> None:
    table, curves = found(
        workspace(
            tmp_path / "w", quotes({"ulver_1": falling(90, 24, 1), "ulver_2": falling(110, 24, 2)})
        )
    )
    assert table.empty
    assert curves.shifts == ()


@pytest.mark.parametrize(("jump", "way"), [(1.4, "dearer"), (0.65, "cheaper")])
def test_a_jump_is_named_with_its_month_and_the_forecast_starts_from_it(
    tmp_path: Path, jump: float, way: str
) -> None:
    """Three quotes at another level since October: the month named, the level theirs."""
    moved = falling(90, 24, 1)
    moved[-3:] = [p * jump for p in moved[-3:]]
    still = falling(110, 24, 2)
    table, curves = found(workspace(tmp_path / "w", quotes({"ulver_1": moved, "ulver_2": still})))
    alert = table[table["kind"] == LEFT_BAND]
    assert alert["model_id"].tolist() == ["ulver_1"]
    assert alert["since"].tolist() == [pd.Timestamp("2025-10-01")]
    assert "left its band in 2025-10" in alert["words"].iloc[0]
    assert way in alert["words"].iloc[0]
    days = pd.DatetimeIndex(["2026-01-15", "2026-12-15"])
    said = [
        500 * np.exp(predict(curves.fit, curves.points(np.full(2, m), days, "aftermarket")).median)
        for m in (0, 1)
    ]
    assert said[0][0] == pytest.approx(np.mean(moved[-3:]), rel=0.07)
    assert said[1][0] == pytest.approx(np.mean(still[-3:]), rel=0.07)
    assert said[1][1] < 0.95 * said[1][0], "the other model's quotes go on falling"
    if jump > 1:
        assert said[0][1] > 0.97 * said[0][0], "no fall is drawn on into a series that turned up"
    else:
        assert said[0][1] < 0.97 * said[0][0]


def test_one_odd_quote_is_no_jump(tmp_path: Path) -> None:
    odd = falling(90, 24, 1)
    odd[-1] *= 1.5
    table, _ = found(
        workspace(tmp_path / "w", quotes({"ulver_1": odd, "ulver_2": falling(110, 24, 2)}))
    )
    assert (table["kind"] != LEFT_BAND).all()


def test_a_jump_in_one_quality_leaves_the_others_alone(tmp_path: Path) -> None:
    """Only the maker's own parts got dearer: the shift is theirs and named so."""
    dear = falling(150, 24, 4, 1.0)
    dear[-3:] = [p * 1.5 for p in dear[-3:]]
    rows = quotes({"ulver_1": falling(90, 24, 1), "ulver_2": falling(110, 24, 2)})
    rows += quotes({"ulver_1": dear, "ulver_2": falling(170, 24, 5, 1.0)}, "maker_original")
    table, curves = found(workspace(tmp_path / "w", rows))
    alert = table[table["kind"] == LEFT_BAND]
    assert alert[["model_id", "quality_class"]].to_numpy().tolist() == [
        ["ulver_1", "maker_original"]
    ]
    day = pd.DatetimeIndex(["2026-01-15"])
    copy = predict(curves.fit, curves.points(np.array([0]), day, "aftermarket")).median
    assert 500 * np.exp(copy[0]) == pytest.approx(90 * 0.985**24, rel=0.08)


def test_end_of_supply_is_told_when_passed_and_when_near(tmp_path: Path) -> None:
    rows = quotes({"ulver_1": falling(90, 24, 1), "ulver_2": falling(110, 24, 2)})
    table, _ = found(workspace(tmp_path / "w", rows, ("2025-06-30", "2026-04-30")))
    words = table[table["kind"] == SUPPLY].set_index("model_id")["words"]
    assert "ended on 2025-06-30" in words["ulver_1"]
    assert "ends on 2026-04-30" in words["ulver_2"]
    far, _ = found(workspace(tmp_path / "v", rows, ("", "2027-04-30")))
    assert (far["kind"] != SUPPLY).all()


def test_three_dear_quotes_of_an_old_part_make_the_forecast_a_lower_bound(tmp_path: Path) -> None:
    """Eleven per cent dear three times is no jump, but suspicious in the model's fifth year."""
    dear = falling(90, 24, 1)
    dear[-3:] = [90 * 0.985 ** (21 + i) * 1.11 for i in range(3)]
    table, _ = found(
        workspace(tmp_path / "w", quotes({"ulver_1": dear, "ulver_2": falling(110, 24, 2)}))
    )
    scarce = table[table["kind"] == SCARCE]
    assert scarce["model_id"].tolist() == ["ulver_1"]
    assert scarce["since"].tolist() == [pd.Timestamp("2025-10-01")]
    assert "lower bound" in scarce["words"].iloc[0]


def test_old_quotes_are_called_stale(tmp_path: Path) -> None:
    rows = quotes({"ulver_1": falling(90, 24, 1), "ulver_2": falling(110, 24, 2)})
    rows = [r for r in rows if not (",ulver_2," in r and r.split(",")[1] > "2025-05-15")]
    table, _ = found(workspace(tmp_path / "w", rows))
    stale = table[table["kind"] == STALE]
    assert stale["model_id"].tolist() == ["ulver_2"]
    assert "days old" in stale["words"].iloc[0]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Business, Logs]:
    folder = tmp_path_factory.mktemp("demo") / "w"
    business = simulate(8)
    write_business(folder, business)
    return business, read_logs(folder)


def test_the_demos_jump_and_nothing_else_is_found(demo: tuple[Business, Logs]) -> None:
    """One series of the demo jumps by 35 % in July 2026 (demo_business.catalogue.JUMP)."""
    _, logs = demo
    shifts = {
        (curves.fit.panel.models.ids[s.model], code): s
        for family in logs.families
        for code, curves in fit_parts(logs, family).items()
        for s in curves.shifts
    }
    assert list(shifts) == [("tarnquo_4", "DA")]
    only = shifts["tarnquo_4", "DA"]
    assert only.since == pd.Timestamp("2026-07-01")
    assert only.size == pytest.approx(np.log(1.35), abs=0.1)


def test_the_demos_jump_is_followed(
    demo: tuple[Business, Logs], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A month ahead every quality's level is within 10 %, and a year ahead no fall is forecast.

    Without the shift the jump is taken for a drift, which fades within the year.
    """
    business, logs = demo

    def levels(days: int) -> tuple[np.ndarray, np.ndarray]:
        curves = fit_parts(logs, "tarnquo_phone")["DA"]
        model = curves.fit.panel.models.ids.index("tarnquo_4")
        day = pd.DatetimeIndex([logs.newest_day + pd.Timedelta(days=days)])
        factor = next(s.price_factor for s in SUPPLIERS if s.supplier_id == curves.base_supplier)
        said, true = [], []
        for quality in sorted(set(curves.quality)):
            median = predict(curves.fit, curves.points(np.array([model]), day, quality)).median[0]
            said.append(median + np.log(curves.fit.panel.models.launch_price[model]))
            level = business.truth.part_level("tarnquo_4", "DA", quality, day[0])
            true.append(np.log(level * factor))
        return np.array(said), np.array(true)

    soon, true = levels(30)
    later, _ = levels(365)
    monkeypatch.setattr("repair_horizon.estimation.part_prices.find_shifts", lambda *_: [])
    faded, _ = levels(365)
    assert np.abs(soon - true).max() < 0.10
    assert (later > soon - 0.05).all()
    assert faded.mean() < later.mean() - 0.05
