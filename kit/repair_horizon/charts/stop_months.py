"""How likely each stop has come by month, and where repair crosses its alternatives."""

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
    add_line,
    mark_day,
    new_figure,
    plain,
    shade_months,
)
from repair_horizon.tables.codes import Action

_LINES: dict[str, tuple[str, str, float]] = {
    Action.REPAIR: (BLUE, "solid", 3.0),
    Action.SELL_AS_IS: (VERMILION, "dash", 2.0),
    Action.PART_OUT: (GREEN, "dot", 2.0),
    Action.MAKER: (PURPLE, "dashdot", 2.0),
}


def stop_months(chances: pd.DataFrame, words: Words) -> go.Figure:
    """Draw one line per stop date.

    ``chances`` are rows of the table ``stop_chances`` of one model and fault.
    """
    figure = new_figure(words, "chance that it has come, %", height=320)
    for i, (name, line) in enumerate(chances.groupby("date_name", sort=False)):
        add_line(
            figure,
            line["month"],
            100 * line["probability"],
            plain(name),
            SERIES[i],
            "by %{x|%B %Y}: %{y:.0f} %",
            dash=DASHES[i],
            marker={"symbol": SHAPES[i], "size": 6},
        )
    figure.update_yaxes(range=[-3, 103])
    figure.update_layout(legend={"y": -0.3})
    return figure


def scissors(options: pd.DataFrame, stop: pd.Series, currency: str, words: Words) -> go.Figure:
    """Draw what an owned unit in one state is still worth under each option.

    ``options`` are rows of that table of one model, fault and state; ``stop`` is the repair stop:
    median, lower, upper (months or missing; a missing upper end is open).
    """
    figure = new_figure(words, f"cash still to come per unit, {plain(currency)}")
    first, last = stop.get("lower"), stop.get("upper")
    if pd.notna(first):
        shade_months(figure, first, last if pd.notna(last) else options["month"].max())
    if pd.notna(stop.get("median")):
        mark_day(figure, stop["median"], "repair stops")
    for option, rows in options.groupby("option", sort=False):
        colour, dash, width = _LINES.get(str(option), (ORANGE, "longdash", 2.0))
        name = plain(Action.worded(option))
        if option == Action.REPAIR:
            add_band(figure, rows, colour, "")
        add_line(
            figure,
            rows["month"],
            rows["value"],
            name,
            colour,
            "%{customdata[2]}<br>%{x|%b %Y}: %{y:,.0f} "
            "(%{customdata[0]:,.0f} to %{customdata[1]:,.0f})",
            dash=dash,
            width=width,
            customdata=rows[["lower", "upper"]].assign(option=name).to_numpy(),
        )
    return figure
