"""How likely each stop has come, month by month.

Repair against the alternatives, month by month: where the blades cross, repair stops.
"""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    BLUE,
    DASHES,
    GREEN,
    ORANGE,
    PURPLE,
    SERIES,
    SHAPES,
    VERMILION,
    Words,
    add_band,
    mark_day,
    new_figure,
    plain,
    shade_months,
)


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


_LINES = {
    "repair": (BLUE, "solid", 3.0),
    "sell as is": (VERMILION, "dash", 2.0),
    "part out": (GREEN, "dot", 2.0),
    "maker's service": (PURPLE, "dashdot", 2.0),
}


def scissors(options: pd.DataFrame, stop: pd.Series, currency: str, words: Words) -> go.Figure:
    """Draw what an owned unit in one state is still worth under each option.

    Parameters
    ----------
    options
        Rows of one model, fault and state: option, month, value, lower, upper.
    stop
        The repair stop: median, lower, upper (months or missing); missing upper is open.
    currency
        Currency of the values.
    words
        Title and sentence.
    """
    figure = new_figure(words, f"cash still to come per unit, {plain(currency)}")
    _crossing(figure, stop, options["month"].max())
    for option, rows in options.groupby("option", sort=False):
        colour, dash, width = _LINES.get(str(option), (ORANGE, "longdash", 2.0))
        if option == "repair":
            add_band(figure, rows, colour, "")
        figure.add_scatter(
            x=rows["month"],
            y=rows["value"],
            mode="lines",
            line={"color": colour, "dash": dash, "width": width},
            name=plain(option),
            customdata=rows[["lower", "upper"]].assign(option=plain(option)).to_numpy(),
            hovertemplate=(
                "%{customdata[2]}<br>%{x|%b %Y}: %{y:,.0f} "
                "(%{customdata[0]:,.0f} to %{customdata[1]:,.0f})<extra></extra>"
            ),
        )
    return figure


def _crossing(figure: go.Figure, stop: pd.Series, end: pd.Timestamp) -> None:
    if pd.notna(stop.get("lower")):
        upper = stop.get("upper")
        shade_months(figure, stop["lower"], upper if pd.notna(upper) else end)
    if pd.notna(stop.get("median")):
        mark_day(figure, stop["median"], "repair stops")
