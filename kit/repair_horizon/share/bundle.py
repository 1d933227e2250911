"""``share_month``: a written month as one file to hand on, opening offline and telling no more.

Usually one HTML file with the index and every family's page, opened by a tap in a mail; an archive
of the month's folder, with tables and pictures, where one is asked for. Both are made from the
parts and tables kept beside the pages. The logs, the saved tables and the notebooks stay at home.
"""

from __future__ import annotations

import io
import json
import re
import sys
import tempfile
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from repair_horizon.files.writing import guarded, unguarded, workbook, write_whole
from repair_horizon.logs import Fault, LogFault
from repair_horizon.reports.made_from import DONE, PAGE
from repair_horizon.reports.page import COSTS, SUPPLIERS, PageParts
from repair_horizon.reports.sections.bids import COST_COLUMNS
from repair_horizon.share.single_page import browser, chart_pictures, figures, single_file

SINGLE_LIMIT = 6_000_000
HIDEABLE = (COSTS, SUPPLIERS)
_RECORD = ("month", "as_of", "cutoff", "currency", "seed", "draws", "settings_sha256")
_SLUG = re.compile(r"[a-z0-9][a-z0-9_-]{0,90}")
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)  # the oldest a zip can say: a bundle tells no hour of work
_READ_ME = """Open month.html in a browser; it needs no network.
thresholds.csv and thresholds.xlsx hold the same figures for a spreadsheet.
pictures holds every chart as SVG and PNG. {note}
Rows set aside are told without what stood in them, the run's record without messages.
Orientation only: check registry, ownership and locks before every bid; local law comes first.
{invented}
"""


@dataclass(frozen=True)
class Shared:
    """What was written: the file, its size in bytes, what is in it, and notes to the partner."""

    path: Path
    size: int
    files: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Written:
    """A written month as it is kept: record, index and pages, fit to leave the house."""

    folder: Path
    record: dict[str, Any]
    title: str
    invented: str
    index: str
    pages: dict[str, PageParts]
    places: tuple[str, ...]


def share_month(
    month_folder: str | Path,
    out: str | Path,
    family: str | None = None,
    *,
    hide: Sequence[str] = (),
    pictures: bool = True,
) -> Shared:
    """Write a month, or one family's page, as one file.

    Parameters
    ----------
    month_folder
        Folder of a written month.
    out
        File to write: an HTML page, or a zip by its ending. An old one is replaced whole.
    family
        The only family wanted; the whole month if None.
    hide
        What is left out, of ``HIDEABLE``: costs, profits and margins; suppliers.
    pictures
        Whether an archive has the charts as pictures too.

    Raises
    ------
    LogFault
        If the month was not written, has no page of the family, or cannot hide what is asked.
    """
    unknown = [h for h in hide if h not in HIDEABLE]
    if unknown:
        allowed = "one of " + ", ".join(HIDEABLE)
        raise LogFault([Fault("--hide", None, "", h, allowed) for h in unknown])
    month, target = _written(Path(month_folder), family, hide), Path(out)
    page = _single(month, family)
    if target.suffix.lower() != ".zip":
        return _written_single(target, page)
    files, notes = _bundle(month, hide)
    files["month.html"] = page.encode("utf-8")
    if pictures:
        notes += _add_pictures(files, month)
    told = _READ_ME.format(note=" ".join(notes), invented=month.invented)
    files["READ_ME.txt"] = told.encode("utf-8")
    # By the folder: what the record says may hold a path, which an archive must not.
    whole = _zipped(files, f"repair-horizon-{month.folder.resolve().name}")
    write_whole(target, whole)
    return Shared(target, len(whole), tuple(sorted(files)), tuple(notes))


def _written(folder: Path, family: str | None, hide: Sequence[str]) -> Written:
    record = _record(folder)
    slugs = {str(f["family_id"]): str(f["slug"]) for f in _done(record)}
    if family is not None and family not in slugs:
        raise LogFault([Fault("--family", None, "", family, _one_of(slugs))])
    wanted = list(slugs.values()) if family is None else [slugs[family]]
    places, tables = own_places(folder), folder / "tables"
    read = [folder / "index.html", tables, tables / "index.json"]
    for path in [*read, *(tables / s for s in wanted), *(tables / s / PAGE for s in wanted)]:
        _own(path)
    try:
        kept = json.loads((folder / "tables" / "index.json").read_text(encoding="utf-8"))
        body = kept["bodies"]["without costs" if COSTS in hide else "whole"]
        title, invented = str(kept["title"]), str(kept["invented"])
        pages = {s: PageParts.load(folder / "tables" / s / PAGE).without(hide) for s in wanted}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        allowed = "a month whose pages are kept; run 'repair-horizon report' again"
        raise LogFault([Fault(folder.name, None, "", "no kept pages", allowed)]) from None
    return Written(folder, record, title, invented, body, pages, places)


def _single(month: Written, family: str | None) -> str:
    title, index = month.title, month.index
    if family is not None:
        title, index = next(iter(month.pages.values())).title, ""
    return scrubbed(single_file(month.pages, title, index), month.places)


