"""``share_month``: a written month as one file to hand on, opening offline and telling no more.

The bundle holds the index, the pages, the drawing script once, thresholds as CSV and XLSX, the
rows set aside without what stood in them, the run's record without messages, and the charts as
pictures where a browser is there to draw them. The logs, the saved tables and the notebooks stay
at home. One family goes out as a single HTML file.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from repair_horizon.files.workbook import workbook
from repair_horizon.files.writing import guarded, unguarded, write_whole
from repair_horizon.logs import Fault, LogFault
from repair_horizon.reports.page import SCRIPT_NAME, drawing_script
from repair_horizon.reports.resuming import DONE
from repair_horizon.reports.scrubbing import own_places, scrubbed
from repair_horizon.share.pictures import browser, chart_pictures
from repair_horizon.share.single_page import single_page

SINGLE_LIMIT = 2_000_000
_RECORD = ("month", "as_of", "cutoff", "currency", "seed", "draws", "settings_sha256")
_LOCAL_LINK = re.compile(r'<a\s[^>]*?href="(?!#)([^"]*)"[^>]*>(.*?)</a>', re.DOTALL)
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)  # the oldest a zip can say: a bundle tells no hour of work
_READ_ME = """Open index.html in a browser; it needs no network.
thresholds.csv and thresholds.xlsx hold the same figures for a spreadsheet.
pictures holds every chart as SVG and PNG. {note}
Rows set aside are told without what stood in them, the run's record without messages.
"""


@dataclass(frozen=True)
class Shared:
    """What was written: the file, its size in bytes, what is in it, and notes to the partner."""

    path: Path
    size: int
    files: tuple[str, ...]
    notes: tuple[str, ...]


def share_month(
    month_folder: str | Path, out: str | Path, family: str | None = None, *, pictures: bool = True
) -> Shared:
    """Write a month, or one family's page, as one file.

    Parameters
    ----------
    month_folder
        Folder of a written month.
    out
        File to write: a zip, or an HTML page for one family. An old one is replaced whole.
    family
        The only family wanted; the whole month if None.
    pictures
        Whether to draw the charts as pictures too.

    Returns
    -------
    Shared

    Raises
    ------
    LogFault
        If the month was not written, or has no page of the family.
    """
    folder, target = Path(month_folder), Path(out)
    record = _record(folder)
    slugs = {str(f["family_id"]): str(f["slug"]) for f in _done(record)}
    places = own_places(folder)
    if family is not None:
        if family not in slugs:
            raise LogFault([Fault("--family", None, "", family, _one_of(slugs))])
        page = scrubbed(_text(folder / f"{slugs[family]}.html"), places)
        return _written_single(target, single_page(page))
    files, notes = _bundle(folder, record, places)
    if pictures:
        notes += _add_pictures(files, list(slugs.values()))
    files["READ_ME.txt"] = _READ_ME.format(note=" ".join(notes)).encode("utf-8")
    whole = _zipped(files, f"repair-horizon-{record.get('month', folder.name)}")
    write_whole(target, whole)
    return Shared(target, len(whole), tuple(sorted(files)), tuple(notes))


def _record(folder: Path) -> dict[str, Any]:
    """Return the month's record; it says which pages belong to it."""
    try:
        found = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or not (folder / "index.html").is_file():
        allowed = "a month written by 'repair-horizon report'"
        raise LogFault([Fault(folder.name, None, "", "no written month", allowed)])
    return found


def _done(record: dict[str, Any]) -> list[dict[str, Any]]:
    listed = record.get("families")
    rows = listed if isinstance(listed, list) else []
    return [f for f in rows if isinstance(f, dict) and f.get("status") == DONE]


def _one_of(slugs: dict[str, str]) -> str:
    return "one of " + ", ".join(slugs) if slugs else "no family: none was written"


def _text(path: Path) -> str:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return file.read()
    except (OSError, UnicodeDecodeError):
        allowed = "a page written by 'repair-horizon report'"
        raise LogFault([Fault(path.name, None, "", "no readable file", allowed)]) from None


def _written_single(target: Path, page: str) -> Shared:
    data = page.encode("utf-8")
    write_whole(target, data)
    heavy = f"{len(data):,} bytes, above the {SINGLE_LIMIT:,} that any mail takes"
    notes = (heavy,) if len(data) >= SINGLE_LIMIT else ()
    return Shared(target, len(data), (target.name,), notes)


def _bundle(
    folder: Path, record: dict[str, Any], places: tuple[str, ...]
) -> tuple[dict[str, bytes], list[str]]:
    """Return the bundle's files by name, and what to tell the partner."""
    names = ["index.html", *(f"{f['slug']}.html" for f in _done(record))]
    thresholds = _table(folder / "thresholds.csv", places)
    texts = {
        SCRIPT_NAME: drawing_script(),
        "thresholds.csv": thresholds.to_csv(index=False, lineterminator="\n"),
        "set_aside.csv": _set_aside(_table(folder / "set_aside.csv", places)),
        "run.json": scrubbed(_record_text(record), places),
    }
    for name in names:
        page = scrubbed(_text(folder / name), places)
        texts[name] = _linked_within(page, {*names, *texts})
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    files["thresholds.xlsx"] = workbook(thresholds)
    failed = len(record.get("families", [])) - len(names) + 1
    return files, [f"Families without a page: {failed}."] if failed else []


def _table(path: Path, places: tuple[str, ...]) -> pd.DataFrame:
    """Read a table of the month as text, fit to leave the house."""
    if not path.is_file():
        return pd.DataFrame()
    table = unguarded(pd.read_csv(path, dtype=str, keep_default_na=False))
    return table.apply(lambda column: column.map(lambda v: guarded(scrubbed(v, places))))


def _set_aside(rows: pd.DataFrame) -> str:
    """Rows not used, without what stood in them: that may be anything, also a name."""
    kept = [c for c in rows.columns if c not in ("found", "row_id")]
    return str(rows[kept].to_csv(index=False, lineterminator="\n"))


def _record_text(record: dict[str, Any]) -> str:
    """Return the record with hashes, versions and what became of each family, no messages."""
    out = {k: record[k] for k in (*_RECORD, "data_sha256", "versions") if k in record}
    rows = [f for f in record.get("families", []) if isinstance(f, dict)]
    told = [{k: f.get(k) for k in ("family_id", "slug", "status")} for f in rows]
    return json.dumps({**out, "families": told}, indent=1, ensure_ascii=False) + "\n"


def _linked_within(page: str, names: set[str]) -> str:
    """Keep links to files of the bundle; others become plain words."""
    return _LOCAL_LINK.sub(
        lambda m: m.group(0) if m.group(1).partition("#")[0] in names else m.group(2), page
    )


def _add_pictures(files: dict[str, bytes], slugs: list[str]) -> list[str]:
    """Add every page's charts as SVG and PNG; say so where no browser draws them."""
    chromium = browser()
    if chromium is None:
        return ["Left out: no Chromium here to draw the charts as pictures."]
    pages = {slug: files[f"{slug}.html"].decode("utf-8") for slug in slugs}
    try:
        drawn = chart_pictures(pages, chromium)
    except RuntimeError as error:
        return [f"Left out: the charts as pictures, since {error}."]
    files |= {f"pictures/{name}": data for name, data in drawn.items()}
    return []


def _zipped(files: dict[str, bytes], top: str) -> bytes:
    """Pack the files into one folder; the same files always give the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as bundle:
        for name in sorted(files):
            entry = zipfile.ZipInfo(f"{top}/{name}", _FIRST_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o600 << 16
            bundle.writestr(entry, files[name])
    return out.getvalue()
