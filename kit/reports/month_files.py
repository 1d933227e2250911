"""Files of a month besides the families' pages: index, thresholds, rows set aside, record."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.logs import Logs, Settings
from kit.reports.choosing import short_names
from kit.reports.decision_tables import THRESHOLD_COLUMNS
from kit.reports.index import IndexPage, index_html
from kit.reports.last_month import keep_rules, last_month
from kit.reports.resuming import DONE
from kit.reports.running import FamilyRun
from kit.reports.writing import (
    for_spreadsheet,
    month_columns,
    read_saved,
    write_table,
    write_text,
)


@dataclass(frozen=True, eq=False)
class Known:
    """A month (YYYY-MM), the logs as known for it, and the settings."""

    month: str
    logs: Logs
    settings: Settings


def write_month_files(
    folder: Path, runs: Sequence[FamilyRun], known: Known, record: dict[str, object]
) -> None:
    """Write index.html, thresholds.csv, set_aside.csv, run.json and the settings used.

    Parameters
    ----------
    folder
        The month's folder, with the families' saved tables.
    runs
        What became of each family.
    known
        The month and its logs.
    record
        From ``run_record``.
    """
    places = {r.family_id: folder / "tables" / r.slug for r in runs if r.status == DONE}
    tables = {f: _saved_thresholds(place) for f, place in places.items()}
    empty = pd.DataFrame(columns=THRESHOLD_COLUMNS)
    parts = [t[THRESHOLD_COLUMNS] for t in tables.values() if len(t)]
    thresholds = pd.concat(parts, ignore_index=True) if parts else empty
    write_table(folder / "thresholds.csv", for_spreadsheet(month_columns(_rounded(thresholds))))
    write_table(folder / "set_aside.csv", for_spreadsheet(known.logs.ledger.exceptions))
    shelves = [read_saved(p / "shelf.csv").assign(family_id=f) for f, p in places.items()]
    owned = [s for s in shelves if len(s)]
    page = IndexPage(
        month=known.month,
        families=runs,
        thresholds=tables,
        shelf=pd.concat(owned, ignore_index=True) if owned else pd.DataFrame(),
        changes={f: read_saved(p / "changes.csv") for f, p in places.items()},
        before=last_month(folder),
        settings_hash=str(record["settings_sha256"]),
        invented=invented_note(known.logs.folder),
    )
    write_text(folder / "index.html", index_html(page, known.logs, known.settings))
    keep_rules(known.logs.folder, folder)
    write_text(folder / "run.json", record_text(record, runs))


def _saved_thresholds(folder: Path) -> pd.DataFrame:
    """Thresholds of a family, with short model names and the day of each one's newest sale."""
    models = read_saved(folder / "models.csv").set_index("model_id")
    models["short"] = short_names(models["model_name"].tolist())
    table = read_saved(folder / "thresholds.csv")
    return table.assign(
        newest_sale=table["model_id"].map(models["newest_sale"]),
        model_name=table["model_id"].map(models["short"]),
    )


def _rounded(table: pd.DataFrame) -> pd.DataFrame:
    """Money to cents, chances to four places."""
    places = {c: 4 if c.startswith("probability") else 2 for c in table.select_dtypes("number")}
    return table.round(places)


def record_text(record: dict[str, object], runs: Iterable[FamilyRun]) -> str:
    """Return run.json: the inputs' record and what became of each family."""
    families = [
        {
            "family_id": r.family_id,
            "slug": r.slug,
            "status": r.status,
            "reason": r.reason,
            "messages": r.messages,
            "inputs_sha256": r.inputs,
        }
        for r in runs
    ]
    return json.dumps({**record, "families": families}, indent=1, ensure_ascii=False) + "\n"


def invented_note(workspace: Path) -> str:
    """Return what to print on every page if the workspace says that its data are invented."""
    readme = workspace / "README.md"
    text = readme.read_text(encoding="utf-8", errors="replace") if readme.is_file() else ""
    if (
        not (workspace / "INVENTED.txt").is_file()
        and "everything here is invented" not in text.lower()
    ):
        return ""
    first = next((line.strip("# ").strip() for line in text.splitlines() if line.strip()), "")
    return f"{first + ': ' if first else ''}everything here is invented, not measured."
