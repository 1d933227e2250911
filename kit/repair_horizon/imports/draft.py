"""A first mapping for an export nobody has described yet: proposals, samples and questions.

Whatever the file proves is written as a line of the mapping; whatever it does not prove is
written as a comment with the question beside it. Nothing is imported by a draft.
"""

from __future__ import annotations

import re
import shlex
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.imports import dates, numbers
from repair_horizon.imports.draft_values import (
    flag_warnings,
    left_out,
    unwanted_lines,
    value_lines,
)
from repair_horizon.imports.layout import (
    MONTHS,
    SERIAL,
    Match,
    Sheet,
    comment,
    export_sheet,
    is_personal,
    month_named,
    plain,
    quoted,
    rows_said,
    toml,
    value_words,
)
from repair_horizon.imports.mapping import DATES, NUMBERS
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES

LEFT_OUT = "Left out, since they were recognised as no column of ours:"
_ZONED = re.compile(r"\d:\d{2}(:\d{2}(\.\d+)?)? ?(Z|UTC|[+-]\d{2}:?\d{2})$")


def convention_lines(sheet: Sheet) -> list[str]:
    """Write what a column's values prove about numbers and dates, and ask about the rest."""
    lines: list[str] = []
    for match in sheet.found:
        kind, values = sheet.table.column(match.column).kind, sheet.column(match.theirs)
        if kind in NUMBERS:
            lines += _number_lines(sheet, match, values)
        elif kind in DATES and len(values):
            lines += _date_lines(sheet, match, values)
    return lines


def month_name_lines(sheet: Sheet) -> list[str]:
    """Name the months in the language the dates write them in, if it is not English."""
    for match in sheet.found:
        if sheet.table.column(match.column).kind in DATES:
            for text in sheet.cells[match.theirs]:
                language = month_named(text)
                if language:
                    return [f"month_names = {toml(list(MONTHS[language]))}"]
    return []


def _number_lines(sheet: Sheet, match: Match, values: pd.Series) -> list[str]:
    share = sheet.table.column(match.column).is_share
    cells = values.map(lambda text: numbers.split_cell(text, percent=share))
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
        form = dates.likely_format(values)
        return ["", f"# [formats.{match.column}] # {mark}", f"# date = {quoted(form)}"]
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
        if sheet.table.column(match.column).kind in DATES:
            zoned = next((c for c in sheet.cells[match.theirs] if _ZONED.search(c)), None)
            if zoned:
                mark = sheet.ask(
                    f"{match.theirs} names an offset, as in {zoned}, so the day differs by zone: "
                    "'as written', or a zone such as Europe/Berlin?"
                )
                return [f'# timezone = "as written" # {mark}']
    return []


_IDENTITY = re.compile(
    r"\b(id|no|nr|number|nummer|order|bestellung|bestellnummer|invoice|rechnung|beleg|reference|"
    r"ref|referenz|transaction|transaktion|ticket|auftrag|sku)\b"
)
_OWN_KEYS = ("catalogue", "stock")
"""Tables whose key names a thing (a model, a unit): it is a column, not a made-up number."""


@dataclass(frozen=True, eq=False)
class Draft:
    """A mapping in TOML with comments, the table it is for, and what is still to be answered.

    ``left_out`` names the columns that are not read, each with an example where it is of no person;
    ``warnings`` says which of them speak of swollen, wet or blocked units.
    """

    file: str
    table: str
    text: str
    questions: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def draft_mapping(
    file: Path,
    table: str = "",
    models: pd.DataFrame | None = None,
    sheet: str = "",
    states: pd.DataFrame | None = None,
) -> Draft:
    r"""Draft the mapping of an export.

    Parameters
    ----------
    file
        CSV, TSV or TXT, XLSX, JSON lines or Parquet; each may be gzipped.
    table
        The table to be filled; if empty, the one whose columns are found most completely.
    models
        Catalogue rows (model_id, model_name), to which model names are matched; never loosely.
    sheet
        The sheet of a workbook; its longest one if empty.
    states
        Rows of fault_states.csv: codes of states that are the shop's own.

    Returns
    -------
    Draft
        Its text is a mapping that ``read_mapping`` takes once the questions are answered.

    Raises
    ------
    LogFault
        If the file cannot be read at all, or the table is none.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> export = pathlib.Path(tempfile.mkdtemp()) / "sold.csv"
    >>> _ = export.write_text("Order no;Sold on;Item;Price\n1;31.01.2026;Tavora 3;129,00 €\n")
    >>> draft = draft_mapping(export)
    >>> draft.table, 'gross_amount = "Price"' in draft.text
    ('sales', True)
    """
    if table and table not in TABLES:
        raise LogFault([Fault("import", None, "table", table, "one of " + ", ".join(TABLES))])
    found = export_sheet(file, table, sheet)
    body = [
        *_about_the_file(found),
        *_columns(found),
        *_constants(found),
        *convention_lines(found),
        *_key(found),
        *value_lines(found, models, states),
        *unwanted_lines(found),
        *_left_out(found),
    ]
    left, warnings = left_out(found), flag_warnings(found)
    text = "\n".join([*_head(found, bool(table), left, warnings), *body]) + "\n"
    asked = tuple(found.questions)
    return Draft(file.name, found.table.name, text, asked, tuple(left), tuple(warnings))


