"""Pieces of a page: safe HTML from tables and words, and charts as plain figure data.

The HTML itself stands in ``templates/pieces.html.j2``, whose environment escapes every value.
A piece shows itself in a notebook and lands on the page as it is.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
import pandas as pd

from repair_horizon.charts.style import Drawing
from repair_horizon.decisions.cautions import BEFORE_BUYING, DEFER, Chosen
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import MISSING, listing, missing

if TYPE_CHECKING:
    import plotly.graph_objects as go

FIGURE_TYPE = "application/vnd.plotly.v1+json"
TEMPLATES = Path(__file__).parent / "templates"


@cache
def environment() -> jinja2.Environment:
    """Return the one Jinja environment: every value is escaped, an unknown name is an error."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )
    made.globals["BEFORE_BUYING"] = BEFORE_BUYING
    return made


@dataclass(frozen=True)
class Fragment:
    """Finished HTML."""

    html: str

    def _repr_html_(self) -> str:
        return self.html

    def __html__(self) -> str:
        """Let a template take it as it is."""
        return self.html

    def __repr__(self) -> str:
        """Say its size only; the HTML itself is for a browser."""
        return f"Fragment({len(self.html)} characters)"


NOTHING = Fragment("")


@cache
def _macros(template: str) -> Any:
    return environment().get_template(template).module


def piece(template: str, macro: str, *values: Any) -> Fragment:
    """Return what a template's macro makes of values."""
    kind = Picture if template == "pictures" else Fragment
    return kind(str(getattr(_macros(f"{template}.html.j2"), macro)(*values)))


class Picture(Fragment):
    """A picture of ranked rows; where no page is made, it brings its style along."""

    def _repr_html_(self) -> str:
        if os.environ.get(PAGE_VARIABLE):
            return self.html
        style = (TEMPLATES / "pictures.css").read_text(encoding="utf-8")
        return f"<style>{_PAPER}{style}</style>{self.html}"


# The page's own colours on light paper, for a picture that stands in no page.
_PAPER = (
    ".picture { --soft: #58616b; --paper: #fdfdfc; --line: #d4d8dc; --shade: #f1f3f4; "
    "color: #1d2329; background: #fdfdfc; margin: 0.6rem 0; padding: 0.3rem; } "
    ".picture :is(ol, li) { margin: 0 !important; padding-left: 0 !important; }"
)
# Set while a page is made: its charts stay data. Elsewhere a notebook carries what draws them.
PAGE_VARIABLE = "REPAIR_HORIZON_PAGE"
_carried: list[str] = []


@dataclass(frozen=True, eq=False)
class Chart:
    """A figure that stays data in a page's notebook, and is drawn wherever else it is shown.

    Elsewhere it shows as the renderer that ``PLOTLY_RENDERER`` names; without one it carries HTML
    beside its data, which is what ``nbconvert`` keeps (the library once a notebook, about 5 MB).
    """

    drawing: Drawing

    def _repr_mimebundle_(self, **_: object) -> dict[str, object]:
        own: dict[str, object] = {FIGURE_TYPE: self.drawing.plain(), "text/plain": repr(self)}
        if os.environ.get(PAGE_VARIABLE):
            return own
        if os.environ.get("PLOTLY_RENDERER"):
            return {**self.figure._repr_mimebundle_(), "text/plain": repr(self)}
        first = not _carried
        _carried.append(repr(self))
        # The title goes above the drawing, where a narrow screen breaks it.
        title = f'<p style="margin: 0.6em 0 0; font-weight: 600">{escape(self.title)}</p>'
        figure, config = self.figure, {"displayModeBar": False, "responsive": True}
        figure.layout.title.text = None
        drawn = figure.to_html(config, full_html=False, include_plotlyjs=first)
        return {**own, "text/html": title + drawn}

    @property
    def figure(self) -> go.Figure:
        """Plotly's figure, a new one each time."""
        return self.drawing.figure()

    @property
    def title(self) -> str:
        """The chart's conclusion."""
        return self.drawing.title

    def __repr__(self) -> str:
        """Say the chart's conclusion."""
        return f"Chart: {self.title}"


@dataclass(frozen=True)
class Column:
    """One column of a printed table: where it comes from, its heading and how it is worded.

    ``second`` columns give way on narrow screens, ``wide`` ones need room for a sentence.
    """

    name: str
    heading: str
    words: Callable[[Any], str] = str
    numeric: bool = False
    wide: bool = False
    second: bool = False

    @property
    def kinds(self) -> str:
        """Classes of the style sheet."""
        named = ("number", self.numeric), ("wide", self.wide), ("second", self.second)
        return " ".join(k for k, on in named if on)

    def said(self, value: Any) -> str:
        """Return a value in words."""
        return MISSING if missing(value) and self.words is str else self.words(value)


