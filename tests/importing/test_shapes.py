"""Furniture, widths, identifiers and personal data; values, rules and reshaping."""

from __future__ import annotations

from pathlib import Path

import pytest
from repair_horizon.logs import LogFault

from .exports import GRID, HEADER, MAPPING, Run, lines, stored, workbook


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
