"""The library as a notebook uses it: public names, frames in, results that show themselves."""

import doctest
import importlib
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import plotly.graph_objects as go
import pytest
import repair_horizon as rh

PUBLIC = {
    "CannotSay",
    "Fault",
    "LogFault",
    "Settings",
    "Shop",
    "__version__",
    "add",
    "ask",
    "from_frames",
    "open",
    "read_logs",
    "read_settings",
}


def frames() -> dict[str, pd.DataFrame]:
    """Six sales of one invented model, as somebody keeps them in a notebook."""
    days = pd.date_range("2026-01-10", periods=6, freq="30D")
    sales = pd.DataFrame(
        {
            "sale_id": [f"s{i}" for i in range(6)],
            "model_id": "quillon_1",
            "sale_date": days,
            "gross_amount": [400.0, 392.0, 381.0, 377.0, 360.0, 352.0],
            "currency": "EUR",
        }
    )
    catalogue = pd.DataFrame(
        {
            "model_id": ["quillon_1"],
            "family_id": ["quillon"],
            "device_class": ["phone"],
            "launch_date": ["2025-06-01"],
            "launch_price": [700],
            "launch_currency": ["EUR"],
        }
    )
    return {"sales": sales, "catalogue": catalogue}


def test_public_names_are_few_and_pinned() -> None:
    assert set(rh.__all__) == PUBLIC
    for name in PUBLIC:
        assert getattr(rh, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        rh.nothing  # noqa: B018


def test_importing_loads_nothing_heavy_and_changes_nothing() -> None:
    """The caller's process stays as it was: no module beyond the standard library, no variable."""
    code = (
        "import os, sys; before = dict(os.environ); import repair_horizon\n"
        "heavy = [m for m in ('pandas', 'numpy', 'statsmodels', 'plotly') if m in sys.modules]\n"
        "print(heavy, dict(os.environ) == before)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[] True"


def test_frames_give_a_curve_with_table_plot_and_summary() -> None:
    """From one's own DataFrame to a price curve, plotted and summarised, in three lines."""
    view = rh.from_frames(**frames()).prices("quillon")
    assert not isinstance(view, rh.CannotSay)
    table = view.table()
    now = table[table["phase"] == "forecast"].iloc[0]
    assert now["lower"] < now["predicted"] < now["upper"]
    assert 300 < now["predicted"] < 370
    assert isinstance(view.plot(), go.Figure)
    assert "quillon_1" in str(view.summary())
    assert "quillon" in view._repr_html_()
    assert repr(view) == "PriceView(quillon: 1 models, 6 sales)"


def test_frames_are_read_by_the_rules_given() -> None:
    """Grades of one's own: units are sold and repaired to them, with and without logs."""
    given = frames()
    given["sales"]["grade"] = ["top", "top", "fair", "fair", "top", "fair"]
    rules = replace(rh.Settings(), grade_order=["top", "fair"], draws=50)
    shop = rh.from_frames(settings=rules, **given)
    assert shop.logs.grade_order == ("top", "fair")
    assert (shop.thresholds()["max_bid"] > 0).any()
    asked = {"launch": "2025-10", "launch_price": 700.0, "today": "2026-11"}
    assert rh.ask("phone", "cracked screen", settings=rules, **asked).bid.amount > 0


def test_frames_are_checked_like_files() -> None:
    """A bad value is named with its table, line and column, and what is allowed."""
    given = frames()
    given["sales"]["gross_amount"] = given["sales"]["gross_amount"].astype(object)
    given["sales"].loc[2, "gross_amount"] = "many"
    shop = rh.from_frames(**given)
    held = shop.logs.ledger.exceptions
    assert held.loc[held["line"] == 4, "table"].tolist() == ["sales"]
    with pytest.raises(TypeError, match="no table 'sale'"):
        rh.from_frames(sale=given["sales"])


@pytest.mark.parametrize(
    "name",
    [
        "shop",
        "views",
        "decisions.unit.certainty_equivalent",
        "decisions.review.why_changed",
        "tables.codes",
    ],
)
def test_examples_in_docstrings_run(
    name: str, kept_demo: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(kept_demo.parent.parent)
    found = doctest.testmod(importlib.import_module(f"repair_horizon.{name}"))
    assert found.failed == 0
    assert found.attempted > 0
