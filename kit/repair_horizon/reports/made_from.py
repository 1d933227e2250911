"""What a month was made from: its record, and the stamps by which families' pages are kept.

``run.json`` says it so that a month can be made again and compared. A family's stamp lies beside
its tables and is written last, so that a run broken off at any moment leaves either a whole family
or one that is made again.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import write_text
from repair_horizon.logs import Logs, Settings
from repair_horizon.logs.reading import find_file
from repair_horizon.reports.last_month import last_month
from repair_horizon.tables.inputs import TABLES

PAGE = "page.json"
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
        "settings_sha256": _hash(logs.folder / "settings.toml"),
        "data_sha256": {n: _hash(p) for n, p in files.items() if p is not None},
        "versions": {"python": _interpreter(), **_versions()},
    }


def _hash(path: Path) -> str:
    if path.is_dir():
        whole = hashlib.sha256()
        for file in sorted(p for p in path.rglob("*") if p.is_file()):
            whole.update(f"{file.relative_to(path)}\0{_hash(file)}\n".encode())
        return whole.hexdigest()
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _interpreter() -> str:
    return ".".join(str(n) for n in sys.version_info[:3])


def _versions() -> dict[str, str]:
    out = {}
    for name in _PACKAGES:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed"
    return out


def family_stamps(known: Logs, folder: Path, shared: Sequence[object]) -> dict[str, Stamp]:
    """Hash what each family's page is made from, and the program that makes it.

    ``folder`` is the month's: last month's, beside it, is told of on the pages. ``shared`` is
    whatever else all pages are made with.
    """
    before = last_month(folder)
    files = [known.folder / "settings.toml", known.folder / "backtest" / "calibration.csv"]
    rules = None if before is None else before.known.rules
    inputs = input_digests(known, known.families, [*shared, rules, *map(_hash, files)])
    template = template_notebook().read_bytes()
    program = digest([program_files(), template, _interpreter(), *sorted(_versions().items())])
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


@cache
def program_files() -> str:
    """Hash every file of the package, so that a change of the program is seen without a number."""
    root = Path(__file__).resolve().parent.parent
    files = sorted(p for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    return digest(x for p in files for x in (p.relative_to(root), p.read_bytes()))


def keep_stamp(folder: Path, slug: str, stamp: Stamp, messages: str) -> None:
    """Write beside a family's tables what they and its page were made from."""
    record = {
        "inputs": stamp.inputs,
        "program": stamp.program,
        "messages": messages,
        "files": _hashes(folder, slug),
    }
    write_text(folder / "tables" / slug / _FILE, json.dumps(record, indent=1) + "\n")


def standing(folder: Path, slug: str) -> tuple[Stamp, str] | None:
    """Return the stamp and messages of a family whose files all stand as they were written."""
    try:
        record = json.loads((folder / "tables" / slug / _FILE).read_text(encoding="utf-8"))
        if not isinstance(record, Mapping) or record["files"] != _hashes(folder, slug):
            return None
        stamp = Stamp(str(record["inputs"]), str(record["program"]))
        return (stamp, str(record["messages"])) if stamp.inputs else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _hashes(folder: Path, slug: str) -> dict[str, str]:
    kept = folder / "tables" / slug
    files = [folder / f"{slug}.html", *sorted(kept.glob("*.csv")), kept / PAGE]
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
