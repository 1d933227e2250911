"""Settings, mappings and catalogues made up by the hundred: refused in words, or taken whole.

What is made is nearly right, so that most of it gets past the first check. The same every time;
the coverage-guided search is ``python -m tests.fuzz``.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repair_horizon.tables.inputs import CATALOGUE, CLASSES, TABLES
from repair_horizon.tables.settings import Channel, Duty, Settings, Tier

from .targets import ENDINGS, NAMES, SPLIT, import_an_export, read_a_catalogue, read_a_settings_file

OFTEN = settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6)

# Settings: every name there is, with a value of the right or of another kind.

NUMBERS = ("0", "1", "-1", "0.5", "1e9", "1e400", "nan", "inf", "-inf", "9" * 30, "0x7fffffff")
VALUES = st.one_of(
    st.sampled_from(NUMBERS),
    st.sampled_from(['""', '"EUR"', '"2024-02-29"', '"2023-02-29"', "true", "2024-01-01", "[]"]),
    st.sampled_from(['["A", "B"]', '["A", "A"]', "[1]", "[[]]", "{}", '{name = "x"}']),
    TEXT.map(json.dumps),
)


def _names(section: Any) -> list[str]:
    return [f.name for f in dataclasses.fields(section)]


SECTIONS = {
    f.name: _names(getattr(Settings(), f.name))
    for f in dataclasses.fields(Settings)
    if dataclasses.is_dataclass(getattr(Settings(), f.name))
}
LISTS = {"channels": _names(Channel), "purchase.premium": _names(Tier)}
LISTS["purchase.duties"] = _names(Duty)


@st.composite
def toml_settings(draw: st.DrawFn) -> str:
    """A file of settings: some at the top, some in sections, in lists and for one class."""
    top = draw(st.dictionaries(st.sampled_from(_names(Settings)), VALUES, max_size=3))
    lines = [f"{k} = {v}" for k, v in top.items()]
    places = list(SECTIONS.items())
    kinds = (*CLASSES, "car")
    places += [(f"by_class.{c}.{n}", names) for c in kinds for n, names in SECTIONS.items()]
    places += [(f"[{n}]", names) for n, names in LISTS.items()]
    for place, names in draw(st.lists(st.sampled_from(places), max_size=4, unique_by=str)):
        inside = draw(st.dictionaries(st.sampled_from([*names, "nowhere"]), VALUES, max_size=4))
        lines += [f"[{place}]", *(f"{k} = {v}" for k, v in inside.items())]
    return "\n".join(lines) + "\n"


@OFTEN
@given(toml_settings())
def test_settings_are_refused_in_words_or_finite_for_every_class(tmp_path: Path, text: str) -> None:
    read_a_settings_file(text.encode(), tmp_path)


# Catalogues: the right columns, mostly, and cells of every kind.

CELLS = st.one_of(
    st.sampled_from(["m1", "m2", "f1", "phone", "EUR", "", "2020-01-01", "500", "../x", "CON"]),
    st.sampled_from(
        ["0001-01-01", "9999-12-31", "2023-02-29", "1e400", "nan", "-0", "\u2028", "é"]
    ),
    TEXT,
)


@st.composite
def catalogues(draw: st.DrawFn) -> bytes:
    """A catalogue written by the standard library, quoted where it must be."""
    optional = [c.name for c in CATALOGUE.columns if not c.required]
    names = [*CATALOGUE.required, *draw(st.lists(st.sampled_from(optional), unique=True))]
    names += draw(st.lists(st.sampled_from(["x_note", "line", "colour", ""]), max_size=1))
    usual = {"model_id": "m1", "family_id": "f1", "device_class": "phone"}
    usual["launch_date"] = "2020-01-01"
    rows = draw(st.lists(st.lists(CELLS, min_size=len(names), max_size=len(names)), max_size=5))
    keep = draw(st.booleans())
    if keep:
        rows = [[usual.get(n, c) for n, c in zip(names, row, strict=True)] for row in rows]
    out = io.StringIO(newline="")
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    csv.writer(out, lineterminator=end).writerows([names, *rows])
    return out.getvalue().encode()


@settings(OFTEN, max_examples=40)
@given(catalogues())
def test_catalogues_are_refused_in_words_or_every_row_of_every_log_adds_up(
    tmp_path: Path, content: bytes
) -> None:
    read_a_catalogue(content, tmp_path)


# Mappings: a table's columns from a file's, with everything else a mapping may say.

THEIRS = ("No", "Day", "Price", "Item", "a b", "unit_price", "part_code")
EXTRAS = (
    *('decimal = ","', 'thousands = "."', 'date_format = "day.month.year"', "skip_rows = 1"),
    *('separator = ";"', 'hash = ["Item"]', 'hash = ["No", "No"]', 'timezone = "Europe/Berlin"'),
    *('encoding = "cp1252"', 'totals = ["total"]', 'currency = "EUR"', "max_megabytes = 0.001"),
    *('date_format = "excel-serial"', 'date_format = "%d%m%y"', 'decimal = "."'),
)
TAILS = (
    '[key]\ncolumns = ["No"]\nprefix = "p-"\n',
    '[key]\ncolumns = ["No", "Item"]\n',
    '[unpivot]\ncolumns = ["Price", "Item"]\nname_to = "part_code"\nvalue_to = "unit_price"\n',
    '[unpivot]\ncolumns = ["Price", "Price"]\nname_to = "grade"\nvalue_to = "gross_amount"\n',
    '[values.model_id]\nm1 = "m2"\n"*" = "*"\n',
    '[formats.sale_date]\ndate = "year"\nfill = "07-01"\n',
    "[formats.gross_amount]\nscale = 1e12\n",
    '[filter]\ncolumn = "sale_date"\nlowest = "2024-01-01"\nreason = "old"\n',
    '[[set_aside]]\ncolumn = "Item"\ncontains = ["lot", "("]\nreason = "a lot"\n',
    '[[set_aside]]\ncolumn = "No"\nequals = ""\nreason = "no number"\n',
)
FOREIGN = st.one_of(
    st.sampled_from(["1", "2", "13/01/2025", "03/04/2025", "2025-01-02", "9.50", "1.234,5 €", ""]),
    st.sampled_from(
        ["m1", "lot", "Total", "3.5E+14", "US $ 5", "(5)", "45750", "2025-01-02T23:00Z"]
    ),
    TEXT,
)


@st.composite
def imports(draw: st.DrawFn) -> bytes:
    """A table, a kind of text file, a mapping and an export, as the fuzzer has them."""
    table = draw(st.sampled_from(["sales", "part_quotes", "fx_rates", "stock"]))
    columns = [c.name for c in TABLES[table].columns]
    required = list(TABLES[table].required)
    chosen = [*required, *draw(st.lists(st.sampled_from(columns), max_size=2))]
    lines = draw(st.lists(st.sampled_from(EXTRAS), max_size=2, unique_by=lambda e: e.split()[0]))
    lines.append("[columns]")
    lines += [f"{c} = {json.dumps(draw(st.sampled_from(THEIRS)))}" for c in dict.fromkeys(chosen)]
    tails = draw(st.lists(st.sampled_from(TAILS), max_size=2, unique_by=lambda t: t.split()[0]))
    mapping = "\n".join(lines) + "\n" + "".join(tails)
    rows = draw(st.lists(st.lists(FOREIGN, min_size=7, max_size=7), max_size=4))
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=draw(st.sampled_from(",;\t"))).writerows([THEIRS, *rows])
    kind = ENDINGS.index(draw(st.sampled_from([".csv", ".tsv"])))
    head = bytes([NAMES.index(table), kind])
    return head + mapping.encode() + SPLIT + out.getvalue().encode()


@settings(OFTEN, max_examples=60)
@given(imports())
def test_imports_are_refused_in_words_or_every_record_is_accounted_for(
    tmp_path: Path, data: bytes
) -> None:
    import_an_export(data, tmp_path)


@pytest.mark.parametrize("name", ["settings", "catalogue", "import"])
def test_what_is_made_up_is_not_all_refused(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else nothing behind the first check would be tried."""
    from . import targets

    refused: list[object] = []
    monkeypatch.setattr(targets, "said", refused.append)
    made = {"settings": toml_settings().map(str.encode), "catalogue": catalogues()}
    tried = []

    @settings(OFTEN, max_examples=25, database=None)
    @given({**made, "import": imports()}[name])
    def every(data: bytes) -> None:
        tried.append(data)
        targets.TARGETS[name](data, tmp_path)

    every()
    assert 0 < len(refused) < len(tried)
