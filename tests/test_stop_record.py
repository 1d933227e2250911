"""Past stop dates held against what came: by hand, and without a look ahead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import some_families
from repair_horizon.backtest.running import BacktestRun
from repair_horizon.backtest.stop_record import (
    AHEAD,
    StopRecord,
    bands,
    pairs,
    scores,
    stop_record,
)
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.logs import CannotSay, Logs, read_logs, read_settings
from repair_horizon.reports.sections import back
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_number, month_start
from repair_horizon.tables.outputs import OUTPUTS

THEN = 2026 * 12


def told(chances: dict[str, tuple[float, float, float]], name: str = "buy stop") -> pd.DataFrame:
    """Stop dates of a model by listed fault: chance now, within 6 and within 12 months."""
    rows = [
        {"family_id": "f", "model_id": "m", "listed_fault": fault, "date_name": name}
        | dict(zip(("probability_now", "probability_6", "probability_12"), each, strict=True))
        for fault, each in chances.items()
    ]
    return OUTPUTS["stop_dates"].table(rows)


def test_a_chance_is_held_against_what_was_told_when_its_month_had_come() -> None:
    """Stops that had come are left out, and so is what nothing was said of later."""
    nothing = np.nan
    tables = {
        THEN: told({"a": (0.1, 0.3, 0.8), "b": (0.6, 0.9, 1.0), "c": (0.2, nothing, 0.4),
                    "d": (0.0, 0.1, 0.2)}),
        THEN + 6: told({"a": (0.4, 0.7, 0.9), "b": (1.0, 1.0, 1.0), "c": (0.9, 1.0, 1.0),
                        "d": (nothing, nothing, nothing)}),
        THEN + 12: told({"a": (0.5, 0.7, 0.9), "b": (1.0, 1.0, 1.0), "c": (0.3, 0.4, 0.6)}),
        THEN + 13: told({"a": (0.0, 0.0, 0.0)}),
    }  # fmt: skip
    found = pairs(tables).sort_values(["cutoff", "months_ahead", "listed_fault"])
    rows = found[["months_ahead", "listed_fault", "chance", "came"]].values.tolist()
    assert rows == [
        [6, "a", 0.3, False],
        [12, "a", 0.8, True],
        [12, "c", 0.4, False],
        [6, "a", 0.7, True],
    ]
    assert found["cutoff"].dt.strftime("%Y-%m-%d").tolist() == ["2026-01-31"] * 3 + ["2026-07-31"]
    assert pairs({THEN: told({"a": (0.1, 0.3, 0.8)}, "part stop")}).empty


def test_chances_are_summed_up_by_date_and_by_how_large_they_were() -> None:
    """Brier's score by hand: of knowing only the share that came it is p (1 - p)."""
    rows = pd.DataFrame(
        {
            "date_name": ["buy stop"] * 4 + ["repair stop"],
            "months_ahead": [6, 6, 6, 6, 12],
            "chance": [0.0, 0.05, 0.95, 0.5, 0.1],
            "came": [False, True, True, False, False],
        }
    )
    buying, repair = scores(rows).to_dict("records")
    assert (buying["n"], buying["came"], buying["brier_of_share"]) == (4, 0.5, 0.25)
    assert buying["told"] == pytest.approx(0.375)
    assert buying["brier"] == pytest.approx((0.95**2 + 0.05**2 + 0.5**2) / 4)
    assert (repair["n"], repair["brier_of_share"]) == (1, 0.0)
    by_chance = bands(rows)
    assert by_chance["band"].tolist() == ["0 to 10 %", "10 to 30 %", "30 to 70 %", "90 to 100 %"]
    assert by_chance["n"].tolist() == [2, 1, 1, 1]
    assert by_chance["came"].tolist() == [0.5, 0.0, 0.0, 1.0]


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    """One family of the demo business."""
    folder = tmp_path_factory.mktemp("stops") / "shop"
    some_families(folder, ["ulmvrist_watch"])
    return read_logs(folder)


@pytest.fixture(scope="module")
def record(logs: Logs) -> StopRecord:
    found = stop_record(shop(logs))
    assert isinstance(found, StopRecord)
    return found


def shop(logs: Logs) -> Shop:
    return Shop(logs, replace(read_settings(logs.folder), draws=100), valuation=NO_CHARGES)


def test_what_was_told_then_knows_nothing_of_what_came_later(
    logs: Logs, record: StopRecord
) -> None:
    """Half a year less of logs gives the same rows, but for those that end in it."""
    last = int(month_number([logs.newest_day])[0])
    before = stop_record(shop(logs.as_of(month_start(last - 5) - pd.Timedelta(days=1))))
    assert isinstance(before, StopRecord)
    ends = record.told["cutoff"].map(lambda d: month_number([d])[0]) + record.told["months_ahead"]
    old = record.told[(ends <= last - 6).to_numpy()]
    common = old.merge(before.told, on=[*old.columns[:6]], suffixes=("", "_before"))
    assert len(common) == len(old) > 30
    assert set(old["months_ahead"]) == set(AHEAD)
    np.testing.assert_allclose(common["chance"], common["chance_before"])
    assert (common["came"] == common["came_before"]).all()


def test_stops_that_came_had_been_told_likelier(record: StopRecord) -> None:
    """Prices of the demo fall as its truth has them, which is no curve of the kit's."""
    by = record.told.groupby("came")["chance"].mean()
    assert by[True] > 0.5 > 2 * by[False]
    assert (record.told["chance"].between(0.0, 1.0)).all()


def test_a_shop_of_few_months_has_no_record(logs: Logs) -> None:
    young = logs.as_of(logs.tables["sales"]["sale_date"].min() + pd.Timedelta(days=120))
    found = stop_record(shop(young))
    assert isinstance(found, CannotSay)
    assert "past stop dates" in found.reason


def test_the_page_tells_the_record_or_why_there_is_none(record: StopRecord) -> None:
    run = BacktestRun(None, None, None, None, None, record)  # type: ignore[arg-type]
    shown = back.stops_kept(run).html
    assert "Past stop dates, chances told and what came" in shown
    assert f">{len(record.told[record.told['chance'] < 0.1]):,}<" in shown
    nothing = replace(run, stops=CannotSay("too <few>"))
    assert "No record of past stop dates: too &lt;few&gt;." in back.stops_kept(nothing).html
