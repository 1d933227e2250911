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
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from kit.logs.faults import Fault
from kit.logs.sections import as_dict, build
from kit.logs.toml_files import read_toml

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
    currency: str = _m("", "currency of amounts whose table has no column for it")
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

    Raises
    ------
    LogFault
        If the file cannot be read as TOML.
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
