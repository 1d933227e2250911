"""The table of monthly changes and the table of ratios: what they call what, and when nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from outlook_by_hand import example_family
from repair_horizon.estimation.price_table import broken_ratios, monthly_change
from repair_horizon.logs import CannotSay
from repair_horizon.tables.codes import Basis


def moving(pace: float, spread: float) -> pd.Series:
    """The one row of a family of one model that moves by a pace a month, unsure by ``spread``."""
    family = example_family(draws=400, months=12)
    own = pace + spread * np.random.default_rng(1).standard_normal(400)
    level = 600.0 * np.exp(own[:, None] * np.arange(family.level.shape[2]))
    known = replace(family, level=level[:, None, :], level_basis={"fx_2": Basis.OWN})
    table = monthly_change(known)
    assert len(table) == 1
    return table.iloc[0]


def test_a_series_is_called_what_it_does() -> None:
    """A fall of 2.4 % a month, a rise, and one whose interval holds both ways."""
    fall, rise, unsure = moving(-0.024, 0.004), moving(0.01, 0.004), moving(-0.002, 0.01)
    assert (fall["direction"], rise["direction"]) == ("falling", "rising")
    assert unsure["direction"] == "no clear direction"
    assert fall["change"] == pytest.approx(np.expm1(-0.024), abs=0.001)
    assert fall["lower"] < fall["change"] < fall["upper"] < 0
    assert rise["probability_rise"] > 0.97
    assert (fall["price"], fall["basis"]) == (pytest.approx(600.0), "own")


def test_a_model_without_a_price_has_a_reason_and_no_figure() -> None:
    family = example_family(draws=5, months=12)
    silent = replace(family, level=np.full_like(family.level, np.nan), reasons={"fx_2": "why"})
    row = monthly_change(silent).iloc[0]
    assert np.isnan(row["change"])
    assert (row["direction"], row["reason"]) == ("", "why")


def test_ratios_of_a_family_without_a_working_price_cannot_be_said() -> None:
    """The by-hand family has no price fit: a reason, not an empty table."""
    assert isinstance(broken_ratios(example_family().estimates), CannotSay)
