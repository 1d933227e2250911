"""What is tried, and what must hold whatever the bytes say.

Each target takes bytes and a folder of its own. It raises an ``AssertionError`` where a row is
lost, counted twice or a file is touched that should not be, and lets every exception but
``LogFault`` through: a traceback is a fault too. A time limit per input is the runner's.
"""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import tomllib
import zipfile
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict
from pathlib import Path

from repair_horizon.cli import main
from repair_horizon.imports import ImportResult, import_answers, import_file
from repair_horizon.imports.draft import draft_mapping
from repair_horizon.logs import LogFault, read_logs, read_settings
from repair_horizon.logs.reading import TableRead, read_table
from repair_horizon.tables.inputs import CLASSES, TABLES

Target = Callable[[bytes, Path], None]
NAMES = tuple(TABLES)
ENDINGS = (".csv", ".jsonl", ".tsv", ".xlsx", ".parquet", ".csv.gz")
SPLIT = b"\n# ----\n"
CATALOGUE = (
    b"model_id,family_id,device_class,launch_date,launch_price\n"
    b"m1,f1,phone,2020-01-01,500\nm2,f2,tablet,2021-01-01,\n"
)
SALES = (
    b"sale_id,model_id,sale_date,gross_amount,currency\n"
    b"s1,m1,2025-01-01,300,EUR\ns2,m2,2025-01-02,250,EUR\n"
)

BOOK_MAPPING = (
    b'[columns]\nsale_id = "No"\nsale_date = "Day"\ngross_amount = "Price"\nmodel_id = "Item"\n'
    b'[constants]\ncurrency = "EUR"\n'
)
_OPEN = "http://schemas.openxmlformats.org"
_REL = f"{_OPEN}/officeDocument/2006/relationships"
_LINKS = f'<Relationships xmlns="{_OPEN}/package/2006/relationships">'
_FRAME: dict[str, bytes] = {
    "_rels/.rels": (
        f'{_LINKS}<Relationship Id="r1" Type="{_REL}/officeDocument" Target="xl/workbook.xml"/>'
        "</Relationships>"
    ).encode(),
    "xl/workbook.xml": (
        f'<workbook xmlns="{_OPEN}/spreadsheetml/2006/main" xmlns:r="{_REL}"><sheets>'
        '<sheet name="Data" sheetId="1" r:id="r1"/></sheets></workbook>'
    ).encode(),
    "xl/_rels/workbook.xml.rels": (
        f'{_LINKS}<Relationship Id="r1" Type="{_REL}/worksheet" Target="worksheets/s1.xml"/>'
        f'<Relationship Id="r2" Type="{_REL}/sharedStrings" Target="sharedStrings.xml"/>'
        f'<Relationship Id="r3" Type="{_REL}/styles" Target="styles.xml"/></Relationships>'
    ).encode(),
}


def read_a_log(data: bytes, folder: Path) -> None:
    """One file of one table: its rows are the typed and the held ones, each line once."""
    name, content = _table_of(data)
    path = folder / f"{name}.csv"
    path.write_bytes(content)
    try:
        got = read_table(path, TABLES[name])
    except LogFault as error:
        said(error)
        return
    assert got.read == _records(content), "rows read are not the file's records"
    assert len(got.rows) + len(got.held) == got.read, "rows are lost"
    lines = [*got.rows["line"], *got.held["line"]]
    assert len(set(lines)) == len(lines), "a row stands twice"
    _as_written(content, name, got)


def _as_written(content: bytes, name: str, got: TableRead) -> None:
    """Texts of the rows used are the file's own, on the line the row begins on."""
    reader = csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""))
    records, last = {}, 0
    for record in reader:
        if record:
            records[last + 1] = record
        last = reader.line_num
    header = next(iter(records.values()))
    for column in TABLES[name].columns:
        if column.kind in ("code", "text") and column.name in header:
            at = header.index(column.name)
            pairs = zip(got.rows["line"], got.rows[column.name], strict=True)
            for line, found in pairs:
                assert records[line][at].strip() == found, "a text was changed"


