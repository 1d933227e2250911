"""Check a mapping against the table it fills, naming everything wrong at once."""

from __future__ import annotations

import re
from pathlib import Path
from zoneinfo import available_timezones

import pandas as pd

from kit.logs.columns import Column, read_column
from kit.logs.faults import Fault, LogFault
from kit.logs.importing.dates import format_problem
from kit.logs.importing.mapping import ImportMapping, load_mapping
from kit.logs.tables import TABLES, Table

AS_WRITTEN = "as written"
NUMBERS, DATES = ("number", "count"), ("date", "moment")


def read_mapping(path: Path, table: str) -> ImportMapping:
    """Read and check a mapping for one table.

    Parameters
    ----------
    path
        The TOML file.
    table
        Name of the table to be filled.

    Raises
    ------
    LogFault
        With everything wrong in the mapping.
    """
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
        _, bad = read_column(column, pd.Series([text], dtype="str"))
        return [self._fault(where, text, column.allowed)] if bad.iloc[0] and text else []

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
