"""Charts as SVG and PNG, drawn by a Chromium of this machine if there is one."""

from __future__ import annotations

import base64
import html
import json
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

from repair_horizon.reports.page import SCRIPT_NAME, DrawnChart, drawing_script, safe_json

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
