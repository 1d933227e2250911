"""What a spare part was quoted at and where its price is heading, also as a share of resale."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    DASHES,
    SERIES,
    SHAPES,
    Words,
    add_band,
    add_dots,
    add_level,
    add_line,
    mark_day,
    new_figure,
    plain,
)

GUIDE = 0.50  # a part dearer than half of the resale price seldom pays; common practice, no source
_ORDER = ("maker_original", "original_refurbished", "aftermarket", "pulled")


def part_prices(
    curves: pd.DataFrame, quotes: pd.DataFrame, now: pd.Timestamp, currency: str, words: Words
) -> go.Figure:
    """Draw one part of one model: a line per quality, quotes as dots.

    ``curves`` and ``quotes`` are rows of the tables ``part_curve`` and ``part_points``; ``now`` is
    the first day of this month.
    """
    figure = new_figure(words, f"price of one part, {plain(currency)}")
    for i, quality in enumerate(_ORDER):
        curve = curves[curves["quality_class"] == quality]
        points = quotes[quotes["quality_class"] == quality]
        if curve.empty and points.empty:
            continue
        name = quality.replace("_", " ")
        counted = f"{name} (n = {len(points)})"
        add_band(figure, curve[curve["phase"] == "forecast"], SERIES[i], "", name)
        add_dots(
            figure,
            points["quote_date"],
            points["amount"],
            counted,
            {"color": SERIES[i], "symbol": SHAPES[i], "size": 6, "opacity": 0.6},
            "%{x|%d %b %Y}: %{y:,.2f} from %{customdata}",
            legendgroup=name,
            showlegend=curve.empty,
            customdata=points["supplier_id"].map(plain),
        )
        if len(curve):
            add_line(
                figure,
                curve["month"],
                curve["predicted"],
                counted,
                SERIES[i],
                "%{x|%b %Y}: %{y:,.2f} (%{customdata[0]:,.2f} to %{customdata[1]:,.2f})",
                dash=DASHES[i],
                legendgroup=name,
                customdata=curve[["lower", "upper"]].to_numpy(),
            )
    mark_day(figure, now, "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure


def part_share(shares: pd.DataFrame, now: pd.Timestamp, words: Words) -> go.Figure:
    """Draw one line per quality of the part, and the guide at a half.

    ``shares`` has ``quality_class``, ``month`` and ``share`` (part price over resale price).
    """
    figure = new_figure(words, "part price, % of resale price", height=320)
    for i, (quality, line) in enumerate(shares.groupby("quality_class", sort=False)):
        add_line(
            figure,
            line["month"],
            100 * line["share"],
            str(quality).replace("_", " "),
            SERIES[i % len(SERIES)],
            "%{x|%b %Y}: %{y:.0f} %",
            dash=DASHES[i % len(DASHES)],
        )
    add_level(figure, 100 * GUIDE, "guide: half of resale")
    mark_day(figure, now, "this month")
    top = max(100 * GUIDE, float(100 * shares["share"].max()))
    figure.update_yaxes(range=[0, 1.12 * top])
    figure.update_layout(legend={"y": -0.25})
    return figure
