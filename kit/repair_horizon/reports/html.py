"""Pieces of a page: safe HTML from tables and words, and charts as plain figure data.

Everything that comes from the data is escaped here, once; nothing else in the reports writes
HTML. A piece shows itself in a notebook and lands on the page as it is.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.decisions.cautions import DEFER, Chosen
from repair_horizon.tables.words import MISSING, listing, missing

FIGURE_TYPE = "application/vnd.plotly.v1+json"
# A month is drawn at its first day alike without the hour; a page has thousands of them.
_MIDNIGHT = re.compile(r'(?<="\d{4}-\d\d-\d\d)T00:00:00(\.0+)?"')


@dataclass(frozen=True)
class Fragment:
    """Finished HTML."""

    html: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        """Say its size only; the HTML itself is for a browser."""
        return f"Fragment({len(self.html)} characters)"


@dataclass(frozen=True, eq=False)
class Chart:
    """A figure that stays data in the notebook; the page draws it."""

    figure: go.Figure

    def _repr_mimebundle_(self, **_: object) -> dict[str, object]:
        written = _MIDNIGHT.sub('"', self.figure.to_json())
        return {FIGURE_TYPE: json.loads(written), "text/plain": repr(self)}

    def __repr__(self) -> str:
        """Say the chart's conclusion."""
        return f"Chart: {self.figure.layout.meta['title']}"


@dataclass(frozen=True)
class Column:
    """One column of a printed table: where it comes from, its heading and how it is worded."""

    name: str
    heading: str
    words: Callable[[Any], str] = str
    numeric: bool = False
    wide: bool = False
    second: bool = False
    screen: bool = False

    @property
    def kind(self) -> str:
        """Class attribute for the style sheet.

        ``second`` columns give way on narrow screens, ``screen`` ones on paper.
        """
        named = ("number", self.numeric), ("wide", self.wide), ("second", self.second)
        kinds = [k for k, on in (*named, ("screen", self.screen)) if on]
        return f' class="{" ".join(kinds)}"' if kinds else ""


def text(words: object) -> str:
    """Escape a value and isolate its writing direction."""
    return f"<bdi>{escape(str(words), quote=True)}</bdi>"


def paragraph(words: str, kind: str = "") -> Fragment:
    """One paragraph of text; ``kind`` is a class of the style sheet."""
    return Fragment(f'<p class="{escape(kind)}">{escape(words)}</p>')


def note(words: str) -> Fragment:
    """Say why something is not shown."""
    return paragraph(words, "note")


def table(
    rows: pd.DataFrame,
    columns: Sequence[Column],
    caption: str,
    links: Sequence[str] | None = None,
) -> Fragment:
    """Print a table; its first column heads each row, and wide tables scroll in their own box.

    Parameters
    ----------
    rows
        The table; columns that it lacks are left out.
    columns
        What to print, in order.
    caption
        Read out by screen readers and printed above.
    links
        Address each row's heading leads to (already quoted), one per row; none if left out.
    """
    shown = [c for c in columns if c.name in rows]
    head = "".join(f'<th scope="col"{c.kind}>{escape(c.heading)}</th>' for c in shown)
    values = rows[[c.name for c in shown]].itertuples(index=False)
    addresses = links if links is not None else [""] * len(rows)
    body = "".join(_row(v, shown, a) for v, a in zip(values, addresses, strict=True))
    label = escape(caption, quote=True)
    return Fragment(
        f'<div class="scroll" role="region" tabindex="0" aria-label="{label}"><table>'
        f"<caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


def cards(printed: Fragment, columns: Sequence[Column]) -> Fragment:
    """Let a printed table's rows stand as cards on a narrow screen, nothing scrolled sideways.

    A card's labels are the headings, handed to the style sheet once for the whole table; the
    first two columns head the card and need none. ``columns`` must all be in the table.
    """
    labels = "".join(f"--c{i}:{_css_text(c.heading)};" for i, c in enumerate(columns, 1) if i > 2)
    style = f'<table style="{escape(labels, quote=True)}">'
    inside = printed.html.replace("<table>", style, 1)
    return Fragment(inside.replace('class="scroll"', 'class="scroll cards"', 1))


def _css_text(words: str) -> str:
    """Quote a text for a style sheet."""
    return '"' + re.sub(r'[\\"\n]', lambda m: f"\\{ord(m.group(0)):x} ", words) + '"'


def _row(values: Sequence[Any], columns: Sequence[Column], link: str) -> str:
    cells = []
    for i, (value, column) in enumerate(zip(values, columns, strict=True)):
        words = MISSING if missing(value) and column.words is str else column.words(value)
        # Figures are ours and need no isolation, which would be a sixth of a long table's size.
        said = escape(words) if column.numeric else text(words)
        tag, scope = ("th", ' scope="row"') if i == 0 else ("td", "")
        said = _heading(words, link) if i == 0 else said
        cells.append(f"<{tag}{scope}{column.kind}>{said}</{tag}>")
    return f"<tr>{''.join(cells)}</tr>"


def _heading(words: str, link: str) -> str:
    """Head a row: what stands after a line break is a smaller line below, not part of the link."""
    first, _, under = words.partition("\n")
    said = text(first)
    if link:
        said = f'<a href="{escape(link, quote=True)}">{said}</a>'
    return said + (f"<small>{text(under)}</small>" if under else "")


def folded(
    summary: str, *pieces: Fragment, printed: bool = False, narrow: bool = False
) -> Fragment:
    """Pieces behind a line that opens them.

    On paper they stay out unless ``printed``; ``narrow`` ones are for narrow screens only.
    """
    inside = "".join(p.html for p in pieces)
    kinds = [k for k, on in (("printed", printed), ("narrow", narrow)) if on]
    kind = f' class="{" ".join(kinds)}"' if kinds else ""
    return Fragment(f"<details{kind}><summary>{escape(summary)}</summary>{inside}</details>")


def bullets(lines: Sequence[str]) -> Fragment:
    """Lines of text as a list."""
    return Fragment("<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>")


def terms(meanings: Mapping[str, str]) -> Fragment:
    """Words and their meanings, as a table because notebooks set definition lists askew."""
    rows = "".join(
        f'<tr><th scope="row">{escape(k)}</th><td>{escape(v)}</td></tr>'
        for k, v in meanings.items()
    )
    return Fragment(f'<table class="terms"><tbody>{rows}</tbody></table>')


def caution_box(chosen: Sequence[Chosen], step: str) -> Fragment:
    """Cautions of one step, with what they concern and whom to ask."""
    if not chosen:
        return Fragment("")
    lines = "".join(
        f"<li><strong>{escape(c.heading)}</strong>{_concerns(c)}: {escape(c.text)}</li>"
        for c in chosen
    )
    heading = escape(f"Before {step}")
    return Fragment(
        f'<aside class="caution" aria-label="{heading}: cautions"><h3><span aria-hidden="true">'
        f"⚠</span> {heading}</h3><ul>{lines}</ul><p>{escape(DEFER)}</p></aside>"
    )


def _concerns(caution: Chosen) -> str:
    return f" ({text(listing(list(caution.concerns)))})" if caution.concerns else ""
