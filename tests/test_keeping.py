"""What the shop keeps on disk is what would be worked out anew, and nothing in it is run."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.files.keeping import Keeper, packed, unpacked
from repair_horizon.logs import read_logs
from repair_horizon.shop import Shop, open_shop

DEMO = Path(__file__).parent.parent / "data" / "demo"
FAMILY = "ulmvrist_watch"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A workspace of one family, with a folder for results and draws that cost little."""
    folder = shutil.copytree(DEMO, tmp_path / "business")
    models = pd.read_csv(folder / "catalogue.csv", dtype=str, keep_default_na=False)
    models[models["family_id"] == FAMILY].to_csv(folder / "catalogue.csv", index=False)
    (folder / "forecasts.csv").unlink()
    (folder / "out").mkdir()
    return folder


def opened(place: Path) -> Shop:
    shop = open_shop(place)
    return shop.with_rules(replace(shop.settings, draws=100))


def kept(place: Path) -> dict[str, str]:
    return dict(p.name.split(".") for p in (place / "out" / ".kept").iterdir())  # type: ignore[misc]


def test_a_kept_shop_tells_the_figures_of_one_read_anew(place: Path) -> None:
    """Logs, knowledge, estimates and charges come back as they were, to the last bit."""
    first = opened(place)
    told, charges = first.thresholds(), first.scarcity()
    assert len(kept(place)) == 6
    again = opened(place)
    assert packed(again.logs) == packed(first.logs)
    assert again.scarcity() == charges
    pd.testing.assert_frame_equal(again.thresholds(), told, check_exact=True)
    for name, table in read_logs(place).tables.items():
        pd.testing.assert_frame_equal(again.logs.tables[name], table)


@pytest.mark.parametrize("file", ["sales.csv", "settings.toml"])
def test_a_changed_file_is_not_met_by_what_was_kept(place: Path, file: str) -> None:
    opened(place).scarcity()
    before = kept(place)
    path = place / file
    change: Callable[[str], str] = {
        "sales.csv": lambda t: t[: t.rindex("\n", 0, -1) + 1],
        "settings.toml": lambda t: t.replace("rate_per_hour = 28.0", "rate_per_hour = 31.0"),
    }[file]
    text = path.read_text(encoding="utf-8")
    assert change(text) != text
    path.write_text(change(text), encoding="utf-8")
    opened(place).scarcity()
    after = kept(place)
    changed = {name.rpartition("-")[0] for name in before if after[name] != before[name]}
    assert "opportunity-cost" in changed
    assert before.keys() == after.keys()
    if file == "sales.csv":
        assert all(after[name] != before[name] for name in before)


def test_without_a_folder_for_results_nothing_is_written(place: Path) -> None:
    (place / "out").rmdir()
    opened(place).scarcity()
    assert not (place / "out").exists()


@pytest.mark.parametrize(
    "planted",
    [
        b"",
        b"9\n[1",
        b'41\n["record",["subprocess","Popen",{}],0]    ',
        b'70\n["record",["repair_horizon.files.writing","write_text",{"a":1}],0]    ',
        b'30\n["eval",["__import__(1)"],0]   ',
    ],
)
def test_a_planted_file_is_passed_over(tmp_path: Path, planted: bytes) -> None:
    """What is no record of the kit's own is worked out anew; nothing is called."""
    keeper = Keeper(tmp_path / "kept")
    assert keeper.of("a", ["x"], lambda: 1.5) == 1.5
    (path,) = (tmp_path / "kept").iterdir()
    path.write_bytes(planted)
    assert keeper.of("a", ["x"], lambda: 2.5) == 2.5
    assert unpacked(path.read_bytes()) == 2.5


def test_only_values_records_and_tables_are_kept() -> None:
    with pytest.raises(TypeError, match="function"):
        packed({"a": kept})


@pytest.mark.parametrize(
    "cells",
    [[pd.Timestamp("2026-11-01"), None], [1, None], [True, "yes"], [pd.NaT, None]],
    ids=["days", "numbers", "mixed", "missing"],
)
def test_a_table_that_would_come_back_otherwise_is_not_kept(
    tmp_path: Path, cells: list[object]
) -> None:
    """An answer read from disk has the very cells of the one worked out; else it is not kept."""
    keeper = Keeper(tmp_path / "kept")
    made = pd.DataFrame({"a": pd.Series(cells, dtype="object")})
    for _ in range(2):
        found = keeper.of("a", ["x"], lambda: made)
        pd.testing.assert_frame_equal(found, made, check_exact=True)
        assert [type(v) for v in found["a"]] == [type(v) for v in cells]


def test_answers_kept_are_those_of_a_shop_that_keeps_nothing(place: Path, tmp_path: Path) -> None:
    """Bids, promises, stock and plan: worked out, read from disk, and without a folder at all."""
    bare = shutil.copytree(place, tmp_path / "bare")
    (bare / "out").rmdir()
    told = []
    for folder in (bare, place, place):
        shop = opened(folder)
        tables = (shop.bids(), shop.promises(), shop.stock(), shop.asking(), shop.plan().items)
        told.append((packed(tables), packed(shop.plan()), shop.selling.words))
    assert told[0] == told[1] == told[2]
    assert {"bids", "promises", "shelf", "asking", "plan", "days-to-sale"} <= kept(place).keys()
