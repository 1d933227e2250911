"""The same export twice and overlapping exports; ledgers that add up: ``fuzz/test_strategies``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.logs import LogFault, read_logs

from .exports import MAPPING, ROWS, Run, lines, stored


def test_the_same_and_overlapping_exports_add_nothing_twice(run: Run, workspace: Path) -> None:
    """Lines 1-12, again, and then 8-20 give 20 rows, each once."""
    assert run(lines(*ROWS[:12])).added == 12
    before = (workspace / "sales.csv").read_bytes()
    again = run(lines(*ROWS[:12]))
    assert (again.added, again.already_there) == (0, 12)
    assert (workspace / "sales.csv").read_bytes() == before
    more = run(lines(*ROWS[7:]), name="other.csv")
    assert (more.added, more.already_there) == (8, 5)
    assert [r["sale_id"] for r in stored(workspace)] == [f"shop-{i}" for i in range(1, 21)]


def test_a_different_row_under_a_taken_key_is_held_not_overwritten(
    run: Run, workspace: Path
) -> None:
    """The stored amount stays; the ledger shows both, and how a correction is taken over."""
    run(lines(ROWS[0]))
    got = run(lines("1;2025-01-01;7.50;m1;A", "2;2025-01-02;5.50;m1;A", "2;2025-01-02;6.50;m1;A"))
    assert [r["gross_amount"] for r in stored(workspace)] == ["1.5", "5.5"]
    assert got.ledger[["line", "column", "found"]].values.tolist() == [
        [2, "gross_amount", "7.5"],
        [4, "gross_amount", "6.5"],
    ]
    corrected, twice = got.ledger["allowed"]
    assert corrected.startswith("1.5, as sales.csv line 2 has it")
    assert "if 7.5 is right, write it there" in corrected
    assert twice.startswith("5.5, as sales.csv line 3 has it")
    again = run(lines("1;2025-01-01;7.50;m1;A", "2;2025-01-02;5.50;m1;A", "2;2025-01-02;6.50;m1;A"))
    assert again.ledger["allowed"].tolist() == [corrected, "", twice]


def test_a_correction_is_taken_over_as_its_message_says(run: Run, workspace: Path) -> None:
    run(lines(*ROWS[:3]))
    second = lines(ROWS[0], "2;2025-01-02;9.50;m1;A", ROWS[2])
    assert "sales.csv line 3" in str(run(second, preview=True).held_lines()[0])
    text = (workspace / "sales.csv").read_text().split("\n")
    text[3 - 1] = text[3 - 1].replace("2.5", "9.5")
    (workspace / "sales.csv").write_text("\n".join(text))
    got = run(second)
    assert (got.added, got.already_there, got.held) == (0, 3, 0)


def test_tables_without_a_key_match_whole_rows(run: Run, workspace: Path) -> None:
    """A rate imported twice stands once."""
    mapping = '[columns]\ndate = "D"\nrate = "R"\n[constants]\nbase = "USD"\nquote = "EUR"\n'
    content = "D;R\n2025-01-02;0.91\n2025-01-03;0.92\n"
    assert run(content, mapping=mapping, table="fx_rates").added == 2
    assert run(content, mapping=mapping, table="fx_rates").already_there == 2
    assert len(stored(workspace, "fx_rates")) == 2


def test_rows_written_by_hand_stay_byte_for_byte(run: Run, workspace: Path) -> None:
    """What stood in the file is a prefix of it afterwards, with its own spelling and endings."""
    own = (
        "\ufeffsale_id,model_id,sale_date,gross_amount,currency,x_note\r\n"
        'own-1,"m1",2024-01-01,12.50,EUR,"a, b"\r\nshop-1,m1,2025-01-01,01.500,EUR,'
    )
    (workspace / "sales.csv").write_bytes(own.encode())
    got = run(lines(*ROWS[:2]))
    assert (got.added, got.already_there) == (1, 1)
    assert (workspace / "sales.csv").read_bytes().decode() == (
        own + "\r\nshop-2,m1,2025-01-02,2.5,EUR,\r\n"
    )


def test_new_columns_are_added_to_stored_rows(run: Run, workspace: Path) -> None:
    """A column the file lacks is appended; stored rows have it empty, nothing else changes."""
    (workspace / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency\nown,m1,2024-01-01,5,EUR\n"
    )
    run(lines(ROWS[0]), mapping=MAPPING.replace("[key]", 'price_type = "asking"\n[key]'))
    assert [r["price_type"] for r in stored(workspace)] == ["", "asking"]
    assert stored(workspace)[0]["gross_amount"] == "5"


def test_a_parquet_table_is_not_shadowed(run: Run, workspace: Path) -> None:
    """Where sales.parquet is the table, no sales.csv is put in front of it."""
    pd.DataFrame({"sale_id": ["a"]}).to_parquet(workspace / "sales.parquet")
    with pytest.raises(LogFault, match=r"sales\.csv"):
        run(lines(ROWS[0]))
    assert not (workspace / "sales.csv").exists()


def test_preview_writes_nothing_and_says_the_same(run: Run, workspace: Path) -> None:
    """A preview equals the import that follows, and leaves the folder empty."""
    content = lines(*ROWS[:3], "4;2025-01-04;none;m1;A")
    seen = run(content, preview=True)
    assert list(workspace.iterdir()) == []
    done = run(content)
    assert (seen.added, seen.held) == (done.added, done.held) == (3, 1)
    pd.testing.assert_frame_equal(seen.ledger, done.ledger)
    assert seen.inferred == done.inferred


def test_review_file_lists_what_was_not_added_and_keeps_other_exports(
    run: Run, workspace: Path
) -> None:
    """Each download's rows stay until it is imported again; imported twice they stand once."""
    first = run(lines("1;2025-01-01;none;m1;A"))
    assert first.review == workspace / "review" / "sales-export.csv"
    run(lines("2;2025-01-01;nil;m1;A"))
    run(lines("2;2025-01-01;nil;m1;A"))
    rows = pd.read_csv(first.review, dtype=str)
    assert rows["gross_amount"].tolist() == ["none", "nil"]
    assert rows["x_line"].tolist() == ["2", "2"]
    assert set(rows["x_status"]) == {"held for review"}


def test_an_unreadable_review_file_is_not_overwritten(run: Run, workspace: Path) -> None:
    """Somebody's half-saved notes are named and kept, and nothing is added meanwhile."""
    (workspace / "review").mkdir()
    review = workspace / "review" / "sales-export.csv"
    review.write_bytes(b"caf\xe9")
    with pytest.raises(LogFault, match="review file"):
        run(lines(ROWS[0]))
    assert review.read_bytes() == b"caf\xe9"
    assert not (workspace / "sales.csv").exists()


def test_what_is_imported_can_be_read_back(run: Run, workspace: Path) -> None:
    """Every row added is a row the kit reads without a fault."""
    (workspace / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date\nm1,f,phone,2020-01-01\n"
    )
    got = run(lines(*ROWS, "21;2025-02-01;(3.00);m1;A", '22;2025-02-01;4.00;"m\x011";A'))
    logs = read_logs(workspace)
    assert got.added == 21
    assert logs.ledger.read["sales"] == 21
    assert set(logs.ledger.exceptions["reason"]) == {"amount is zero or negative"}
