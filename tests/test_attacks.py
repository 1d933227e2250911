"""Files made to hang, reach outside the workspace, or run as code.

Every one ends as one message or as rows held, quickly, and touches nothing else.
"""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hostile_files import (
    CATALOGUE,
    HEAD,
    MAPPING,
    SALES,
    Bring,
    book,
    bringing,
    parquet,
    sheet,
    small_workspace,
    within,
)
from repair_horizon.cli import main
from repair_horizon.files.writing import slug, slugs, write_text
from repair_horizon.imports import import_file
from repair_horizon.logs import LogFault, read_logs, read_settings
from repair_horizon.tables.settings import MAX_BYTES


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    return small_workspace(tmp_path)


@pytest.fixture
def bring(tmp_path: Path) -> Bring:
    return bringing(tmp_path)


# Nesting, repeated names, huge numbers


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a = " + "[" * 20_000 + "]" * 20_000, "at most 32 deep"),
        ("a = " + "{a=" * 20_000 + "1" + "}" * 20_000, "at most 32 deep"),
        (".".join("a" * 40_000) + " = 1", "at most 32 deep"),
        ("[" + ".".join("a" * 40_000) + "]", "at most 32 deep"),
        ("x = {" + ".".join('"a"' for _ in range(40_000)) + " = 1}", "at most 32 deep"),
        ("a = " + "[" * 40 + "]" * 40, "at most 32 deep"),
        ("seed = 1\nseed = 2", "TOML"),
        ("[bench]\n[bench]", "TOML"),
        ("seed = " + "9" * 5000, "TOML"),
        ("seed = 0x" + "f" * 6000, "64 bits"),
        ("[bench]\nrate_per_hour = 1" + "0" * 400, "64 bits"),
        ("# " + "x" * MAX_BYTES, "at most 1 MB"),
    ],
)
def test_toml_made_to_hang_or_break_its_reader_is_one_message(
    tmp_path: Path, text: str, told: str
) -> None:
    """As settings and as mapping; the standard reader takes minutes for a long dotted name."""
    (tmp_path / "settings.toml").write_text(text)
    with within(10, 200), pytest.raises(LogFault, match=told):
        read_settings(tmp_path)
    (tmp_path / "e.csv").write_text(HEAD)
    with within(10, 200), pytest.raises(LogFault, match=told):
        import_file(tmp_path / "e.csv", tmp_path, "sales", tmp_path / "settings.toml")


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("month_days = nan", "month_days"),
        ("[bench]\nrate_per_hour = inf", "bench.rate_per_hour"),
        ("[limits]\nprobability_loss = -nan", "limits.probability_loss"),
        ("[by_class.phone.sale]\ncarriage = inf", "by_class.phone.sale.carriage"),
        ("[by_class.phone.by_class.phone]\nseed = 1", "by_class.phone.by_class"),
        ('[[channels]]\nname = "x"\nvalid_from = "yesterday"', "channels[1].valid_from"),
        ('[[purchase.duties]]\nvalid_from = "2023-02-29"', "purchase.duties[1].valid_from"),
        ('currency = "euro"', "currency"),
        ('grade_order = ["A", "A"]', "grade_order"),
        ("by_class = 0", "by_class"),
    ],
)
def test_settings_that_are_no_number_no_day_or_contradict_themselves_are_named(
    tmp_path: Path, text: str, where: str
) -> None:
    """Each is named by its place before anything is computed with it."""
    (tmp_path / "settings.toml").write_text(text)
    with pytest.raises(LogFault) as caught:
        read_settings(tmp_path)
    assert [f.column for f in caught.value.faults] == [where]


def test_json_lines_nested_or_with_half_characters_are_held_and_the_others_come_in(
    bring: Bring,
) -> None:
    """A list where a value belongs, depth without end, a lone surrogate, a huge power."""
    row = '{{"No": "{}", "Day": "2025-01-02", "Price": {}, "Item": {}}}\n'
    values = [
        '"m1"',
        "[[1]]",
        '{"a": 1}',
        "[" * 100_000 + "]" * 100_000,
        '"m\\ud800"',
        '"m\\u0000"',
    ]
    content = "".join(row.format(i, 1, value) for i, value in enumerate(values))
    content += row.format("big", "1e999999999", '"m1"') + row.format("nan", "NaN", '"m1"')
    got = bring("e.jsonl", content)
    assert (got.rows_in_file, got.added, got.held) == (8, 1, 7)
    assert bring("e.jsonl", content).added == 0


