"""Which families need not be made again: each keeps the hash of what it was made from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import write_text
from repair_horizon.logs import Logs

DONE, FAILED = "done", "failed"  # what can become of a family, as run.json says it


_FILE = "made_from.json"


@dataclass(frozen=True)
class Stamp:
    """Hashes of a family's ``inputs`` (data, settings, numbers) and of the ``program``."""

    inputs: str = ""
    program: str = ""


NEVER = Stamp()


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
    """Hash what each family's page is made from.

    Parameters
    ----------
    known
        The workspace, as of the last day the report knows of.
    families
        Identifiers.
    shared
        What all families' pages are made from besides the logs: settings, month, seed and so on.

    Returns
    -------
    dict
        Family to hash. Beside a family's own rows it covers what is read of others': jobs of the
        device class, the newest day, exchange rates, and the count of rows of the whole
        workspace, which every page states.
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
    files = [folder / f"{slug}.html", *sorted(kept.glob("*.csv")), kept / "page.json"]
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
