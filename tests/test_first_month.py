"""The beginner's workbook that ships with the kit comes in by drafts and a few answers."""

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.cli import main
from repair_horizon.demo.first_month import write_first_month
from repair_horizon.logs import read_logs

SHEETS = ("Models", "Sales 2026", "Auctions")


def answered(text: str) -> str:
    """Say yes to every proposal of a draft."""
    return re.sub(r"(?m)^# (?=\[\[set_aside|column =|contains =|one_of =|reason =)", "", text)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("first") / "shop"
    book = write_first_month(folder.parent)
    place = ("--workspace", str(folder))
    assert main(["init", *place]) == 0
    for sheet in SHEETS:
        mapping = folder.parent / f"{sheet}.toml"
        words = ("import", str(book), "--mapping", str(mapping), *place)
        assert main([*words, "--draft", "--sheet", sheet]) == 0
        mapping.write_text(answered(mapping.read_text(encoding="utf-8")), encoding="utf-8")
        assert main([*words]) == 0
    return folder


def test_the_workbook_is_the_same_each_time(tmp_path: Path) -> None:
    first = write_first_month(tmp_path).read_bytes()
    shutil.rmtree(tmp_path)
    assert write_first_month(tmp_path).read_bytes() == first


def test_every_row_of_the_workbook_is_accounted_for(shop: Path) -> None:
    """Of 60 sales one was cancelled; it, a bundle and the total are set aside with reasons."""
    logs = read_logs(shop)
    counts = logs.ledger.counts().set_index("table")
    assert counts.loc[["catalogue", "sales", "listings"], "used"].tolist() == [6, 59, 7]
    assert counts["held"].sum() == 0
    review = pd.read_csv(shop / "review" / "sales-our sales.csv")
    assert sorted(review["x_reason"]) == ["no single unit", "totals row", "undone"]


def test_models_grades_and_faults_are_understood(shop: Path) -> None:
    sales = pd.read_csv(shop / "sales.csv", keep_default_na=False)
    assert set(sales["grade"]) == {"A", "B", "C", ""}
    assert (sales["condition"] == "as_is").sum() == (sales["grade"] == "").sum() == 3
    listings = pd.read_csv(shop / "listings.csv")
    fold = listings[listings["model_id"] == "brelk_duo"]
    assert fold["listed_fault"].tolist() == ["inner_display_dead"]
    assert set(pd.read_csv(shop / "catalogue.csv")["family_id"]) == {"orvan", "duo", "tavit"}


def test_no_buyer_comes_in(shop: Path) -> None:
    for path in shop.rglob("*.csv"):
        assert "A. Nym" not in path.read_text(encoding="utf-8")
