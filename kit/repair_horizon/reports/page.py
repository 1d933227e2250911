"""An executed notebook as one quiet HTML page: no code, no request, charts drawn from data.

A notebook becomes ``PageParts``, which are kept beside the family's tables: whoever hands the page
on takes them and never reads the page back. ``page_html`` sets the parts into the page of a
month's folder, whose small script draws the charts with ``plotly.min.js`` beside it; the content
policy lets through this page's own scripts by their hash and that one file, and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup
from nbconvert.exporters import HTMLExporter
from nbconvert.filters.markdown_mistune import IPythonRenderer, MarkdownWithMath
from plotly.offline import get_plotlyjs

from repair_horizon.files.writing import write_text
from repair_horizon.reports.html import FIGURE_TYPE, TEMPLATES, environment

SCRIPT_NAME = "plotly.min.js"
BESIDE = (
    f"This chart is drawn by the file {SCRIPT_NAME}, which must lie beside this page. The sentence "
    "above says the same numbers."
)
# Tags of cells: what a shared page may leave out, and what then stands in its place.
COSTS, SUPPLIERS, INSTEAD = "costs", "suppliers", "instead of costs"


@dataclass(frozen=True)
class DrawnChart:
    """A chart's conclusion, sentence and data (JSON that cannot end a script element)."""

    title: str
    sentence: str
    json: str


@dataclass(frozen=True)
class Block:
    """What one cell shows: a heading, pieces of finished HTML, or charts; with the cell's tags."""

    tags: tuple[str, ...] = ()
    heading: str = ""
    pieces: tuple[str | DrawnChart, ...] = ()

    @property
    def drawn(self) -> bool:
        """Whether it holds a chart."""
        return any(isinstance(p, DrawnChart) for p in self.pieces)


@dataclass(frozen=True)
class PageParts:
    """A page as it is kept: words and blocks in order."""

    title: str
    invented: str
    blocks: tuple[Block, ...]

    def without(self, hidden: Sequence[str]) -> PageParts:
        """Return the page without what is hidden, with what stands in its place."""
        # What only stands in for hidden figures is left out unless they are hidden.
        left_out = {*hidden} | ({INSTEAD} if COSTS not in hidden else set())
        return replace(self, blocks=tuple(b for b in self.blocks if not left_out & {*b.tags}))

    def save(self, path: Path) -> None:
        """Keep the parts as JSON."""
        write_text(path, json.dumps(asdict(self), ensure_ascii=False) + "\n")

    @classmethod
    def load(cls, path: Path) -> PageParts:
        """Read kept parts.

        Raises ``ValueError`` if the file does not hold a page.
        """
        try:
            told = json.loads(path.read_text(encoding="utf-8"))
            blocks = tuple(
                Block(tuple(b["tags"]), b["heading"], tuple(_piece(p) for p in b["pieces"]))
                for b in told["blocks"]
            )
            return cls(told["title"], told["invented"], blocks)
        except (OSError, KeyError, TypeError, ValueError) as error:
            raise ValueError(f"{path.name} holds no page") from error


def _piece(told: str | dict[str, str]) -> str | DrawnChart:
    return told if isinstance(told, str) else DrawnChart(**told)


def page_parts(notebook: Any, title: str, invented: str = "") -> PageParts:
    """Take an executed notebook (``nbformat.NotebookNode``) apart.

    Raises ``ValueError`` if a cell shows something that a page cannot.
    """
    blocks = []
    for cell in notebook.cells:
        tags = tuple(cell.metadata.get("tags", []))
        if cell.cell_type == "markdown":
            blocks.append(Block(tags, heading=_marked(cell.source)))
        elif cell.cell_type == "code":
            shown = [o for o in cell.get("outputs", []) if o["output_type"] != "stream"]
            pieces = tuple(_piece_of(o) for o in shown)
            if pieces:
                blocks.append(Block(tags, pieces=pieces))
    return PageParts(title, invented, tuple(blocks))


def _marked(source: str) -> str:
    """Return Markdown as HTML, headings without a link to themselves."""
    renderer = IPythonRenderer(escape=True, exclude_anchor_links=True)
    return str(MarkdownWithMath(renderer=renderer).render(source)).strip()


def _piece_of(output: Any) -> str | DrawnChart:
    data = output.get("data", {})
    if FIGURE_TYPE in data:
        return _chart(data[FIGURE_TYPE])
    if "text/html" in data:
        return str(data["text/html"])
    if "text/plain" in data:
        return f"<pre>{Markup.escape(data['text/plain'])}</pre>"
    kinds = ", ".join(data) or output["output_type"]
    raise ValueError(f"the page cannot show an output of kind {kinds}")


def _chart(figure: dict[str, Any]) -> DrawnChart:
    layout = {k: v for k, v in figure["layout"].items() if k not in ("title", "meta")}
    layout["margin"] = {**layout.get("margin", {}), "t": 24}
    words = figure["layout"].get("meta") or {}
    written = safe_json({"data": figure["data"], "layout": layout})
    return DrawnChart(words.get("title", ""), words.get("sentence", ""), written)


def page_html(page: PageParts, *, whole: bool = False) -> str:
    """Set a page.

    ``whole`` says whether to put the drawing library (about 5 MB) into the page itself, for a page
    that is sent alone; otherwise ``plotly.min.js`` must lie beside it.
    """
    scripts = [*([drawing_script()] if whole else []), read_template("draw.js")]
    return rendered(
        "page.html.j2",
        scripts,
        page=page.without([]),
        key="chart",
        missing=BESIDE,
        beside=not whole,
    )


def rendered(template: str, scripts: Sequence[str], policy: str = "", **values: Any) -> str:
    """Set a whole page with its style sheet, its scripts and the policy that lets them through."""
    style = Markup(read_template("style.css") + read_template("pictures.css"))
    told = {"policy": policy or content_policy(scripts), "scripts": [Markup(s) for s in scripts]}
    return environment().get_template(template).render(style=style, **told, **values)


class PageExporter(HTMLExporter):
    """nbconvert's way to a partner's page: ``jupyter nbconvert --to repair-horizon``.

    The page is to be sent alone, so it carries the drawing library.
    """

    export_from_notebook = "Repair horizon page"

    def from_notebook_node(self, nb: Any, resources: Any = None, **options: Any) -> Any:
        """Return the page and nbconvert's resources."""
        named = (resources or {}).get("metadata", {}).get("name", "")
        told = {**(resources or {}), "output_extension": ".html"}
        return page_html(page_parts(nb, named.replace("_", " ")), whole=True), told


def content_policy(scripts: Sequence[str], beside: str = " 'self' file:") -> str:
    """Return a policy that allows these inline scripts, scripts beside the page, and no request.

    An empty ``beside`` allows no file either.

    Tried from disk in Chromium 156, where ``'self'`` alone lets the neighbouring file through;
    ``file:`` is for browsers that give a page from disk no origin of its own (not tried). Styles
    may stand inline because the drawing library sets them on every element.
    """
    digests = [hashlib.sha256(script.encode("utf-8")).digest() for script in scripts]
    hashes = " ".join(f"'sha256-{base64.b64encode(d).decode('ascii')}'" for d in digests)
    return (
        f"default-src 'none'; script-src {hashes}{beside}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def safe_json(value: object) -> str:
    """Return JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def read_template(name: str) -> str:
    """Return one file of the templates folder."""
    return (TEMPLATES / name).read_text(encoding="utf-8")


def drawing_script() -> str:
    """Return the drawing library that ``plotly.min.js`` holds (plotly.js, MIT licence)."""
    return str(get_plotlyjs())
