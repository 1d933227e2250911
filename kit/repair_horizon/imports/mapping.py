"""The mapping: how the columns of somebody else's export become columns of one of our tables.

A mapping is a TOML file. Each field below is the declaration of one thing it may say; whatever it
leaves out is proved from the file's own values or refused, never guessed. A mapping for an export
with semicolons, decimal commas and German dates::

    table = "sales"
    separator = ";"
    decimal = ","
    date_format = "day.month.year"

    [columns]                 # our column = their column
    sale_date = "Verkauft am"
    gross_amount = "Preis"
    model_id = "Artikel"

    [constants]
    currency = "EUR"

    [values.model_id]         # their value = our value; a value not named here holds its row
    "Tavora 3 128GB" = "tavora-3"

    [key]
    columns = ["Beleg"]
    prefix = "shop-"

It is checked against the table it fills, naming everything wrong at once.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from zoneinfo import available_timezones

from repair_horizon.imports.dates import format_problem
from repair_horizon.tables.columns import Column, read_column
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES, Table
from repair_horizon.tables.settings import as_dict, build, read_toml

ENCODINGS = (
    *("utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1250", "cp1251", "cp1252", "cp1254"),
    *("iso-8859-1", "iso-8859-2", "iso-8859-15", "mac-roman"),
    *("shift_jis", "gb18030", "big5", "euc_kr"),
)
DECIMALS, THOUSANDS = (".", ","), (".", ",", " ", "'")


def _about(meaning: str, choices: Any = None, limits: Any = None) -> dict[str, Any]:
    return {"meaning": meaning, "choices": choices, "limits": limits}


def _m(default: Any, meaning: str, choices: Any = None, limits: Any = None) -> Any:
    return field(default=default, metadata=_about(meaning, choices, limits))


@dataclass(frozen=True)
class KeyRule:
    """How our key is built where the export has no single column for it."""

    columns: list[str] = field(
        default_factory=list, metadata=_about("their columns whose values make the key")
    )
    prefix: str = _m("", "text put in front, so that keys of two exports cannot meet")


@dataclass(frozen=True)
class AsideRule:
    """Rows that are not wanted, by a value in one of their columns."""

    column: str = _m("", "their column")
    equals: str | None = _m(None, "the value")
    one_of: list[str] = field(default_factory=list, metadata=_about("any of these values"))
    contains: list[str] = field(
        default_factory=list, metadata=_about("any of these words within the text, in either case")
    )
    reason: str = _m("", "why such rows are not wanted; printed in the ledger")


@dataclass(frozen=True)
class Unpivot:
    """Several columns that are one column of ours, side by side."""

    columns: list[str] = field(default_factory=list, metadata=_about("their columns"))
    name_to: str = _m("", "our column that takes the column's name")
    value_to: str = _m("", "our column that takes the value")


@dataclass(frozen=True)
class Filter:
    """The part of the file that is wanted, by one of our columns."""

    column: str = _m("", "our column, a date or a number")
    lowest: str = _m("", "first date or smallest number wanted, as text")
    highest: str = _m("", "last date or largest number wanted, as text")
    reason: str = _m("", "why the rest is not wanted; printed in the ledger")


@dataclass(frozen=True)
class Format:
    """How one column writes its values; signs and orders left empty are to be proved."""

    decimal: str = _m("", "decimal sign", DECIMALS)
    thousands: str = _m("", "thousands sign", THOUSANDS)
    date: str = _m("", "order of a date, for example day.month.year or %d.%m.%Y")
    fill: str = _m("", "what a date without day or month is completed by: 01, or 07-01")
    prefix: str = _m("", "text put in front of an identifier")
    scale: float = _m(1.0, "numbers are multiplied by this", None, (1e-12, 1e12))


@dataclass(frozen=True)
class ImportMapping:
    """Everything a mapping may say."""

    table: str = _m("", "our table")
    encoding: str = _m("", "character encoding; proved if empty", ENCODINGS)
    separator: str = _m("", "sign between fields of a text file; proved if empty")
    sheet: str = _m("", "sheet of a workbook; its only one if empty")
    skip_rows: int = _m(0, "lines above the header", None, (0, 1000))
    decimal: str = _m("", "decimal sign of every number column", DECIMALS)
    thousands: str = _m("", "thousands sign of every number column", THOUSANDS)
    date_format: str = _m("", "order of the dates of every date column")
    currency: str = _m(
        "",
        "currency of amounts whose table has no column for it; one that is not the settlement "
        "currency is converted at the day's rate in fx_rates.csv",
    )
    timezone: str = _m("", "zone whose day counts for times with an offset, or 'as written'")
    month_names: list[str] = field(
        default_factory=list, metadata=_about("the twelve names of the months, if not English")
    )
    totals: list[str] = field(default_factory=list, metadata=_about("first words of totals rows"))
    hash: list[str] = field(
        default_factory=list,
        metadata=_about("their columns stored only as a salted hash (serial numbers)"),
    )
    max_megabytes: float = _m(512.0, "largest unpacked size accepted", None, (0.001, 16384.0))
    columns: dict[str, Any] = field(
        default_factory=dict, metadata=_about("our column = their column")
    )
    constants: dict[str, Any] = field(
        default_factory=dict, metadata=_about("our column = one value for every row")
    )
    values: dict[str, Any] = field(
        default_factory=dict, metadata=_about("per column of ours: their value = our value")
    )
    formats: dict[str, Any] = field(
        default_factory=dict,
        metadata=_about("per column of ours: its own signs, order, fill, scale"),
    )
    key: KeyRule = KeyRule()
    set_aside: list[AsideRule] = field(
        default_factory=list, metadata=_about("rows that are not wanted")
    )
    unpivot: Unpivot = Unpivot()
    filter: Filter = Filter()

    def format(self, column: str) -> Format:
        """Return how one of our columns is written: its own format, else the file's."""
        own: Format = self.formats.get(column, Format())
        return replace(
            own,
            decimal=own.decimal or self.decimal,
            thousands=own.thousands or self.thousands,
            date=own.date or self.date_format,
        )

    @property
    def sources(self) -> dict[str, str]:
        """Our column = the source column it is read from, unpivoted ones included."""
        names = {n: n for n in (self.unpivot.name_to, self.unpivot.value_to) if n}
        return {**self.columns, **names}

    @property
    def needed(self) -> list[str]:
        """Their columns that are read; every other column of the file is dropped unread."""
        names = [*self.columns.values(), *self.key.columns, *self.unpivot.columns, *self.hash]
        names += [rule.column for rule in self.set_aside]
        made = (self.unpivot.name_to, self.unpivot.value_to)
        return [n for n in dict.fromkeys(names) if n not in made]


