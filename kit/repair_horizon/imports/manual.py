"""The mapping language, written from its declarations, with worked examples that are run.

Each example is an export and its mapping in ``worked_examples``; what becomes of its rows is
worked out when the manual is printed, so the page cannot say what the kit does not do.
"""

from __future__ import annotations

import dataclasses
import tempfile
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from repair_horizon.imports import ImportMapping, ImportResult, import_file, table_of
from repair_horizon.imports.mapping import AsideRule, Filter, Format, KeyRule, Unpivot

_OPENING = """A mapping says how the columns of somebody else's export become columns of one
of our logs. It is a TOML file. What it leaves out is proved from the file's own
values or refused, never guessed; a value it does not name holds its row for
review. `import FILE --draft` writes a first one, `--preview` shows what it
would do.

In `[values.COLUMN]` a line "*" = "value" takes every value not named, "*" = "*"
leaves them as they are. A date's order is written in words (day.month.year,
year2 for two digits, month_name) or codes (%d.%m.%Y); excel-serial is a
spreadsheet's day number."""
_SECTIONS: tuple[tuple[str, Any, str], ...] = (
    ("key", KeyRule, "the key, where no single column of theirs is ours"),
    ("formats.COLUMN", Format, "how one column of ours is written"),
    ("unpivot", Unpivot, "several columns of theirs that are one of ours"),
    ("filter", Filter, "the part of the file that is wanted"),
    ("[set_aside]", AsideRule, "rows that are not wanted; may stand several times"),
)


def mapping_manual() -> str:
    """Return what a mapping may say, and five worked examples with their results."""
    parts = [_OPENING, "", "At the top of the file:"]
    parts += _lines(ImportMapping)
    for name, section, meaning in _SECTIONS:
        parts += ["", f"[{name}] {meaning}:", *_lines(section)]
    with as_file(files("repair_horizon.imports") / "worked_examples") as folder:
        for number, mapping in enumerate(sorted(Path(folder).glob("*.toml")), 1):
            parts += ["", f"Example {number}", "", *_example(mapping)]
    return "\n".join(parts) + "\n"


def _lines(section: Any) -> list[str]:
    out = []
    for field in dataclasses.fields(section):
        about = field.metadata
        if not about:  # a section of its own, described below
            continue
        default = field.default if field.default is not dataclasses.MISSING else ""
        shown = f" [{default}]" if default not in ("", None) else ""
        signs = (f"'{c}'" if len(c) == 1 else c for c in about.get("choices") or ())
        choices = "; one of " + " ".join(signs) if about.get("choices") else ""
        out.append(f"  {field.name:<14} {about['meaning']}{choices}{shown}")
    return out


def _example(mapping: Path) -> list[str]:
    export = next(p for p in mapping.parent.glob(f"{mapping.stem}.*") if p.suffix != ".toml")
    result = worked(export, mapping)
    shown = [f"  {line}" for line in export.read_text(encoding="utf-8").splitlines()]
    said = [f"  {line}" for line in mapping.read_text(encoding="utf-8").splitlines()]
    rows = result.rows.to_dict("records")
    out = [f"{export.name}:", *shown, "", f"{mapping.name}:", *said, ""]
    out.append(f"becomes, in {result.table}.csv:")
    out += ["  " + "; ".join(f"{c}: {v}" for c, v in row.items() if v != "") for row in rows]
    left = result.ledger[["line", "status", "reason", "found"]]
    for line, status, reason, found in left.itertuples(index=False):
        out.append(f"  line {line}: {status}, {reason}" + (f" ({found})" if found else ""))
    return out


def worked(export: Path, mapping: Path) -> ImportResult:
    """Run one worked example against an empty workspace that settles in euros."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "settings.toml").write_text('currency = "EUR"\n', encoding="utf-8")
        return import_file(export, Path(folder), table_of(mapping), mapping, preview=True)
