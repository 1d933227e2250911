"""Answers come back as a saved file or as pasted text, and mean the same either way."""

import shutil
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.cli import main
from repair_horizon.imports import import_answers
from repair_horizon.logs import LogFault, read_logs
from repair_horizon.reports.sections.this_month import answer_form, answers_came

DEMO = Path(__file__).parents[2] / "data" / "demo"
NASTY = "<img src=x onerror=alert(1)> =1+1"
TEXT = f"""Hi,
> 2026-10 | pellvarn_4 | display_dead | L0101 | other_bid | 95 | {NASTY}
2026-10 | vellfold_5 | no_power |  | agree
2026-10 | vellfold_5 | no_power | L0542 | perhaps
"""
FILE = (
    "answer_id,month,model_id,listed_fault,listing_id,answer,amount,note\r\n"
    f'"2026-10/L0101/other_bid/95","2026-10","pellvarn_4","display_dead","L0101","other_bid","95",'
    f'"{NASTY}"\r\n'
    '"2026-10/vellfold_5/no_power/agree","2026-10","vellfold_5","no_power","","agree","",""\r\n'
)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(DEMO, tmp_path / "shop")
    return tmp_path / "shop"


def stored(workspace: Path) -> pd.DataFrame:
    return pd.read_csv(workspace / "answers.csv", dtype=str, keep_default_na=False)


def test_a_saved_file_and_pasted_text_say_the_same(workspace: Path, tmp_path: Path) -> None:
    (tmp_path / "reply.txt").write_text(TEXT)
    (tmp_path / "answers-2026-10.csv").write_text(FILE, newline="")
    first = import_answers(tmp_path / "reply.txt", workspace)
    table = stored(workspace)
    assert list(table["answer"]) == ["other_bid", "agree"]
    assert list(table["note"]) == [NASTY, ""]
    assert first.held == 1, "an answer that is none waits for review"
    import_answers(tmp_path / "answers-2026-10.csv", workspace)
    assert stored(workspace).equals(table), "the same answers were added twice"


def test_what_holds_no_answer_is_one_message_and_changes_nothing(
    workspace: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "reply.txt").write_text("Hi Anna,\nlooks good to me.\n")
    with pytest.raises(LogFault, match="no answer"):
        import_answers(tmp_path / "reply.txt", workspace)
    words = ["import", str(tmp_path / "reply.txt"), "--table", "answers"]
    assert main([*words, "--workspace", str(workspace)]) != 0
    assert "Traceback" not in capsys.readouterr().err
    assert not (workspace / "answers.csv").exists()


def test_line_ends_of_every_system_and_endless_headings_are_no_traceback(tmp_path: Path) -> None:
    """Lone carriage returns end lines; a heading beyond every limit is one message."""
    (tmp_path / "none").mkdir()
    (tmp_path / "old.csv").write_bytes(FILE.replace("\r\n", "\r").encode())
    assert import_answers(tmp_path / "old.csv", tmp_path / "none", preview=True).rows_in_file == 2
    (tmp_path / "long.csv").write_text("answer_id," + "h" * 200_000 + "\n1,2\n")
    with pytest.raises(LogFault, match="field larger than field limit"):
        import_answers(tmp_path / "long.csv", tmp_path / "none")


def test_the_next_index_tells_what_came_of_it_and_text_stays_text(
    workspace: Path, tmp_path: Path
) -> None:
    (tmp_path / "reply.txt").write_text(TEXT)
    import_answers(tmp_path / "reply.txt", workspace)
    logs = read_logs(workspace)
    listing = logs.tables["listings"].set_index("listing_id").loc["L0101"]
    html = answers_came(logs, "2026-11", {"pellvarn_4": "Pellvarn 4"}).html
    assert "Answers to October 2026" in html
    assert "another bid" in html
    assert f"<bdi>{listing['result']}</bdi>" in html
    assert "<img" not in html
    assert "&lt;img src=x" in html
    assert answers_came(logs, "2026-10", {}).html == ""


def test_the_form_lists_lines_to_copy_where_no_script_runs() -> None:
    rows = pd.DataFrame(
        {"item": ["L1", NASTY], "model_id": "m1", "about": "no_power", "max_bid": [120.0, 80.0]}
    ).assign(unit="M 1, no power")
    html = answer_form(rows, "2026-11", "EUR").html
    assert "2026-11 | m1 | no_power | L1 | agree | |" in html
    assert "<img" not in html


def test_an_answer_about_a_lot_finds_what_came_of_the_lot(workspace: Path, tmp_path: Path) -> None:
    """A lot of several listings is answered under its own name, which no listing has."""
    (tmp_path / "reply.txt").write_text("2026-10 | pellvarn_6 | display_dead | LOT1 | agree\n")
    import_answers(tmp_path / "reply.txt", workspace)
    logs = read_logs(workspace)
    listings = logs.tables["listings"]
    listings.loc[listings["lot_id"] == "LOT1", ["result", "final_price"]] = ["won", 238.0]
    html = answers_came(logs, "2026-11", {"pellvarn_6": "Pellvarn 6"}).html
    assert "Pellvarn 6, display dead" in html
    assert "<bdi>won</bdi>" in html
    assert "238" in html
