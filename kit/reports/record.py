"""run.json: what a month was made from, so that it can be made again and compared."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from kit.logs import Logs, Settings
from kit.logs.reading import find_file
from kit.logs.tables import TABLES
from kit.reports.running import DONE, FamilyRun, interpreter

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
        "versions": {"python": interpreter(), **_versions()},
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


def _earlier(folder: Path) -> dict[str, object]:
    try:
        found = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def same_inputs(folder: Path, record: dict[str, object]) -> bool:
    """Whether the month's folder was last written from the very same inputs."""
    earlier = _earlier(folder)
    return bool(earlier) and all(earlier.get(k) == v for k, v in record.items())


def earlier_runs(folder: Path) -> list[FamilyRun]:
    """Return families whose pages of an earlier run still stand in the folder."""
    listed = _earlier(folder).get("families")
    kept = []
    for entry in listed if isinstance(listed, list) else []:
        slug = str(entry.get("slug"))
        there = (folder / f"{slug}.html").is_file() and (folder / "tables" / slug).is_dir()
        if entry.get("status") == DONE and there:
            said = str(entry.get("messages", ""))
            kept.append(FamilyRun(str(entry["family_id"]), slug, DONE, 0.0, messages=said))
    return kept
