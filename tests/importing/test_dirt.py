"""Kinds of dirt that need more than one cell, and mappings that reshape wrongly."""

from __future__ import annotations

from pathlib import Path

import pytest
from repair_horizon.logs import LogFault, read_logs

from .exports import HEADER, MAPPING, Run, lines, stored, workbook

WIDE = """
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
[formats.quote_date]
date = "year"
fill = "07-01"
[key]
columns = ["part_code", "Year"]
"""


@pytest.mark.parametrize(
    ("theirs", "mistake", "told"),
    [
        ('["BAT", "DA"]', '["BAT", "BAT"]', "BAT twice"),
        ('["BAT", "DA"]', '["BAT", "Year"]', "not named in unpivot.columns"),
        ('["BAT", "DA"]', '["BAT", "unit_price"]', "rename them in the file"),
        ('["BAT", "DA"]', '["BAT", ""]', "names of their columns"),
        ('value_to = "unit_price"', 'value_to = "part_code"', "filled twice"),
        ('quote_date = "Year"', 'quote_date = "part_code"', "none made here"),
        ('["part_code", "Year"]', '["Year", "Year"]', "Year twice"),
    ],
)
def test_a_wide_row_reshaped_wrongly_is_refused_before_a_row_is_read(
    run: Run, workspace: Path, theirs: str, mistake: str, told: str
) -> None:
    """A column named twice, or under two names, would count its cells twice or lose some."""
    assert theirs in WIDE
    with pytest.raises(LogFault, match=told):
        run("Year,BAT,DA\n2020,1,2\n", mapping=WIDE.replace(theirs, mistake), table="part_quotes")
    assert list(workspace.iterdir()) == []


def test_a_wide_row_without_a_column_named_is_refused_with_the_columns_there_are(run: Run) -> None:
    """SPK stands in the mapping and not in the file."""
    with pytest.raises(LogFault, match=r"column SPK: found 'no such column'.*Year, BAT, DA"):
        run("Year,BAT,DA\n2020,1,2\n", mapping=WIDE.replace('"DA"', '"SPK"'), table="part_quotes")


@pytest.mark.parametrize("names", ['["Item", "Item"]', '["part_code"]'])
def test_hashes_name_each_column_of_the_file_once(run: Run, names: str) -> None:
    """A column hashed twice would match nothing hashed once."""
    with pytest.raises(LogFault, match="column hash"):
        run("Year,BAT,DA\n2020,1,2\n", f"hash = {names}\n", mapping=WIDE, table="part_quotes")


def test_one_sale_in_the_shop_and_the_payment_export_is_added_once(
    run: Run, workspace: Path
) -> None:
    """They meet by the order number, whatever the two files are called and look like."""
    run(lines("A7;2025-01-02;9.50;m1;Ann"))
    pay = MAPPING.replace('"Day"', '"Paid"').replace('"Price"', '"Sum"').replace('"No"', '"Order"')
    got = run("Order,Paid,Sum,Item\nA7,2025-01-02,9.5,m1\n", mapping=pay, name="pay.csv")
    assert (got.added, got.already_there) == (0, 1)
    late = run("Order,Paid,Sum,Item\nA7,2025-01-04,9.5,m1\n", mapping=pay, name="pay.csv")
    assert (late.added, late.held) == (0, 1)
    assert late.ledger.iloc[0]["column"] == "sale_date"
    assert len(stored(workspace)) == 1


def test_grades_in_free_words_follow_the_map_and_the_rest_stay_unknown(
    run: Run, workspace: Path
) -> None:
    """An unknown grade is empty, never a middling letter."""
    mapping = MAPPING.replace('model_id = "Item"', 'model_id = "Item"\ngrade = "Buyer"')
    mapping += '[values.grade]\n"as new" = "A"\n"*" = ""\n'
    run(lines("1;2025-01-02;9.5;m1;as new", "2;2025-01-02;9.5;m1;nice!"), mapping=mapping)
    assert [r["grade"] for r in stored(workspace)] == ["A", ""]


def test_refunds_and_cancelled_orders_come_in_with_their_kind(run: Run, workspace: Path) -> None:
    """Negative amounts are kept; read back, the sale they undo is not a price."""
    mapping = MAPPING.replace(
        'model_id = "Item"',
        'model_id = "Item"\nrecord_type = "Buyer"\nrefers_to_sale_id = "Of"',
    )
    mapping += '[formats.refers_to_sale_id]\nprefix = "shop-"\n'
    mapping += '[values.record_type]\n"" = ""\nback = "refund"\n'
    run(
        "No;Day;Price;Item;Buyer;Of\n1;2025-01-02;9.5;m1;;\n2;2025-01-05;-9.50;m1;back;1\n"
        "3;2025-01-02;9.5;m1;;\n",
        mapping=mapping,
    )
    assert stored(workspace)[1]["refers_to_sale_id"] == "shop-1"
    (workspace / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date\nm1,f,phone,2020-01-01\n"
    )
    logs = read_logs(workspace)
    assert logs.tables["sales"]["sale_id"].tolist() == ["shop-3"]
    assert (logs.ledger.exceptions["status"] == "set aside").tolist() == [True, True]


def test_a_workbook_may_hold_numbers_as_text_blank_rows_and_its_header_again(run: Run) -> None:
    """Text cells follow the column's proved convention beside cells that are numbers."""
    rows = [
        HEADER.strip().split(";"),
        [1, "2025-01-02", "1.234,50", "m1", "A"],
        ["", "", "", "", ""],
        HEADER.strip().split(";"),
        [2, "2025-01-02", 12.5, "m1", "A"],
    ]
    got = run(workbook(rows), name="export.xlsx")
    assert got.rows["gross_amount"].tolist() == ["1234.5", "12.5"]
    assert got.ledger["reason"].tolist() == ["blank line", "repeated header"]


def test_a_time_of_day_in_a_workbook_holds_its_row(run: Run) -> None:
    """A cell formatted as a time has no day; the row waits, the others come in."""
    time = '<c r="AT" s="2"><v>0.5</v></c>'
    rows = [HEADER.strip().split(";"), [1, time, 9.5, "m1", "A"], [2, "2025-01-02", 9.5, "m1", "A"]]
    got = run(workbook(rows), name="export.xlsx")
    assert (got.added, got.held) == (1, 1)
    assert got.ledger.iloc[0]["found"] == "12:00:00"
