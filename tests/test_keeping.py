"""What the shop keeps on disk is what would be worked out anew, and nothing in it is run."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from demo_copies import DEMO
from repair_horizon import fitted_shop
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.files.keeping import Keeper, packed, unpacked
from repair_horizon.logs import read_logs
from repair_horizon.shop import Shop, open_shop

FAMILY, OTHER = "ulmvrist_watch", "grabvyx_console"


def without_last(text: str) -> str:
    """A log without its last row about a family."""
    lines = text.splitlines(keepends=True)
    del lines[max(i for i, line in enumerate(lines) if "ulmvrist" in line)]
    return "".join(lines)


def one_more(text: str) -> str:
    """Listings with the last of a family that came to a price once more, under its own name."""
    ended = re.compile("ulmvrist.*,(lost|won|seen),")
    last = [line for line in text.splitlines(keepends=True) if ended.search(line)][-1]
    return text + "more" + last


def another_price(text: str) -> str:
    """A log whose last row of a family names another price."""
    lines = text.splitlines(keepends=True)
    at = max(i for i, line in enumerate(lines) if "ulmvrist" in line)
    lines[at] = re.sub(r",(\d+)\.(\d\d),", r",1\1.\2,", lines[at], count=1)
    return "".join(lines)


CHANGES: dict[str, Callable[[str], str]] = {
    "sales.csv": another_price,
    "part_quotes.csv": another_price,
    "maker_quotes.csv": lambda t: t + "2026-09-24,ulmvrist_2,display_dead,4.00,EUR,11,90,25.00\n",
    "listings.csv": one_more,
    "repairs.csv": without_last,
    "stock.csv": without_last,
    "fault_states.csv": lambda t: t.replace("0.92", "0.52"),
    "fx_rates.csv": lambda t: t.replace(",1.1", ",1.2"),
    "catalogue.csv": another_price,
    "settings.toml": lambda t: t.replace("rate_per_hour = 28.0", "rate_per_hour = 31.0"),
}

TOGETHER = (
    ["sales.csv"],
    ["part_quotes.csv"],
    ["repairs.csv"],
    ["listings.csv"],
    ["maker_quotes.csv", "stock.csv", "settings.toml"],  # of these a fit rests on the first
    ["fault_states.csv", "catalogue.csv", "fx_rates.csv"],
)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A workspace of one family, with a folder for results and draws that cost little."""
    folder = shutil.copytree(DEMO, tmp_path / "business")
    models = pd.read_csv(folder / "catalogue.csv", dtype=str, keep_default_na=False)
    models[models["family_id"] == FAMILY].to_csv(folder / "catalogue.csv", index=False)
    own = re.compile(
        "(model_id|family_id|date,base|20[0-9-]+,EUR|" + FAMILY[:8] + "|" + OTHER[:7] + ")"
    )
    for path in folder.glob("*.csv"):
        text = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join(line for line in text if own.search(line)), encoding="utf-8")
    (folder / "forecasts.csv").unlink()
    (folder / "out").mkdir()
    return folder


def opened(place: Path) -> Shop:
    shop = open_shop(place)
    return shop.with_rules(replace(shop.settings, draws=20))


def answers(place: Path) -> bytes:
    return answers_of(opened(place))


def answers_of(shop: Shop) -> bytes:
    told = (shop.bids(), shop.promises(), shop.stock(), shop.plan().items, shop.unknowns(most=None))
    return packed((*told, shop.estimates(FAMILY)))


def kept(place: Path) -> dict[str, str]:
    """Names and stamps, without how long units of a short list are worth bidding for."""
    files = [p.name.split(".") for p in (place / "out" / ".kept").iterdir()]
    return {name: stamp for name, stamp in files if not name.startswith("bidding-")}


def test_a_kept_shop_tells_the_figures_of_one_read_anew(place: Path) -> None:
    """Logs, knowledge, estimates and charges come back as they were, to the last bit."""
    first = opened(place)
    told, charges = first.thresholds(), first.scarcity()
    assert len(kept(place)) == 8
    again = opened(place)
    assert packed(again.logs) == packed(first.logs)
    assert again.scarcity() == charges
    pd.testing.assert_frame_equal(again.thresholds(), told, check_exact=True)
    for name, table in read_logs(place).tables.items():
        pd.testing.assert_frame_equal(again.logs.tables[name], table)


