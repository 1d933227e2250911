"""Whether intervals keep their promise, and how errors grow with the months ahead."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    DASHES,
    INK,
    SERIES,
    SHAPES,
    Words,
    add_line,
    new_figure,
    plain,
)


def reliability_chart(table: pd.DataFrame, words: Words) -> go.Figure:
    """Draw the share of sales inside their interval against the share promised.

    ``table`` has ``horizon`` (months, or 'all'), ``level`` and ``inside`` (0 to 1), ``n``.
    """
    figure = new_figure(words, "sales inside the interval, %", months=False, height=420)
    ends = [0, 100]
    add_line(figure, ends, ends, "kept exactly", INK, "", dash="dot", width=1.5, hoverinfo="skip")
    groups = dict(list(table.groupby("horizon", sort=False)))
    for i, (horizon, rows) in enumerate(sorted(groups.items(), key=lambda g: g[0] == "all")):
        at, whole = i % len(SERIES), horizon == "all"
        ahead = f"{horizon} {'month' if str(horizon) == '1' else 'months'} ahead"
        add_line(
            figure,
            100 * rows["level"],
            100 * rows["inside"],
            f"{'all' if whole else ahead} (n = {int(rows['n'].iloc[0])})",
            INK if whole else SERIES[at],
            "promised %{x:.0f} %: held %{y:.0f} %",
            dash="solid" if whole else DASHES[at],
            width=3.5 if whole else 1.5,
            marker={"symbol": "x" if whole else SHAPES[at], "size": 9},
        )
    figure.update_xaxes(title={"text": "interval promised, %"}, range=[0, 103])
    figure.update_yaxes(range=[0, 103])
    figure.update_layout(legend={"y": -0.3})
    return figure


def by_months_ahead(
    table: pd.DataFrame, column: str, promised: float | None, words: Words
) -> go.Figure:
    """Draw one score (``column``, a share) of every method by months ahead.

    ``table`` has ``horizon`` (months, or 'all', which is left out), ``method`` and the score;
    ``promised`` is drawn as a dotted line.
    """
    axis = "sales inside the interval, %" if promised is not None else "median error, %"
    figure = new_figure(words, axis, months=False, height=420)
    rows = table[(table["horizon"] != "all") & table[column].notna()]
    for i, (method, part) in enumerate(rows.groupby("method", sort=False)):
        at = i % len(SERIES)
        add_line(
            figure,
            part["horizon"].astype(int),
            100 * part[column],
            plain(method),
            SERIES[at],
            "%{x} months ahead: %{y:.0f} % (n = %{customdata})",
            dash=DASHES[at],
            width=3 if i == 0 else 1.5,
            marker={"symbol": SHAPES[at], "size": 8},
            customdata=part["n"],
        )
    if promised is not None:
        figure.add_hline(100 * promised, line={"color": INK, "dash": "dot"})
    months = [int(h) for h in dict.fromkeys(rows["horizon"])]
    figure.update_xaxes(title={"text": "months ahead"}, tickmode="array", tickvals=months)
    figure.update_yaxes(rangemode="tozero")
    figure.update_layout(legend={"y": -0.3})
    return figure
