"""What is explained: the data dictionary, the starter files of a workspace, and the glossary."""

from __future__ import annotations

import dataclasses
from contextlib import suppress
from pathlib import Path
from typing import Any

from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.columns import OUTPUT_KINDS, Output, OutputColumn
from repair_horizon.tables.inputs import REQUIRED_TABLES, TABLES, Table
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

    Returns the files written.
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


GLOSSARY: dict[str, str] = {
    # buying
    "maximum bid": "highest hammer price at which a unit is still worth buying, every cost, chance "
    "and charge counted; rounded down to the bid increment",
    "hammer price": "price at which bidding closes, before premium, tax and carriage",
    "buyer's premium": "what an auction adds to the hammer price, by tier",
    "landed cost": "what a unit has cost once it is here: price, premium, tax, carriage",
    "chance of winning": "chance that the highest rival stays below a bid; the price of a lost lot "
    "is what its last but one bidder gave, so the highest rival stood above it",
    "chance of loss": "share of outcomes in which a won unit loses money at the price it is won at",
    "first offer, walk-away price": "to a private seller: the offer that earns most, its chance of "
    "being taken counted, and the maximum bid",
    "serious bidder": "one who bids at least half the usual price",
    # units and faults
    "as is": "sold untouched, its faults described",
    "part out": "broken down, its parts sold or kept",
    "pulled": "of a part: taken from another unit",
    "listed fault": "what the seller says is wrong",
    "state": "what a unit turns out to be on the bench; each listed fault has several, with shares",
    "no fault found": "a unit that works as it is",
    "success": "share of attempted repairs of a state that end in a working unit",
    "damage while opening": "something else that breaks while a unit is opened",
    "parts dead on arrival": "parts that do not work when they come",
    "grade": "cosmetic class of a unit, in the order of settings.toml",
    "disposition": "what to do with an owned unit: repair, manufacturer repair, sell as is, part "
    "out, hold",
    "beyond economical repair": "repairing is worth less than the best other option",
    "complete record": "a unit whose purchase, repair and sale are all logged",
    # value and risk
    "certainty equivalent": "the sure amount as good as an uncertain one, by the risk tolerance",
    "risk tolerance": "money that says how much risk is taken; a sixth of cash and stock unless "
    "set, and no risk is counted where no cash is named",
    "bench hour": "an hour of repair; beside its wage it may be charged what other work would earn",
    "opportunity cost": "what an hour or an amount of cash would earn in the month's other work",
    "cost of waiting per week": "how much less a unit is worth a week later",
    "value of information": "what knowing a figure before deciding is worth on average",
    "newly known": "a price that was missing last month; it is not a price that moved",
    # forecasts
    "share of launch price": "price of a used unit against the list price at launch",
    "class average; class, a guess": "a figure known of the device class before any log: published "
    "or computed from open data; common practice or from memory, and so wider",
    "family average": "the figure rests mostly on sister models",
    "own sales; few sales": "the figure rests mostly on the model's own sales; on few of them",
    "weight of own data": "share of a figure that own records carry",
    "prediction interval": "range in which a single future figure falls as often as its coverage "
    "says: 8 of 10 inside an 80 % interval",
    "residual variation": "how far single sales lie from the price curve",
    "quarter effect": "shift of a family's prices in a quarter that fades in the next ones",
    # dates
    **{date.value: date.words for date in StopDate},
    # rows
    "used, set aside, held for review": "what becomes of every row of a log; the three add up",
    "settlement currency": "the currency all amounts are compared in",
    # verdicts
    **{f"{v.shape} {v.words}": meaning for v, meaning in (
        (Verdict.BUY, "a bid is worth its handling and wins often enough"),
        (Verdict.OWN_STOCK, "too dear to buy, yet a unit already owned is best repaired"),
        (Verdict.STOP, "neither buying nor repairing pays"),
        (Verdict.CANNOT_SAY, "own records, family and class are all silent; the reason is told"),
    )},
}  # fmt: skip
