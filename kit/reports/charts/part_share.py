"""What a part costs as a share of what the working unit sells for."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from kit.reports.charts.style import (
    DASHES,
    INK,
    SERIES,
    Words,
    mark_day,
    new_figure,
)

GUIDE = 0.50  # a part dearer than half of the resale price seldom pays; common practice, no source


def part_share(shares: pd.DataFrame, now: pd.Timestamp, words: Words) -> go.Figure:
    """Draw one line per quality of the part, and the guide at a half.

    Parameters
    ----------
    shares
        ``quality_class``, ``month`` and ``share`` (part price over resale price).
    now
        The report's month.
    words
        Title and sentence.
    """
    figure = new_figure(words, "part price, % of resale price", height=320)
    for i, (quality, line) in enumerate(shares.groupby("quality_class", sort=False)):
        figure.add_scatter(
            x=line["month"],
            y=100 * line["share"],
            mode="lines",
            line={"color": SERIES[i % len(SERIES)], "dash": DASHES[i % len(DASHES)], "width": 2.5},
            name=str(quality).replace("_", " "),
            hovertemplate="%{x|%b %Y}: %{y:.0f} %<extra></extra>",
        )
    figure.add_shape(
        type="line",
        x0=0,
        x1=1,
        xref="paper",
        y0=100 * GUIDE,
        y1=100 * GUIDE,
        line={"color": INK, "dash": "dash", "width": 1.5},
    )
    figure.add_annotation(
        x=0,
        xref="paper",
        xanchor="left",
        y=100 * GUIDE,
        yanchor="bottom",
        text="guide: half of resale",
        showarrow=False,
        font={"size": 11},
    )
    mark_day(figure, now, "this month")
    top = max(100 * GUIDE, float(100 * shares["share"].max()))
    figure.update_yaxes(range=[0, 1.12 * top])
    figure.update_layout(legend={"y": -0.25})
    return figure
