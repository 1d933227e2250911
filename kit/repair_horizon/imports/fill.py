"""Fill our table's columns from the rows of an export, as the text our logs hold."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from decimal import Decimal
from zoneinfo import ZoneInfo

import pandas as pd

from repair_horizon.imports import dates, numbers
from repair_horizon.imports.mapping import AS_WRITTEN, DATES, NUMBERS, Format, ImportMapping
from repair_horizon.imports.raw_rows import Inference
from repair_horizon.imports.sources import Source, damaged, note
from repair_horizon.tables.columns import Column, read_column
from repair_horizon.tables.faults import HELD, SET_ASIDE, Fault, LogFault
from repair_horizon.tables.inputs import Table


@dataclass(frozen=True, eq=False)
class ReadColumn:
    """One column read: its text as our logs write it, and what is said about it.

    ``refused`` names a convention that is neither declared nor proved: then no row can be read.
    ``currencies`` holds, for amounts, the currencies a cell's own sign may mean.
    """

    text: pd.Series
    notes: tuple[pd.DataFrame, ...] = ()
    inferred: tuple[Inference, ...] = ()
    refused: Fault | None = None
    currencies: pd.Series | None = None


@dataclass(frozen=True, eq=False)
class Cells:
    """The cells of one column of ours that are to be read.

    ``text`` is indexed by record, ``line`` gives their lines, ``exact`` marks numbers and dates
    no convention applies to, and ``file`` is printed in faults.
    """

    file: str
    text: pd.Series
    exact: pd.Series
    line: pd.Series


def read_cells(column: Column, cells: Cells, mapping: ImportMapping) -> ReadColumn:
    """Read one column: value map first, then by its kind, then by its own rule.

    ``cells``: what the export says.
    """
    pairs = mapping.values.get(column.name)
    mapped = cells.text.isin([k for k in pairs if k != "*"]) if pairs else cells.text.isna()
    text = cells.text.map(pairs).where(mapped, cells.text) if pairs else cells.text
    own = mapped | (text == "")
    left = Cells(cells.file, text[~own], cells.exact[~own], cells.line[~own])
    got = _by_kind(column, left, mapping)
    whole = text.copy()
    whole.loc[left.text.index] = got.text
    notes = list(got.notes)
    known = set().union(*[set(n["row"]) for n in notes]) if notes else set()
    _, bad = read_column(column, whole)
    bad &= ~whole.index.isin(known)
    if bad.any():
        rows, found = whole.index[bad], cells.text[bad]
        about = {"column": column.name, "found": found, "allowed": column.allowed}
        empty = column.required & (whole[bad] == "")
        reason = empty.map({True: "a required value is missing", False: "unreadable value"})
        notes.append(note(rows, HELD, "", **about).assign(reason=reason.to_numpy()))
    return ReadColumn(whole, tuple(notes), got.inferred, got.refused, got.currencies)


_ERRORS = r"#(?:N/A|REF!|VALUE!|NAME\?|DIV/0!|NUM!|NULL!|SPILL!|CALC!)"


def _by_kind(column: Column, cells: Cells, mapping: ImportMapping) -> ReadColumn:
    form = mapping.format(column.name)
    if column.kind in NUMBERS:
        return _numbers(column, cells, form)
    if column.kind in DATES:
        return _dates(column, cells, form, mapping)
    if column.name in mapping.values:
        return _unmapped(column, cells, mapping.values[column.name])
    if column.kind == "currency":
        return _currencies(cells)
    if column.kind == "code":
        errors = cells.text[cells.text.str.fullmatch(_ERRORS)]
        bad = cells.text[damaged(cells.text)]
        allowed = "a whole identifier: export the column as text"
        said = note(
            bad.index, HELD, "identifier cut short by a spreadsheet",
            column=column.name, found=bad, allowed=allowed,
        )  # fmt: skip
        shown = note(
            errors.index, HELD, "an error cell of a spreadsheet",
            column=column.name, found=errors, allowed="a value: mend the formula in the workbook",
        )  # fmt: skip
        return ReadColumn(form.prefix + cells.text, (said, shown))
    return ReadColumn(cells.text)


def _unmapped(column: Column, cells: Cells, pairs: dict[str, str]) -> ReadColumn:
    if "*" in pairs:
        default = pairs["*"]
        return ReadColumn(cells.text if default == "*" else cells.text.map(lambda _: default))
    allowed = f"a value named in [values.{column.name}]"
    reason = "a value the mapping does not name"
    about = {"column": column.name, "found": cells.text, "allowed": allowed}
    return ReadColumn(cells.text, (note(cells.text.index, HELD, reason, **about),))


def _currencies(cells: Cells) -> ReadColumn:
    def code(text: str) -> str:
        cell = numbers.split_cell(text)
        found = cell.currencies if cell else numbers.currencies_of(text)
        return found[0] if len(found) == 1 else text

    return ReadColumn(cells.text.map({t: code(t) for t in cells.text.unique()}).astype("str"))


def _numbers(column: Column, cells: Cells, form: Format) -> ReadColumn:
    split = {t: numbers.split_cell(t, percent=column.is_share) for t in cells.text.unique()}
    parts = cells.text.map(split)
    given = parts[parts.notna() & ~cells.exact]
    digits = given.map(lambda c: c.digits).astype("str")
    proof = numbers.Proof(form.decimal, "declared")
    if not form.decimal:
        proof = numbers.prove_decimal(digits.set_axis(cells.line[given.index]), form.thousands)
    if proof.refused:
        line = int(cells.line[digits.index[digits == proof.example][0]])
        fault = Fault(cells.file, line, column.name, proof.example, proof.why)
        return ReadColumn(cells.text, refused=fault)
    signs = {False: (proof.decimal, form.thousands), True: (".", ",")}
    text = pd.Series(
        [_number(c, *signs[bool(e)], form.scale) for c, e in zip(parts, cells.exact, strict=True)],
        index=cells.text.index,
        dtype="object",
    )
    bad = text.isna()
    allowed = f"a number with decimal sign {proof.decimal!r}"
    about = {"column": column.name, "found": cells.text[bad], "allowed": allowed}
    said = note(cells.text.index[bad], HELD, "unreadable value", **about)
    known = (Inference(f"{column.name}: decimal sign", proof.decimal, proof.why),)
    money = parts.map(lambda c: c.currencies if c else ())
    return ReadColumn(
        text.where(~bad, cells.text).astype("str"),
        (said,),
        known if len(digits) else (),
        None,
        money,
    )


def _number(cell: numbers.Cell | None, decimal: str, thousands: str, scale: float) -> str | None:
    value = numbers.value_of(cell.digits, decimal, thousands) if cell else None
    if cell is None or value is None or abs(value.adjusted()) > 30:
        return None
    if cell.percent:  # it says its scale itself
        value /= 100
    elif scale != 1.0:
        value *= Decimal(repr(scale))
    text = numbers.plain_text(-value if cell.negative else value)
    return None if text == "0" and value else text


def _dates(column: Column, cells: Cells, form: Format, mapping: ImportMapping) -> ReadColumn:
    proof = dates.DateProof(form.date, "declared")
    if not form.date:
        plain = cells.text[~cells.exact]
        proof = dates.prove_dates(plain.set_axis(cells.line[plain.index]))
    if not proof.format:
        line = int(cells.line[cells.text.index[cells.text == proof.example][0]])
        fault = Fault(cells.file, line, column.name, proof.example, proof.why)
        return ReadColumn(cells.text, refused=fault)
    names = tuple(mapping.month_names)
    iso = dates.proved_reader("iso")
    declared = dates.with_the_sign_of(form.date, cells.text[~cells.exact])
    read = dates.reader_of(declared, form.fill, names) if form.date else iso
    if not form.date and proof.format != "iso":
        read = dates.proved_reader(proof.format)
    serial = form.date in (dates.EXCEL, dates.EXCEL_1904)
    got = {t: read(t) for t in cells.text.unique()}
    exact = cells.exact & ~pd.Series(serial, index=cells.exact.index)
    got |= {t: iso(t) or got[t] for t in cells.text[exact].unique()}
    return _dated(column, cells, got, proof, mapping.timezone)


def _dated(
    column: Column,
    cells: Cells,
    got: dict[str, dates.Moment | None],
    proof: dates.DateProof,
    zone: str,
) -> ReadColumn:
    zoned = next((t for t, m in got.items() if m and m.zoned), None)
    if zoned is not None and not zone:
        line = int(cells.line[cells.text.index[cells.text == zoned][0]])
        allowed = f"a declared timezone, as the day differs by zone: '{AS_WRITTEN}' or a zone"
        fault = Fault(cells.file, line, column.name, zoned, allowed)
        return ReadColumn(cells.text, refused=fault)
    moment = column.kind == "moment"
    text = {t: _day(m, zone, moment) if m else t for t, m in got.items()}
    bad = cells.text.map({t: m is None for t, m in got.items()}).astype(bool)
    allowed = "a date" + (f" written {proof.format}" if proof.format != "iso" else " YYYY-MM-DD")
    found = {"column": column.name, "found": cells.text[bad], "allowed": allowed}
    said = note(cells.text.index[bad], HELD, "unreadable value", **found)
    known = Inference(f"{column.name}: order of dates", proof.format, proof.why)
    return ReadColumn(cells.text.map(text).astype("str"), (said,), (known,) if got else ())


def _day(moment: dates.Moment, zone: str, with_time: bool) -> str:
    at = moment.at
    if moment.zoned and zone and zone != AS_WRITTEN:
        with suppress(OverflowError):  # the first and last day there are; held by their range
            at = at.astimezone(ZoneInfo(zone))
    if with_time and moment.timed:
        return at.isoformat(" ", "seconds")
    return f"{at:%Y-%m-%d}" if at.year >= 1000 else at.date().isoformat()


_JOIN = "|"


@dataclass(frozen=True, eq=False)
class Filled:
    """Records of a file in our columns, as text, with what is said about some of them."""

    file: str
    rows: pd.DataFrame
    notes: tuple[pd.DataFrame, ...]
    inferred: tuple[Inference, ...]


def fill(
    source: Source, open_rows: pd.Index, table: Table, mapping: ImportMapping, file: str
) -> Filled:
    """Turn records into rows of our table.

    Parameters
    ----------
    source
        The records.
    open_rows
        Those that are still wanted; only these prove conventions.
    table, mapping, file
        Our table, the mapping, and the file's name.

    Raises
    ------
    LogFault
        With every column whose convention is neither declared nor proved.
    """
    source = replace(
        source,
        text=source.text.loc[open_rows],
        exact=source.exact.loc[open_rows],
        line=source.line.loc[open_rows],
    )
    read = {
        name: read_cells(
            table.column(name),
            Cells(file, source.text[theirs], source.exact[theirs], source.line),
            mapping,
        )
        for name, theirs in mapping.sources.items()
    }
    refused = [r.refused for r in read.values() if r.refused]
    if refused:
        raise LogFault(refused)
    rows = pd.DataFrame({name: r.text for name, r in read.items()}, index=open_rows)
    rows = rows.assign(**mapping.constants)
    if "launch_price" in rows and "launch_currency" not in rows and mapping.currency:
        rows = rows.assign(launch_currency=mapping.currency)
    notes = [n for r in read.values() for n in r.notes]
    if mapping.key.columns:
        rows[table.key], bad = _keys(source.text, mapping)
        notes.append(bad.assign(column=table.key))
    notes += _other_currency(rows, read, mapping.currency, file)
    aside = _outside(rows, table, mapping)
    order = [c.name for c in table.columns if c.name in rows]
    known = tuple(i for r in read.values() for i in r.inferred)
    return Filled(file, rows[order].astype("str"), (*aside, *notes), known)


def declared_words(code: str) -> str:
    """Say how the currency of amounts is declared that carry one."""
    return (
        f'a declared currency: they carry one; write currency = "{code}" at the top of the mapping'
    )


def _keys(text: pd.DataFrame, mapping: ImportMapping) -> tuple[pd.Series, pd.DataFrame]:
    """Join the key's columns; the sign between them is escaped, so that no two keys meet."""
    parts = text[mapping.key.columns]
    bad = (parts == "").any(axis=1) | parts.apply(damaged).any(axis=1)
    if len(mapping.key.columns) > 1:
        parts = parts.apply(lambda s: s.str.replace("%", "%25").str.replace(_JOIN, "%7C"))
    key = parts.iloc[:, 0]
    for name in mapping.key.columns[1:]:
        key = key + _JOIN + parts[name]
    shown = parts.loc[bad].apply(" | ".join, axis=1) if bad.any() else ""
    allowed = "a whole value in each of " + ", ".join(mapping.key.columns)
    said = note(text.index[bad], HELD, "the key cannot be built", found=shown, allowed=allowed)
    return mapping.key.prefix + key, said


