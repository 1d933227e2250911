"""A workspace and exports to attack it with; see ``test_attacks`` and ``test_oversized_files``."""

from __future__ import annotations

import io
import signal
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from repair_horizon.imports import ImportResult, import_file

MAPPING = """
[columns]
sale_id = "No"
sale_date = "Day"
gross_amount = "Price"
model_id = "Item"
[constants]
currency = "EUR"
"""
HEAD = "No,Day,Price,Item\n"
CATALOGUE = "model_id,family_id,device_class,launch_date\nm1,f1,phone,2020-01-01\n"
SALES = "sale_id,model_id,sale_date,gross_amount,currency\n"
Bring = Callable[..., ImportResult]


def small_workspace(tmp_path: Path) -> Path:
    """One model and one sale of it."""
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "catalogue.csv").write_text(CATALOGUE)
    (folder / "sales.csv").write_text(SALES + "s1,m1,2025-01-01,5,EUR\n")
    return folder


def bringing(tmp_path: Path) -> Bring:
    """Return a function to import a file of a name and a content into an empty workspace."""

    def bring(name: str, content: bytes | str, extra: str = "") -> ImportResult:
        file, work = tmp_path / name, tmp_path / "empty"
        if content != "":
            file.write_bytes(content.encode() if isinstance(content, str) else content)
        work.mkdir(exist_ok=True)
        (tmp_path / "map.toml").write_text(extra + MAPPING)
        return import_file(file, work, "sales", tmp_path / "map.toml")

    return bring


class Hung(BaseException):
    """Nothing came back in time; no ``except`` on the way may take it for a fault of the file."""


@contextmanager
def within(seconds: int, megabytes: float) -> Iterator[None]:
    """Fail where something hangs, or takes more memory than it should."""

    def hangs(*_: object) -> None:
        raise Hung(f"no answer within {seconds} s")

    before = signal.signal(signal.SIGALRM, hangs)
    signal.alarm(seconds)
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    assert peak < megabytes * 1e6, f"{peak / 1e6:.0f} MB"


def book(parts: dict[str, bytes | int]) -> bytes:
    """A workbook with one sheet; a number stands for that many megabytes of blanks."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    links = '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    whole: dict[str, bytes | int] = {
        "_rels/.rels": (
            f'{links}<Relationship Id="a" Type="{rel}/officeDocument" Target="xl/workbook.xml"/>'
            "</Relationships>"
        ).encode(),
        "xl/workbook.xml": (
            f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets><sheet name="S" sheetId="1" '
            'r:id="a"/></sheets></workbook>'
        ).encode(),
        "xl/_rels/workbook.xml.rels": (
            f'{links}<Relationship Id="a" Type="{rel}/worksheet" Target="worksheets/s.xml"/>'
            f'<Relationship Id="b" Type="{rel}/sharedStrings" Target="sharedStrings.xml"/>'
            "</Relationships>"
        ).encode(),
        **parts,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in whole.items():
            with archive.open(name, "w") as stream:
                for piece in [content] if isinstance(content, bytes) else [b" " * 10**6] * content:
                    stream.write(piece)
    return out.getvalue()


def sheet(*rows: str) -> bytes:
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    body = "".join(f"<row>{row}</row>" for row in rows)
    return f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>'.encode()


def texts(*words: str) -> bytes:
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    body = "".join(f"<si><t>{word}</t></si>" for word in words)
    return f'<sst xmlns="{main}">{body}</sst>'.encode()


def parquet(**columns: object) -> bytes:
    usual = {"No": ["1", "2"], "Day": ["2025-01-02"] * 2, "Price": [1.5, 2.0], "Item": ["m1", "m2"]}
    out = io.BytesIO()
    pq.write_table(pa.table({**usual, **columns}), out)
    return out.getvalue()