def test_a_changed_file_is_not_met_by_what_was_kept(place: Path, tmp_path: Path) -> None:
    """Whatever is written down, put right or taken back, the answers are those of a cold shop."""
    was = opened(place)
    answers_of(was)
    for names in TOGETHER:
        for name in names:
            path = place / name
            path.write_text(CHANGES[name](path.read_text(encoding="utf-8")), encoding="utf-8")
        now = opened(place)
        assert ("settings.toml" in names) == (now.settings != was.settings)
        for table in (n.removesuffix(".csv") for n in names if n != "settings.toml"):
            assert packed(now.logs.tables[table]) != packed(was.logs.tables[table]), table
        bare = shutil.copytree(place, tmp_path / names[0], ignore=lambda *_: ["out"])
        assert answers_of(now) == answers(bare), names
        was = now


def test_rules_change_no_fit_and_a_row_changes_its_own_familys(place: Path) -> None:
    """What is kept rests on what it was worked out from, and on nothing else."""
    models = pd.read_csv(DEMO / "catalogue.csv", dtype=str, keep_default_na=False)
    models[models["family_id"].isin([FAMILY, OTHER])].to_csv(place / "catalogue.csv", index=False)
    answers(place)
    changed = []
    for name in ("settings.toml", "listings.csv", "sales.csv"):
        before, path = kept(place), place / name
        path.write_text(CHANGES[name](path.read_text(encoding="utf-8")), encoding="utf-8")
        answers(place)
        after = kept(place)
        assert before.keys() == after.keys()
        changed.append({n for n in before if before[n] != after[n]})
    rules, listing, sale = changed
    fits = {n for n in before if n.startswith("family-")}
    assert len(fits) == 2
    assert not rules & (fits | {"knowledge"})
    assert {"bids", "shelf", f"opportunity-cost-{opened(place).month()}"} <= rules & listing & sale
    assert fits <= listing & sale  # families learn from each other's prices


def test_what_was_known_a_month_before_is_kept_apart(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Last month's view is fitted once, and neither takes the place of the other."""

    def both() -> tuple[Shop, Shop]:
        now = opened(place)
        logs = now.logs.as_of(now.now - pd.DateOffset(months=1))
        return now, now.as_known(logs, now.settings, NO_CHARGES)

    told = [packed(shop.estimates(FAMILY)) for shop in both()]
    assert told[0] != told[1]
    monkeypatch.setattr(fitted_shop, "fit_family", lambda *_: pytest.fail("fitted again"))
    assert [packed(shop.estimates(FAMILY)) for shop in both()] == told


def one_more_open(text: str) -> str:
    """Listings with an open one more, at a price of its own."""
    row = "more,ulmvrist_2,display_dead,2026-11-20T20:00:00Z,7.00,5.50,0.11"
    return text.rstrip("\n") + "\n" + row + "," * (text.partition("\n")[0].count(",") - 6) + "\n"


def test_one_more_open_listing_works_out_only_what_rests_on_it(place: Path, tmp_path: Path) -> None:
    """Fits, draws, stock and what is said of other listings stay; the answers are a cold shop's."""
    answers(place)
    before, path = kept(place), place / "listings.csv"
    path.write_text(one_more_open(path.read_text(encoding="utf-8")), encoding="utf-8")
    bare = shutil.copytree(place, tmp_path / "bare", ignore=lambda *_: ["out"])
    assert answers(place) == answers(bare)
    after = kept(place)
    rests = ("family-", "knowledge", "sellers", "selection", "days", "owned-", "jobs-", "shelf-of")
    for name in before:
        assert (before[name] == after.get(name)) or not name.startswith(rests), name
    changed = {n.partition("-")[0] for n in before if before[n] != after.get(n)}
    assert {"bids", "plan"} <= changed
    assert "scores" not in changed  # the one more stands beside them
    (scores,) = (place / "out" / ".kept").glob("scores-*")
    listed = [key[0][4] for key in unpacked(scores.read_bytes())]
    assert "7.0" in listed
    assert len(listed) > 1


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
