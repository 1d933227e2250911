"""Read a TOML file somebody wrote, refusing what would hang or break whoever uses it.

TOML allows what no settings need: names of thousands of parts and tables nested as deeply, which
the standard reader takes minutes and gigabytes for, and whole numbers of any length.

What a file says becomes a frozen section, every fault collected: a dataclass whose fields carry
their limits or choices as metadata. What the file leaves out keeps its start value, also inside
nested sections.
"""

from __future__ import annotations

import dataclasses
import re
import tomllib
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

from repair_horizon.tables.faults import Fault, LogFault

MAX_BYTES = 1_000_000
MAX_DEPTH = 32
# TOML v1.0.0, section Integer: 64-bit signed integers are to be accepted, others may be refused.
_LARGEST = 2**63 - 1
_QUOTED = re.compile(r'"[^"\n]*"|\'[^\'\n]*\'')
_BETWEEN = re.compile(r"[=,\[\]{}#\n]")


def read_toml(path: Path, allowed: str = "TOML in UTF-8") -> dict[str, Any]:
    """Read a TOML file.

    ``allowed``: what is expected there, in the reader's words. Raises ``LogFault`` if it is no
    ordinary file, larger than a megabyte, not TOML in UTF-8, or holds a name of more than 32 parts,
    tables or lists as deep, or a whole number beyond 64 bits.
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


T = TypeVar("T")


def as_dict(section: Any) -> dict[str, Any]:
    """Return the fields of one section, nested sections as they are."""
    return {f.name: getattr(section, f.name) for f in dataclasses.fields(section)}


def setting_fault(where: str, found: object, allowed: str) -> Fault:
    """Name one fault of settings.toml."""
    return Fault("settings.toml", None, where, str(found), allowed)


def build(kind: type[T], start: dict[str, Any], raw: Any, out: tuple[str, list[Fault]]) -> T:
    """Make one section from its start values and what the file says.

    ``out`` is the dotted place of the section and the list that takes the faults.
    """
    at, faults = out
    if not isinstance(raw, dict):
        faults.append(setting_fault(at.rstrip("."), raw, "a table"))
        return kind(**start)
    known = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    hints = typing.get_type_hints(kind)
    values = dict(start)
    for name, found in raw.items():
        if name not in known:
            faults.append(setting_fault(at + name, name, "one of " + ", ".join(known)))
            continue
        now = values.get(name, getattr(kind, name, None))
        values[name] = _value(hints[name], known[name].metadata, found, now, (at + name, faults))
    return kind(**values)


def _value(hint: Any, about: Any, found: Any, now: Any, out: tuple[str, list[Fault]]) -> Any:
    where, faults = out
    if dataclasses.is_dataclass(hint):
        start = as_dict(now) if dataclasses.is_dataclass(now) else {}
        return build(typing.cast(type, hint), start, found, (where + ".", faults))
    if typing.get_origin(hint) is list:
        inner = typing.get_args(hint)[0]
        if not isinstance(found, list):
            faults.append(setting_fault(where, found, "a list"))
            return []
        spots = [(f"{where}[{i + 1}]", faults) for i in range(len(found))]
        return [_value(inner, {}, v, None, s) for v, s in zip(found, spots, strict=True)]
    return _scalar(hint, about, found, out)


def _scalar(hint: Any, about: Any, found: Any, out: tuple[str, list[Fault]]) -> Any:
    where, faults = out
    kinds = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    if float in kinds and isinstance(found, int) and not isinstance(found, bool):
        found = float(found)
    wanted = next(k for k in kinds if k is not type(None))
    origin = typing.get_origin(wanted) or wanted
    if not isinstance(found, origin) or (origin is int and isinstance(found, bool)):
        words = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
        faults.append(setting_fault(where, found, words.get(origin, "a table")))
        return None
    limits, choices = about.get("limits"), about.get("choices")
    if choices and found not in choices:
        faults.append(setting_fault(where, found, "one of " + ", ".join(choices)))
    if limits and not limits[0] <= found <= limits[1]:
        faults.append(setting_fault(where, found, f"from {limits[0]:g} to {limits[1]:g}"))
    return found
