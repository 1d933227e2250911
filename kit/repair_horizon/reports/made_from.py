"""What a month was made from, this one and the one before: record, stamps, rules.

``run.json`` says it so that a month can be made again and compared. A family's stamp lies beside
its tables and is written last, so that a run broken off at any moment leaves either a whole family
or one that is made again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import pandas as pd

from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.files.keeping import interpreter, program_files, versions
from repair_horizon.files.writing import write_text
from repair_horizon.logs import LogFault, Logs, Settings, read_settings
from repair_horizon.logs.reading import find_file
from repair_horizon.reports.month_tables import read_saved
from repair_horizon.tables.command_outputs import BACKTEST
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.months import month_word, parse_month

DONE, FAILED = "done", "failed"  # what can become of a family, as run.json says it
PAGE = "page.json"
_KEYS = ["family_id", "model_id", "listed_fault"]
# In a folder of its own, the copy is read as a workspace's settings are and not taken for them.
_USED, _SETTINGS, _VALUATION = "used", "settings.toml", "valuation.json"
_FILE = "made_from.json"
_PACKAGES = ("repair-horizon", "numpy", "pandas", "scipy", "statsmodels", "plotly", "papermill")


@dataclass(frozen=True)
class Stamp:
    """Hashes of a family's ``inputs`` (data, settings, numbers) and of the ``program``."""

    inputs: str = ""
    program: str = ""


NEVER = Stamp()


def template_notebook(name: str = "family_report.ipynb") -> Path:
    """Return one of the kit's notebooks: beside the package when installed, else the tree's."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "notebooks", package.parent.parent / "notebooks"):
        if (folder / name).is_file():
            return folder / name
    raise FileNotFoundError(f"{name} is missing from the installation")


def run_record(logs: Logs, settings: Settings, month: str, as_of: str) -> dict[str, object]:
    """Return what a month is made from: hashes of the whole workspace, versions, seed."""
    files = {n: find_file(logs.folder, t) for n, t in TABLES.items()}
    return {
        "month": month,
        "as_of": as_of,
        "cutoff": f"{logs.as_of(as_of).newest_day:%Y-%m-%d}",
        "currency": logs.currency,
        "seed": settings.seed,
        "draws": settings.draws,
        "settings_sha256": _hash(logs.folder / _SETTINGS),
        "data_sha256": {n: _hash(p) for n, p in files.items() if p is not None},
        "versions": {"python": interpreter(), **versions(_PACKAGES)},
    }


def _hash(path: Path) -> str:
    if path.is_dir():
        whole = hashlib.sha256()
        for file in sorted(p for p in path.rglob("*") if p.is_file()):
            whole.update(f"{file.relative_to(path)}\0{_hash(file)}\n".encode())
        return whole.hexdigest()
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def family_stamps(known: Logs, folder: Path, shared: Sequence[object]) -> dict[str, Stamp]:
    """Hash what each family's page is made from, and the program that makes it.

    ``folder`` is the month's: last month's, beside it, is told of on the pages. ``shared`` is
    whatever else all pages are made with.
    """
    files = [known.folder / _SETTINGS, known.folder / BACKTEST / "calibration.csv"]
    rules = last_month(folder).rules
    inputs = input_digests(known, known.families, [*shared, rules, *map(_hash, files)])
    template = template_notebook().read_bytes()
    program = digest(
        [program_files(), template, interpreter(), *sorted(versions(_PACKAGES).items())]
    )
    return {f: Stamp(h, program) for f, h in inputs.items()}


def digest(parts: Iterable[object]) -> str:
    """Hash a list of texts or bytes, each apart from the next."""
    whole = hashlib.sha256()
    for part in parts:
        data = part if isinstance(part, bytes) else str(part).encode("utf-8", "replace")
        whole.update(f"{len(data)}:".encode() + data)
    return whole.hexdigest()


def table_digest(table: pd.DataFrame) -> str:
    """Hash a table's values, types and order; where its rows stood in the file does not count."""
    kept = table.drop(columns="line", errors="ignore")
    values = pd.util.hash_pandas_object(kept, index=False).to_numpy().tobytes()
    return digest([list(kept.columns), [str(t) for t in kept.dtypes], len(kept), values])


def input_digests(known: Logs, families: Iterable[str], shared: Iterable[object]) -> dict[str, str]:
    """Hash what each family's page is made from, by family; ``shared`` is the same for all.

    Beside a family's own rows it covers what is read of others': jobs of the device class, the
    newest day, exchange rates, and the count of rows of the whole workspace, which every page
    states.
    """
    ledger = known.ledger
    common = digest(
        [
            *shared,
            known.currency,
            known.grade_order,
            known.newest_day,
            table_digest(ledger.counts()),
            table_digest(ledger.reasons()),
            *(n + table_digest(t) for n, t in known.tables.items() if not _owned(t)),
        ]
    )
    catalogue, jobs = known.tables["catalogue"], known.tables["repairs"]
    of_class = {
        kind: table_digest(jobs[jobs["model_id"].isin(rows["model_id"])])
        for kind, rows in catalogue.groupby("device_class")
    }
    out = {}
    for family in families:
        own = {n: t for n, t in known.family(family).tables.items() if _owned(t)}
        kinds = own["catalogue"]["device_class"].unique()
        rows = [n + table_digest(t) for n, t in own.items()]
        out[family] = digest([common, family, *(of_class[k] for k in kinds), *rows])
    return out


