"""Where the money goes, from the resale price down to the bid.

By how much the bid moves with each input, one at a time, the largest on top.
"""

from __future__ import annotations

import math
import textwrap

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import BLUE, GREEN, INK, VERMILION, Words, new_figure, plain
from repair_horizon.tables.words import number

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


# Hatching says which way the step goes; colour only repeats it.
_WAYS = (("worse", VERMILION, "/"), ("better", BLUE, ""))


def _label_sensitivity(row: pd.Series) -> str:
    lines = textwrap.wrap(str(row["input"]), 19) or [""]
    return "<br>".join(plain(line) for line in [*lines, f"({row['worse']})"])


def sensitivity(moves: pd.DataFrame, currency: str, words: Words) -> go.Figure:
    """Draw two bars per input, one each way.

    Parameters
    ----------
    moves
        ``input``, ``worse`` and ``better`` (the steps in words), ``bid_worse`` and
        ``bid_better`` (changes of the bid), the largest first.
    currency
        Currency of the changes.
    words
        Title and sentence.
    """
    figure = new_figure(words, "", months=False, height=130 + 56 * max(len(moves), 2))
    labels = [_label_sensitivity(row) for _, row in moves.iterrows()]
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
    reach = float(moves[["bid_worse", "bid_better"]].abs().max().max())
    ends = [
        min(float(moves[["bid_worse", "bid_better"]].min().min()), 0.0) - 0.18 * reach,
        max(float(moves[["bid_worse", "bid_better"]].max().max()), 0.0) + 0.18 * reach,
    ]
    figure.update_xaxes(title={"text": f"change of the bid, {plain(currency)}"}, range=ends)
    figure.update_xaxes(zeroline=True, zerolinewidth=1)
    return figure
