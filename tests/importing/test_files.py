"""Encodings, separators and kinds of file."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.imports.raw_rows import MAX_COLUMNS
from repair_horizon.logs import LogFault

from .exports import GRID, HEADER, Run, lines, stored, workbook

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
