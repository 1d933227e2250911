"""Read a TOML file somebody wrote, refusing what would hang or break whoever uses it.

TOML allows what no settings need: names of thousands of parts and tables nested as deeply, which
the standard reader takes minutes and gigabytes for, and whole numbers of any length.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from repair_horizon.tables.faults import Fault, LogFault

MAX_BYTES = 1_000_000
MAX_DEPTH = 32
# TOML v1.0.0, section Integer: 64-bit signed integers are to be accepted, others may be refused.
_LARGEST = 2**63 - 1
_QUOTED = re.compile(r'"[^"\n]*"|\'[^\'\n]*\'')
_BETWEEN = re.compile(r"[=,\[\]{}#\n]")


def read_toml(path: Path, allowed: str = "TOML in UTF-8") -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path
        The file.
    allowed
        What is expected there, in the reader's words.

    Raises
    ------
    LogFault
        If it is no ordinary file, larger than a megabyte, not TOML in UTF-8, or holds a name of
        more than 32 parts, tables or lists as deep, or a whole number beyond 64 bits.
    """

    def refused(found: str, said: str = allowed) -> LogFault:
        return LogFault([Fault(path.name, None, "", found, said)])

    try:
        if path.exists() and not path.is_file():
            raise refused("no ordinary file")
        if path.stat().st_size > MAX_BYTES:
            raise refused("a larger file", f"at most {MAX_BYTES / 1e6:g} MB")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise refused("no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise refused(str(error)) from None
    deep = f"names, tables and lists at most {MAX_DEPTH} deep"
    if _longest_name(text) > MAX_DEPTH:
        raise refused(f"a name of more than {MAX_DEPTH} parts", deep)
    try:
        raw = tomllib.loads(text)
    except ValueError as error:
        raise refused(str(error)) from None
    except RecursionError:
        raise refused("lists or tables nested too deeply", deep) from None
    faults = [Fault(path.name, None, *fault) for fault in _faults(raw, deep)]
    if faults:
        raise LogFault(faults)
    return raw


def _longest_name(text: str) -> int:
    """Most parts a dotted name may have; counted before reading, as reading it is what hangs."""
    pieces = _BETWEEN.split(_QUOTED.sub("q", text))
    return max(piece.count(".") for piece in pieces) + 1


def _faults(raw: dict[str, Any], deep: str) -> list[tuple[str, str, str]]:
    """Place, what was found and what is allowed, of everything too deep or too large."""
    out, left = [], [("", 0, raw)]
    while left:
        where, depth, value = left.pop()
        if depth > MAX_DEPTH:
            out.append((where.split(".")[0], "tables nested too deeply", deep))
        elif isinstance(value, dict):
            left += [(f"{where}.{k}".lstrip("."), depth + 1, v) for k, v in value.items()]
        elif isinstance(value, list):
            left += [(f"{where}[{i}]", depth + 1, v) for i, v in enumerate(value, 1)]
        elif isinstance(value, int) and abs(value) > _LARGEST:
            out.append((where, "a huge number", "a whole number of at most 64 bits"))
    return out