def load_mapping(path: Path) -> tuple[ImportMapping, list[Fault]]:
    """Read a mapping as it is written, with every name or kind of value that is wrong.

    Raises ``LogFault`` if the file cannot be read as TOML.
    """
    raw = read_toml(path, "a mapping: TOML in UTF-8")
    faults: list[Fault] = []
    mapping = build(ImportMapping, {}, raw, ("", faults))
    mapping = _without_nones(mapping)
    formats = {
        name: _without_nones(build(Format, {}, value, (f"formats.{name}.", faults)))
        for name, value in mapping.formats.items()
    }
    constants = {name: _as_text(value) for name, value in mapping.constants.items()}
    mapping = replace(mapping, formats=formats, constants=constants)
    return mapping, [replace(f, file=path.name) for f in faults]


def table_of(path: Path) -> str:
    """Return the table a mapping names.

    Raises ``LogFault`` if it names none, or cannot be read.
    """
    table = load_mapping(path)[0].table
    if not table:
        allowed = 'a line such as table = "sales", or --table T'
        raise LogFault([Fault(path.name, None, "table", "no table", allowed)])
    return table


def _without_nones(section: Any) -> Any:
    """Put the default back where a value was refused, so that the other checks can go on."""
    start = as_dict(type(section)())
    gone = {n: start[n] for n, v in as_dict(section).items() if v is None}
    return replace(section, **gone)


def _as_text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.date):
        return value.isoformat()[:10]
    return str(value)


AS_WRITTEN = "as written"
NUMBERS, DATES = ("number", "count"), ("date", "moment")