@pytest.mark.parametrize(
    "column",
    [
        {"Item": [["a"], ["b"]]},
        {"Item": [{"a": 1}, {"a": 2}]},
        {"Item": pa.array([[("a", 1)], [("b", 2)]], pa.map_(pa.string(), pa.int64()))},
        {"Item": [b"\xff", b"a"]},
        {"Item": pa.array([1, 2], pa.duration("s"))},
        {"Item": pa.DictionaryArray.from_arrays(pa.array([0, 0]), [b"\xff"])},
        {"Day": pa.array([2**31 - 1, -(2**31)], pa.int32()).cast(pa.date32())},
        {"Day": pa.array([2**62, -(2**62)], pa.int64()).cast(pa.timestamp("us"))},
        {"Day": pa.array([1, 2], pa.int64()).cast(pa.timestamp("us", tz="Mars/Base"))},
    ],
)
def test_parquet_columns_that_are_no_single_values_are_refused(
    bring: Bring, column: dict[str, object]
) -> None:
    """Lists, records, bytes, durations, and days beyond every calendar."""
    with pytest.raises(LogFault) as caught:
        bring("e.parquet", parquet(**column))
    assert caught.value.faults[0].file == "e.parquet"


def test_nested_parquet_columns_nobody_asks_for_are_no_obstacle(bring: Bring) -> None:
    """The buyer's address as a record is left out unread."""
    assert bring("e.parquet", parquet(Buyer=[{"name": "Ann"}, {"name": "Bob"}])).added == 2


def half_a_text() -> pa.Array:
    """Two texts that are no UTF-8."""
    ends = pa.array([0, 1, 2], pa.int32()).buffers()[1]
    return pa.Array.from_buffers(pa.string(), 2, [None, ends, pa.py_buffer(b"\xff\xfe")])


@pytest.mark.parametrize("cut", [slice(-9), slice(60, None), slice(0), slice(4, -4)])
def test_a_parquet_file_cut_short_is_refused_as_an_export_and_as_a_log(
    bring: Bring, workspace: Path, cut: slice
) -> None:
    """Without its footer, its head, or anything at all."""
    content = parquet()[cut]
    if content:
        with pytest.raises(LogFault, match=r"e\.parquet"):
            bring("e.parquet", content)
    (workspace / "sales.csv").unlink()
    (workspace / "sales.parquet").write_bytes(content)
    with pytest.raises(LogFault, match=r"sales\.parquet"):
        read_logs(workspace)


def test_a_parquet_log_with_broken_texts_or_impossible_days_is_refused(workspace: Path) -> None:
    """They fail only when somebody looks at them, so they are looked at at the door."""
    (workspace / "sales.csv").unlink()
    usual = {"sale_id": ["1", "2"], "model_id": ["m1"] * 2, "sale_date": ["2025-01-01"] * 2}
    usual |= {"gross_amount": [1.0, 2.0], "currency": ["EUR"] * 2}
    far = pa.array([2**31 - 1, -(2**31)], pa.int32()).cast(pa.date32())
    for wrong in ({"model_id": half_a_text()}, {"sale_date": far}, {"line": [1, 2]}):
        pq.write_table(pa.table({**usual, **wrong}), workspace / "sales.parquet")
        with pytest.raises(LogFault, match=r"sales\.parquet"):
            read_logs(workspace)


# Amounts and days


ODD_AMOUNTS = ["NaN", "inf", "-inf", "1e400", "9" * 16, "0x10", "1_0", "٣", "1e999999999", "--5"]


