"""The data dictionary and the starter files of a workspace, written from the declarations."""

from __future__ import annotations

import dataclasses
from contextlib import suppress
from pathlib import Path
from typing import Any

from repair_horizon.tables.inputs import REQUIRED_TABLES, TABLES, Table
from repair_horizon.tables.output_columns import OUTPUT_KINDS, Output, OutputColumn
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings

_OPENING = """# What a workspace holds

A workspace is a folder of logs. This page is written from the declarations in
`kit/repair_horizon/tables/inputs.py` and `settings.py`; a test keeps it equal
to them, so change those.

Files are CSV (RFC 4180) in UTF-8 with a header line, or Parquet with the same columns (one file,
or a folder partitioned by family). Dates are ISO 8601, amounts plain decimals with a point and an
ISO 4217 code beside them, identifiers text. Only `catalogue.csv` must be there, and `sales.csv`
makes it better; what no log says starts from the device class and is named so. Columns of your
own may be added if their names begin with `x_`.
Every row ends as used, set aside with a reason, or held for review, and the three add up.

A log whose rows have a model or family may be a folder of Parquet files by family instead:
`sales/family_id=NAME/part-*.parquet`, the name percent-encoded where it needs it, and
`family_id=__HIVE_DEFAULT_PARTITION__` for models the catalogue does not name. A folder that names
no family of the catalogue is refused, a row in the folder of another family is held, and a log
that is there in two forms is refused. `repair-horizon partition --table sales` writes such a
folder, every field as the text it was, with the order of the rows in `x_row`; run again, it puts
rows right after a change of the catalogue. The old log stays beside it, named `.before`.

`data/demo/` is an invented business; `data/published/` holds small real data sets with their
sources and licences; your own workspaces live wherever you like.
"""


_OUTPUTS = """
# What the kit writes

Declared in `kit/repair_horizon/tables/outputs.py`. `report` writes `out/MONTH/thresholds.csv`,
`set_aside.csv`, `plan.csv`, and per family the other tables of a page under
`out/MONTH/tables/FAMILY/`; `bids`, `stock` and `plan` write theirs beside what they print. Months
are YYYY-MM, days YYYY-MM-DD, amounts in the settlement currency, shares from 0 to 1. An empty field
is a figure that cannot be said; the reason stands in its row.
"""


def dictionary() -> str:
    """Return the data dictionary as Markdown."""
    parts = [_OPENING]
    parts += [_table_section(t) for t in TABLES.values()]
    parts.append("## settings.toml\n\nEvery setting has a default; write only what differs.\n")
    parts.append("| setting | default | unit | meaning |\n|---|---|---|---|")
    parts += [_setting_row(line) for line in setting_lines()]
    parts.append(_OUTPUTS)
    parts += [_output_section(o) for o in OUTPUTS.values()]
    text = "\n".join(parts)
    return text + "\n"


def _output_section(output: Output) -> str:
    lines = [f"## {output.name}\n", f"{output.meaning[0].upper()}{output.meaning[1:]}.\n"]
    lines.append("| column | kind | heading | meaning |\n|---|---|---|---|")
    lines += [f"| {c.name} | {_kind(c)} | {c.heading} | {c.meaning} |" for c in output.columns]
    return "\n".join(lines) + "\n"


def _kind(column: OutputColumn) -> str:
    if column.codes is not None:
        return "one of " + ", ".join(column.codes)
    return OUTPUT_KINDS[column.kind].said


def _table_section(table: Table) -> str:
    must = ", required" if table.name in REQUIRED_TABLES else ""
    lines = [f"## {table.name}.csv\n", f"{table.meaning[0].upper()}{table.meaning[1:]}{must}.\n"]
    lines.append("| column | must | unit | meaning | allowed |\n|---|---|---|---|---|")
    lines += [
        f"| {c.name} | {'yes' if c.required else ''} | {c.unit} | {c.meaning} | {c.allowed} |"
        for c in table.columns
    ]
    return "\n".join(lines) + "\n"


@dataclasses.dataclass(frozen=True)
class SettingLine:
    """One setting as it is explained: its dotted name, default, unit and meaning."""

    name: str
    default: str
    unit: str
    meaning: str


def setting_lines(section: Any = None, at: str = "") -> list[SettingLine]:
    """Return every setting of a section (all of settings.toml if none is given), in order."""
    section = Settings() if section is None else section
    lines = []
    for field in dataclasses.fields(section):
        value, about = getattr(section, field.name), field.metadata
        if dataclasses.is_dataclass(value):
            lines += setting_lines(value, f"{at}{field.name}.")
            continue
        if isinstance(value, list) and value and dataclasses.is_dataclass(value[0]):
            lines.append(SettingLine(f"{at}{field.name}", "a list", "", about["meaning"]))
            lines += setting_lines(value[0], f"{at}{field.name}[].")
            continue
        default = "not set" if value is None or value == "" else _toml(value)
        lines.append(SettingLine(f"{at}{field.name}", default, about["unit"], about["meaning"]))
    return lines


def _setting_row(line: SettingLine) -> str:
    unit = f" {line.unit} " if line.default != "a list" else " "
    return f"| {line.name} | {line.default} |{unit}| {line.meaning} |"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def starter_settings() -> str:
    """Return a settings.toml in which every line is the default, commented out."""
    lines = ["# Rules of the business. Take the # away from a line to change it.", ""]
    top = [f for f in dataclasses.fields(Settings) if not _is_section(f.name)]
    start = Settings()
    for field in top:
        if field.name in ("channels", "by_class"):
            continue
        lines.append(_starter_line(field, getattr(start, field.name)))
    for field in dataclasses.fields(Settings):
        if _is_section(field.name):
            lines += ["", f"[{field.name}]"]
            section = getattr(start, field.name)
            lines += [
                _starter_line(f, getattr(section, f.name))
                for f in dataclasses.fields(section)
                if not _holds_sections(getattr(section, f.name))
            ]
    return "\n".join(lines) + "\n"


def _holds_sections(value: object) -> bool:
    return isinstance(value, list) and (not value or dataclasses.is_dataclass(value[0]))


def _is_section(name: str) -> bool:
    return dataclasses.is_dataclass(getattr(Settings(), name))


def _starter_line(field: Any, value: object) -> str:
    unit = f" [{field.metadata['unit']}]" if field.metadata["unit"] else ""
    # What is not set has no default to show: a 0 uncommented would be a target or a limit of 0.
    shown = "..." if value is None else _toml(value)
    return f"# {field.name} = {shown}  # {field.metadata['meaning']}{unit}"


def write_starter(folder: Path) -> list[Path]:
    """Write empty logs and a commented settings.toml; files already there are left alone.

    Returns
    -------
    list
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    content = {f"{t.name}.csv": ",".join(c.name for c in t.columns) + "\n" for t in TABLES.values()}
    content["settings.toml"] = starter_settings()
    written = []
    for name, text in content.items():
        # "x" writes nothing where something stands, also no link to elsewhere.
        with suppress(FileExistsError), open(folder / name, "x", encoding="utf-8") as file:
            file.write(text)
            written.append(folder / name)
    return written