def declared(output: str, name: str, currency: str = "", **look: bool) -> Column:
    """Return a column of a declared output, to be printed.

    Parameters
    ----------
    output, name
        Of the table and the column, as in ``tables.outputs``.
    currency
        Stands in the heading of amounts.
    look
        ``wide``, ``second``.

    Examples
    --------
    >>> from repair_horizon.reports.html import declared
    >>> declared("shelf", "value", "EUR").heading
    'Value now, EUR'
    """
    column = OUTPUTS[output].column(name)
    return Column(name, column.headed(currency), column.worded, column.numeric, **look)


def columns_of(output: str, names: str, currency: str = "") -> list[Column]:
    """Return several columns of a declared output; ``names`` are parted by spaces."""
    return [declared(output, name, currency) for name in names.split()]


def joined(*pieces: Fragment) -> Fragment:
    """Put pieces one after the other."""
    return Fragment("".join(p.html for p in pieces))


def paragraph(words: str, kind: str = "") -> Fragment:
    """One paragraph of text; ``kind`` is a class of the style sheet."""
    return piece("pieces", "paragraph", words, kind)


def note(words: str) -> Fragment:
    """Say why something is not shown."""
    return paragraph(words, "note")


def table(
    rows: pd.DataFrame,
    columns: Sequence[Column],
    caption: str,
    links: Sequence[str] | None = None,
    *,
    cards: bool = False,
    find: bool = False,
) -> Fragment:
    """Print a table; its first column heads each row, and wide tables scroll in their own box.

    Parameters
    ----------
    rows
        The table; columns that it lacks are left out.
    columns
        What to print, in order. What stands after a line break in the first column is a smaller
        line below, not part of the link.
    caption
        Read out by screen readers and printed above.
    links
        Address each row's heading leads to (already quoted), one per row; none if left out.
    cards
        Whether rows stand as cards on a narrow screen, nothing scrolled sideways. A card's labels
        are the headings, handed to the style sheet once; the first two columns need none.
    find
        Whether the page's script may add search and sorting.
    """
    shown = [c for c in columns if c.name in rows]
    addresses = links if links is not None else [""] * len(rows)
    heads = map(_head, (shown[0].said(v) for v in rows[shown[0].name]), addresses)
    cells = zip(*(_cells(c, rows[c.name]) for c in shown[1:]), strict=True)
    opening = f'<tr><th scope="row"{_classed(shown[0].kinds)}>'
    lines = zip(heads, cells if len(shown) > 1 else [()] * len(rows), strict=True)
    body = Fragment("".join(f"{opening}{h}</th>{''.join(c)}</tr>" for h, c in lines))
    pairs = [f"--c{i}:{_css_text(c.heading)};" for i, c in enumerate(shown, 1) if i > 2]
    return piece("pieces", "table", caption, shown, body, "".join(pairs) if cards else None, find)


def _classed(kinds: str) -> str:
    """Classes of a cell; quotes around a single one would be a fiftieth of a long page."""
    quoted = f'"{kinds}"' if " " in kinds else kinds
    return f" class={quoted}" if kinds else ""


def _head(words: str, link: str) -> str:
    """What heads a row: words, with their link, and a smaller line below."""
    head, _, under = words.partition("\n")
    said = f"<bdi>{escape(head)}</bdi>"
    said = f'<a href="{escape(link)}">{said}</a>' if link else said
    return f"{said}<small><bdi>{escape(under)}</bdi></small>" if under else said


def _cells(column: Column, values: pd.Series) -> list[str]:
    """Cells of a column, escaped here: a page has thousands, and a template takes thrice as long.

    Figures are ours and need no isolation of their writing direction, which would be a sixth of a
    long table's size.
    """
    opening, closing = ("", "") if column.numeric else ("<bdi>", "</bdi>")
    opening = f"<td{_classed(column.kinds)}>{opening}"
    return [f"{opening}{escape(column.said(v))}{closing}</td>" for v in values.tolist()]


def _css_text(words: str) -> str:
    """Quote a text for a style sheet."""
    return '"' + re.sub(r'[\\"\n]', lambda m: f"\\{ord(m.group(0)):x} ", words) + '"'


def folded(summary: str, *pieces: Fragment, printed: bool = False) -> Fragment:
    """Pieces behind a line that opens them; on paper they stay out unless ``printed``."""
    return piece("pieces", "folded", summary, joined(*pieces), printed)


def bullets(lines: Sequence[str]) -> Fragment:
    """Lines of text as a list."""
    return piece("pieces", "bullets", lines)


def terms(meanings: Mapping[str, str]) -> Fragment:
    """Words and their meanings, as a table because notebooks set definition lists askew."""
    return piece("pieces", "terms", meanings)


def caution_box(chosen: Sequence[Chosen], step: str) -> Fragment:
    """Cautions of one step, with what they concern and whom to ask."""
    if not chosen:
        return NOTHING
    lines = [(c.heading, listing(list(c.concerns)), c.text) for c in chosen]
    return piece("pieces", "cautions", f"Before {step}", lines, DEFER)
