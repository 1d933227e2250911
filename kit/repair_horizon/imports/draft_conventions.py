"""What the cells of an export prove about its numbers and dates, and what is asked."""

from __future__ import annotations

import re

import pandas as pd

from repair_horizon.imports import dates, numbers
from repair_horizon.imports.draft_sheet import Sheet, quoted, toml
from repair_horizon.imports.recognise import MONTHS, Match, month_named

_ZONED = re.compile(r"\d:\d{2}(:\d{2}(\.\d+)?)? ?(Z|UTC|[+-]\d{2}:?\d{2})$")


def convention_lines(sheet: Sheet) -> list[str]:
    """Write what a column's values prove about numbers and dates, and ask about the rest."""
    lines: list[str] = []
    for match in sheet.found:
        kind, values = sheet.table.column(match.column).kind, sheet.column(match.theirs)
        if kind in ("number", "count"):
            lines += _number_lines(sheet, match, values)
        elif kind in ("date", "moment") and len(values):
            lines += _date_lines(sheet, match, values)
    return lines


def month_name_lines(sheet: Sheet) -> list[str]:
    """Name the months in the language the dates write them in, if it is not English."""
    for match in sheet.found:
        if sheet.table.column(match.column).kind in ("date", "moment"):
            for text in sheet.cells[match.theirs]:
                language = month_named(text)
                if language:
                    return [f"month_names = {toml(list(MONTHS[language]))}"]
    return []


def _number_lines(sheet: Sheet, match: Match, values: pd.Series) -> list[str]:
    cells = values.map(numbers.split_cell)
    digits = cells[cells.notna()].map(lambda c: c.digits).astype("str")
    proof = numbers.prove_decimal(digits) if len(digits) else numbers.Proof(".", "")
    if proof.refused:
        mark = sheet.ask(f"{match.theirs}: {proof.why}.")
        return ["", f"# [formats.{match.column}] # {mark}", '# decimal = ","']
    return []


def _date_lines(sheet: Sheet, match: Match, values: pd.Series) -> list[str]:
    head = ["", f"[formats.{match.column}]"]
    if values.str.fullmatch(r"\d{5}(\.\d+)?").mean() > 0.5:
        first = values.iloc[0]
        read = dates.reader_of(dates.EXCEL)(first)
        shown = f"{read.at:%Y-%m-%d}" if read else "no date"
        mark = sheet.ask(
            f"{match.theirs}: are numbers such as {first} a spreadsheet's days ({shown})?"
        )
        return [*head, f"date = {quoted(dates.EXCEL)} # {mark}"]
    short = values[values.str.fullmatch(r"\d{1,2}([./-])\d{1,2}\1\d{2}(\D.*)?")]
    if len(short) > len(values) / 2:
        return _short_years(sheet, match, short)
    if values.map(month_named).notna().mean() > 0.5:
        form = re.sub(r"\d{4}", "<", values.iloc[0].strip())
        form = re.sub(r"[^\W\d_]+", ">", form)
        form = re.sub(r"\d{1,2}", "day", form).replace("<", "year").replace(">", "month_name")
        return [*head, f"date = {quoted(form)}"]
    proof = dates.prove_dates(values)
    if not proof.format:
        mark = sheet.ask(f"{match.theirs}: {proof.why}.")
        return ["", f"# [formats.{match.column}] # {mark}", '# date = "day/month/year"']
    return []


def _short_years(sheet: Sheet, match: Match, values: pd.Series) -> list[str]:
    """Years of two digits must be declared; the order is proved by a day above 12, or asked."""
    sign = re.sub(r"\d", "", values.iloc[0])[0]
    parts = values.str.extract(r"(\d{1,2})[./-](\d{1,2})").astype(int)
    day_first, month_first = (parts[0] > 12).any(), (parts[1] > 12).any()
    order = ("month", "day") if month_first and not day_first else ("day", "month")
    form = f"{order[0]}{sign}{order[1]}{sign}year2"
    head = f"[formats.{match.column}]"
    if day_first != month_first:
        return ["", head, f"date = {quoted(form)} # a year of two digits"]
    mark = sheet.ask(f"{match.theirs}: is {values.iloc[0]} written day first or month first?")
    return ["", f"# {head} # {mark}", f"# date = {quoted(form)}"]


def zone_lines(sheet: Sheet) -> list[str]:
    """Ask whose day counts where times name their offset."""
    for match in sheet.found:
        if sheet.table.column(match.column).kind in ("date", "moment"):
            zoned = next((c for c in sheet.cells[match.theirs] if _ZONED.search(c)), None)
            if zoned:
                mark = sheet.ask(
                    f"{match.theirs} names an offset, as in {zoned}, so the day differs by zone: "
                    "'as written', or a zone such as Europe/Berlin?"
                )
                return [f'# timezone = "as written" # {mark}']
    return []
