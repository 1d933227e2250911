"""The demo business read and fitted once for all tests, and copies of it for those that write."""

import shutil
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pandas as pd
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.logs import Logs, Settings, read_logs, read_settings
from repair_horizon.shop import Shop

DEMO = Path(__file__).parent.parent / "data" / "demo"


@cache
def demo_logs() -> Logs:
    """The demo business as read; no test changes it in place."""
    return read_logs(DEMO)


def demo_logs_of(*families: str) -> Logs:
    """The demo business as read, of some families only."""
    logs = demo_logs().of(families)
    catalogue = logs.tables["catalogue"]
    kept = catalogue[catalogue["family_id"].isin(families)]
    return replace(logs, tables={**logs.tables, "catalogue": kept})


@cache
def _fitted() -> Shop:
    return Shop(demo_logs(), read_settings(DEMO))


def demo_shop(
    draws: int = 500, valuation: Valuation | None = None, rules: Settings | None = None
) -> Shop:
    """The demo business under rules of one's own; its families are fitted once for all tests."""
    rules = replace(read_settings(DEMO) if rules is None else rules, draws=draws)
    shop = Shop(demo_logs(), rules, valuation=valuation, knowledge=_fitted().knowledge)
    shop._estimates = _fitted()._estimates
    return shop


def demo_copy(folder: Path, draws: int = 500) -> Path:
    """Copy every file of the demo business, with so many draws."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    rules = (DEMO / "settings.toml").read_text(encoding="utf-8")
    assert rules.count("draws = 500\n") == 1
    text = rules.replace("draws = 500\n", f"draws = {draws}\n")
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder


def some_families(folder: Path, families: Sequence[str], draws: int = 500) -> Path:
    """Write every row of the demo business that belongs to these families, and its settings."""
    demo_copy(folder, draws)
    catalogue = pd.read_csv(DEMO / "catalogue.csv", dtype=str, keep_default_na=False)
    mine = set(catalogue.loc[catalogue["family_id"].isin(families), "model_id"])
    lots = pd.read_csv(DEMO / "listings.csv", dtype=str, keep_default_na=False)
    lots = set(lots.loc[lots["model_id"].isin(mine), "listing_id"])
    owners = {"fault_states": ("family_id", families), "forecasts": ("listing_id", lots)}
    for path in DEMO.glob("*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        column, kept = owners.get(path.stem, ("model_id", mine))
        if column in rows:
            rows = rows[rows[column].isin(kept)]
        rows.to_csv(folder / path.name, index=False)
    return folder
