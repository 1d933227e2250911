"""Where the money goes, from the resale price down to the bid."""

from __future__ import annotations

import math
import textwrap

import pandas as pd
import plotly.graph_objects as go

from kit.reports.charts.style import BLUE, GREEN, INK, VERMILION, Words, new_figure, plain
from kit.reports.wording import number

_MEASURE = {"start": "absolute", "less": "relative", "result": "total"}


def _wrapped(line: str) -> str:
    """Break a long label, so that bars keep their room on a phone."""
    return "<br>".join(plain(part) for part in textwrap.wrap(str(line), 19)) or plain(line)


def _label(amount: float, kind: str) -> str:
    """Word one amount; the bid at the end is rounded down, as the bids of the tables are."""
    return number(math.floor(amount + 1e-6) if kind == "result" else amount)


def waterfall(lines: pd.DataFrame, currency: str, words: Words) -> go.Figure:
    """Draw one bar per line, from top to bottom.

    Parameters
    ----------
    lines
        ``line``, ``amount`` (signed; start and result are levels) and ``kind`` ('start',
        'less', 'result').
    currency
        Currency of the amounts.
    words
        Title and sentence.
    """
    figure = new_figure(words, "", months=False, height=90 + 34 * max(len(lines), 3))
    figure.add_waterfall(
        orientation="h",
        y=lines["line"].map(_wrapped),
        x=lines["amount"],
        measure=lines["kind"].map(_MEASURE),
        text=[_label(r.amount, r.kind) for r in lines.itertuples()],
        textposition="outside",
        cliponaxis=False,
        connector={"line": {"color": INK, "width": 1}},
        increasing={"marker": {"color": GREEN}},
        decreasing={"marker": {"color": VERMILION}},
        totals={"marker": {"color": BLUE}},
        hovertemplate="%{y}: %{x:,.2f}<extra></extra>",
        showlegend=False,
    )
    figure.update_yaxes(autorange="reversed", automargin=True, gridcolor="rgba(0,0,0,0)")
    figure.update_xaxes(title={"text": plain(currency)}, rangemode="tozero")
    figure.update_layout(margin={"r": 44})
    return figure
