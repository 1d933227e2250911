"""Where the money goes from the resale price to the bid, and what moves the bid most."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import BLUE, GREEN, INK, VERMILION, Words, new_figure, plain
from repair_horizon.tables.words import number

_MEASURE = {"start": "absolute", "less": "relative", "result": "total"}


def _wrapped(line: str, *more: str) -> str:
    """Break a long label, so that bars keep their room on a phone."""
    return "<br>".join(plain(part) for part in [*(textwrap.wrap(line, 19) or [line]), *more])


def waterfall(lines: pd.DataFrame, currency: str, words: Words) -> go.Figure:
    """Draw one bar per line, from top to bottom.

    ``lines`` has ``line``, ``amount`` (signed; start and result are levels) and ``kind`` ('start',
    'less', 'result').
    """
    figure = new_figure(words, "", months=False, height=90 + 34 * max(len(lines), 3))
    # The bid at the end is rounded down, as the bids of the tables are.
    ends = lines["kind"] == "result"
    amounts = lines["amount"].where(~ends, np.floor(lines["amount"] + 1e-6))
    figure.add_waterfall(
        orientation="h",
        y=lines["line"].map(_wrapped),
        x=lines["amount"],
        measure=lines["kind"].map(_MEASURE),
        text=amounts.map(number),
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


# Hatching says which way the step goes; colour only repeats it.
_WAYS = (("worse", VERMILION, "/"), ("better", BLUE, ""))


def sensitivity(moves: pd.DataFrame, currency: str, words: Words) -> go.Figure:
    """Draw two bars per input, one each way.

    ``moves`` is the table of that name: changes of the bid, the largest first.
    """
    figure = new_figure(words, "", months=False, height=130 + 56 * max(len(moves), 2))
    named = moves[["input", "worse"]].astype(str).itertuples(index=False, name=None)
    labels = [_wrapped(name, f"({worse})") for name, worse in named]
    for way, colour, hatch in _WAYS:
        figure.add_bar(
            orientation="h",
            y=labels,
            x=moves[f"bid_{way}"],
            name="the step named" if way == "worse" else "the same step the other way",
            marker={"color": colour, "pattern": {"shape": hatch}},
            text=[number(v) for v in moves[f"bid_{way}"]],
            textposition="outside",
            cliponaxis=False,
            customdata=moves[way],
            hovertemplate="%{customdata}: %{x:,.2f}<extra></extra>",
        )
    figure.update_layout(barmode="overlay", bargap=0.35, margin={"r": 44})
    figure.update_layout(legend={"y": -0.3, "traceorder": "normal"})
    figure.update_yaxes(autorange="reversed", automargin=True, gridcolor="rgba(0,0,0,0)")
    moved = moves[["bid_worse", "bid_better"]].to_numpy(float)
    room = 0.18 * float(np.abs(moved).max())
    ends = [min(float(moved.min()), 0.0) - room, max(float(moved.max()), 0.0) + room]
    figure.update_xaxes(title={"text": f"change of the bid, {plain(currency)}"}, range=ends)
    figure.update_xaxes(zeroline=True, zerolinewidth=1)
    return figure