def _record(folder: Path) -> dict[str, Any]:
    """Return the month's record; it says which pages belong to it."""
    try:
        found = json.loads(_own(folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not (folder / "index.html").is_file():
        allowed = "a month written by 'repair-horizon report'"
        raise LogFault([Fault(folder.name, None, "", "no written month", allowed)])
    return found


def _listed(record: dict[str, Any]) -> list[Any]:
    listed = record.get("families")
    return listed if isinstance(listed, list) else []


def _done(record: dict[str, Any]) -> list[dict[str, Any]]:
    rows = _listed(record)
    done = [f for f in rows if isinstance(f, dict) and f.get("status") == DONE]
    for family in done:
        name = str(family.get("slug"))
        if not _SLUG.fullmatch(name) or "family_id" not in family:
            allowed = "names of pages as 'repair-horizon report' gives them"
            raise LogFault([Fault("run.json", None, "slug", name, allowed)])
    return done


def _one_of(slugs: dict[str, str]) -> str:
    return "one of " + ", ".join(slugs) if slugs else "no family: none was written"


def _own(path: Path) -> Path:
    """Refuse a link: a bundle holds what the month's folder holds, nothing from elsewhere."""
    if path.is_symlink():
        allowed = "a file of the month itself"
        raise LogFault([Fault(path.name, None, "", "a link to another place", allowed)])
    return path


def _written_single(target: Path, page: str) -> Shared:
    data = page.encode("utf-8")
    write_whole(target, data)
    heavy = f"{len(data):,} bytes, above the {SINGLE_LIMIT:,} that most mail takes"
    notes = (heavy,) if len(data) >= SINGLE_LIMIT else ()
    return Shared(target, len(data), (target.name,), notes)


def _bundle(month: Written, hide: Sequence[str]) -> tuple[dict[str, bytes], list[str]]:
    """Return the archive's tables and record by name, and what to tell the partner."""
    thresholds = _table(month.folder / "thresholds.csv", month.places)
    if COSTS in hide:
        thresholds = thresholds.drop(columns=[c for c in COST_COLUMNS if c in thresholds])
    texts = {
        "thresholds.csv": thresholds.to_csv(index=False, lineterminator="\n"),
        "set_aside.csv": _set_aside(_table(month.folder / "set_aside.csv", month.places)),
        "run.json": scrubbed(_record_text(month.record), month.places),
    }
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    files["thresholds.xlsx"] = workbook(thresholds)
    failed = len(_listed(month.record)) - len(month.pages)
    return files, [f"Families without a page: {failed}."] if failed else []


def _table(path: Path, places: tuple[str, ...]) -> pd.DataFrame:
    """Read a table of the month as text, fit to leave the house."""
    if not _own(path).is_file():
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


def _add_pictures(files: dict[str, bytes], month: Written) -> list[str]:
    """Add every page's charts as SVG and PNG; say so where no browser draws them."""
    chromium = browser()
    if chromium is None:
        return ["Left out: no Chromium here to draw the charts as pictures."]
    try:
        drawn = chart_pictures(figures(month.pages), chromium, month.invented)
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


MAIL_GONE, PATH_GONE = "[e-mail left out]", "[path left out]"

# A local part, an at sign and a domain with a dot: addresses as RFC 5322's dot-atoms, and the
# escaped at sign of JSON and HTML.
_MAIL = re.compile(r"[\w.!#$%&'*+/=?^`{|}~-]+(?:@|&#64;|\\u0040)[\w-]+(?:\.[\w-]+)+")
# Two folders or more below the root, a drive letter, a share, or a file address. A word before
# the slash ('EUR/h', '11/2026', 'text/html') is no path, nor is a closing tag.
_PATHS = re.compile(
    r"file:/{1,3}[^\s\"'<>\\]+"
    r"|(?<![\w.<+:/&;{}%)\]-])/[\w.@~-]+(?:/[\w.@~+-]+)+"
    r"|(?<![A-Za-z0-9])[A-Za-z]:(?:/(?!/)|\\{1,2}(?!u[0-9a-f]{4}))[^\s\"'<>|]+"
    r"|(?<!\\)\\\\{1,3}[A-Za-z0-9][\w.$-]*(?:\\{1,2}[\w.$ -]+)+"
)
# Left as they are: nothing of the logs stands in scripts and styles, and the page's policy holds
# their hashes; a chart's figures written in base64 may look like a path.
_KEPT = re.compile(
    r"<script(?![^>]*application/json)[^>]*>.*?</script>|<style[^>]*>.*?</style>"
    r"|<meta[^>]*Content-Security-Policy[^>]*>"
    r'|"bdata":\s*"[A-Za-z0-9+/=]*"',
    re.DOTALL | re.IGNORECASE,
)


def own_places(folder: Path) -> tuple[str, ...]:
    """Places on this machine that must not be told: a folder, home, interpreter, temporary files.

    A place right below the root or shorter than five characters is left out, since as a mere
    word it could stand anywhere.
    """
    found = {str(folder), str(folder.resolve()), str(Path.home()), sys.prefix, str(Path.cwd())}
    found |= {tempfile.gettempdir()}
    long = [p for p in found if len(p) >= 5]
    return tuple(sorted(long, key=len, reverse=True))


def scrubbed(text: str, places: Sequence[str] = ()) -> str:
    """Return a text without e-mail addresses and without paths.

    Parameters
    ----------
    text
        Any text; of HTML, scripts, styles and charts' figures are not touched.
    places
        Folders known to be this machine's, as ``own_places`` tells them.
    """
    out, at = [], 0
    for kept in _KEPT.finditer(text):
        out += [_plain(text[at : kept.start()], places), kept.group()]
        at = kept.end()
    return "".join([*out, _plain(text[at:], places)])


def _plain(text: str, places: Sequence[str]) -> str:
    for place in places:
        text = re.sub(rf"(?<![\w.-]){re.escape(place)}(?![\w-])[\w.@~+/-]*", PATH_GONE, text)
    return _MAIL.sub(MAIL_GONE, _PATHS.sub(PATH_GONE, text))