def _owned(table: pd.DataFrame) -> bool:
    return "family_id" in table or "model_id" in table


def keep_stamp(folder: Path, slug: str, stamp: Stamp, messages: str) -> None:
    """Write beside a family's tables what they and its page were made from."""
    record = {
        "inputs": stamp.inputs,
        "program": stamp.program,
        "messages": messages,
        "files": _hashes(folder, slug),
    }
    write_text(folder / "tables" / slug / _FILE, json.dumps(record, indent=1) + "\n")


def standing(folder: Path, slug: str) -> tuple[Stamp | None, str]:
    """Return the stamp and messages of a family whose files all stand as they were written."""
    try:
        record = json.loads((folder / "tables" / slug / _FILE).read_text(encoding="utf-8"))
        if record["files"] != _hashes(folder, slug) or not record["inputs"]:
            return None, ""
        return Stamp(str(record["inputs"]), str(record["program"])), str(record["messages"])
    except (OSError, ValueError, KeyError, TypeError):
        return None, ""


def _hashes(folder: Path, slug: str) -> dict[str, str]:
    kept = folder / "tables" / slug
    files = [folder / f"{slug}.html", *sorted(kept.glob("*.csv")), kept / PAGE]
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@dataclass(frozen=True, eq=False)
class Before:
    """What is known of the month before; what is not known of it is empty or None.

    ``known`` is the last day its report knew of (YYYY-MM-DD; for a month before the newest day
    empty), ``rules`` its own settings and ``valuation`` what hours, cash and risk cost then,
    where they were kept and can be read. Of a month that was written, ``month`` is YYYY-MM,
    ``settings`` the hash of its settings, and ``bids`` has family_id, model_id, listed_fault,
    max_bid, verdict.
    """

    known: str = ""
    rules: Settings | None = None
    valuation: Valuation | None = None
    month: str = ""
    settings: str = ""
    bids: pd.DataFrame | None = None


NOTHING_BEFORE = Before()


def last_month(folder: Path) -> Before:
    """Read the month before that of a folder ``out/YYYY-MM``.

    Nothing is known of one that was not written, or not whole enough to compare with.
    """
    try:
        month = month_word(parse_month(folder.name) - 1)
        before = folder.parent / month
        record = json.loads((before / "run.json").read_text(encoding="utf-8"))
        slugs = [f["slug"] for f in record["families"] if f["status"] == DONE]
        tables = [read_saved(before / "tables" / s, "thresholds") for s in slugs]
        parts = [t[[*_KEYS, "max_bid", "verdict"]] for t in tables if len(t)]
        cutoff, settings = str(record["cutoff"]), str(record["settings_sha256"])
    except (LogFault, OSError, ValueError, KeyError, TypeError):
        return NOTHING_BEFORE
    if not parts or pd.isna(pd.to_datetime(cutoff, format="%Y-%m-%d", errors="coerce")):
        return NOTHING_BEFORE
    kept, bids = before / _USED, pd.concat(parts, ignore_index=True)
    return Before(cutoff, _kept_rules(kept), _kept_valuation(kept), month, settings, bids)


def keep_rules(workspace: Path, folder: Path, valuation: Valuation) -> None:
    """Keep beside a month the settings it was made with, and what hours, cash and risk cost.

    Without them a later month could not tell a change of the market from a change of the rules.
    """
    source = workspace / _SETTINGS
    text = source.read_text(encoding="utf-8-sig") if source.is_file() else ""
    write_text(folder / _USED / _SETTINGS, text)
    write_text(folder / _USED / _VALUATION, json.dumps(asdict(valuation)))


def _kept_rules(kept: Path) -> Settings | None:
    try:
        return read_settings(kept) if (kept / _SETTINGS).is_file() else None
    except LogFault:
        return None


def _kept_valuation(kept: Path) -> Valuation | None:
    try:
        return Valuation(**json.loads((kept / _VALUATION).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def before_tables(known: str, tables: str | Path) -> Before:
    """Return what a family's page needs of last month.

    ``known`` is the last day known to last month's report (YYYY-MM-DD; empty if there is none),
    ``tables`` where this month's tables of the family go (``out/YYYY-MM/tables/FAMILY``); empty if
    nowhere, which says nothing of last month's settings.
    """
    if not known or not str(tables):
        return Before(known)
    return replace(last_month(Path(tables).resolve().parent.parent), known=known)


def with_last_month(rows: pd.DataFrame, before: Before) -> pd.DataFrame:
    """Add ``change`` of the bid and ``verdict_before`` to rows of thresholds, where known."""
    if before.bids is None or rows.empty:
        return rows
    old = before.bids.drop_duplicates(_KEYS).set_index(_KEYS)
    at = old.reindex(pd.MultiIndex.from_frame(rows[_KEYS].astype(str)))
    change = rows["max_bid"].to_numpy(float) - at["max_bid"].to_numpy(float)
    return rows.assign(change=change, verdict_before=at["verdict"].fillna("").to_numpy())
