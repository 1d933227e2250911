"""What every chart shares: colours, axes, names made safe, and the sentence said beside it.

Colours are those of Okabe and Ito's open palette (Color Universal Design, 2008), which readers
with any of the usual colour deficiencies can tell apart; shapes and dashes repeat what they say.
Backgrounds are transparent and text is mid-grey, so that a figure reads on light and dark paper
even before the page's script gives it the page's own ink.
"""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import plotly.graph_objects as go

BLUE, VERMILION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
ORANGE, SKY = "#E69F00", "#56B4E9"
SERIES = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
SHAPES = ("circle", "square", "diamond", "triangle-up", "cross", "star-triangle-down")
INK, GRID, FAINT = "#7b828a", "rgba(128,136,144,0.28)", "rgba(128,136,144,0.55)"
DIGITS = 6  # of the largest number of an array that a page keeps
# A month is drawn at its first day alike without the hour; a page has thousands of them.
_MIDNIGHT = re.compile(r'(?<="\d{4}-\d\d-\d\d)T00:00:00(\.0+)?"')
_AXIS = {"gridcolor": GRID, "zeroline": False, "fixedrange": True, "separatethousands": True}
_RIGHT_TO_LEFT = {"R", "AL", "RLE", "RLO", "RLI"}


@dataclass(frozen=True)
class Words:
    """What is said about a chart: its conclusion as title, and the same numbers as a sentence.

    ``note`` is said small inside the picture, which may be shown without its page.
    """

    title: str
    sentence: str
    note: str = ""


@dataclass
class Drawing:
    """A chart as it is put together: plotly's traces and layout as plain dictionaries.

    Plotly checks and copies whatever its own figure is given, and what is there already with it.
    It is given once, whole, where somebody wants its figure; a page takes the plain data, at a
    fifth of the time.
    """

    layout: dict[str, Any]
    traces: list[dict[str, Any]] = field(default_factory=list)

    def add(self, kind: str, **trace: Any) -> None:
        """Add a trace of one of plotly's kinds; columns are handed on as arrays, which it likes."""
        frames = (pd.Series, pd.DataFrame)
        columns = {n: v.to_numpy() for n, v in trace.items() if isinstance(v, frames)}
        self.traces.append({"type": kind, **trace, **columns})

    def add_shape(self, **shape: Any) -> None:
        """Add a shape."""
        self.layout.setdefault("shapes", []).append(shape)

    def add_words(self, text: str, **place: Any) -> None:
        """Add small words at a place, without an arrow."""
        words = {"text": text, "showarrow": False, "font": {"size": 11}, **place}
        self.layout.setdefault("annotations", []).append(words)

    @property
    def title(self) -> str:
        """The chart's conclusion."""
        return str(self.layout["meta"]["title"])

    def figure(self) -> go.Figure:
        """Return plotly's figure."""
        import plotly.graph_objects as go

        return go.Figure(self.traces, {**self.layout, "template": "none"})

    def plain(self) -> dict[str, Any]:
        """Return what plotly's script draws, as plain data: lists, numbers and texts."""
        from plotly.io.json import to_json_plotly

        whole = {"data": [_rounded(t) for t in self.traces], "layout": self.layout}
        return dict(json.loads(_MIDNIGHT.sub('"', to_json_plotly(whole))))


def _rounded(told: Any) -> Any:
    """Round arrays of a trace to what can be seen of them, which keeps pages small."""
    if isinstance(told, dict):
        return {name: _rounded(value) for name, value in told.items() if value is not None}
    if not isinstance(told, np.ndarray) or told.dtype.kind != "f":
        return told
    most = np.nanmax(np.abs(told), initial=0.0)
    return np.round(told, DIGITS - int(np.ceil(np.log10(most)))) if 0 < most < np.inf else told


def plain(name: object) -> str:
    """Make a name from the data show as itself in a chart.

    Plotly reads a little HTML in every text, so ``<b>`` in a name would vanish and ``<a>`` would
    become a link; right-to-left names are isolated so that they do not turn the text around them.
    """
    text = str(name).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    if any(unicodedata.bidirectional(c) in _RIGHT_TO_LEFT for c in text):
        text = f"\u2068{text}\u2069"
    return text


def tint(colour: str, alpha: float) -> str:
    """Return a ``#rrggbb`` colour as rgba with the given opacity."""
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({r},{g},{b},{alpha})"