def read_a_workspace(data: bytes, folder: Path) -> None:
    """One file of a workspace: the ledger adds up for every table."""
    name, content = _table_of(data)
    for old in folder.glob("*.csv"):
        old.unlink()
    (folder / "catalogue.csv").write_bytes(CATALOGUE)
    (folder / "sales.csv").write_bytes(SALES)
    (folder / f"{name}.csv").write_bytes(content)
    try:
        logs = read_logs(folder)
    except LogFault as error:
        said(error)
        return
    counts = logs.ledger.counts().set_index("table")
    for table, row in counts.iterrows():
        rows = logs.tables[table]
        if "basis" in rows:  # the class's own rows stand in where the file has none
            rows = rows[rows["basis"] == "own"]
        assert row["used"] == len(rows), f"{table} does not add up"
        assert row["used"] + row["set_aside"] + row["held"] == row["read"]
        assert (row >= 0).all(), f"{table} counts below zero"
    assert counts.loc[name, "read"] == _records(content), "rows read are not the file's records"
    where = logs.ledger.exceptions[["table", "line"]]
    assert not where.duplicated().any(), "a row stands twice in the ledger"


def read_a_catalogue(data: bytes, folder: Path) -> None:
    """The same with the catalogue, on which every other table leans."""
    read_a_workspace(bytes([NAMES.index("catalogue")]) + data, folder)


def read_a_settings_file(data: bytes, folder: Path) -> None:
    """Settings are refused, or every number in them is finite, for every kind of device."""
    (folder / "settings.toml").write_bytes(data)
    try:
        settings = read_settings(folder)
    except LogFault as error:
        said(error)
        return
    for kind in CLASSES:
        _finite(asdict(settings.for_class(kind)))


def import_an_export(data: bytes, folder: Path) -> None:
    """A mapping and a file: refused with nothing written, or every record accounted for.

    What was added is read back without a fault, and the same import again adds nothing. A draft
    for the file is TOML, or refused.
    """
    table = NAMES[data[0] % len(NAMES)] if data else NAMES[0]
    ending = ENDINGS[data[1] % len(ENDINGS)] if len(data) > 1 else ENDINGS[0]
    mapping, _, content = data[2:].partition(SPLIT)
    file, recipe, work = folder / f"export{ending}", folder / "map.toml", folder / "work"
    file.write_bytes(content)
    recipe.write_bytes(mapping)
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir()
    try:
        assert tomllib.loads(draft_mapping(file).text)["table"] in NAMES
    except LogFault as error:
        said(error)
    try:
        got = import_file(file, work, table, recipe)
    except LogFault as error:
        said(error)
        assert {p.name for p in work.iterdir()} <= {"import_salt"}, "a refused import wrote"
        return
    assert adds_up(got), "records are lost"
    stored = work / f"{table}.csv"
    assert stored.exists() == bool(got.added)
    if got.added:
        back = read_table(stored, TABLES[table])
        assert (back.read, len(back.held)) == (got.added, 0), "a row added cannot be read back"
    again = import_file(file, work, table, recipe)
    assert adds_up(again)
    assert again.added == 0, "the same export added a row twice"
    assert again.rows_in_file == got.rows_in_file


def import_a_workbook(data: bytes, folder: Path) -> None:
    """The parts of a workbook as they are: sheet, texts and styles, in a whole archive."""
    sheet, _, rest = data.partition(SPLIT)
    texts, _, styles = rest.partition(SPLIT)
    parts = {"worksheets/s1.xml": sheet, "sharedStrings.xml": texts, "styles.xml": styles}
    head = bytes([NAMES.index("sales"), ENDINGS.index(".xlsx")]) + BOOK_MAPPING + SPLIT
    import_an_export(head + packed(parts), folder)


