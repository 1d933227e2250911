"""The quick way to read a CSV file gives what the careful way gives, or steps aside."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repair_horizon.logs import LogFault, reading
from repair_horizon.logs.csv_frame import read_at_once

HEADER = "sale_id,model_id,sale_date,gross_amount,currency,source_ref"


def carefully(path: Path, monkeypatch: pytest.MonkeyPatch) -> pd.DataFrame | str:
    """The table as text by walking the file record by record, or what it says is wrong."""
    with monkeypatch.context() as patch:
        patch.setattr(reading, "read_at_once", lambda content: None)
        try:
            return reading._csv_text(path)
        except LogFault as error:
            return str(error)


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\na,m,2025-01-01,1,EUR,x\nb,m,2025-01-01,2,EUR,y\n",
        f"{HEADER}\na,m,2025-01-01,1,EUR,x",
        f"{HEADER}\r\na,m,2025-01-01,1,EUR,x\r\n\r\nb,m,2025-01-01,2,EUR,y\r\n",
        f'{HEADER}\na,m,2025-01-01,"1,5",EUR,"two\nlines, and ""marks"""\n\nb,m,d,2,EUR,""\n',
        f"\ufeff{HEADER}\na,m,2025-01-01,1,EUR,é\u2028ü\n",
        f"{HEADER}\n  a ,m,2025-01-01,1,EUR,\x1c\n",
        f"{HEADER}\n",
    ],
)
def test_a_sound_file_is_read_at_once_and_alike(tmp_path: Path, monkeypatch, text: str) -> None:
    """Line ends of either kind, empty lines, quotes and marks: same text on the same lines."""
    path = tmp_path / "sales.csv"
    path.write_bytes(text.encode())
    at_once = read_at_once(path.read_bytes())
    assert at_once is not None
    pd.testing.assert_frame_equal(at_once, carefully(path, monkeypatch), check_dtype=len(at_once))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n\n",
        f"{HEADER}\na,m\n",
        f'{HEADER}\na,m,2025-01-01,1,EUR,5" screen\n',
        f'{HEADER}\na,m,2025-01-01,1,EUR,"x" y\n',
        f'{HEADER}\na,m,2025-01-01,1,EUR,"open\n',
        f"{HEADER}\ra,m,2025-01-01,1,EUR,x\r",
        f"{HEADER},\na,m,2025-01-01,1,EUR,x,\n",
        f"{HEADER},currency\na,m,2025-01-01,1,EUR,x,EUR\n",
        f"{HEADER}\na,m,2025-01-01,1,EUR,\0\n",
    ],
)
def test_a_doubtful_file_is_left_to_the_careful_way(text: str) -> None:
    assert read_at_once(text.encode()) is None
    assert read_at_once((HEADER + "\na,m,2025-01-01,1,EUR,é\n").encode("cp1252")) is None


PIECES = st.sampled_from(
    ["a", "b", " ", ",", ",", ",", '"', '"', '""', "\n", "\n", "\r\n", "\r", "é", "\u2028", "\x0b"]
)


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(pieces=st.lists(PIECES, max_size=25), marked=st.booleans())
def test_whatever_the_bytes_both_ways_agree(
    tmp_path: Path, monkeypatch, pieces: list[str], marked: bool
) -> None:
    """Commas, quotes and line ends anywhere: read at once only where the careful way reads so."""
    path = tmp_path / "any.csv"
    path.write_bytes(("\ufeff" * marked + "p,q\n" + "".join(pieces)).encode())
    at_once = read_at_once(path.read_bytes())
    if at_once is not None:
        careful = carefully(path, monkeypatch)
        assert not isinstance(careful, str), careful
        pd.testing.assert_frame_equal(at_once, careful, check_dtype=len(at_once) > 0)


def test_records_across_blocks_are_counted_once(monkeypatch) -> None:
    """A file of many blocks, quoted line breaks among them, has the lines of the file in one."""
    lines = [f'id{i},"note\n{i}, twice"' if i % 7 == 0 else f"id{i},plain" for i in range(300)]
    content = ("p,q\n" + "\n".join(lines) + "\n").encode()
    whole = read_at_once(content)
    assert whole is not None
    for size in (5, 997):
        monkeypatch.setattr("repair_horizon.logs.csv_frame._BLOCK", size)
        pd.testing.assert_frame_equal(read_at_once(content), whole)
    assert whole["line"].iloc[-1] == 1 + 300 + 43
