"""How likely each stop has come, month by month."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from kit.reports.charts.style import DASHES, SERIES, SHAPES, Words, new_figure, plain


def stop_months(chances: pd.DataFrame, words: Words) -> go.Figure:
    """Draw one line per stop date.

    Parameters
    ----------
    chances
        Rows of one model and fault: date_name, month, probability (0 to 1).
    words
        Title and sentence.
    """
    figure = new_figure(words, "chance that it has come, %", height=320)
    for i, (name, line) in enumerate(chances.groupby("date_name", sort=False)):
        figure.add_scatter(
            x=line["month"],
            y=100 * line["probability"],
            mode="lines+markers",
            line={"color": SERIES[i], "dash": DASHES[i], "width": 2.5},
            marker={"symbol": SHAPES[i], "size": 6},
            name=plain(name),
            hovertemplate="by %{x|%B %Y}: %{y:.0f} %<extra></extra>",
        )
    figure.update_yaxes(range=[-3, 103])
    figure.update_layout(legend={"y": -0.3})
    return figure
