"""The maximum bid by month, beside what such units really went for."""

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
    add_dots,
    add_line,
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

    ``path`` and ``hammers`` are rows of the tables ``bid_path`` and ``hammers`` of one model and
    fault.
    """
    figure = new_figure(words, f"hammer price, {plain(currency)}")
    band = path.rename(columns={"hammer_lower": "lower", "hammer_upper": "upper"})
    add_band(figure, band, ORANGE, "")
    months = path["month"]
    usual = "%{x|%b %Y}: usually %{y:,.0f}"
    name = "usual hammer price"
    add_line(figure, months, path["hammer"], name, ORANGE, usual, dash="dash", width=2)
    for result, (shape, colour) in _RESULTS.items():
        rows = hammers[hammers["result"] == result]
        if len(rows):
            add_dots(
                figure,
                rows["end_time"],
                rows["final_price"],
                f"{result} (n = {len(rows)})",
                {"symbol": shape, "color": colour, "size": 8},
                "%{x|%d %b %Y}: hammer %{y:,.0f}",
            )
    said = "%{x|%b %Y}: maximum bid %{y:,.0f}"
    add_line(figure, months, path["max_bid"], "maximum bid", BLUE, said, width=3, shape="hv")
    if len(path):
        mark_day(figure, months.min(), "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure
