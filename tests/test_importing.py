"""Importing foreign exports: every kind of dirt, and no row lost.

Formats and kinds of dirt: common practice, no source, unless one is named.
"""

from __future__ import annotations

import csv
import gzip
import io
import os
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Sequence
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kit.logs import LogFault, read_logs
from kit.logs.importing import ImportResult, import_file
from kit.logs.importing.dates import format_problem, reader_of
from kit.logs.importing.numbers import prove_decimal, split_cell, value_of
from kit.logs.importing.unpacking import MAX_COLUMNS

ROOT = Path(__file__).parent.parent
MAPPING = """
[columns]
sale_date = "Day"
gross_amount = "Price"
model_id = "Item"
[constants]
currency = "EUR"
[key]
columns = ["No"]
prefix = "shop-"
"""
HEADER = "No;Day;Price;Item;Buyer\n"
Run = Callable[..., ImportResult]


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    folder = tmp_path / "work"
    folder.mkdir()
    return folder


@pytest.fixture
def run(tmp_path: Path, workspace: Path) -> Run:
    """Write an export and a mapping, and import."""

    def run(content: str | bytes, extra: str = "", **how: object) -> ImportResult:
        name = str(how.pop("name", "export.csv"))
        mapping = str(how.pop("mapping", MAPPING))
        file = tmp_path / name
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        (tmp_path / "map.toml").write_text(extra + mapping, encoding="utf-8")
        preview = bool(how.pop("preview", False))
        table = str(how.pop("table", "sales"))
        return import_file(file, workspace, table, tmp_path / "map.toml", preview=preview)

    return run


def lines(*rows: str) -> str:
    return HEADER + "".join(r + "\n" for r in rows)


def stored(workspace: Path, table: str = "sales") -> list[dict[str, str]]:
    with open(workspace / f"{table}.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def adds_up(result: ImportResult) -> bool:
    parts = result.added + result.already_there + result.set_aside + result.held
    return result.rows_in_file == parts == result.added + len(result.ledger)


# Numbers


@pytest.mark.parametrize(
    ("text", "decimal", "value", "currency"),
    [
        ("1.234,56 €", ",", "1234.56", "EUR"),
        ("£1,234.56", ".", "1234.56", "GBP"),
        ("US $ 99", ".", "99", "USD"),
        ("1 234,56", ",", "1234.56", None),
        ("1\u00a0234,56\u00a0EUR", ",", "1234.56", "EUR"),
        ("1\u202f234,56 euro", ",", "1234.56", "EUR"),
        ("1’234.50", ".", "1234.50", None),
        ("CHF 1'234.50", ".", "1234.50", "CHF"),
        ("-12,50", ",", "-12.50", None),
        ("−€12.50", ".", "-12.50", "EUR"),
        ("(12.50)", ".", "-12.50", None),
        ("12.50-", ".", "-12.50", None),
        ("3.67e-05", ".", "0.0000367", None),
    ],
)
def test_amounts_are_read_under_their_decimal_sign(
    text: str, decimal: str, value: str, currency: str | None
) -> None:
    """Signs, groups, brackets and currencies are taken apart exactly."""
    cell = split_cell(text)
    assert cell is not None
    size = value_of(cell.digits, decimal)
    assert size is not None
    assert (-size if cell.negative else size) == Decimal(value)
    assert (currency in cell.currencies) if currency else not cell.currencies


@pytest.mark.parametrize(
    "text",
    ["", "free", "10-20", "50 - 60", "€ 5 EUR", "99,-", "1.2.3 kg", "(5", "--5", "12 %", "ca. 5"],
)
def test_what_is_no_amount_is_not_read_as_one(text: str) -> None:
    """Ranges, words and two currencies are no amount under either decimal sign."""
    cell = split_cell(text)
    assert cell is None or all(value_of(cell.digits, d) is None for d in ".,")


@pytest.mark.parametrize(
    ("values", "decimal"),
    [
        (["1.234", "1.234,56"], ","),
        (["1.234", "12.50"], "."),
        (["1.234.567", "1.234"], ","),
        (["0.125", "1.234"], "."),
        (["12", "1234"], "."),
        (["1.234", "1,234"], ""),
        (["12.50", "12,50"], ""),
        (["1,234"], ""),
    ],
)
def test_decimal_sign_is_proved_by_the_column_or_not_at_all(
    values: list[str], decimal: str
) -> None:
    """One value with a single reading proves the column; none or a contradiction proves nothing."""
    assert prove_decimal(pd.Series(values, dtype="str")).decimal == decimal


def test_ambiguous_amounts_refuse_the_column_with_both_readings(run: Run, workspace: Path) -> None:
    """1.234 alone is refused, naming line, column and the two numbers; nothing is written."""
    with pytest.raises(LogFault) as caught:
        run(lines("1;2025-01-02;1.234;m1;Ann", "2;2025-01-03;2.500;m1;Bob"))
    (fault,) = caught.value.faults
    assert (fault.line, fault.column, fault.found) == (2, "gross_amount", "1.234")
    assert "1.234 with" in fault.allowed
    assert "1234 with" in fault.allowed
    assert list(workspace.iterdir()) == []


def test_every_ambiguous_column_is_named_at_once(run: Run) -> None:
    """Amount and date are both refused by one message."""
    with pytest.raises(LogFault) as caught:
        run(lines("1;03/04/2025;1.234;m1;Ann"))
    assert {f.column for f in caught.value.faults} == {"gross_amount", "sale_date"}


def test_declared_signs_are_obeyed_and_other_spellings_held(run: Run, workspace: Path) -> None:
    """Under a declared comma 1.234 is more than a thousand, and 12.50 is held."""
    got = run(
        lines("1;2025-01-02;1.234;m1;A", "2;2025-01-02;1.234,5 €;m1;B", "3;2025-01-02;12.50;m1;C"),
        'decimal = ","\n',
    )
    assert [r["gross_amount"] for r in stored(workspace)] == ["1234", "1234.5"]
    assert got.ledger[["line", "status", "column", "found"]].values.tolist() == [
        [4, "held for review", "gross_amount", "12.50"]
    ]


def test_amount_in_another_currency_is_held(run: Run) -> None:
    """A dollar amount in a row declared as euros is not taken for euros."""
    got = run(lines("1;2025-01-02;US $ 99.50;m1;A", "2;2025-01-02;99.50 EUR;m1;B"))
    assert got.added == 1
    assert got.ledger.iloc[0]["found"] == "USD"
    assert "EUR" in got.ledger.iloc[0]["allowed"]


def test_currency_of_a_table_without_such_a_column_is_declared(run: Run) -> None:
    """Costs with a euro sign are refused until the mapping says they are euros."""
    mapping = """
[columns]
job_id = "J"
opened = "D"
parts_cost = "C"
[constants]
unit_id = "u"
model_id = "m"
listed_fault = "f"
"""
    content = "J;D;C\n1;2025-01-02;5.50 €\n2;2025-01-02;$5.50\n"
    with pytest.raises(LogFault, match="a declared currency"):
        run(content, mapping=mapping, table="repairs")
    got = run(content, 'currency = "EUR"\n', mapping=mapping, table="repairs")
    assert (got.added, got.held) == (1, 1)


def test_currency_can_come_from_the_amount(run: Run, workspace: Path) -> None:
    """A sign that means one currency gives its code; a bare dollar is held."""
    mapping = MAPPING.replace('[constants]\ncurrency = "EUR"', 'currency = "Price"')
    got = run(
        lines("1;2025-01-02;9.50 €;m1;A", "2;2025-01-02;£9.50;m1;B", "3;2025-01-02;$9.50;m1;C"),
        mapping=mapping,
    )
    assert [r["currency"] for r in stored(workspace)] == ["EUR", "GBP"]
    assert got.held == 1


# Dates


def test_day_above_twelve_proves_the_order_of_the_column(run: Run, workspace: Path) -> None:
    """03/04/2025 is the 3rd of April where 13/04/2025 stands beside it; the proof is named."""
    got = run(lines("1;03/04/2025;9.50;m1;A", "2;13/04/2025;9.50;m1;B"))
    assert [r["sale_date"] for r in stored(workspace)] == ["2025-04-03", "2025-04-13"]
    how = got.summary().set_index("what").loc["sale_date: order of dates", "how"]
    assert "13/04/2025" in how
    assert "line 3" in how


def test_month_first_is_proved_likewise(run: Run, workspace: Path) -> None:
    """03/04/2025 is the 4th of March where 03/13/2025 stands beside it."""
    run(lines("1;03/04/2025;9.50;m1;A", "2;03/13/2025;9.50;m1;B"))
    assert [r["sale_date"] for r in stored(workspace)] == ["2025-03-04", "2025-03-13"]


@pytest.mark.parametrize("second", ["04/05/2025", "04/13/2025"])
def test_unproved_or_contradicting_dates_are_refused(run: Run, second: str) -> None:
    """No day above twelve, or one on either side, refuses the column."""
    first = "13/04/2025" if second == "04/13/2025" else "03/04/2025"
    with pytest.raises(LogFault) as caught:
        run(lines(f"1;{first};9.50;m1;A", f"2;{second};9.50;m1;B"))
    (fault,) = caught.value.faults
    readings = ("2025-04-03", "2025-03-04") if first == "03/04/2025" else (first, second)
    assert all(r in str(fault) for r in readings)


def test_dates_that_do_not_exist_hold_their_row(run: Run) -> None:
    """31.02.2025 is held, the other rows are added."""
    got = run(lines("1;31.02.2025;9.50;m1;A", "2;28.02.2025;9.50;m1;B"))
    assert (got.added, got.held) == (1, 1)
    assert got.ledger.iloc[0]["found"] == "31.02.2025"


@pytest.mark.parametrize(
    ("form", "text", "day"),
    [
        ("day.month.year", "3.4.2025", "2025-04-03"),
        ("%m/%d/%Y", "03/04/2025 11:59 PM", "2025-03-04"),
        ("day.month.year2", "03.04.25", "2025-04-03"),
        ("day.month.year2", "03.04.70", "1970-04-03"),
        ("yearmonthday", "20250403", "2025-04-03"),
        ("day month_name year", "3 Sept 2025", "2025-09-03"),
        # 45000 is 2023-03-15, 61 is 1900-03-01 in the 1900 system (ECMA-376 part 1, 18.17.4.1)
        ("excel-serial", "45000", "2023-03-15"),
        ("excel-serial", "61", "1900-03-01"),
        ("excel-serial-1904", "0", "1904-01-01"),
    ],
)
def test_declared_formats_are_read(form: str, text: str, day: str) -> None:
    """Words, codes, two-digit years, month names and serial numbers give the day."""
    assert not format_problem(form, "")
    moment = reader_of(form)(text)
    assert moment is not None
    assert f"{moment.at:%Y-%m-%d}" == day


@pytest.mark.parametrize("text", ["03.04.25", "45750", "20250403"])
def test_undeclared_short_years_and_serials_are_held(run: Run, text: str) -> None:
    """Nothing proves a two-digit year or a serial number, so the rows wait."""
    got = run(lines(f"1;{text};9.50;m1;A"))
    assert (got.added, got.held) == (0, 1)


def test_times_with_an_offset_need_a_declared_zone(run: Run, workspace: Path) -> None:
    """23:30 UTC is the next day in Berlin; undeclared it is refused."""
    content = lines("1;2025-01-02T23:30:00Z;9.50;m1;A")
    with pytest.raises(LogFault, match="timezone"):
        run(content)
    run(content, 'timezone = "Europe/Berlin"\n')
    assert stored(workspace)[0]["sale_date"] == "2025-01-03"


# Furniture, shape, identifiers, personal data


def test_blank_lines_repeated_headers_and_totals_are_set_aside(run: Run) -> None:
    """Each is set aside with its own reason and line."""
    content = lines("1;2025-01-02;9.50;m1;A", "", ";;;;", HEADER.strip(), "Total;;9.50;;")
    got = run(content, 'totals = ["total"]\n')
    assert got.added == 1
    assert got.ledger[["line", "reason"]].values.tolist() == [
        [3, "blank line"],
        [4, "blank line"],
        [5, "repeated header"],
        [6, "totals row"],
    ]


def test_thousands_of_blank_rows_cost_no_row(run: Run) -> None:
    """A spreadsheet's empty tail is counted, not read."""
    got = run(lines("1;2025-01-02;9.50;m1;A") + ";;;;\n" * 5000)
    assert (got.added, got.set_aside, got.rows_in_file) == (1, 5000, 5001)


def test_records_of_another_width_are_held_and_quoted_breaks_are_not(run: Run) -> None:
    """A field too few holds the row; a line break in quotes is part of its field."""
    content = lines('1;2025-01-02;9.50;m1;"A\nB"', "2;2025-01-02;9.50", "3;2025-01-02;9.50;m1;C;;")
    got = run(content)
    assert got.added == 2
    assert got.ledger[["line", "found", "allowed"]].values.tolist() == [[4, "3 fields", "5 fields"]]


def test_open_quotes_are_refused_with_their_line(run: Run) -> None:
    """A quote that never closes would swallow the rest of the file."""
    with pytest.raises(LogFault) as caught:
        run(lines("1;2025-01-02;9.50;m1;A", '2;2025-01-02;9.50;m1;"B'))
    assert caught.value.faults[0].line == 3


def test_identifiers_cut_short_by_a_spreadsheet_are_held(run: Run) -> None:
    """3.5E+14 is no serial number any more, as a plain column, a hash or a key."""
    row = "1;2025-01-02;9.50;3.5E+14;A"
    assert run(lines(row)).held == 1
    mapping = MAPPING.replace('model_id = "Item"', 'model_id = "Item"\nunit_id = "Buyer"')
    serials = lines("7;2025-01-02;9.50;m1;3.5E+14", "3,5E+14;2025-01-02;9.50;m1;X")
    assert run(serials, 'hash = ["Buyer"]\n', mapping=mapping).held == 2


def test_long_numbers_of_a_workbook_are_held_as_identifiers(run: Run, workspace: Path) -> None:
    """A spreadsheet keeps 15 digits: a 15-digit number is whole, a longer one is cut short."""
    rows = [[n, "2025-01-02", 9.5, "m1", "A"] for n in (356938035643809, 8935693803564380912)]
    got = run(workbook([GRID[0], *rows]), name="export.xlsx")
    assert [r["sale_id"] for r in stored(workspace)] == ["shop-356938035643809"]
    assert got.held == 1


def test_leading_zeros_of_identifiers_stay(run: Run, workspace: Path) -> None:
    """Identifiers are text."""
    run(lines("0012;2025-01-02;9.50;007;A"))
    assert (stored(workspace)[0]["sale_id"], stored(workspace)[0]["model_id"]) == (
        "shop-0012",
        "007",
    )


def test_personal_columns_reach_no_file(run: Run, workspace: Path) -> None:
    """What the mapping does not name is in no file of the workspace, held rows included."""
    content = lines("1;2025-01-02;9.50;m1;Ann Lee", "2;2025-01-02;dear;m1;Bob Roe")
    got = run(content)
    assert (got.added, got.held) == (1, 1)
    written = "".join(p.read_text() for p in workspace.rglob("*") if p.is_file())
    assert "m1" in written
    assert "Ann" not in written
    assert "Bob" not in written
    assert "Buyer" in got.summary().set_index("what").loc["columns left out", "value"]


def test_serials_are_stored_as_a_salted_hash(run: Run, workspace: Path) -> None:
    """Equal serials match, the serial itself is nowhere, and the salt is made once."""
    mapping = MAPPING.replace('model_id = "Item"', 'model_id = "Item"\nunit_id = "Buyer"')
    rows = [f"{i};2025-01-02;9.50;m1;356938035643809" for i in (1, 2)]
    run(lines(rows[0]), 'hash = ["Buyer"]\n', mapping=mapping)
    salt = (workspace / "import_salt").read_text()
    run(lines(*rows), 'hash = ["Buyer"]\n', mapping=mapping)
    units = {r["unit_id"] for r in stored(workspace)}
    assert len(stored(workspace)) == 2
    assert len(units) == 1
    assert len(units.pop()) == 16
    assert (workspace / "import_salt").read_text() == salt
    everything = b"".join(p.read_bytes() for p in workspace.rglob("*") if p.is_file())
    assert b"356938035643809" not in everything


# Encodings, separators, kinds of file

EURO = lines("1;2025-01-02;9,50 €;Größe;A")


@pytest.mark.parametrize(
    ("encoding", "declared"),
    [
        ("utf-8", ""),
        ("utf-8-sig", ""),
        ("utf-16", ""),
        ("utf-16-le", "utf-16-le"),
        ("cp1252", "cp1252"),
        ("mac-roman", "mac-roman"),
    ],
)
def test_encodings_declared_or_proved(
    run: Run, workspace: Path, encoding: str, declared: str
) -> None:
    """Letters and the euro sign survive every encoding."""
    run(EURO.encode(encoding), f'encoding = "{declared}"\n' if declared else "")
    assert stored(workspace)[0]["model_id"] == "Größe"
    assert stored(workspace)[0]["gross_amount"] == "9.5"


@pytest.mark.parametrize("encoding", ["cp1252", "mac-roman", "utf-16-le"])
def test_undeclared_encodings_are_refused(run: Run, encoding: str) -> None:
    """What is neither marked nor valid UTF-8 is refused, saying what to declare."""
    with pytest.raises(LogFault) as caught:
        run(EURO.encode(encoding))
    assert encoding in caught.value.faults[0].allowed


def test_declared_encoding_against_the_mark_is_refused(run: Run) -> None:
    """A file marked as UTF-8 is not read as something else."""
    with pytest.raises(LogFault, match="byte order mark"):
        run(EURO.encode("utf-8-sig"), 'encoding = "cp1252"\n')


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separators_are_proved_by_the_header(run: Run, separator: str) -> None:
    """The separator under which the header names the columns asked for is the one."""
    content = lines("1;2025-01-02;9.50;m1;A").replace(";", separator)
    got = run(content)
    assert got.added == 1
    shown = got.summary().set_index("what").loc["separator", "value"]
    assert shown == ("tab" if separator == "\t" else separator)


def test_missing_columns_are_all_named(run: Run) -> None:
    """Every column the mapping asks for and the file lacks is named at once."""
    with pytest.raises(LogFault) as caught:
        run("No;Day\n1;2025-01-02\n")
    assert {f.column for f in caught.value.faults} == {"Price", "Item"}


def workbook(rows: Sequence[Sequence[object]], sheets: Sequence[str] = ("Data",)) -> bytes:
    """Make a small workbook: text inline, numbers as numbers, cells given as XML left alone."""
    cells = []
    for i, row in enumerate(rows, 1):
        body = ""
        for j, value in enumerate(row):
            at = f"{chr(65 + j)}{i}"
            if isinstance(value, str) and value.startswith("<c "):
                body += value.replace("AT", at)
            elif isinstance(value, str):
                body += f'<c r="{at}" t="inlineStr"><is><t>{value}</t></is></c>'
            else:
                body += f'<c r="{at}"><v>{value}</v></c>'
        cells.append(f'<row r="{i}">{body}</row>')
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    pkg = "http://schemas.openxmlformats.org/package/2006/relationships"
    names = list(enumerate(sheets, 1))
    part = f'<worksheet xmlns="{main}"><sheetData>{"".join(cells)}</sheetData></worksheet>'
    tabs = "".join(f'<sheet name="{n}" sheetId="{i}" r:id="r{i}"/>' for i, n in names)
    links = "".join(
        f'<Relationship Id="r{i}" Type="{rel}/worksheet" Target="worksheets/s{i}.xml"/>'
        for i, _ in names
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{pkg}"><Relationship Id="r1" Type="{rel}/officeDocument" '
            'Target="xl/workbook.xml"/></Relationships>',
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>{tabs}</sheets></workbook>',
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{pkg}">{links}<Relationship Id="rs" Type="{rel}/styles" '
            'Target="styles.xml"/></Relationships>',
        )
        book.writestr(
            "xl/styles.xml",
            f'<styleSheet xmlns="{main}"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14"/>'
            "</cellXfs></styleSheet>",
        )
        for i, _ in names:
            book.writestr(f"xl/worksheets/s{i}.xml", part)
    return out.getvalue()


GRID: list[list[object]] = [
    ["No", "Day", "Price", "Item", "Buyer"],
    [1, '<c r="AT" s="1"><v>45750</v></c>', 1234.5, "m1", "Ann"],
    [2, "2025-04-04", 1.234, "m1", "Bob"],
]


def test_workbook_numbers_and_dates_need_no_convention(run: Run, workspace: Path) -> None:
    """Cells that are numbers or dates are exact; 1.234 as a number is not ambiguous."""
    got = run(workbook(GRID), name="export.xlsx")
    assert got.added == 2
    rows = stored(workspace)
    assert [r["sale_id"] for r in rows] == ["shop-1", "shop-2"]
    assert [r["gross_amount"] for r in rows] == ["1234.5", "1.234"]
    # 45750 is 2025-04-03: 750 days after 45000, which is 2023-03-15 (see above)
    assert [r["sale_date"] for r in rows] == ["2025-04-03", "2025-04-04"]


def test_workbook_with_several_sheets_needs_one_named(run: Run) -> None:
    """Two filled sheets are refused with their names; the declared one is read."""
    book = workbook(GRID, ("One", "Two"))
    with pytest.raises(LogFault, match="One, Two"):
        run(book, name="export.xlsx")
    assert run(book, 'sheet = "Two"\n', name="export.xlsx").added == 2


def test_workbook_with_a_cell_in_the_last_corner_is_refused(run: Run) -> None:
    """One cell in XFD1048576 spans 17 thousand million cells; it is refused before reading."""
    corner = '<c r="XFD1048576"><v>1</v></c>'
    with pytest.raises(LogFault, match=f"at most {MAX_COLUMNS} columns"):
        run(workbook([*GRID, [corner]]), name="export.xlsx")


def test_files_that_unpack_to_too_much_are_refused(run: Run) -> None:
    """Packed zeros are refused at the declared size, as gzip and inside a workbook."""
    small = "max_megabytes = 1.0\n"
    with pytest.raises(LogFault, match="1 MB"):
        run(gzip.compress(b"0" * 5_000_000), small, name="export.csv.gz")
    with pytest.raises(LogFault, match="1 MB"):
        run(workbook([*GRID, ["x" * 5_000_000]]), small, name="export.xlsx")
    with pytest.raises(LogFault, match="1 MB"):
        run("0" * 5_000_000, small)


def test_more_than_a_thousand_columns_are_refused(run: Run) -> None:
    """A header of 1,001 names beyond the wanted ones is no log."""
    wide = HEADER.strip() + "".join(f";c{i}" for i in range(MAX_COLUMNS)) + "\n"
    with pytest.raises(LogFault, match="1005 columns"):
        run(wide)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no book", b"\x1f\x8b broken", b"\0" * 9])
@pytest.mark.parametrize("name", ["e.csv", "e.xlsx", "e.jsonl", "e.parquet", "e.csv.gz", "e.doc"])
def test_damaged_files_give_a_message_not_a_traceback(run: Run, content: bytes, name: str) -> None:
    """Whatever the bytes and the ending, the answer is a fault that names the file."""
    with pytest.raises(LogFault) as caught:
        run(content, name=name)
    assert caught.value.faults[0].file == name


def test_json_lines_are_read_and_broken_ones_held(run: Run, workspace: Path) -> None:
    """Numbers in JSON are exact; a line that is no object is held under its number."""
    content = (
        '{"No": "1", "Day": "2025-01-02", "Price": 1.234, "Item": "m1"}\n'
        "{broken\n"
        '{"No": "2", "Day": "2025-01-02", "Price": null, "Item": "m1", "Buyer": "Ann"}\n'
    )
    got = run(content, name="export.jsonl")
    assert stored(workspace)[0]["gross_amount"] == "1.234"
    assert got.ledger[["line", "reason"]].values.tolist() == [
        [2, "not a whole record"],
        [3, "a required value is missing"],
    ]


@pytest.mark.parametrize("packed", [False, True])
def test_parquet_is_read_with_its_kinds(run: Run, workspace: Path, packed: bool) -> None:
    """Dates, floats and whole numbers arrive as they are, gzipped too."""
    out = io.BytesIO()
    pd.DataFrame(
        {
            "No": [1, 2],
            "Day": pd.to_datetime(["2025-01-02", "2025-01-03"]),
            "Price": [1.234, 99.0],
            "Item": ["m1", "m2"],
            "Buyer": ["Ann", "Bob"],
        }
    ).to_parquet(out)
    content = gzip.compress(out.getvalue()) if packed else out.getvalue()
    got = run(content, name="export.parquet" + ".gz" * packed)
    assert got.added == 2
    assert stored(workspace) == [
        {
            "sale_id": f"shop-{i}",
            "model_id": f"m{i}",
            "sale_date": f"2025-01-0{i + 1}",
            "gross_amount": amount,
            "currency": "EUR",
        }
        for i, amount in ((1, "1.234"), (2, "99"))
    ]


def test_lines_above_the_header_are_skipped_and_line_numbers_stay(run: Run) -> None:
    """The ledger names lines of the file, not of what is left of it."""
    got = run("Report\nof May\n" + lines("1;2025-01-02;none;m1;A"), "skip_rows = 2\n")
    assert got.ledger.iloc[0]["line"] == 4


# Values, rules, reshaping


def test_unmapped_values_are_held_and_a_declared_default_is_obeyed(run: Run) -> None:
    """An alias the table does not name waits; "*" may say what the rest becomes."""
    values = '[values.model_id]\n"M one" = "m1"\n'
    content = lines("1;2025-01-02;9.50;M one;A", "2;2025-01-02;9.50;M 0ne;B")
    got = run(content, mapping=MAPPING + values, preview=True)
    assert (got.added, got.held) == (1, 1)
    assert got.ledger.iloc[0]["found"] == "M 0ne"
    assert run(content, mapping=MAPPING + values + '"*" = "*"\n', preview=True).added == 2


def test_rules_set_rows_aside_with_their_reason(run: Run) -> None:
    """Words within a title, and a part of the file that is not wanted."""
    mapping = (
        MAPPING
        + '[[set_aside]]\ncolumn = "Item"\ncontains = ["job lot", "read"]\nreason = "a bundle"\n'
        + '[filter]\ncolumn = "sale_date"\nlowest = "2024-01-01"\nreason = "too old"\n'
    )
    got = run(
        lines(
            "1;2025-01-02;9.50;Job Lot of 3;A",
            "2;2023-01-02;9.50;m1;B",
            "3;2025-01-02;9.50;bread;C",
        ),
        mapping=mapping,
    )
    assert got.added == 1
    assert got.ledger["reason"].tolist() == ["a bundle", "too old"]


def test_columns_side_by_side_become_rows(run: Run, workspace: Path) -> None:
    """Each cell is a record, empty ones are set aside, and scale and fill apply."""
    mapping = """
[columns]
quote_date = "Year"
[constants]
model_id = "m"
quality_class = "pulled"
supplier_id = "s"
currency = "EUR"
[unpivot]
columns = ["BAT", "DA"]
name_to = "part_code"
value_to = "unit_price"
[formats.unit_price]
scale = 100
[formats.quote_date]
date = "year"
fill = "07-01"
[key]
columns = ["part_code", "Year"]
"""
    got = run("Year,BAT,DA\n2020,0.5,1.25\n2021,,2.5\n", mapping=mapping, table="part_quotes")
    assert (got.rows_in_file, got.added, got.set_aside) == (4, 3, 1)
    found = [
        (r["quote_id"], r["quote_date"], r["unit_price"]) for r in stored(workspace, "part_quotes")
    ]
    assert found == [
        ("BAT|2020", "2020-07-01", "50"),
        ("DA|2020", "2020-07-01", "125"),
        ("DA|2021", "2021-07-01", "250"),
    ]


def test_keys_of_two_columns_cannot_meet(run: Run, workspace: Path) -> None:
    """("a|b", "c") and ("a", "b|c") are two keys."""
    mapping = MAPPING.replace('["No"]', '["No", "Item"]')
    run(lines("a|b;2025-01-02;9.50;c;A", "a;2025-01-02;9.50;b|c;A"), mapping=mapping)
    assert len({r["sale_id"] for r in stored(workspace)}) == 2


# Faults of mappings


def test_every_fault_of_a_mapping_is_named_at_once(run: Run) -> None:
    """Unknown names, wrong kinds, missing columns and impossible values, in one message."""
    mapping = """
table = "repairs"
encoding = "latin-17"
skip_rows = "two"
colour = "red"
separator = ";;"
[columns]
sale_dat = "Day"
gross_amount = 3
[constants]
currency = "euro"
condition = "broken"
[formats.model_id]
decimal = ","
[formats.sale_date]
date = "day.year"
[values.grade]
"Very good" = "A"
[[set_aside]]
column = "x"
[unpivot]
columns = ["a"]
[filter]
column = "condition"
"""
    with pytest.raises(LogFault) as caught:
        run(HEADER, mapping=mapping)
    places = {f.column for f in caught.value.faults}
    assert places >= {
        "table",
        "encoding",
        "skip_rows",
        "colour",
        "separator",
        "columns.sale_dat",
        "columns.gross_amount",
        "constants.currency",
        "constants.condition",
        "formats.model_id",
        "formats.sale_date.date",
        "values.grade",
        "set_aside[1]",
        "unpivot",
        "filter",
        "filter.column",
        "sale_id",
        "model_id",
        "sale_date",
    }
    assert all(f.file == "map.toml" and f.allowed for f in caught.value.faults)


def test_broken_toml_and_unknown_tables_are_faults(run: Run) -> None:
    """A mapping that is no TOML, and a table there is not, give a message."""
    with pytest.raises(LogFault, match="TOML"):
        run(HEADER, mapping="[columns\n")
    with pytest.raises(LogFault, match="one of catalogue"):
        run(HEADER, table="sale")


# Idempotence, overlap, ledger

ROWS = [f"{i};2025-01-{i:02d};{i}.50;m1;A" for i in range(1, 21)]


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
    """The stored amount stays; the ledger shows both."""
    run(lines(ROWS[0]))
    got = run(lines("1;2025-01-01;7.50;m1;A", "2;2025-01-02;5.50;m1;A", "2;2025-01-02;6.50;m1;A"))
    assert [r["gross_amount"] for r in stored(workspace)] == ["1.5", "5.5"]
    assert got.ledger[["line", "column", "found", "allowed"]].values.tolist() == [
        [2, "gross_amount", "7.5", "1.5"],
        [4, "gross_amount", "6.5", "5.5"],
    ]


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


def _one_of(*usual: str) -> st.SearchStrategy[str]:
    dirt = ("", "  ", "x", "m1", "Total", "3.5E+14", "US $ 5", "1.234,5", "01/13/2025", '"')
    return st.one_of(st.sampled_from(usual), st.sampled_from(usual), st.sampled_from(dirt))


_ROW = st.tuples(
    _one_of("1", "2", "3", "a|b"),
    _one_of("2025-01-02", "13/01/2025", "2025-02-30"),
    _one_of("9.50", "9.5", "12"),
    _one_of("m1", "m2", "Item"),
    _one_of("Ann", "Buyer"),
)


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(_ROW, max_size=8))
def test_the_ledger_always_adds_up(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, ...]]
) -> None:
    """A table is refused and nothing written, or its records are the four counts.

    The workspace then grew by the rows added, and a second import adds nothing.
    """
    folder = tmp_path_factory.mktemp("any")
    work = folder / "work"
    work.mkdir()
    with open(folder / "e.csv", "w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=";").writerows([HEADER.strip().split(";"), *rows])
    (folder / "m.toml").write_text('totals = ["Total"]\n' + MAPPING)
    try:
        got = import_file(folder / "e.csv", work, "sales", folder / "m.toml")
    except LogFault:
        assert list(work.iterdir()) == []
        return
    assert got.rows_in_file == len(rows)
    assert adds_up(got)
    grown = len(stored(work)) if (work / "sales.csv").exists() else 0
    assert grown == got.added
    again = import_file(folder / "e.csv", work, "sales", folder / "m.toml")
    assert again.added == 0
    assert adds_up(again)


# Crashes and company

_CHILD = """
import os, sys, time
from pathlib import Path
sys.path.insert(0, {root!r})
from kit.logs.importing import import_file
if {hang}:
    def wait(a, b, *rest):
        print("ready", flush=True)
        time.sleep(60)
    os.replace = wait
folder = Path({folder!r})
got = import_file(folder / sys.argv[1], folder / "work", "sales", folder / "map.toml")
print(got.added)
"""


def child(folder: Path, export: str, *, hang: bool = False) -> subprocess.Popen[str]:
    code = _CHILD.format(root=str(ROOT), folder=str(folder), hang=hang)
    command = [sys.executable, "-c", code, export]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_a_killed_import_leaves_the_old_file_and_the_next_one_works(
    run: Run, tmp_path: Path, workspace: Path
) -> None:
    """Killed at the last step, the table is the old one; the lock left behind is no obstacle."""
    run(lines(*ROWS[:5]))
    before = (workspace / "sales.csv").read_bytes()
    (tmp_path / "more.csv").write_text(lines(*ROWS))
    with child(tmp_path, "more.csv", hang=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        os.kill(process.pid, signal.SIGKILL)
    assert (workspace / "sales.csv").read_bytes() == before
    assert len(list(workspace.glob(".sales*"))) == 2
    assert run(lines(*ROWS), name="more.csv").added == 15
    assert sorted(p.name for p in workspace.iterdir()) == ["sales.csv"]


def test_imports_at_once_lose_no_row(run: Run, tmp_path: Path, workspace: Path) -> None:
    """Four overlapping exports imported at the same time give every row once."""
    run(lines(ROWS[0]))
    for i in range(4):
        rows = [f"{n};2025-01-02;9.50;m1;A" for n in range(100 + i * 50, 200 + i * 50)]
        (tmp_path / f"part{i}.csv").write_text(lines(*rows))
    processes = [child(tmp_path, f"part{i}.csv") for i in range(4)]
    added = [int(p.communicate(timeout=120)[0]) for p in processes]
    keys = [r["sale_id"] for r in stored(workspace)]
    assert sum(added) == 250
    assert sorted(keys) == sorted({"shop-1"} | {f"shop-{n}" for n in range(100, 350)})


def test_a_live_lock_is_respected(workspace: Path) -> None:
    """A lock whose owner runs is waited for, then named; a stranger's is never removed."""
    from kit.logs.importing.locking import locked

    with (
        locked(workspace, "sales"),
        pytest.raises(LogFault, match="delete this file"),
        locked(workspace, "sales", patience=0.2),
    ):
        pass
    lock = workspace / ".sales.lock"
    lock.write_text("elsewhere 4194305 x")  # a number no process here has
    with pytest.raises(LogFault), locked(workspace, "sales", patience=0.2):
        pass
    assert lock.exists()


def test_fifty_thousand_rows_take_seconds(run: Run) -> None:
    """A large export is read in well under a minute, so that nobody waits for a coffee."""
    rows = [f"{n};2025-01-{n % 28 + 1:02d};{n % 900}.50;m1;A" for n in range(50_000)]
    start = time.perf_counter()
    assert run(lines(*rows)).added == 50_000
    assert time.perf_counter() - start < 30
