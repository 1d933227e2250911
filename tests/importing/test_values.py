"""Amounts and dates: read under a convention that is declared or proved, or not at all."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.imports.dates import format_problem, reader_of
from repair_horizon.imports.numbers import prove_decimal, split_cell, value_of
from repair_horizon.logs import LogFault

from .exports import MAPPING, Run, lines, stored


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


def test_currency_of_a_table_without_such_a_column_is_declared(run: Run, workspace: Path) -> None:
    """Costs with a euro sign are refused until the mapping says they are euros."""
    (workspace / "settings.toml").write_text('currency = "EUR"\n')
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


def test_a_share_in_percent_is_read_and_other_numbers_in_percent_are_not(run: Run) -> None:
    """'8,5 %' is 0.085 of a premium, whatever the scale of bare numbers; of a bid it is nothing."""
    mapping = """
decimal = ","
[columns]
listing_id = "L"
end_time = "E"
premium_rate = "P"
current_bid = "B"
[constants]
model_id = "m"
listed_fault = "f"
[formats.premium_rate]
scale = 0.01
"""
    text = "L;E;P;B\n1;2025-01-02;8,5 %;10\n2;2025-01-02;8,5;10\n3;2025-01-02;8,5\u00a0%;5 %\n"
    got = run(text + "4;2025-01-02;850 %;10\n", mapping=mapping, table="listings")
    assert got.rows["premium_rate"].tolist() == ["0.085", "0.085"]
    assert got.ledger[["line", "column"]].to_numpy().tolist() == [
        [4, "current_bid"],
        [5, "premium_rate"],
    ]


def test_a_declared_order_reads_the_columns_own_separator(run: Run) -> None:
    """The order is what is declared; a column that writes two signs is read by the declared one."""
    form = 'date_format = "day/month/year"\n'
    got = run(lines("1;12.10.2025;9.50;m1;A", "2;03.11.2025;8.50;m1;A"), form)
    assert got.rows["sale_date"].tolist() == ["2025-10-12", "2025-11-03"]
    mixed = run(lines("3;12.10.2025;9.50;m1;A", "4;03/11/2025;8.50;m1;A"), form)
    assert mixed.rows["sale_date"].tolist() == ["2025-11-03"]
    assert mixed.ledger["found"].tolist() == ["12.10.2025"]
    short = run(lines("5;26-10-12;9.50;m1;A"), 'date_format = "day.month.year2"\n')
    assert (short.added, short.held) == (0, 1)
