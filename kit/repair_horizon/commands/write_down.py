"""Commands about the logs: demo, init, add, import, partition, check, and their manual, explain."""

from __future__ import annotations

import shlex
from argparse import Namespace
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from textwrap import fill, indent

import pandas as pd

from repair_horizon.classes.knowledge import KnownFigure, known_figures
from repair_horizon.commands.look import write_pages
from repair_horizon.commands.printing import (
    NARROW,
    Telling,
    day_of,
    give_json,
    read,
    tell_now,
    wrapped,
)
from repair_horizon.logs import Fault, LogFault
from repair_horizon.tables.dictionary import GLOSSARY, setting_lines
from repair_horizon.tables.inputs import CLASSES, REQUIRED_TABLES, TABLES, Table

DEMO_MONTH = "2026-11"
HELD_SHOWN = 40
UNKNOWN = "Words for faults and states that neither the family nor its class knows;"


def demo(options: Namespace) -> int:
    """Write the demo business, run its month, and say where to look."""
    from repair_horizon.demo import write_demo

    folder = Path(options.folder)
    if folder.exists() and any(folder.iterdir()) and not (folder / "settings.toml").exists():
        raise LogFault([Fault(str(folder), None, "", "a folder with other files", "a new folder")])
    write_demo(folder)
    tell = Telling(options)
    tell.say(f"An invented business, written to {folder}/ (brands, people and prices are made up).")
    return write_pages(folder, DEMO_MONTH, {"workers": max(1, options.workers)}, tell)


def init(options: Namespace) -> int:
    """Write empty logs and a commented settings.toml."""
    from repair_horizon.tables.dictionary import write_starter

    written = write_starter(Path(options.workspace))
    for path in written:
        print(f"written: {path}")
    print("Fill catalogue.csv and sales.csv first; `repair-horizon explain columns` explains each.")
    return 0


def add(options: Namespace) -> int:
    """Add one row to a log or take the last back, and say what that changed."""
    from repair_horizon.new_facts import add as add_fact
    from repair_horizon.new_facts import take_back

    effect = not options.quiet
    if options.undo:
        fact, done = take_back(options.workspace, effect=effect), "taken back"
    else:
        if not options.table:
            allowed = "add TABLE column=value ..., or add --undo"
            raise LogFault([Fault("add", None, "", "no table", allowed)])
        values = dict(_pair(word) for word in options.values)
        today = day_of(options.today)
        fact = add_fact(options.workspace, options.table, today=today, effect=effect, **values)
        done = "added"
    if fact.now_words:
        tell_now(fact.now_words)
    if options.format == "json":
        row = {"table": fact.added.table, "row": dict(fact.added.row), "changes": fact.changes}
        give_json({"done": done, **row, "said": list(fact.said)})
        return 0
    print(f"{done}: {fact.added}")
    if effect:
        print(fact.words())
    return 0


def _pair(word: str) -> tuple[str, str]:
    name, equals, value = word.partition("=")
    if not equals or not name.isidentifier():
        raise LogFault([Fault("add", None, "", word, "column=value, as in gross_amount=210")])
    return name, value


def bring_in(options: Namespace) -> int:
    """Import a foreign export by a declared mapping, or draft that mapping."""
    from repair_horizon.imports import ANSWERS, import_answers, import_file, table_of

    if options.draft:
        return _draft(options)
    file, workspace, table = Path(options.file), Path(options.workspace), options.table
    if table == ANSWERS.name and not options.mapping:
        result = import_answers(file, workspace, preview=options.preview)
    elif not options.mapping:
        allowed = "--mapping M.toml, or --draft to have a mapping written"
        raise LogFault([Fault("import", None, "", "no mapping", allowed)])
    else:
        mapping = Path(options.mapping)
        table = table or table_of(mapping)
        result = import_file(file, workspace, table, mapping, preview=options.preview)
    tell = Telling(options)
    tell.table("rows", result.summary())
    if options.preview and result.held:
        _tell_lines(tell, "\nWould be held for review:", result.held_lines())
    if result.unknown:
        _tell_lines(tell, f"\n{UNKNOWN} their rows come in without.", result.unknown)
    if result.review is not None:
        tell.say(f"\nRows not added, with their reasons: {result.review}")
    tell.finish(review=None if result.review is None else str(result.review))
    return 0


def _tell_lines(tell: Telling, head: str, faults: Sequence[Fault]) -> None:
    """Print the first of some lines, and how many more there are."""
    tell.say(head)
    for fault in faults[:HELD_SHOWN]:
        tell.say(str(fault))
    if len(faults) > HELD_SHOWN:
        tell.say(f"... and {len(faults) - HELD_SHOWN} more")


def _draft(options: Namespace) -> int:
    """Write a first mapping beside the export, and say what is to be answered in it."""
    from repair_horizon.files.writing import write_text
    from repair_horizon.imports.draft import LEFT_OUT, draft_mapping
    from repair_horizon.logs.adding import read_stored
    from repair_horizon.tables.inputs import CATALOGUE, FAULT_STATES

    file, workspace = Path(options.file), Path(options.workspace)
    models, states = (read_stored(workspace, table).rows for table in (CATALOGUE, FAULT_STATES))
    draft = draft_mapping(file, options.table or "", models, options.sheet or "", states)
    plain = file.with_name(file.name.removesuffix(".gz"))
    path = Path(options.mapping) if options.mapping else plain.with_suffix(".toml")
    if path.exists():
        allowed = "a new file: --mapping OTHER.toml, or move this one away"
        raise LogFault([Fault(str(path), None, "", "a mapping already there", allowed)])
    write_text(path, draft.text)
    print(f"written: {path}, a mapping into {draft.table}; nothing is imported yet.")
    if draft.questions:
        print(f"\n{len(draft.questions)} questions wait in it:")
        for number, question in enumerate(draft.questions, 1):
            print(wrapped(f"{number}. {question}"))
    if draft.left_out:
        print(wrapped(f"\n{LEFT_OUT} {'; '.join(draft.left_out)}."))
    for warning in draft.warnings:
        print(wrapped(warning))
    then = ["repair-horizon", "import", str(file), "--mapping", str(path)]
    then += ["--workspace", options.workspace] if options.workspace != "." else []
    print(f"\nThen:\n  {shlex.join([*then, '--preview'])}")
    return 0


