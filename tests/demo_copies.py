"""Copies of the demo business, whole or a few of its families, for tests that write or hurry."""

import shutil
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

DEMO = Path(__file__).parent.parent / "data" / "demo"


def demo_copy(folder: Path, draws: int = 1000) -> Path:
    """Copy every file of the demo business, with so many draws."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    rules = (DEMO / "settings.toml").read_text(encoding="utf-8")
    assert rules.count("draws = 1000\n") == 1
    text = rules.replace("draws = 1000\n", f"draws = {draws}\n")
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder


def some_families(folder: Path, families: Sequence[str], draws: int = 1000) -> Path:
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
