"""How likely each stop has come, month by month."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from kit.reports.charts.style import DASHES, SERIES, SHAPES, Words, new_figure, plain

AHEAD = {
    "probability_now": 0,
    "probability_3": 3,
    "probability_6": 6,
    "probability_12": 12,
}


def stop_months(dates: pd.DataFrame, words: Words) -> go.Figure:
    """Draw one line per stop date, at now and 3, 6 and 12 months ahead.

    Parameters
    ----------
    dates
        Rows of one model and fault: date_name and the ``probability_...`` columns (0 to 1).
    words
        Title and sentence.
    """
    figure = new_figure(words, "chance that it has come, %", months=False, height=320)
    for i, (_, row) in enumerate(dates.head(len(SERIES)).iterrows()):
        figure.add_scatter(
            x=list(AHEAD.values()),
            y=[100 * row[c] for c in AHEAD],
            mode="lines+markers",
            line={"color": SERIES[i], "dash": DASHES[i], "width": 2.5},
            marker={"symbol": SHAPES[i], "size": 9},
            name=plain(row["date_name"]),
            hovertemplate="within %{x} months: %{y:.0f} %<extra></extra>",
        )
    figure.update_xaxes(
        title={"text": "months from now"}, tickmode="array", tickvals=list(AHEAD.values())
    )
    figure.update_yaxes(range=[-3, 103])
    figure.update_layout(legend={"y": -0.3})
    return figure
