"""An executed notebook as one quiet HTML page: no code, no request, charts drawn from data.

Charts stay data in the notebook; the page carries that data and one small script draws it with
``plotly.min.js``, which lies once in the month's folder. The content policy lets through this
page's own scripts by their hash and that one file, and nothing else.
"""

from __future__ import annotations

import base64
import copy
import hashlib
import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from nbconvert.exporters import HTMLExporter, TemplateExporter
from plotly.offline import get_plotlyjs

from repair_horizon.reports.html import FIGURE_TYPE

_TEMPLATES = Path(__file__).parent / "templates"
SCRIPT_NAME = "plotly.min.js"
_KNOWN = (FIGURE_TYPE, "text/html", "text/plain")


@dataclass(frozen=True)
class PageWords:
    """What a page says besides its notebook: title, and a note if the data are invented."""

    title: str
    invented: str = ""


def page_html(notebook: Any, words: PageWords, *, whole: bool = False) -> str:
    """Turn an executed notebook into a page.

    Parameters
    ----------
    notebook
        The executed notebook (``nbformat.NotebookNode``).
    words
        Title and note.
    whole
        Whether to put the drawing library (about 5 MB) into the page itself, for a page that is
        sent alone; otherwise ``plotly.min.js`` must lie beside it.

    Returns
    -------
    str
        The page.

    Raises
    ------
    ValueError
        If an output is of a kind the page cannot show, rather than leave it out.
    """
    notebook = copy.deepcopy(notebook)
    _prepare_charts(notebook)
    draw, bundle = read_template("draw.js"), get_plotlyjs() if whole else ""
    resources = {
        "page_title": words.title,
        "invented": words.invented,
        "style": read_template("style.css"),
        "draw": draw,
        "bundle": bundle,
        "policy": content_policy([s for s in (draw, bundle) if s]),
    }
    html, _ = _exporter().from_notebook_node(notebook, resources)
    return str(html)


class _PageExporter(HTMLExporter):
    """The exporter without the pass that mends nbconvert's own templates.

    That pass reads the finished page once more to add texts for pictures and places for the
    keyboard to stop; ours has its own, and reading took most of the time of an export.
    """

    def from_notebook_node(self, nb: Any, resources: Any = None, **options: Any) -> Any:
        """Fill in the template."""
        return TemplateExporter.from_notebook_node(self, nb, resources, **options)


@cache
def _exporter() -> Any:
    """Return the one exporter of this process: making it costs more than a page does."""
    return _PageExporter(  # type: ignore[no-untyped-call]
        template_name="partner",
        extra_template_basedirs=[str(_TEMPLATES)],
        exclude_input=True,
        exclude_anchor_links=True,
    )


def content_policy(scripts: list[str]) -> str:
    """Return a policy that allows these inline scripts, scripts beside the page, and no request.

    Tried from disk in Chromium 156, where ``'self'`` alone lets the neighbouring file through;
    ``file:`` is for browsers that give a page from disk no origin of its own (not tried). Styles
    may stand inline because the drawing library sets them on every element.
    """
    hashes = " ".join(f"'sha256-{_sha256(s)}'" for s in scripts)
    return (
        f"default-src 'none'; script-src {hashes} 'self' file:; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _sha256(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")


def _prepare_charts(notebook: Any) -> None:
    """Put next to each figure what the template needs: id, title, sentence, safe JSON."""
    count = 0
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            if output["output_type"] == "stream":
                continue
            data = output.get("data", {})
            if not any(kind in data for kind in _KNOWN):
                kinds = ", ".join(data) or output["output_type"]
                raise ValueError(f"the page cannot show an output of kind {kinds}")
            if FIGURE_TYPE in data:
                count += 1
                output["metadata"]["chart"] = _chart(data[FIGURE_TYPE], f"chart-{count}")


def _chart(figure: dict[str, Any], identifier: str) -> dict[str, str]:
    layout = {k: v for k, v in figure["layout"].items() if k not in ("title", "meta")}
    layout["margin"] = {**layout.get("margin", {}), "t": 24}
    words = figure["layout"].get("meta") or {}
    return {
        "id": identifier,
        "title": words.get("title", ""),
        "sentence": words.get("sentence", ""),
        "json": safe_json({"data": figure["data"], "layout": layout}),
    }


def safe_json(value: object) -> str:
    """Return JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def read_template(name: str) -> str:
    """Return one file of the templates folder."""
    return (_TEMPLATES / name).read_text(encoding="utf-8")


def drawing_script() -> str:
    """Return the drawing library that ``plotly.min.js`` holds (plotly.js, MIT licence)."""
    return str(get_plotlyjs())
