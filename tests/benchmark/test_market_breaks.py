"""A market that broke is told with its month, and forecasts start from its new level."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.cli import main
from repair_horizon.estimation.curve.market import MarketBreak, market_path
from repair_horizon.estimation.pooled_effects import rows_by_family
from repair_horizon.estimation.shop_knowledge import broken_market, steps
from repair_horizon.logs import CannotSay, read_logs
from repair_horizon.reports.month import Order, write_month
from repair_horizon.shop import open_shop
from repair_horizon.tables.months import month_number, month_start
from repair_horizon.tables.words import percent
from scipy.stats import norm

from .third_world import CURVED, NOW, scored, write

LAST = int(month_number([NOW])[0])


@pytest.fixture(scope="module")
def crashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop whose whole market fell by 20 % six months before the end."""
    folder = tmp_path_factory.mktemp("crashed")
    write(folder, CURVED, "crash", 3000)
    return folder


def test_the_month_and_size_of_a_crash_are_told(crashed: Path) -> None:
    """The alarm names the month of a crash of 20 %, its size, and that all families took part."""
    found = broken_market(read_logs(crashed))
    assert isinstance(found, MarketBreak)
    assert abs(found.month - (LAST - 6)) <= 1
    assert found.size == pytest.approx(-0.22, abs=0.05)
    assert (found.agree, found.families) == (4, 4)
    assert f"stepped down by about {percent(-np.expm1(found.size))}" in found.words
    assert f"{month_start(found.month):%B %Y}, 4 of 4 families" in found.words


def test_a_market_without_a_break_raises_no_alarm(tmp_path: Path) -> None:
    """The same shop without the crash is told no break, and every month was looked at."""
    write(tmp_path, CURVED, "", 3000)
    logs = read_logs(tmp_path)
    assert broken_market(logs) is None
    classes = dict.fromkeys(logs.families, "phone")
    assert len(list(steps(rows_by_family(logs), classes, LAST))) == 15


def test_one_family_cannot_tell_a_market_from_itself(crashed: Path) -> None:
    """A shop with one family is told that a break cannot be told, not that there is none."""
    logs = read_logs(crashed)
    assert isinstance(broken_market(logs.of(logs.families[:1])), CannotSay)


def test_families_that_step_apart_are_no_broken_market(tmp_path: Path) -> None:
    """Two families up and two down by 20 % are no break of the shop's market."""
    law = list(CURVED.values())[2]
    month = {"up": 0.22, "up too": 0.22, "down": -0.22, "down too": -0.22}

    # Every model of the third world is asked at its age; a step at one age of each is no date,
    # so the families' own steps are written into the files.
    write(tmp_path, dict.fromkeys(month, law), "", 3001)
    path = tmp_path / "sales.csv"
    sales = pd.read_csv(path)
    late = pd.to_datetime(sales["sale_date"]) > NOW - pd.DateOffset(months=6)
    sizes = (
        sales["model_id"]
        .str.extract(r"^f(\d)")[0]
        .astype(int)
        .map(list(month.values()).__getitem__)
    )
    sales["gross_amount"] = (sales["gross_amount"] * np.exp(sizes * late)).round(2)
    sales.to_csv(path, index=False)
    assert broken_market(read_logs(tmp_path)) is None


def test_check_and_the_library_say_it(crashed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``check`` prints the alarm that ``Shop.market_break`` gives."""
    found = open_shop(crashed).market_break()
    assert isinstance(found, MarketBreak)
    main(["check", "--workspace", str(crashed)])
    assert " ".join(found.words.split()) in " ".join(capsys.readouterr().out.split())


def test_the_months_first_page_says_it_first(crashed: Path, tmp_path: Path) -> None:
    """The index of the month holds the alarm as the first of its alerts."""
    found = open_shop(crashed).market_break()
    assert isinstance(found, MarketBreak)
    order = Order(families=["f0"], draws=60, out=tmp_path)
    page = write_month(crashed, f"{NOW:%Y-%m}", order=order).index.read_text(encoding="utf-8")
    assert f"<h2>Alerts</h2>\n<ul><li>{found.words}</li>" in page


def test_forecasts_after_a_crash_are_nearer_with_the_alarm() -> None:
    """Levels up to 24 months after a crash err less when forecasts know of it."""
    shop = dict(list(CURVED.items())[2:])
    error = {
        alarm: np.mean([t["error"].abs().mean() for t in scored(shop, "crash", 3000, alarm=alarm)])
        for alarm in (True, False)
    }
    assert error[True] < 0.95 * error[False]


def test_a_step_that_stays_goes_on_into_the_months_ahead() -> None:
    """A path stepping in its last months is carried on at the new level, not back to the old."""
    level = np.where(np.arange(24) >= 18, -0.2, 0.0)
    ahead = {b: market_path(24, 3.0, 36, b).weights[-1] @ level for b in ((18, 30.0), None)}
    assert ahead[18, 30.0] == pytest.approx(-0.2, abs=0.01)
    assert ahead[None] > -0.15


def test_the_sentence_tells_the_middle_80_per_cent_of_the_step() -> None:
    """Ends are those of a normal law, by scipy, whichever way prices went."""
    for size in (-0.25, 0.25):
        said = MarketBreak(2026 * 12 + 5, size, 0.04, 6, 5).words
        ends = sorted(abs(np.expm1(norm.ppf([0.1, 0.5, 0.9], size, 0.04))))
        near, middle, far = (f"{100 * e:.0f} %" for e in ends)
        told = f"about {middle} ({near} to {far} with 80 %) in June 2026, 5 of 6 families"
        assert told in " ".join(said.split())