def _other_currency(
    rows: pd.DataFrame, read: dict[str, ReadColumn], declared: str, file: str
) -> list[pd.DataFrame]:
    """Hold rows whose amount carries another currency than the row names.

    ``declared`` is the currency of tables that have no column for it.

    Raises ``LogFault`` if amounts carry a currency and nothing says which one they should.
    """
    out = []
    for name, column in read.items():
        if column.currencies is None:
            continue
        unit = "launch_currency" if name == "launch_price" else "currency"
        signs = column.currencies[column.currencies.map(len) > 0]
        codes = rows.loc[signs.index, unit] if unit in rows else pd.Series(declared, signs.index)
        pairs = zip(codes, signs, strict=True)
        odd = pd.Series([c != "" and c not in may for c, may in pairs], signs.index, dtype=bool)
        if len(signs) and unit not in rows and not declared:
            first = " or ".join(signs.iloc[0])
            raise LogFault([Fault(file, None, name, first, declared_words(signs.iloc[0][0]))])
        found = signs[odd].map(" or ".join)
        allowed = codes[odd] + f", as in {unit}"
        reason = "an amount in another currency"
        out.append(note(found.index, HELD, reason, column=name, found=found, allowed=allowed))
    return out


def _outside(rows: pd.DataFrame, table: Table, mapping: ImportMapping) -> list[pd.DataFrame]:
    """Set aside what lies outside the part of the file that is wanted."""
    part = mapping.filter
    if not part.column:
        return []
    text = rows[part.column]
    number = table.column(part.column).kind in NUMBERS
    values, lowest, highest = (
        _comparable(pd.Series(t, dtype="str"), number)
        for t in (text, [part.lowest], [part.highest])
    )
    # A limit that is not given is missing here, and nothing lies beyond a missing value.
    out = (values < lowest.iloc[0]) | (values > highest.iloc[0])
    allowed = f"{part.lowest or '...'} to {part.highest or '...'}"
    about = {"column": part.column, "found": text[out], "allowed": allowed}
    return [note(text.index[out], SET_ASIDE, part.reason, **about)]


def _comparable(text: pd.Series, number: bool) -> pd.Series:
    if number:
        return pd.to_numeric(text, errors="coerce").astype("float64")
    return pd.to_datetime(text.str.slice(0, 10), format="%Y-%m-%d", errors="coerce")
