"""What a spare part was quoted at, by quality, and where its price is heading.

What a part costs as a share of what the working unit sells for.
"""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    DASHES,
    INK,
    SERIES,
    SHAPES,
    Words,
    add_band,
    mark_day,
    new_figure,
    plain,
)

_ORDER = ("maker_original", "original_refurbished", "aftermarket", "pulled")


def part_prices(
    curves: pd.DataFrame, quotes: pd.DataFrame, now: pd.Timestamp, currency: str, words: Words
) -> go.Figure:
    """Draw one part of one model: a line per quality, quotes as dots.

    Parameters
    ----------
    curves
        Rows of the table ``part_curve`` of one part of one model.
    quotes
        Rows of the table ``part_points`` of the same.
    now
        First day of this month.
    currency
        Of the amounts.
    words
        Title and sentence.
    """
    figure = new_figure(words, f"price of one part, {plain(currency)}")
    for i, quality in enumerate(_ORDER):
        curve = curves[curves["quality_class"] == quality]
        points = quotes[quotes["quality_class"] == quality]
        if len(curve) or len(points):
            _quality(figure, curve, points, (quality.replace("_", " "), i))
    mark_day(figure, now, "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure


def _quality(
    figure: go.Figure, curve: pd.DataFrame, points: pd.DataFrame, who: tuple[str, int]
) -> None:
    name, i = who
    add_band(figure, curve[curve["phase"] == "forecast"], SERIES[i], "", name)
    figure.add_scatter(
        x=points["quote_date"],
        y=points["amount"],
        mode="markers",
        marker={"color": SERIES[i], "symbol": SHAPES[i], "size": 6, "opacity": 0.6},
        legendgroup=name,
        showlegend=curve.empty,
        name=f"{name} (n = {len(points)})",
        customdata=points["supplier_id"].map(plain),
        hovertemplate="%{x|%d %b %Y}: %{y:,.2f} from %{customdata}<extra></extra>",
    )
    if curve.empty:
        return
    figure.add_scatter(
        x=curve["month"],
        y=curve["predicted"],
        mode="lines",
        line={"color": SERIES[i], "width": 2.5, "dash": DASHES[i]},
        legendgroup=name,
        name=f"{name} (n = {len(points)})",
        customdata=curve[["lower", "upper"]].to_numpy(),
        hovertemplate=(
            "%{x|%b %Y}: %{y:,.2f} (%{customdata[0]:,.2f} to %{customdata[1]:,.2f})<extra></extra>"
        ),
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