def partition(options: Namespace) -> int:
    """Write a log as Parquet partitioned by family, and move the old one aside."""
    from repair_horizon.logs.partitioning import partition as write_partitions

    done = write_partitions(options.workspace, options.table)
    for family, rows in done.rows.items():
        print(f"  {family or 'models the catalogue does not name'}: {rows} rows")
    print(f"{sum(done.rows.values())} rows written: {done.folder}/")
    print(f"The log as it was: {done.before}")
    return 0


def check(options: Namespace) -> int:
    """Print what became of every row, every fault, and what is missing; fail if many are held."""
    from repair_horizon.decisions.month.readiness import readiness
    from repair_horizon.estimation.curve.market import MarketBreak
    from repair_horizon.estimation.shop_knowledge import broken_market
    from repair_horizon.logs.consequences import unknown_codes

    logs, settings = read(options.workspace)
    tell = Telling(options)
    (tell.say if options.format == "text" else tell_now)(logs.now_words)
    for note in logs.notes:
        tell.say(note)
    tell.table("rows", logs.ledger.counts())
    lines = logs.ledger.exceptions
    for _, row in lines[lines["column"] != ""].iterrows():
        tell.say(str(Fault(*row[["file", "line", "column", "found", "allowed"]])))
    reasons = logs.ledger.reasons()
    unknown = [code.in_log() for code in unknown_codes(logs.tables)]
    used = "Every row is used" + (", some in words that nobody knows." if unknown else ".")
    tell.table("reasons", reasons, nothing=used)
    if unknown:
        _tell_lines(tell, f"\n{UNKNOWN} their rows are used without.", unknown)
    share, limit = logs.ledger.held_share(), settings.limits.held_share
    tell.say(f"\n{100 * share:.1f} % of the rows wait for review (limit {100 * limit:.1f} %).")
    market = broken_market(logs)
    broke = market.words if isinstance(market, MarketBreak) else ""
    if broke:
        tell.say(wrapped(f"\n{broke}"))
    missing = readiness(logs, settings, planned_parts(Path(options.workspace)))
    if options.format == "text":
        _print_missing(missing, options.most, logs.currency)
    tell.finish(
        now=f"{logs.newest_day:%Y-%m-%d}",
        missing=missing,
        held_share=share,
        market=broke,
        unknown_codes=pd.DataFrame(unknown),
    )
    return 1 if share > limit else 0


def planned_parts(workspace: Path) -> pd.DataFrame:
    """Part and quality that bids planned with in the month told last, as far as it can be read."""
    wanted = ["model_id", "part_quality"]
    told = pd.DataFrame({name: [] for name in (*wanted, "month")}, dtype=str)
    names = [f"{name}.csv" for name in ("thresholds", "bids")]
    files = [p for name in names for p in (workspace / "out").glob(f"[0-9]*-[0-9]*/{name}")]
    newest = max((p.parent.name for p in files), default="")
    for path in (p for p in files if p.parent.name == newest):
        try:
            rows = pd.read_csv(path, dtype=str, keep_default_na=False, usecols=wanted)[wanted]
        except (ValueError, OSError):
            continue
        rows = rows[rows["part_quality"] != ""].assign(month=newest)
        told = pd.concat([told, rows], ignore_index=True)
    return told


def _print_missing(missing: pd.DataFrame, most: int, currency: str) -> None:
    """Print what is missing as numbered cards, what moves bids most first."""
    if missing.empty:
        print("\nNothing is missing: every figure rests on own data.")
        return
    print("\nReadiness: what is missing, what it would do, how; what moves bids most first")
    for number, row in enumerate(missing.head(most).itertuples(), 1):
        moves = (
            "" if row.moves != row.moves else f" Leaves bids open by {currency} {row.moves:.0f}."
        )
        said = f"{number}. {row.missing}{moves} {row.unlocks}"
        print(wrapped(said))
        print(wrapped(f"  {row.how}"))
    if len(missing) > most:
        print(f"... and {len(missing) - most} more: check --most {len(missing)}")


TOPICS = ("mapping", "columns", "settings", "words", "classes")


def explain(options: Namespace) -> int:
    """Print one topic, or the part of it that a second word names."""
    topic, part = options.topic, options.part or ""
    if topic == "mapping":
        from repair_horizon.imports.manual import mapping_manual

        said = mapping_manual()
    elif topic == "columns":
        said = "\n\n".join(_columns(t) for t in _tables(part))
    elif topic == "settings":
        said = "\n".join(_settings(part))
    elif topic == "classes":
        said = "\n\n".join(_figures(known_figures(n)) for n in ([part] if part else CLASSES))
    else:
        said = "\n".join(_words(part))
    print(wrapped(said.rstrip("\n")))
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
    return [f"{word}\n" + indent(fill(text, NARROW - 4), "    ") for word, text in found.items()]