def test_amounts_that_are_no_number_are_held_in_a_log_and_in_an_export(
    bring: Bring, workspace: Path
) -> None:
    """Not a number, without end, beyond a thousand million million, or in other digits."""
    rows = "".join(f"s{i},m1,2025-01-01,{a},EUR\n" for i, a in enumerate(ODD_AMOUNTS))
    (workspace / "sales.csv").write_text(SALES + "ok,m1,2025-01-01,5,EUR\n" + rows)
    logs = read_logs(workspace)
    assert logs.tables["sales"]["sale_id"].tolist() == ["ok"]
    assert logs.ledger.exceptions["found"].tolist() == ODD_AMOUNTS
    got = bring(
        "e.csv", HEAD + "".join(f"{i},2025-01-01,{a},m1\n" for i, a in enumerate(ODD_AMOUNTS))
    )
    # An export may write any script's digits; they have one reading, and our logs one spelling.
    assert got.rows["gross_amount"].tolist() == ["3"]
    assert got.held == len(ODD_AMOUNTS) - 1


ODD_DAYS = ["0001-01-01", "9999-12-31", "2023-02-29", "0000-00-00", "2025-1-1", "٢٠٢٤-٠١-٠١"]


def test_days_that_are_not_or_cannot_be_meant_are_held_and_a_leap_day_is_not(
    bring: Bring, workspace: Path
) -> None:
    """Year 1, year 9999, 29 February of a common year; 2024 had one."""
    rows = "".join(f"s{i},m1,{d},5,EUR\n" for i, d in enumerate(ODD_DAYS))
    (workspace / "sales.csv").write_text(SALES + "ok,m1,2024-02-29,5,EUR\n" + rows)
    logs = read_logs(workspace)
    assert logs.tables["sales"]["sale_id"].tolist() == ["ok"]
    assert logs.ledger.exceptions["found"].tolist() == ODD_DAYS
    days = [*ODD_DAYS[:4], "2024-02-29", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59"]
    content = HEAD + "".join(f"{i},{d},5,m1\n" for i, d in enumerate(days))
    got = bring("e.csv", content, 'timezone = "Europe/Berlin"\n')
    assert got.rows["sale_date"].tolist() == ["2024-02-29"]
    assert got.held == 6


@pytest.mark.parametrize("quantity", ["-1", "0", "1.5", "9" * 12])
def test_quantities_below_one_or_in_parts_are_held(workspace: Path, quantity: str) -> None:
    """Nobody sells minus one unit."""
    head = SALES.strip() + ",quantity\nok,m1,2025-01-01,5,EUR,1\n"
    (workspace / "sales.csv").write_text(f"{head}s,m1,2025-01-01,5,EUR,{quantity}\n")
    logs = read_logs(workspace)
    assert logs.ledger.exceptions["found"].tolist() == [quantity]


# Names, links and what is no file


NAMES = [
    *("../x", "..", ".", "/etc/passwd", "C:\\x", "CON", "aux.", "nul", "LPT1", "a/b", "a\\b"),
    *("x" * 5000, "\u0430pple", "apple", "Apple", "APPLE", "\uff41pple", "a\u0300", "\u00e0", ""),
    *("-rf", "~", "$HOME", "%2e%2e", "index", "run", "\u202egnp.exe", "\ud800", "a b", "a\u00a0b"),
]


def test_no_name_of_a_family_leaves_its_folder_or_shares_a_file() -> None:
    """Also where capitals count as equal, and for letters that only look alike."""
    reserved = {"con", "prn", "aux", "nul", "index", "run", "lpt1", "thresholds", "set_aside"}
    made = slugs(NAMES)
    assert len({s.lower() for s in made.values()}) == len(NAMES)
    for name, short in made.items():
        assert short.isascii()
        assert 0 < len(short) <= 80
        assert set(short) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
        assert short not in reserved
        assert slug(name) == short


def test_a_nul_or_control_character_in_a_family_holds_or_refuses_it(workspace: Path) -> None:
    """Neither reaches a file name."""
    (workspace / "catalogue.csv").write_text(CATALOGUE + "m2,f\0,phone,2020-01-01\n")
    with pytest.raises(LogFault, match="a NUL byte"):
        read_logs(workspace)
    (workspace / "catalogue.csv").write_text(CATALOGUE + "m2,f\x1b[2J,phone,2020-01-01\n")
    assert read_logs(workspace).families == ["f1"]


def test_a_linked_log_is_read_and_never_written_through(workspace: Path, tmp_path: Path) -> None:
    """Reading follows the link; importing into it is refused and touches neither end."""
    outside = tmp_path / "elsewhere.csv"
    outside.write_text(SALES + "s1,m1,2025-01-01,5,EUR\n")
    before = outside.read_bytes()
    (workspace / "sales.csv").unlink()
    (workspace / "sales.csv").symlink_to(outside)
    assert len(read_logs(workspace).tables["sales"]) == 1
    (tmp_path / "e.csv").write_text(HEAD + "9,2025-01-01,5,m1\n")
    (tmp_path / "map.toml").write_text(MAPPING)
    with pytest.raises(LogFault, match="a link to another place"):
        import_file(tmp_path / "e.csv", workspace, "sales", tmp_path / "map.toml")
    assert outside.read_bytes() == before
    assert (workspace / "sales.csv").is_symlink()


def test_a_page_that_is_a_link_is_replaced_and_what_it_led_to_stays(tmp_path: Path) -> None:
    """Whoever plants a link under a page's name cannot have a file of ours overwritten."""
    (tmp_path / "precious.txt").write_text("mine")
    (tmp_path / "page.html").symlink_to(tmp_path / "precious.txt")
    write_text(tmp_path / "page.html", "a page")
    assert (tmp_path / "precious.txt").read_text() == "mine"
    assert not (tmp_path / "page.html").is_symlink()


@pytest.mark.parametrize("name", ["e.csv", "e.csv.gz", "e.xlsx", "e.parquet", "e.jsonl"])
@pytest.mark.parametrize("kind", ["pipe", "folder", "nothing", "loop"])
def test_what_is_no_ordinary_file_is_refused_at_once(
    bring: Bring, tmp_path: Path, name: str, kind: str
) -> None:
    """A pipe would be waited for for ever."""
    if kind == "pipe":
        os.mkfifo(tmp_path / name)
    elif kind == "folder":
        (tmp_path / name).mkdir()
    elif kind == "loop":
        (tmp_path / name).symlink_to(tmp_path / name)
    with within(5, 40), pytest.raises(LogFault, match=name):
        bring(name, "")


@pytest.mark.parametrize("name", ["sales.csv", "catalogue.csv", "settings.toml", "map.toml"])
def test_a_pipe_or_folder_in_the_workspace_is_one_message(
    workspace: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """In place of a log, the settings or a mapping; the command ends with status 2."""
    (tmp_path / "e.csv").write_text(HEAD)
    (tmp_path / "map.toml").write_text(MAPPING)
    place = (tmp_path if name == "map.toml" else workspace) / name
    words = ["check"]
    if name == "map.toml":
        words = ["import", str(tmp_path / "e.csv"), "--table", "sales", "--mapping", str(place)]
    for make in (os.mkfifo, os.mkdir):
        place.unlink(missing_ok=True)
        make(place)
        with within(5, 40):
            assert main([*words, "--workspace", str(workspace)]) == 2
        assert name in capsys.readouterr().err


def test_a_file_that_changes_while_it_is_read_is_taken_as_it_was_read(
    bring: Bring, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The export grows, or goes, between reading and reviewing; its rows are those read."""
    from repair_horizon import imports as importing

    read = importing.read_source

    def then_gone(path: Path, mapping: object) -> object:
        got = read(path, mapping)
        path.unlink()
        return got

    monkeypatch.setattr(importing, "read_source", then_gone)
    got = bring("e.csv", HEAD + "1,2025-01-01,5,m1\n2,2025-01-01,none,m1\n")
    assert (got.added, got.held) == (1, 1)
    assert got.review is not None
    assert pd.read_csv(got.review)["x_export"].str.startswith("e.csv ").all()


@pytest.mark.parametrize("stem", [b"n" * 240, "ü".encode() * 120, b"caf\xe9", b"a b;c"])
def test_long_and_odd_names_of_exports_still_get_a_review_file(
    bring: Bring, tmp_path: Path, stem: bytes
) -> None:
    """As long as a system allows, or in another encoding than the system's."""
    got = bring(os.fsdecode(stem + b".csv"), HEAD + "1,2025-01-01,none,m1\n")
    assert got.review is not None
    assert len(pd.read_csv(got.review)) == 1
    assert got.review.name.encode("utf-8")


def test_a_file_called_review_stops_an_import_before_a_row_is_written(
    bring: Bring, tmp_path: Path
) -> None:
    """Else rows would be added and those held would be listed nowhere."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "review").write_text("notes")
    with pytest.raises(LogFault, match="a folder for reviews"):
        bring("e.csv", HEAD + "1,2025-01-01,5,m1\n2,2025-01-01,none,m1\n")
    assert not (tmp_path / "empty" / "sales.csv").exists()


# Line ends within a text


def test_signs_that_look_like_line_ends_do_not_cut_a_row(bring: Bring, workspace: Path) -> None:
    """U+2028, next line and form feed are text; a row added with one can be read back."""
    rows = "".join(f"{i},2025-01-01,5,m{c}1\n" for i, c in enumerate("\u2028\u2029\x85"))
    assert bring("e.csv", HEAD + rows).added == 3
    extra = (
        SALES.strip() + ",source_ref\n" + "a,m1,2025-01-01,5,EUR,x\u2028y\x85z\nb,m1,oops,5,EUR,\n"
    )
    for end in "\n\r":  # the carriage return alone is read the slow way
        (workspace / "sales.csv").write_bytes(extra.replace("\n", end).encode())
        logs = read_logs(workspace)
        assert logs.tables["sales"]["source_ref"].tolist() == ["x\u2028y\x85z"]
        assert logs.ledger.exceptions["line"].tolist() == [3]


@pytest.mark.parametrize("end", ["\r", "\r\n", "\n"])
@pytest.mark.parametrize("quote", ["", '"'])
def test_every_system_s_line_end_gives_the_same_rows_on_the_same_lines(
    workspace: Path, end: str, quote: str
) -> None:
    """Also the carriage return alone, and beside quoted fields."""
    rows = [SALES.strip(), f"a,{quote}m1{quote},2025-01-01,5,EUR", "b,m1,oops,5,EUR", ""]
    (workspace / "sales.csv").write_bytes(end.join(rows).encode())
    logs = read_logs(workspace)
    assert logs.tables["sales"]["sale_id"].tolist() == ["a"]
    assert logs.ledger.exceptions["line"].tolist() == [3]


@pytest.mark.parametrize("text", ["a\n \n1\n", "a\r\t\r1\r", '"a"\n" "\n \n'])
def test_lines_of_blanks_in_a_file_of_one_column_are_one_message(
    workspace: Path, text: str
) -> None:
    """Two readers count them differently, so that lines could be numbered wrongly."""
    (workspace / "sales.csv").write_bytes(text.encode())
    with pytest.raises(LogFault, match=r"sales\.csv"):
        read_logs(workspace)


def test_an_elapsed_time_beyond_every_calendar_is_one_message(bring: Bring) -> None:
    """A thousand million million days, in a cell of a workbook formatted as hours gone by."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    style = f'<styleSheet xmlns="{main}"><cellXfs count="1"><xf numFmtId="46"/></cellXfs>'
    links = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="a" Type="{rel}/worksheet" Target="worksheets/s.xml"/>'
        f'<Relationship Id="c" Type="{rel}/styles" Target="styles.xml"/></Relationships>'
    )
    parts = {"xl/worksheets/s.xml": sheet('<c s="0"><v>1e15</v></c>')}
    parts |= {"xl/styles.xml": f"{style}</styleSheet>".encode()}
    parts |= {"xl/_rels/workbook.xml.rels": links.encode()}
    with pytest.raises(LogFault, match=r"e\.xlsx.*magnitude"):
        bring("e.xlsx", book({**parts}))


def test_a_blank_line_before_the_header_is_passed_over(workspace: Path) -> None:
    """Lines keep the numbers an editor shows."""
    (workspace / "sales.csv").write_text("\n" + SALES + "a,m1,2025-01-01,5,EUR\nb,m1,oops,5,EUR\n")
    logs = read_logs(workspace)
    assert logs.tables["sales"]["line"].tolist() == [3]
    assert logs.ledger.exceptions["line"].tolist() == [4]