def new_drawing(words: Words, y_title: str, *, months: bool = True, height: int = 380) -> Drawing:
    """Return an empty drawing with the house's axes.

    ``y_title`` is what the upright axis measures, with its unit; ``months`` says that the level
    axis is a calendar. The words are kept in the figure's ``meta`` for the page around it.
    """
    level = {"linecolor": GRID, **_AXIS}
    if months:
        level |= {"type": "date", "tickformat": "%b\n%Y", "hoverformat": "%b %Y", "nticks": 8}
    layout: dict[str, Any] = {
        "title": {"text": plain(words.title), "font": {"size": 14}, "x": 0, "xanchor": "left"},
        "meta": {
            "title": words.title,
            "sentence": words.sentence[:1].upper() + words.sentence[1:],
        },
        "height": height,
        "margin": {"l": 56, "r": 12, "t": 40, "b": 40},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": INK, "size": 12, "family": "system-ui, sans-serif"},
        "legend": {"orientation": "h", "x": 0, "xanchor": "left", "y": -0.16, "yanchor": "top"},
        "hoverlabel": {"align": "left"},
        "hovermode": "closest",
        "xaxis": level,
        "yaxis": {"title": {"text": y_title}, "automargin": True, **_AXIS},
    }
    drawing = Drawing(layout)
    if words.note:
        corner = {"x": 0.96, "xref": "paper", "xanchor": "right", "y": 1, "yref": "paper"}
        drawing.add_words(plain(words.note), yanchor="bottom", **corner)
    return drawing


def add_band(drawing: Drawing, table: pd.DataFrame, colour: str, group: str | None = None) -> None:
    """Shade from ``lower`` to ``upper`` by month."""
    rows = table[table["lower"].notna() & table["upper"].notna()]
    if rows.empty:
        return
    shared = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "legendgroup": group}
    drawing.add("scatter", x=rows["month"], y=rows["lower"], showlegend=False, **shared)
    drawing.add(
        "scatter",
        x=rows["month"],
        y=rows["upper"],
        fill="tonexty",
        fillcolor=tint(colour, 0.18),
        name="",
        showlegend=False,
        **shared,
    )


def add_line(
    drawing: Drawing,
    x: Any,
    y: Any,
    name: str,
    colour: str,
    hover: str,
    *,
    dash: str = "solid",
    width: float = 2.5,
    shape: str | None = None,
    marker: dict[str, Any] | None = None,
    **more: Any,
) -> None:
    """Draw a line, with a shape at each point if ``marker`` says one; ``more`` is plotly's."""
    drawing.add(
        "scatter",
        x=x,
        y=y,
        name=name,
        mode="lines+markers" if marker else "lines",
        line={"color": colour, "dash": dash, "width": width, "shape": shape},
        hovertemplate=f"{hover}<extra></extra>" if hover else None,
        marker=marker,
        **more,
    )


def add_dots(
    drawing: Drawing, x: Any, y: Any, name: str, marker: dict[str, Any], hover: str, **more: Any
) -> None:
    """Draw a dot for each row; ``more`` is plotly's."""
    drawing.add(
        "scatter",
        x=x,
        y=y,
        name=name,
        mode="markers",
        marker=marker,
        hovertemplate=f"{hover}<extra></extra>",
        **more,
    )


def add_level(drawing: Drawing, at: float, words: str) -> None:
    """Draw a level line from side to side, with its words above its left end."""
    line = {"color": INK, "dash": "dash", "width": 1.5}
    drawing.add_shape(type="line", x0=0, x1=1, xref="paper", y0=at, y1=at, line=line)
    at_left = {"x": 0, "xref": "paper", "xanchor": "left", "y": at, "yanchor": "bottom"}
    drawing.add_words(words, **at_left)


def mark_day(drawing: Drawing, day: pd.Timestamp, text: str) -> None:
    """Draw an upright line at a day with a word at its top."""
    drawing.add_shape(
        type="line", x0=day, x1=day, y0=0, y1=1, yref="paper", line={"color": INK, "dash": "dot"}
    )
    drawing.add_words(text, x=day, y=1, yref="paper", yanchor="bottom")


def shade_months(drawing: Drawing, first: pd.Timestamp, last: pd.Timestamp) -> None:
    """Shade a stretch of months from top to bottom."""
    drawing.add_shape(
        type="rect",
        x0=first,
        x1=last,
        y0=0,
        y1=1,
        yref="paper",
        fillcolor="rgba(128,136,144,0.20)",
        line={"width": 0},
        layer="below",
    )