def import_answers_back(data: bytes, folder: Path) -> None:
    """A partner's answers, as a file or pasted lines: refused, or every line read accounted for.

    The same file again adds nothing, and what was added reads back.
    """
    file, work = folder / "answers.txt", folder / "work"
    file.write_bytes(data)
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir()
    try:
        got = import_answers(file, work)
    except LogFault as error:
        said(error)
        assert not (work / "answers.csv").exists(), "refused answers were written"
        return
    assert adds_up(got), "answers are lost"
    assert (work / "answers.csv").exists() == bool(got.added)
    if got.added:
        back = read_table(work / "answers.csv", TABLES["answers"])
        assert (back.read, len(back.held)) == (got.added, 0), "an answer cannot be read back"
    again = import_answers(file, work)
    assert adds_up(again)
    assert again.added == 0, "the same answer was added twice"


ASKED = (
    *("--model", "--class", "--fault", "--launch", "--launch-price", "--asking", "--resale"),
    *("--monthly-fall", "--part", "--as-is", "--state", "--grade", "--hours", "--success"),
    *("--manufacturer-quote", "--month"),
)


def ask_about_a_unit(data: bytes, folder: Path) -> None:
    """Options of ``ask``, a byte and a text a line: an answer in finite figures, or a message."""
    text = data.decode("utf-8", "replace").replace("\0", "")
    words = ["ask", "--format", "json"]
    for line in text.split("\n")[:12]:
        words += [ASKED[ord(line[0]) % len(ASKED)] + "=" + line[1:]] if line else []
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            status = main(words)
        except SystemExit as ended:
            status = ended.code if isinstance(ended.code, int) else 1
    assert status in (0, 2), f"ended with {status}"
    assert "Traceback" not in err.getvalue()
    assert not set("\x1b\x9b\u202e") & set(err.getvalue()), "acts on the terminal"
    if status:
        assert err.getvalue().strip(), "refused without a word"
        return
    told = json.loads(out.getvalue(), parse_constant=_no_constant)
    assert told["max_bid"] >= 0
    assert told["walk_away"] >= told["first_offer"]


def _no_constant(name: str) -> None:
    raise AssertionError(f"{name} is told for a figure")


def packed(parts: dict[str, bytes]) -> bytes:
    """Make a workbook of the parts given, with what has to be around them."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in {**_FRAME, **{f"xl/{n}": c for n, c in parts.items()}}.items():
            book.writestr(name, content)
    return out.getvalue()


def adds_up(result: ImportResult) -> bool:
    """Whether an import's counts are its records, each once."""
    parts = result.added + result.already_there + result.set_aside + result.held
    return result.rows_in_file == parts == result.added + len(result.ledger)


def said(error: LogFault) -> None:
    """A refusal names a file and what is allowed, and can be printed."""
    assert error.faults
    for fault in error.faults:
        assert fault.file
        assert fault.allowed
    str(error).encode("utf-8")


def _table_of(data: bytes) -> tuple[str, bytes]:
    return (NAMES[data[0] % len(NAMES)], data[1:]) if data else (NAMES[0], b"")


def _records(content: bytes) -> int:
    """Records below the header, by the standard library's reader and nobody else's."""
    text, limit = content.decode("utf-8-sig"), csv.field_size_limit(1 << 30)
    try:
        return sum(bool(record) for record in csv.reader(io.StringIO(text, newline=""))) - 1
    finally:
        csv.field_size_limit(limit)


def _finite(value: object) -> None:
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for one in value:
            _finite(one)
    elif isinstance(value, float):
        assert math.isfinite(value), "a setting is not finite"


TARGETS: dict[str, Target] = {
    "log": read_a_log,
    "workspace": read_a_workspace,
    "catalogue": read_a_catalogue,
    "settings": read_a_settings_file,
    "import": import_an_export,
    "workbook": import_a_workbook,
    "answers": import_answers_back,
    "ask": ask_about_a_unit,
}
