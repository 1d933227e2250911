"""run.json: what a month was made from, so that it can be made again and compared.

Which families need not be made again: each keeps the hash of what it was made from.

The stamp lies beside a family's tables and is written last, so that a run broken off at any
moment leaves either a whole family or one that is made again.

Settings of a report: the workspace's own, with seed and draws replaced where asked.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from repair_horizon.logs import Fault, LogFault, Logs, Settings, read_settings
from repair_horizon.logs.reading import find_file
from repair_horizon.reports import notebooks as running
from repair_horizon.reports.last_month import last_month
from repair_horizon.reports.resuming import Stamp, digest, input_digests, program_files
from repair_horizon.tables.inputs import TABLES

_PACKAGES = ("repair-horizon", "numpy", "pandas", "scipy", "statsmodels", "plotly", "papermill")


def run_record(
    logs: Logs, settings: Settings, when: tuple[str, str], numbers: tuple[int | None, int | None]
) -> dict[str, object]:
    """Return the inputs of a month: hashes, versions, seed.

    Parameters
    ----------
    logs
        The whole workspace.
    settings
        Its settings.
    when
        Month (YYYY-MM) and last day known (YYYY-MM-DD).
    numbers
        Seed and draws that replace the settings' own, or None.
    """
    files = {n: find_file(logs.folder, t) for n, t in TABLES.items()}
    hashes = {n: _hash(p) for n, p in files.items() if p is not None}
    return {
        "month": when[0],
        "as_of": when[1],
        "cutoff": f"{logs.as_of(when[1]).newest_day:%Y-%m-%d}",
        "currency": logs.currency,
        "seed": settings.seed if numbers[0] is None else numbers[0],
        "draws": settings.draws if numbers[1] is None else numbers[1],
        "settings_sha256": _hash(logs.folder / "settings.toml"),
        "data_sha256": hashes,
        "versions": {"python": running.interpreter(), **_versions()},
    }


def _hash(path: Path) -> str:
    if path.is_dir():
        whole = hashlib.sha256()
        for file in sorted(p for p in path.rglob("*") if p.is_file()):
            whole.update(f"{file.relative_to(path)}\0{_hash(file)}\n".encode())
        return whole.hexdigest()
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


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

    Parameters
    ----------
    known
        The workspace, as of the last day the report knows of.
    folder
        The month's folder: last month's, beside it, is told of on the pages.
    shared
        Whatever else all pages are made with: month, seed and so on.
    """
    before = last_month(folder)
    files = [known.folder / "settings.toml", known.folder / "backtest" / "calibration.csv"]
    rules = None if before is None else before.rules
    inputs = input_digests(known, known.families, [*shared, rules, *map(_hash, files)])
    template = running.template_notebook().read_bytes()
    versions = sorted(_versions().items())
    program = digest([program_files(), template, running.interpreter(), *versions])
    return {f: Stamp(h, program) for f, h in inputs.items()}


def settings_for(workspace: str | Path, seed: str = "", draws: str = "") -> Settings:
    """Read the settings; ``seed`` and ``draws`` are whole numbers in text, empty to keep.

    Raises
    ------
    LogFault
        If the settings are faulty or a number is none.
    """
    changes: dict[str, Any] = {}
    for name, text in (("seed", seed), ("draws", draws)):
        if text and not text.isdigit():
            raise LogFault([Fault("report", None, name, text, "a whole number")])
        if text:
            changes[name] = int(text)
    return replace(read_settings(workspace), **changes)