def read_mapping(path: Path, table: str) -> ImportMapping:
    """Read and check a mapping for a table; the ``LogFault`` has everything wrong in it."""
    if table not in TABLES:
        raise LogFault([Fault("import", None, "table", table, "one of " + ", ".join(TABLES))])
    mapping, faults = load_mapping(path)
    if mapping.table and mapping.table != table:
        faults.append(Fault(path.name, None, "table", mapping.table, table))
    found = _Check(path.name, TABLES[table], mapping)
    for part in (found.columns, found.values, found.formats, found.key, found.rules, found.rest):
        faults += part()
    if faults:
        raise LogFault(faults)
    return mapping


class _Check:
    """The checks of one mapping; each returns the faults of one part."""

    def __init__(self, file: str, table: Table, mapping: ImportMapping) -> None:
        self.file, self.table, self.mapping = file, table, mapping
        self.known = {c.name: c for c in table.columns}

    def _fault(self, where: str, found: object, allowed: str) -> Fault:
        return Fault(self.file, None, where, str(found), allowed)

    def _unknown(self, section: str, names: object) -> list[Fault]:
        allowed = f"a column of {self.table.name}: " + ", ".join(self.known)
        return [
            self._fault(f"{section}.{n}", n, allowed)
            for n in names  # type: ignore[attr-defined]
            if n not in self.known
        ]

    def columns(self) -> list[Fault]:
        """Every required column comes from one place, and only from one."""
        m, made = self.mapping, [self.mapping.unpivot.name_to, self.mapping.unpivot.value_to]
        made += [self.table.key] if m.key.columns else []
        out = self._unknown("columns", m.columns) + self._unknown("constants", m.constants)
        for name, source in m.columns.items():
            if not isinstance(source, str) or not source:
                out.append(self._fault(f"columns.{name}", source, "the name of their column"))
        given = [*m.columns, *m.constants, *[n for n in made if n]]
        for name in sorted({n for n in given if given.count(n) > 1}):
            out.append(self._fault(name, "filled twice", "one of [columns], [constants], [key]"))
        for name in self.table.required:
            if name not in given:
                out.append(self._fault(name, "not filled", "a line in [columns] or [constants]"))
        for name, text in m.constants.items():
            out += self._value(f"constants.{name}", self.known.get(name), text)
        return out

    def _value(self, where: str, column: Column | None, text: object) -> list[Fault]:
        """Check one value of ours, by the rule of its column."""
        if column is None:
            return []
        if not isinstance(text, str):
            return [self._fault(where, text, "text in quotes")]
        _, bad = read_column(column, [text])
        return [self._fault(where, text, column.allowed)] if bad[0] and text else []

    def values(self) -> list[Fault]:
        """Value maps belong to mapped columns and lead to allowed values."""
        out = self._unknown("values", self.mapping.values)
        for name, pairs in self.mapping.values.items():
            if name in self.known and name not in self.mapping.sources:
                out.append(self._fault(f"values.{name}", name, "a column named in [columns]"))
            if not isinstance(pairs, dict):
                out.append(self._fault(f"values.{name}", pairs, "lines: their value = our value"))
                continue
            for theirs, ours in pairs.items():
                if not (theirs == "*" and ours == "*"):
                    out += self._value(f'values.{name}."{theirs}"', self.known.get(name), ours)
        return out

    def formats(self) -> list[Fault]:
        """Signs and scale belong to number columns, orders to date columns."""
        out = self._unknown("formats", self.mapping.formats)
        for name, form in self.mapping.formats.items():
            kind = self.known[name].kind if name in self.known else ""
            number = form.decimal or form.thousands or form.scale != 1.0
            if kind and number and kind not in NUMBERS:
                out.append(self._fault(f"formats.{name}", name, "a column of numbers"))
            if kind and (form.date or form.fill) and kind not in DATES:
                out.append(self._fault(f"formats.{name}", name, "a column of dates"))
            if kind and form.prefix and kind != "code":
                out.append(self._fault(f"formats.{name}", name, "a column of identifiers"))
        for name in {*self.mapping.formats, *self.mapping.sources} & set(self.known):
            form = self.mapping.format(name)
            problem = format_problem(form.date, form.fill)
            if problem and self.known[name].kind in DATES:
                out.append(self._fault(f"formats.{name}.date", form.date, problem))
            if form.decimal and form.decimal == form.thousands:
                out.append(self._fault(f"formats.{name}", form.decimal, "two different signs"))
        return out

    def key(self) -> list[Fault]:
        """Refuse a key for a table that has none."""
        rule = self.mapping.key
        if rule.columns and not self.table.key:
            return [self._fault("key", rule.columns, f"nothing: {self.table.name} has no key")]
        if rule.prefix and not rule.columns:
            return [self._fault("key.columns", "nothing", "their columns that make the key")]
        return self._twice("key.columns", rule.columns)

    def _twice(self, where: str, names: list[str]) -> list[Fault]:
        """Refuse a list that names one of their columns twice, or nothing."""
        twice = sorted({n for n in names if n and names.count(n) > 1})
        out = [self._fault(where, f"{n} twice", "each column once") for n in twice]
        empty = [self._fault(where, n, "names of their columns") for n in names if not n]
        return out + empty[:1]

    def rules(self) -> list[Fault]:
        """Rules that leave rows out say which and why."""
        out = []
        for i, rule in enumerate(self.mapping.set_aside, 1):
            ways = (rule.equals is not None) + bool(rule.one_of) + bool(rule.contains)
            if not rule.column or not rule.reason or ways != 1:
                allowed = "column, reason and one of equals, one_of, contains"
                out.append(self._fault(f"set_aside[{i}]", rule.column, allowed))
        part = self.mapping.filter
        if part.column:
            out += self._unknown("filter", [part.column])
            for where in ("lowest", "highest"):
                text = getattr(part, where)
                out += self._value(f"filter.{where}", self.known.get(part.column), text)
            if not part.reason or not (part.lowest or part.highest):
                out.append(self._fault("filter", part.column, "reason, and lowest or highest"))
            if part.column in self.known and self.known[part.column].kind not in NUMBERS + DATES:
                out.append(self._fault("filter.column", part.column, "a date or a number"))
        return out

    def _reshaping(self) -> list[Fault]:
        """Columns side by side become rows once each, and under names no other column has."""
        m = self.mapping
        made = [n for n in (m.unpivot.name_to, m.unpivot.value_to) if n]
        out = self._twice("unpivot.columns", m.unpivot.columns) + self._twice("hash", m.hash)
        for where, names in (("columns", list(m.columns.values())), ("hash", m.hash)):
            both = [n for n in m.unpivot.columns if n in names]
            out += [self._fault(where, n, "a column not named in unpivot.columns") for n in both]
            clash = [n for n in made if n in names]
            out += [self._fault(where, n, "a column of the file, none made here") for n in clash]
        clash = [n for n in made if n in m.unpivot.columns]
        allowed = "columns called otherwise than name_to and value_to; rename them in the file"
        return out + [self._fault("unpivot.columns", n, allowed) for n in clash]

    def rest(self) -> list[Fault]:
        """Check the unpivot, the zone, the separator and the names of the months."""
        m, out = self.mapping, []
        parts = (m.unpivot.columns, m.unpivot.name_to, m.unpivot.value_to)
        if any(parts) and not all(parts):
            out.append(self._fault("unpivot", "a part", "columns, name_to and value_to"))
        out += self._unknown("unpivot", [n for n in parts[1:] if n]) + self._reshaping()
        if m.timezone and m.timezone != AS_WRITTEN and m.timezone not in available_timezones():
            allowed = f"'{AS_WRITTEN}' or a zone such as Europe/Berlin"
            out.append(self._fault("timezone", m.timezone, allowed))
        if len(m.separator) > 1 or m.separator in ('"', "\n", "\r"):
            out.append(self._fault("separator", m.separator, "one sign"))
        if m.currency and not re.fullmatch("[A-Z]{3}", m.currency):
            out.append(self._fault("currency", m.currency, "an ISO 4217 code such as EUR"))
        if len(m.month_names) not in (0, 12):
            out.append(self._fault("month_names", f"{len(m.month_names)} names", "twelve names"))
        return out
