"""The most to bid by month, beside what such units really went for."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    BLUE,
    GREEN,
    INK,
    ORANGE,
    VERMILION,
    Words,
    add_band,
    mark_day,
    new_figure,
    plain,
)

# Shape carries the result, colour only repeats it.
_RESULTS = {
    "won": ("circle", GREEN),
    "lost": ("x", VERMILION),
    "skipped": ("triangle-up-open", INK),
}


def bids(path: pd.DataFrame, hammers: pd.DataFrame, currency: str, words: Words) -> go.Figure:
    """Draw the maximum bid as steps, expected hammer prices as a band, past auctions as dots.

    Parameters
    ----------
    path
        Months ahead of one model and fault: month, max_bid, hammer, hammer_lower, hammer_upper.
    hammers
        Past auctions of the same: end_time, final_price, result.
    currency
        Currency of the amounts.
    words
        Title and sentence.
    """
    figure = new_figure(words, f"hammer price, {plain(currency)}")
    band = path.rename(columns={"hammer_lower": "lower", "hammer_upper": "upper"})
    add_band(figure, band, ORANGE, "")
    figure.add_scatter(
        x=path["month"],
        y=path["hammer"],
        mode="lines",
        line={"color": ORANGE, "dash": "dash", "width": 2},
        name="such units hammer at",
        hovertemplate="%{x|%b %Y}: usually %{y:,.0f}<extra></extra>",
    )
    for result, (shape, colour) in _RESULTS.items():
        rows = hammers[hammers["result"] == result]
        if len(rows):
            _dots(figure, rows, f"{result} (n = {len(rows)})", (shape, colour))
    figure.add_scatter(
        x=path["month"],
        y=path["max_bid"],
        mode="lines",
        line={"color": BLUE, "width": 3, "shape": "hv"},
        name="bid at most",
        hovertemplate="%{x|%b %Y}: bid at most %{y:,.0f}<extra></extra>",
    )
    if len(path):
        mark_day(figure, path["month"].min(), "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure


def _dots(figure: go.Figure, rows: pd.DataFrame, name: str, look: tuple[str, str]) -> None:
    figure.add_scatter(
        x=rows["end_time"],
        y=rows["final_price"],
        mode="markers",
        marker={"symbol": look[0], "color": look[1], "size": 8},
        name=name,
        hovertemplate="%{x|%d %b %Y}: hammer %{y:,.0f}<extra></extra>",
    )
