"""The published files in data/published come into one workspace, and every row is accounted for.

Figures marked "counted" were counted in the files themselves, without the kit.
"""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest
from repair_horizon.imports import ImportResult, import_file
from repair_horizon.logs import Logs, read_logs

PUBLISHED = Path(__file__).parent.parent / "data" / "published"
IMPORTS = {
    "launch_months.csv": ("catalogue", "camera_models.toml"),
    "used_camera_offers.csv": ("sales", "camera_offers.toml"),
    "repair_attempts_phones.csv": ("repairs", "phone_repairs.toml"),
    "repair_attempts_laptops.csv": ("repairs", "laptop_repairs.toml"),
    "memory_storage_price_annual.csv": ("part_quotes", "memory_prices.toml"),
}
# file: records, added, set aside, held (counted)
EXPECTED = {
    "launch_months.csv": (19, 19, 0, 0),
    "used_camera_offers.csv": (3032, 3032, 0, 0),
    "repair_attempts_phones.csv": (1916, 1842, 74, 0),
    "repair_attempts_laptops.csv": (3511, 3404, 107, 0),
    "memory_storage_price_annual.csv": (216, 42, 174, 0),
}


def import_published(workspace: Path) -> dict[str, ImportResult]:
    """Build the workspace as data/published/README.md says."""
    for name in ("catalogue.csv", "settings.toml"):
        shutil.copy(PUBLISHED / name, workspace / name)
    return {
        file: import_file(PUBLISHED / file, workspace, table, PUBLISHED / mapping)
        for file, (table, mapping) in IMPORTS.items()
    }


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("published")
    import_published(folder)
    return folder


@pytest.fixture(scope="module")
def logs(workspace: Path) -> Logs:
    return read_logs(workspace)


def rows_of(path: Path) -> list[dict[str, str]]:
    with open(path, newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_every_record_of_every_published_file_is_accounted_for(tmp_path: Path) -> None:
    """Added, already there, set aside and held are as counted, and add up to the records."""
    for file, result in import_published(tmp_path).items():
        records, added, aside, held = EXPECTED[file]
        assert (result.rows_in_file, result.added) == (records, added), file
        assert (result.set_aside, result.held, result.already_there) == (aside, held, 0), file
        assert len(result.ledger) == aside + held


def test_importing_the_published_files_again_changes_no_byte(workspace: Path) -> None:
    """A second import of each file finds every row there and leaves every file as it is."""
    before = {p.name: p.read_bytes() for p in workspace.rglob("*.csv")}
    for file, (table, mapping) in IMPORTS.items():
        result = import_file(PUBLISHED / file, workspace, table, PUBLISHED / mapping)
        assert result.added == 0
        assert result.already_there == EXPECTED[file][1]
    assert {p.name: p.read_bytes() for p in workspace.rglob("*.csv")} == before


def test_camera_offers_keep_their_amounts_and_days(workspace: Path) -> None:
    """Every offer stands in sales.csv with the family, day and amount of its source line."""
    source = {f"camera-{r['row_id']}": r for r in rows_of(PUBLISHED / "used_camera_offers.csv")}
    stored = rows_of(workspace / "sales.csv")
    assert len(stored) == len(source) == 3032
    for row in stored:
        theirs = source[row["sale_id"]]
        assert row["model_id"] == theirs["family"]
        assert row["sale_date"] == theirs["sold_on"]
        assert float(row["gross_amount"]) == float(theirs["price"])
        assert (row["currency"], row["price_type"]) == ("TWD", "asking")


@pytest.mark.parametrize(
    ("fault", "fixed", "recorded"),
    # Open Repair Alliance, phones: rows by fault and repair_status (counted).
    [("Screen", 341, 619), ("Power/battery", 91, 221)],
)
def test_fixed_phones_are_as_published(logs: Logs, fault: str, fixed: int, recorded: int) -> None:
    """Fixed attempts among those with an outcome are the published counts."""
    repairs = logs.tables["repairs"]
    rows = repairs[(repairs["model_id"] == "community-phone") & (repairs["listed_fault"] == fault)]
    assert len(rows) == recorded
    assert (rows["outcome"] == "fixed_first_pass").sum() == fixed


def test_phones_and_laptops_share_no_unit(logs: Logs) -> None:
    """Row 7 of the phones and row 7 of the laptops are two devices."""
    assert logs.tables["repairs"]["unit_id"].is_unique


def test_memory_prices_are_scaled_and_dated(workspace: Path) -> None:
    """2020: disks 0.0000162 and SSDs 0.000075 dollars a megabyte are 16.2 and 75 a terabyte."""
    rows = {r["quote_id"]: r for r in rows_of(workspace / "part_quotes.csv")}
    assert rows["published-disk_drives|2020"]["unit_price"] == "16.2"
    assert rows["published-ssd|2020"]["unit_price"] == "75"
    assert {r["quote_date"][4:] for r in rows.values()} == {"-07-01"}
    assert min(r["quote_date"] for r in rows.values()) == "2003-07-01"


def test_published_workspace_reads_without_a_held_row_but_for_the_missing_rates(
    logs: Logs,
) -> None:
    """Only the 42 dollar quotes are held: the workspace has no exchange rates."""
    counts = logs.ledger.counts().set_index("table")
    assert counts["read"].to_dict() == {
        "catalogue": 22,
        "sales": 3032,
        "part_quotes": 42,
        "repairs": 5246,
    }
    # One real price of the cameras has the digits of a placeholder and is looked at first.
    assert counts.loc[["catalogue", "sales", "repairs"], "held"].to_list() == [0, 1, 0]
    assert counts.loc["part_quotes", "held"] == 42


def test_published_copies_carry_their_licences() -> None:
    """The README names a source and licence line for every data file."""
    text = (PUBLISHED / "README.md").read_text(encoding="utf-8")
    for file in IMPORTS:
        line = next(t for t in text.splitlines() if file in t and t.startswith("|"))
        assert "MIT" in line or "CC BY" in line
