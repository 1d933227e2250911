"""The table of how far a price fit may be trusted."""

import re
from dataclasses import replace

import pandas as pd
import pytest
from demo_copies import DEMO, demo_logs, demo_shop
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.logs import read_settings
from repair_horizon.reports import estimates
from repair_horizon.reports.estimates import worked_out
from repair_horizon.shop import Shop


def health(shop: Shop, family: str) -> pd.DataFrame:
    """The table as the family's page has it, by what it tells."""
    worked = worked_out(shop, family)
    return estimates.tables(worked, worked.family.models[0])["health"].set_index("what")


def test_every_per_cent_is_spaced_as_on_the_other_pages() -> None:
    """With a space that does not break, as ``wording.percent``; the figures are the fit's own."""
    shop = demo_shop(100, NO_CHARGES)
    rows = health(shop, "vellfold")
    said = [t for t in rows[["value", "usual"]].to_numpy().ravel() if "%" in t]
    assert len(said) > 8
    for text in said:
        assert re.fullmatch(r"(under |over |[+-])?\d+(\.\d)?\u00a0%", text), text
    usual = shop.estimates("vellfold").prices.fit.priors
    assert rows.loc["residual variation", "usual"] == f"{100 * usual.noise:.0f}\u00a0%"
    drawn = (usual.market**2 + usual.market_slow**2) ** 0.5
    assert rows.loc["market, long run", "usual"] == f"{100 * drawn:.1f}\u00a0%"
    apart = next(t for t in rows["value"] if t[0] in "+-")
    assert float(apart[:-2]) == pytest.approx(0, abs=40)


def test_where_grades_start_from_is_told() -> None:
    """The demo's family starts from seven others; a grade it never sold is named."""
    logs, settings = demo_logs(), replace(read_settings(DEMO), draws=50)
    models = logs.tables["catalogue"].query("family_id == 'ulmvrist_watch'")["model_id"]
    sales = logs.tables["sales"]
    sales = sales[~(sales["model_id"].isin(models) & (sales["grade"] == "C"))]
    known = replace(logs, tables={**logs.tables, "sales": sales})
    rows = health(Shop(known, settings, valuation=NO_CHARGES), "ulmvrist_watch")
    told = rows.loc["grades and channels start from"]
    assert told["value"] == "7 other families"
    assert "grade C" in told["note"]