def _about_the_file(sheet: Sheet) -> list[str]:
    lines = [f"table = {quoted(sheet.table.name)}"]
    lines += [f"{name} = {toml(value)}" for name, value in sheet.layout.declares.items()]
    for question in sheet.layout.questions:
        lines.append(f"# {sheet.ask(question)}: {question}")
    if sheet.totals:
        lines.append(f"totals = {toml(sheet.totals)} # rows beginning so are no records")
    serials = [m.theirs for m in sheet.found if SERIAL.search(plain(m.theirs))]
    if serials:
        lines.append(f"hash = {toml(serials)} # serial numbers are kept as a salted hash only")
    return [*lines, *_own_money(sheet), *month_name_lines(sheet), *zone_lines(sheet)]


def _columns(sheet: Sheet) -> list[str]:
    lines = ["", "[columns] # our column = their column"]
    key = _made_key(sheet)
    for match in sheet.found:
        if match.column != key:
            about = sheet.table.column(match.column).meaning
            lines.append(f"{match.column} = {quoted(match.theirs)} # {comment(about)}")
    lines += _second_columns(sheet)
    free = [n for n in sheet.cells if n not in {m.theirs for m in sheet.found}]
    names = ", ".join(comment(n) for n in free if not is_personal(n)) or "none"
    for name in sheet.table.required:
        if sheet.theirs(name) is None and name not in (key, "currency"):
            ours = sheet.table.column(name)
            mark = sheet.ask(
                f"Which column is {name} ({ours.meaning}; {ours.allowed})? Left over: {names}. "
                f"If one value holds for every row, put it under [constants]."
            )
            lines.append(f'# {name} = "" # {mark}')
    return lines


def _left_out(sheet: Sheet) -> list[str]:
    """Name the columns that are not read, last in the mapping; no cell of theirs is shown here."""
    free = sheet.left()
    lines = ["", f"# Not read: {', '.join(comment(n) for n in free) or 'nothing'}."]
    if any(SERIAL.search(plain(n)) for n in free):
        lines.append("# Serial numbers are never needed; hash = [...] keeps one as a salted hash.")
    return lines


def _second_columns(sheet: Sheet) -> list[str]:
    """A column of theirs may fill two of ours: a model's name, a grade that says 'for parts'."""
    name = sheet.theirs("model_id")
    if sheet.table.name == "catalogue" and name and not sheet.theirs("model_name"):
        sheet.found.append(Match("model_name", name, 0))
        return [f"model_name = {quoted(name)} # as it is printed"]
    grade = sheet.theirs("grade")
    if sheet.table.name != "sales" or grade is None or sheet.theirs("condition"):
        return []
    words = value_words("condition")
    if any(words.get(plain(c)) == "as_is" for c in sheet.cells[grade]):
        sheet.found.append(Match("condition", grade, 0))
        return [f"condition = {quoted(grade)} # some of its values say the unit was sold broken"]
    return []


def _constants(sheet: Sheet) -> list[str]:
    """Propose the currency where every amount shows one, or the header names one; else ask."""
    ours = {c.name for c in sheet.table.columns} & {"currency", "launch_currency"}
    name = ours.pop() if ours else ""
    if not name or sheet.theirs(name):
        return []
    code, why = _shown_currency(sheet)
    if code:
        return ["", "[constants]", f"{name} = {quoted(code)} # the amounts or their header say so"]
    if not why and not sheet.table.column(name).required:
        return []  # the settlement currency
    mark = _currency_question(sheet, why)
    return ["", "[constants]", f'# {name} = "EUR" # {mark}']


def _own_money(sheet: Sheet) -> list[str]:
    """Name the currency shown by amounts whose table has no column for it."""
    if {c.name for c in sheet.table.columns} & {"currency", "launch_currency"}:
        return []
    code, why = _shown_currency(sheet)
    if code:
        said = "the amounts or their header say so; another than the settlement currency"
        return [f"currency = {quoted(code)} # {said} is converted"]
    if not why:
        return []
    return [f'# currency = "EUR" # {_currency_question(sheet, why)}']


def _currency_question(sheet: Sheet, why: str) -> str:
    why = why or "no amount shows one"
    return sheet.ask(f"Which currency are the amounts in? It is not proved: {why}.")


