"""Make a frozen section of settings from what a file says, collecting every fault.

A section is a dataclass whose fields carry their limits or choices as metadata. What the file
leaves out keeps its start value, also inside nested sections.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from typing import Any, TypeVar

from kit.logs.faults import Fault

T = TypeVar("T")


def as_dict(section: Any) -> dict[str, Any]:
    """Return the fields of one section, nested sections as they are."""
    return {f.name: getattr(section, f.name) for f in dataclasses.fields(section)}


def fault(where: str, found: object, allowed: str) -> Fault:
    """Name one fault of settings.toml."""
    return Fault("settings.toml", None, where, str(found), allowed)


def build(kind: type[T], start: dict[str, Any], raw: Any, out: tuple[str, list[Fault]]) -> T:
    """Make one section from its start values and what the file says.

    ``out`` is the dotted place of the section and the list that takes the faults.
    """
    at, faults = out
    if not isinstance(raw, dict):
        faults.append(fault(at.rstrip("."), raw, "a table"))
        return kind(**start)
    known = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    hints = typing.get_type_hints(kind)
    values = dict(start)
    for name, found in raw.items():
        if name not in known:
            faults.append(fault(at + name, name, "one of " + ", ".join(known)))
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
            faults.append(fault(where, found, "a list"))
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
        faults.append(fault(where, found, words.get(origin, "a table")))
        return None
    limits, choices = about.get("limits"), about.get("choices")
    if choices and found not in choices:
        faults.append(fault(where, found, "one of " + ", ".join(choices)))
    if limits and not limits[0] <= found <= limits[1]:
        faults.append(fault(where, found, f"from {limits[0]:g} to {limits[1]:g}"))
    return found
