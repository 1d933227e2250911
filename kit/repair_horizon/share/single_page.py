"""A month, or one family, as one file that draws its charts anywhere; charts as pictures.

It is set from the parts kept beside the pages. The drawing library and the charts' data are packed
together: gzip, then every 13 bits as two of 91 printable characters, which is 23 % longer than the
bytes where base64 is 33 %. A few lines of script unpack them (``DecompressionStream``: browsers
since 2023). Without it the file still shows its words, tables and the pictures at a glance, and
says what is missing.
"""

from __future__ import annotations

import base64
import gzip
import html
import json
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from markupsafe import Markup

from repair_horizon.reports.index import INDEX_SCRIPTS
from repair_horizon.reports.page import (
    SCRIPT_NAME,
    Block,
    DrawnChart,
    PageParts,
    content_policy,
    drawing_script,
    read_template,
    rendered,
    safe_json,
)

# Printable ASCII without what ends a script element or an attribute.
DIGITS = "".join(chr(c) for c in range(33, 127) if chr(c) not in '<&"')
NEEDS = "This chart needs a browser of 2023 or later with scripts allowed."


def pack(data: bytes) -> str:
    """Write bytes as printable characters, 13 bits to every two."""
    bits = np.unpackbits(np.frombuffer(data, dtype="uint8"))
    padded = np.concatenate([bits, np.zeros(-len(bits) % 13, dtype="uint8")]).reshape(-1, 13)
    values = padded @ (1 << np.arange(12, -1, -1))
    digits = np.frombuffer(DIGITS.encode("ascii"), dtype="uint8")
    return np.column_stack([digits[values // 91], digits[values % 91]]).tobytes().decode("ascii")


def single_file(pages: Mapping[str, PageParts], title: str, index: str = "") -> str:
    """Set pages, parts by slug, into one file that needs nothing beside it.

    ``index`` is finished HTML; without one the first page is the whole file.
    """
    charts: dict[str, str] = {}
    bare = {slug: _bare(slug, parts, charts) for slug, parts in pages.items()}
    more = INDEX_SCRIPTS if index else ()
    scripts = [drawing_script(), *(read_template(n) for n in ("draw.js", *more))]
    what = {"scripts": scripts, "charts": charts}
    squeezed = gzip.compress(json.dumps(what).encode("utf-8"), 9, mtime=0)
    reader = read_template("unpack.js")
    return rendered(
        "share.html.j2",
        [reader],
        content_policy([*scripts, reader], beside=""),
        title=title,
        index=Markup(index),
        pages=bare,
        missing=NEEDS,
        digits=Markup(DIGITS),
        packed=Markup(pack(squeezed)),
        size=len(squeezed),
    )


def _bare(slug: str, parts: PageParts, charts: dict[str, str]) -> PageParts:
    """Take the charts' data out of a page's parts, each under the name it is drawn by."""
    count = 0
    blocks: list[Block] = []
    for block in parts.blocks:
        pieces: list[str | DrawnChart] = []
        for piece in block.pieces:
            if isinstance(piece, DrawnChart):
                count += 1
                charts[f"{slug}-{count}-data"] = piece.json
                piece = replace(piece, json="")
            pieces.append(piece)
        blocks.append(replace(block, pieces=tuple(pieces)))
    return replace(parts, blocks=tuple(blocks))


def figures(pages: Mapping[str, PageParts]) -> dict[str, DrawnChart]:
    """Return every chart of some pages by page and place: ``phone-1``, ``phone-2``."""
    return {f"{slug}-{n}": c for slug, parts in pages.items() for n, c in _numbered(parts.blocks)}


def _numbered(blocks: Sequence[Block]) -> list[tuple[int, DrawnChart]]:
    found = [p for b in blocks for p in b.pieces if isinstance(p, DrawnChart)]
    return list(enumerate(found, 1))


_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
_DRAWN = re.compile(r'<pre id="drawn">(.*?)</pre>', re.DOTALL)
_WIDTH, _LINE = 860, 92
_SCALE = 1.5  # points of a PNG per point of the chart: sharp small print, a bundle fit for mail
_SECONDS = 180
# The first two draw without a screen or a graphics card, the rest keep the browser from asking
# anything of a network.
_FLAGS = (
    "--headless=new",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--virtual-time-budget=120000",
    "--dump-dom",
)
_DRAW = """
(async function () {
  var out = [];
  const SCALE = Number(document.getElementById("figures").dataset.scale);
  for (const figure of JSON.parse(document.getElementById("figures").textContent)) {
    var size = {width: figure.layout.width, height: figure.layout.height};
    var svg = await Plotly.toImage(figure, Object.assign({format: "svg"}, size));
    var png = await Plotly.toImage(figure, Object.assign({format: "png", scale: SCALE}, size));
    out.push([decodeURIComponent(svg.slice(svg.indexOf(",") + 1)),
      png.slice(png.indexOf(",") + 1)]);
  }
  var drawn = document.createElement("pre");
  drawn.id = "drawn";
  drawn.textContent = JSON.stringify(out);
  document.body.appendChild(drawn);
})();
"""


def browser() -> str | None:
    """Return a Chromium of this machine, None if there is none."""
    return next((found for name in _NAMES if (found := shutil.which(name))), None)


def chart_pictures(
    charts: Mapping[str, DrawnChart], chromium: str, note: str = ""
) -> dict[str, bytes]:
    """Draw charts in one run of the browser: an SVG and a PNG each (``phone-1.svg``).

    Each has its conclusion as title, on white, and ``note`` inside it: that the data are invented.

    Raises ``RuntimeError`` if the browser does not draw them, with the reason.
    """
    wanted = {name: _figure(chart, note) for name, chart in charts.items()}
    if not wanted:
        return {}
    with tempfile.TemporaryDirectory(prefix="pictures-") as place:
        folder = Path(place)
        (folder / SCRIPT_NAME).write_text(drawing_script(), encoding="utf-8", newline="")
        data = safe_json(list(wanted.values()))
        text = (
            '<!DOCTYPE html><meta charset="utf-8"><body>'
            f'<script type="application/json" id="figures" data-scale="{_SCALE}">{data}</script>'
            f'<script src="{SCRIPT_NAME}"></script><script>{_DRAW}</script>'
        )
        (folder / "draw.html").write_text(text, encoding="utf-8", newline="")
        dom = _dump(chromium, folder)
    done = _DRAWN.search(dom)
    drawn = json.loads(html.unescape(done.group(1))) if done else []
    if len(drawn) != len(wanted):
        raise RuntimeError("the browser did not finish drawing")
    out: dict[str, bytes] = {}
    for name, (svg, png) in zip(wanted, drawn, strict=True):
        out |= {f"{name}.svg": svg.encode("utf-8"), f"{name}.png": base64.b64decode(png)}
    return out


def _figure(chart: DrawnChart, note: str) -> dict[str, object]:
    """Return one chart's data with its conclusion put back as title, broken into lines."""
    figure: dict[str, dict[str, object]] = json.loads(chart.json)
    lines = _lines(chart.title)
    said = " ".join([note, "Orientation only: local law and licensed practice come first."]).strip()
    layout = figure["layout"]
    margin = dict(layout.get("margin") or {})  # type: ignore[call-overload]
    shown = "<br>".join(html.escape(line, quote=False) for line in lines)
    layout["title"] = {"text": shown, "x": 0.01, "y": 0.98, "yanchor": "top", "font": {"size": 14}}
    low = float(margin.get("b", 40)) + 24
    layout["margin"] = {**margin, "t": 24 + 20 * len(lines), "b": low}
    notes = list(layout.get("annotations") or [])  # type: ignore[call-overload]
    at = {"x": 0, "y": 0, "xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "top"}
    under = {"text": html.escape(said, quote=False), "showarrow": False, "yshift": -low + 18}
    layout["annotations"] = [*notes, {**at, **under, "font": {"size": 10}}]
    layout["height"] = float(str(layout.get("height", 380))) + 24 + 20 * len(lines)
    layout |= {"width": _WIDTH, "paper_bgcolor": "#ffffff", "font": {"color": "#40474e"}}
    return dict(figure)


def _lines(words: str) -> list[str]:
    out = [""]
    for word in words.split(" "):
        if out[-1] and len(out[-1]) + 1 + len(word) > _LINE:
            out.append(word)
        else:
            out[-1] = f"{out[-1]} {word}".strip()
    return out


def _dump(chromium: str, folder: Path) -> str:
    """Return the drawn document's text."""
    # A browser refuses to lock itself in when it runs as root, as it does in a container.
    root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    profile = f"--user-data-dir={folder / 'profile'}"
    command = [chromium, *_FLAGS, *root, profile, (folder / "draw.html").as_uri()]
    try:
        run = subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise RuntimeError(f"the browser failed: {type(error).__name__}") from None
    return run.stdout.decode("utf-8", "replace")
