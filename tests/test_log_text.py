"""The quick way to read a CSV file gives what the careful way gives, or steps aside."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repair_horizon.logs import LogFault, reading
from repair_horizon.logs.reading import read_at_once

HEADER = "sale_id,model_id,sale_date,gross_amount,currency,source_ref"


def carefully(path: Path, monkeypatch: pytest.MonkeyPatch) -> pd.DataFrame | str:
    """The table as text by walking the file record by record, or what it says is wrong."""
    with monkeypatch.context() as patch:
        patch.setattr(reading, "read_at_once", lambda content: None)
        try:
            return reading.csv_text(path)
        except LogFault as error:
            return str(error)


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\na,m,2025-01-01,1,EUR,x\nb,m,2025-01-01,2,EUR,y\n",
        f"{HEADER}\na,m,2025-01-01,1,EUR,x",
        f"{HEADER}\r\na,m,2025-01-01,1,EUR,x\r\nb,m,2025-01-01,2,EUR,y\r\n",
        f'{HEADER}\na,m,2025-01-01,"1,5",EUR,"one line, and ""marks"""\nb,m,d,2,EUR,""\n',
        f"\ufeff{HEADER}\na,m,2025-01-01,1,EUR,é\u2028ü\n",
        f"{HEADER}\n  a ,m,2025-01-01,1,EUR,\x1c\n",
        f"{HEADER}\n",
    ],
)
def test_a_sound_file_is_read_at_once_and_alike(tmp_path: Path, monkeypatch, text: str) -> None:
    """Line ends of either kind, quotes and marks: same text on the same lines."""
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
        f"{HEADER}\r\na,m,2025-01-01,1,EUR,x\r\n\r\nb,m,2025-01-01,2,EUR,y\r\n",
        f'{HEADER}\na,m,2025-01-01,1,EUR,"two\nlines"\n',
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


def test_a_long_file_of_recurring_words_is_read_alike(tmp_path: Path, monkeypatch) -> None:
    """Many blocks, and words so often that they come coded: the text is the careful way's."""
    rows = [f'S{i},{"é" * (i % 7)},"{i % 50},5",plain' for i in range(9_000)]
    path = tmp_path / "any.csv"
    path.write_text("id,word,quoted,one\n" + "\n".join(rows) + "\n", encoding="utf-8")
    monkeypatch.setattr(reading, "_BLOCK", 10_000)
    at_once = read_at_once(path.read_bytes())
    assert at_once is not None
    assert [isinstance(t, pd.CategoricalDtype) for t in at_once.dtypes[:4]] == [False, *[True] * 3]
    plain = at_once.astype(dict.fromkeys(["word", "quoted", "one"], "str"))
    pd.testing.assert_frame_equal(plain, carefully(path, monkeypatch))


def test_a_heading_of_bytes_that_are_no_text_is_refused_in_words(tmp_path: Path) -> None:
    """A name in quotes that runs on into a second line, which is no UTF-8 (found by fuzzing)."""
    path = tmp_path / "sales.csv"
    path.write_bytes(b'sale_id,"b\n\xff"\n1,2\n')
    with pytest.raises(LogFault) as told:
        reading.csv_text(path)
    assert [(f.found, f.allowed) for f in told.value.faults] == [
        ("byte 0xff at offset 11", "UTF-8")
    ]
