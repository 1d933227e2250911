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
    add_dots,
    add_line,
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

    ``curves`` and ``sales`` are the tables ``price_curve`` and ``price_points``, ``names`` the
    model names by model_id; at most six models are ``shown`` with band and sales.
    """
    figure = new_figure(words, f"price of a working unit, {plain(currency)}", height=430)
    for model, curve in curves.groupby("model_id", sort=False):
        if model not in shown:
            add_line(
                figure,
                curve["month"],
                curve["predicted"],
                "each other model",
                FAINT,
                "%{customdata}<br>%{x|%b %Y}: %{y:,.0f}",
                width=1,
                legendgroup="others",
                showlegend=not figure.data,
                customdata=[plain(names.get(model, model))] * len(curve),
            )
    for i, model in enumerate(shown[: len(SERIES)]):
        mine = curves[curves["model_id"] == model], sales[sales["model_id"] == model]
        _model(figure, *mine, plain(names.get(model, model)), i)
    mark_day(figure, now, "this month")
    figure.update_yaxes(rangemode="tozero")
    return figure


def _model(figure: go.Figure, curve: pd.DataFrame, points: pd.DataFrame, name: str, i: int) -> None:
    seen = 0.25 + 0.4 * points["weight"].clip(0, 1)
    look = {"color": SERIES[i], "symbol": SHAPES[i], "size": 5, "opacity": seen}
    about = pd.DataFrame({"g": points["grade"].map(plain), "a": points["amount"], "m": name})
    add_band(figure, curve[curve["phase"] == "forecast"], SERIES[i], "", name)
    add_dots(
        figure,
        points["sale_date"],
        points["adjusted"],
        name,
        look,
        "%{customdata[2]}<br>%{x|%d %b %Y}: sold for %{customdata[1]:,.0f}, "
        "grade %{customdata[0]}<br>%{y:,.0f} as base grade",
        legendgroup=name,
        showlegend=False,
        customdata=about.to_numpy(),
    )
    add_line(
        figure,
        curve["month"],
        curve["predicted"],
        f"{name} (n = {len(points)})",
        SERIES[i],
        "%{customdata[2]}<br>%{x|%b %Y}: %{y:,.0f} "
        "(%{customdata[0]:,.0f} to %{customdata[1]:,.0f})",
        dash=DASHES[i],
        legendgroup=name,
        customdata=curve[["lower", "upper"]].assign(m=name).to_numpy(),
    )
