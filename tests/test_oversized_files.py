"""Files that unpack to gigabytes, have no end, or are larger than the memory.

Each is one message, or rows held, before the memory fills. Formats: RFC 1952 (gzip members may
follow each other), ECMA-376 (workbooks).
"""

from __future__ import annotations

import gzip
import io
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hostile_files import (
    HEAD,
    SALES,
    Bring,
    book,
    bringing,
    parquet,
    sheet,
    small_workspace,
    texts,
    within,
)
from repair_horizon.files import writing as file_sizes
from repair_horizon.imports.raw_rows import CHUNK
from repair_horizon.logs import LogFault, read_logs
from repair_horizon.logs.partitioning import partition


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    return small_workspace(tmp_path)


@pytest.fixture
def bring(tmp_path: Path) -> Bring:
    return bringing(tmp_path)


# Files that unpack to gigabytes


def gigabyte(of: bytes) -> bytes:
    """About a gigabyte of a few bytes repeated, in a megabyte of gzip: one member, many times."""
    return gzip.compress(of * (16_000_000 // len(of)), 6) * 64


def test_a_single_cell_of_a_gigabyte_is_refused_at_its_first_megabytes(bring: Bring) -> None:
    """Without a line end in sight, reading stops at 16 MB."""
    content = gzip.compress((HEAD + "1,2025-01-01,5,").encode()) + gigabyte(b"x")
    with within(20, 40), pytest.raises(LogFault, match="a line without an end"):
        bring("e.csv.gz", content)


@pytest.mark.parametrize("name", ["e.csv.gz", "e.xlsx.gz", "e.parquet.gz"])
def test_a_gzip_bomb_is_measured_without_being_kept(bring: Bring, name: str) -> None:
    """A gigabyte of short lines is refused at the size declared, in memory of a few chunks."""
    with within(20, 40), pytest.raises(LogFault, match="at most 64 MB"):
        bring(name, gigabyte(b"1,2025-01-01,5,m1\n"), "max_megabytes = 64.0\n")


@pytest.mark.parametrize(
    "part", ["xl/worksheets/s.xml", "xl/sharedStrings.xml", "xl/media/picture.png"]
)
def test_a_workbook_that_unpacks_to_too_much_is_refused_whichever_part_it_is(
    bring: Bring, part: str
) -> None:
    """Every part counts, also those nobody reads."""
    content = book({"xl/worksheets/s.xml": sheet(), "xl/sharedStrings.xml": texts(), part: 80})
    assert len(content) < 1_000_000
    with within(20, 40), pytest.raises(LogFault, match="at most 64 MB"):
        bring("e.xlsx", content, "max_megabytes = 64.0\n")


@pytest.mark.parametrize("before", range(0, 60, 3))
def test_a_far_cell_is_seen_wherever_a_chunk_of_it_ends(bring: Bring, before: int) -> None:
    """Its name straddles the megabyte that is read at a time; a tag without an end is refused."""
    far = '<c r="' + "J" * 30 + '4"><v>1</v></c>'
    head = sheet().index(b"</sheetData>") + len("<row>")
    blank = " " * (CHUNK - head - before)
    with within(20, 40), pytest.raises(LogFault, match="at most 1000 columns"):
        bring("e.xlsx", book({"xl/worksheets/s.xml": sheet(blank + far)}))
    if before == 0:
        endless = sheet("<c " + "x" * 3 * CHUNK)[: 3 * CHUNK]
        with within(20, 40), pytest.raises(LogFault, match="a tag without an end"):
            bring("e.xlsx", book({"xl/worksheets/s.xml": endless}))


def test_one_long_text_repeated_by_its_number_is_counted_as_often_as_it_stands(
    bring: Bring,
) -> None:
    """30,000 letters in 3,000 cells are 90 MB for whoever reads them, and 0.2 MB in the file."""
    cells = '<c t="s"><v>0</v></c>' * 4
    content = book({"xl/worksheets/s.xml": sheet(*[cells] * 750)}
                   | {"xl/sharedStrings.xml": texts("x" * 30_000)})  # fmt: skip
    with within(20, 40), pytest.raises(LogFault, match="at most 64 MB"):
        bring("e.xlsx", content, "max_megabytes = 64.0\n")
    few = book({"xl/worksheets/s.xml": sheet(cells), "xl/sharedStrings.xml": texts("x" * 30_000)})
    with pytest.raises(LogFault, match="no such column"):
        bring("e.xlsx", few, "max_megabytes = 64.0\n")


def test_a_zip_bomb_under_the_name_of_a_workbook_is_refused(bring: Bring) -> None:
    """An archive within an archive is unpacked once and found to be no workbook."""
    inner, out = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(inner, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("0", b"\0" * 10**7)
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for i in range(100):
            archive.writestr(f"{i}.zip", inner.getvalue())
    with within(20, 40), pytest.raises(LogFault, match="a workbook"):
        bring("e.xlsx", out.getvalue())


def test_a_parquet_text_repeated_by_its_number_is_counted_as_often_as_it_stands(
    bring: Bring,
) -> None:
    """One megabyte in a thousand rows is a gigabyte once it is written out."""
    rows = 1000
    same = pa.DictionaryArray.from_arrays(pa.array([0] * rows, pa.int32()), ["x" * 10**6])
    many = {"No": [str(i) for i in range(rows)], "Day": ["2025-01-02"] * rows}
    content = parquet(**many, Price=[1.0] * rows, Item=same)
    assert len(content) < 2_000_000
    with within(20, 40), pytest.raises(LogFault, match="at most 64 MB"):
        bring("e.parquet", content, "max_megabytes = 64.0\n")


def test_ten_thousand_columns_are_refused_as_an_export_and_as_a_log(
    bring: Bring, workspace: Path
) -> None:
    """No log has them, and comparing names pair by pair would take a minute."""
    more = "".join(f",c{i}" for i in range(10_000))
    with within(5, 60), pytest.raises(LogFault, match="10004 columns"):
        bring("e.csv", HEAD.strip() + more + "\n")
    with within(5, 60), pytest.raises(LogFault, match="at most 1000 columns"):
        bring("e.jsonl", "{" + ",".join(f'"c{i}": 1' for i in range(10_000)) + "}\n")
    (workspace / "sales.csv").write_text(SALES.strip() + more.replace(",c", ",x_") + "\n")
    with within(5, 60), pytest.raises(LogFault, match="10005 columns"):
        read_logs(workspace)


def test_a_cell_of_five_million_letters_is_one_message_or_one_row_held(workspace: Path) -> None:
    """In quotes the standard reader refuses it; without, it is a model nobody knows."""
    for cell in ("m" * 5_000_000, '"' + "m" * 5_000_000 + '"'):
        (workspace / "sales.csv").write_text(
            SALES + f"a,m1,2025-01-01,5,EUR\nb,{cell},2025-01-01,5,EUR\n"
        )
        with within(20, 200):
            logs = read_logs(workspace)
        assert logs.ledger.exceptions["reason"].tolist() == ["model_id is not in catalogue.csv"]


# Files beyond the memory: sparse ones, which take no room on the disc.


@pytest.fixture
def small_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight gigabytes of memory, so that files of two may be read."""
    monkeypatch.setattr(file_sizes, "memory_bytes", lambda: 8_000_000_000)


def lengthened(path: Path) -> None:
    path.touch()
    os.truncate(path, 3_000_000_000)


@pytest.mark.parametrize("work", [read_logs, partition])
@pytest.mark.parametrize("name", ["sales.csv", "sales.parquet"])
@pytest.mark.usefixtures("small_machine")
def test_a_log_beyond_the_memory_is_one_message_before_it_is_read(
    workspace: Path, name: str, work: Callable[[Path], object]
) -> None:
    """The message has the file, its size, the size allowed and what to do."""
    (workspace / "sales.csv").rename(workspace / name)
    lengthened(workspace / name)
    with within(5, 20), pytest.raises(LogFault) as caught:
        work(workspace)
    assert len(caught.value.faults) == 1
    said = f"{name}: found '3 GB', allowed: at most 2 GB, a quarter of this machine's memory"
    assert str(caught.value).startswith(said)
    assert "`partition` it" in str(caught.value)


@pytest.mark.usefixtures("small_machine")
def test_a_parquet_log_that_unpacks_beyond_the_memory_is_one_message(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Judged by what its parts unpack to by their own account, small as the file may be."""
    (workspace / "sales.csv").unlink()
    long = pa.array(["x" * 1000] * 20_000)
    path = workspace / "sales.parquet"
    pq.write_table(pa.table({"sale_id": long}), path, use_dictionary=False, compression="zstd")
    monkeypatch.setattr(file_sizes, "memory_bytes", lambda: 40_000_000)
    assert path.stat().st_size < 1_000_000
    with within(5, 10), pytest.raises(LogFault, match=r"sales.parquet: found '0.02\d* GB'"):
        read_logs(workspace)


@pytest.mark.parametrize("name", ["e.csv", "e.tsv", "e.jsonl", "e.parquet"])
@pytest.mark.parametrize(
    ("megabytes", "found", "allowed"), [(512, "3000 MB", "512 MB"), (9000, "3 GB", "2 GB")]
)
@pytest.mark.usefixtures("small_machine")
def test_an_export_beyond_the_memory_is_one_message_before_it_is_read(
    bring: Bring, tmp_path: Path, name: str, megabytes: int, found: str, allowed: str
) -> None:
    """Also where the mapping allows more than there is memory."""
    lengthened(tmp_path / name)
    with within(5, 20), pytest.raises(LogFault) as caught:
        bring(name, "", f"max_megabytes = {megabytes}.0\n")
    told = str(caught.value)
    assert told.startswith(name)
    assert found in told
    assert f"at most {allowed}" in told
    assert "pieces" in told


def test_the_machine_s_own_limit_is_beyond_every_real_log() -> None:
    """A quarter of the memory, which on any machine of today is more than 200 MB."""
    assert file_sizes.largest_file() == file_sizes.memory_bytes() // 4
    assert file_sizes.largest_file() > 200_000_000
