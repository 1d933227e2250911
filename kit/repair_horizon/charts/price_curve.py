"""What a working unit of each model sold for, and is expected to sell for."""

from __future__ import annotations

import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import (
    DASHES,
    FAINT,
    SERIES,
    SHAPES,
    Words,
    add_band,
    mark_day,
    new_figure,
    plain,
)


def price_curve(
    curves: pd.DataFrame,
    sales: pd.DataFrame,
    names: pd.Series,
    shown: list[str],
    now: pd.Timestamp,
    currency: str,
    words: Words,
) -> go.Figure:
    """Draw curves, bands and sales of a few models; the family's others are thin lines.

    Parameters
    ----------
    curves
        The table ``price_curve``.
    sales
        The table ``price_points``.
    names
        Model names by model_id.
    shown
        Models drawn with band and sales, at most six.
    now
        First day of this month.
    currency
        Of the amounts.
    words
        Title and sentence.
    """
    figure = new_figure(words, f"price of a working unit, {plain(currency)}", height=430)
    for model, curve in curves.groupby("model_id", sort=False):
        if model not in shown:
            _thin_line(figure, curve, plain(names.get(model, model)), legend=not figure.data)
    for i, model in enumerate(shown[: len(SERIES)]):
        curve = curves[curves["model_id"] == model]
        points = sales[sales["model_id"] == model]
        _model(figure, curve, points, (plain(names.get(model, model)), i))
    mark_day(figure, now, "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure


def _thin_line(figure: go.Figure, curve: pd.DataFrame, name: str, *, legend: bool) -> None:
    figure.add_scatter(
        x=curve["month"],
        y=curve["predicted"],
        mode="lines",
        line={"color": FAINT, "width": 1},
        name="each other model",
        legendgroup="others",
        showlegend=legend,
        customdata=[name] * len(curve),
        hovertemplate="%{customdata}<br>%{x|%b %Y}: %{y:,.0f}<extra></extra>",
    )


def _model(
    figure: go.Figure, curve: pd.DataFrame, points: pd.DataFrame, who: tuple[str, int]
) -> None:
    name, i = who
    colour = SERIES[i]
    ahead = curve[curve["phase"] == "forecast"]
    add_band(figure, ahead, colour, "", name)
    figure.add_scatter(
        x=points["sale_date"],
        y=points["adjusted"],
        mode="markers",
        marker={
            "color": colour,
            "symbol": SHAPES[i],
            "size": 5,
            "opacity": 0.25 + 0.4 * points["weight"].clip(0, 1),
        },
        name=name,
        legendgroup=name,
        showlegend=False,
        customdata=pd.DataFrame(
            {"g": points["grade"].map(plain), "a": points["amount"], "m": name}
        ).to_numpy(),
        hovertemplate=(
            "%{customdata[2]}<br>%{x|%d %b %Y}: sold for %{customdata[1]:,.0f}, "
            "grade %{customdata[0]}<br>%{y:,.0f} as base grade<extra></extra>"
        ),
    )
    figure.add_scatter(
        x=curve["month"],
        y=curve["predicted"],
        mode="lines",
        line={"color": colour, "width": 2.5, "dash": DASHES[i]},
        name=f"{name} (n = {len(points)})",
        legendgroup=name,
        customdata=curve[["lower", "upper"]].assign(m=name).to_numpy(),
        hovertemplate=(
            "%{customdata[2]}<br>%{x|%b %Y}: %{y:,.0f} "
            "(%{customdata[0]:,.0f} to %{customdata[1]:,.0f})<extra></extra>"
        ),
    )
