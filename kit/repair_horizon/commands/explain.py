"""The command ``explain``: the manual of mappings, columns, settings and words."""

from __future__ import annotations

from argparse import Namespace
from difflib import get_close_matches

from repair_horizon.classes.listing import KnownFigure, known_figures
from repair_horizon.logs import Fault, LogFault
from repair_horizon.tables.dictionary import GLOSSARY, setting_lines
from repair_horizon.tables.inputs import CLASSES, REQUIRED_TABLES, TABLES, Table

TOPICS = ("mapping", "columns", "settings", "words", "classes")


def explain(options: Namespace) -> int:
    """Print one topic, or the part of it that a second word names."""
    topic, part = options.topic, options.part or ""
    if topic == "mapping":
        from repair_horizon.imports.manual import mapping_manual

        print(mapping_manual(), end="")
    elif topic == "columns":
        print("\n\n".join(_columns(t) for t in _tables(part)))
    elif topic == "settings":
        print("\n".join(_settings(part)))
    elif topic == "classes":
        print("\n\n".join(_figures(known_figures(name)) for name in ([part] if part else CLASSES)))
    else:
        print("\n".join(_words(part)))
    return 0


def _tables(part: str) -> list[Table]:
    if part and part not in TABLES:
        raise LogFault([Fault("explain", None, "columns", part, "one of " + ", ".join(TABLES))])
    return [TABLES[part]] if part else list(TABLES.values())


def _columns(table: Table) -> str:
    must = " (required)" if table.name in REQUIRED_TABLES else ""
    lines = [f"{table.name}.csv: {table.meaning}{must}"]
    for c in table.columns:
        unit = f", {c.unit}" if c.unit else ""
        star = "*" if c.required else " "
        lines.append(f" {star} {c.name}{unit}: {c.meaning}\n     {c.allowed}")
    return "\n".join([*lines, " * must be filled"])


def _settings(part: str) -> list[str]:
    lines = [
        s for s in setting_lines() if s.name == part or s.name.startswith(f"{part}.") or not part
    ]
    if not lines:
        names = dict.fromkeys(s.name.split(".")[0] for s in setting_lines())
        raise LogFault([Fault("explain", None, "settings", part, "one of " + ", ".join(names))])
    return [
        f"{s.name} = {s.default}" + (f" [{s.unit}]" if s.unit else "") + f"\n    {s.meaning}"
        for s in lines
    ]


def _figures(listed: list[KnownFigure]) -> str:
    lines = [f"{listed[0].device_class}: what is known before any log"]
    lines += [f"  {f.what}: {f.said} ({f.words})\n      {f.source}" for f in listed]
    return "\n".join(lines)


def _words(part: str) -> list[str]:
    found = {w: m for w, m in GLOSSARY.items() if part.lower() in w.lower()}
    if not found:
        near = get_close_matches(part.lower(), GLOSSARY, 5, 0.4) or list(GLOSSARY)
        raise LogFault([Fault("explain", None, "words", part, "such as " + ", ".join(near))])
    return [f"{word}\n    {meaning}" for word, meaning in found.items()]