def _shown_currency(sheet: Sheet) -> tuple[str, str]:
    """Return the one currency the amounts or their headers show; else which they show, if any."""
    money = [m.theirs for m in sheet.found if sheet.table.column(m.column).unit == "money"]
    seen: Counter[str] = Counter()
    unclear = set()
    for theirs in money:
        for text in sheet.cells[theirs]:
            cell = numbers.split_cell(text)
            if cell and len(cell.currencies) == 1:
                seen[cell.currencies[0]] += 1
            elif cell and cell.currencies:
                unclear.add(" or ".join(cell.currencies[:3]))
        seen.update(numbers.named_currencies(theirs))
    if len(seen) == 1 and not unclear:
        return next(iter(seen)), ""
    return "", "the amounts show " + ", ".join([*seen, *sorted(unclear)]) if seen or unclear else ""


def _made_key(sheet: Sheet) -> str:
    """Return our key if it is to be built from theirs."""
    return "" if sheet.table.name in _OWN_KEYS else sheet.table.key


def _key(sheet: Sheet) -> list[str]:
    key = _made_key(sheet)
    if not key:
        return []
    prefix = re.sub(r"\W+", "-", Path(sheet.file).stem.lower()).strip("-") + "-"
    own = sheet.theirs(key)
    named = [n for n in sheet.cells if _IDENTITY.search(plain(n)) and not is_personal(n)]
    for theirs in [*([own] if own else []), *named]:
        cells = sheet.cells[theirs]
        if all(cells) and len(set(cells)) == len(cells):
            sheet.key = [theirs]
            return _key_lines(sheet.key, prefix, "every row has its own")
    parts = [m.theirs for m in sheet.found if m.column in sheet.table.required]
    parts = list(dict.fromkeys(p for p in parts if p))
    rows = list(zip(*(sheet.cells[p] for p in parts), strict=True))
    if parts and len(set(rows)) == len(rows):
        sheet.ask(
            "No column numbers the rows, so a row is known by "
            + ", ".join(parts)
            + "; two rows alike in all of them would count as one. Is there a number?"
        )
        return _key_lines(parts, prefix, f"QUESTION {len(sheet.questions)}")
    mark = sheet.ask(
        f"Which columns name a row ({key})? Rows alike in them are taken for the same one, and "
        f"no column here is different in every row."
    )
    return ["", f"# [key] # {mark}", "# columns = []", f"# prefix = {quoted(prefix)}"]


def _key_lines(columns: list[str], prefix: str, why: str) -> list[str]:
    return ["", "[key]", f"columns = {toml(columns)} # {why}", f"prefix = {quoted(prefix)}"]


def _head(sheet: Sheet, told: bool, left: list[str], warnings: list[str]) -> list[str]:
    raw, name = sheet.layout.raw, comment(shlex.quote(sheet.file))
    where = f"header in line {raw.header_line}, {rows_said(len(sheet.rows))} below it"
    why = "" if told else " (most of its columns were found; --table names another)"
    lines = [
        f"# Draft of a mapping: {comment(sheet.file)} into {sheet.table.name}{why}.",
        f"# The file: {where}.",
        "# Nothing is imported by this page. Lines that begin with # wait for you: answer the",
        "# question and take the # away. Then look first, and import after:",
        f"#     repair-horizon import {name} --mapping THIS.toml --preview",
        "# `repair-horizon explain mapping` says what a mapping may say.",
        "#",
        "# Three rows as they stand in the file:",
    ]
    for row in _samples(sheet):
        lines.append(f"#   {row}")
    lines.append("#")
    if sheet.questions:
        lines.append("# Questions:")
        lines += [f"#   {i}. {comment(q, 600)}" for i, q in enumerate(sheet.questions, 1)]
    elif not left:
        lines.append("# No questions: everything that must be known is proved by the file.")
    else:
        lines.append("# No questions: what must be known is proved by the file.")
    if left:
        lines += [f"# {LEFT_OUT}", *(f"#   {comment(n, 200)}" for n in left)]
    return [*lines, *(f"# {comment(w, 400)}" for w in warnings), ""]


def _samples(sheet: Sheet) -> Iterable[str]:
    """Print three whole rows, the columns that were found only: nothing about persons."""
    columns = list(dict.fromkeys(m.theirs for m in sheet.found))
    columns = [c for c in columns if not SERIAL.search(plain(c))]
    whole = [i for i in range(len(sheet.rows)) if all(sheet.cells[c][i] for c in columns)]
    for i in (whole or list(range(len(sheet.rows))))[:3]:
        said = "; ".join(f"{comment(c, 30)}: {comment(sheet.cells[c][i], 40)}" for c in columns)
        yield f"line {sheet.rows[i].line}: {said}"
