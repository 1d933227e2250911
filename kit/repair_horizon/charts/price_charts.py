"""What working units and spare parts cost, are expected to cost, and how intervals held."""

from __future__ import annotations

import pandas as pd

from repair_horizon.charts.style import (
    DASHES,
    FAINT,
    INK,
    SERIES,
    SHAPES,
    Drawing,
    Words,
    add_band,
    add_dots,
    add_level,
    add_line,
    mark_day,
    new_drawing,
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
) -> Drawing:
    """Draw curves, bands and sales of a few models; the family's others are thin lines.

    ``curves`` and ``sales`` are the tables ``price_curve`` and ``price_points``, ``names`` the
    model names by model_id; at most six models are ``shown`` with band and sales.
    """
    drawing = new_drawing(words, f"price of a working unit, {plain(currency)}", height=430)
    for model, curve in curves.groupby("model_id", sort=False):
        if model not in shown:
            add_line(
                drawing,
                curve["month"],
                curve["predicted"],
                "each other model",
                FAINT,
                "%{customdata}<br>%{x|%b %Y}: %{y:,.0f}",
                width=1,
                legendgroup="others",
                showlegend=not drawing.traces,
                customdata=[plain(names.get(model, model))] * len(curve),
            )
    for i, model in enumerate(shown[: len(SERIES)]):
        mine = curves[curves["model_id"] == model], sales[sales["model_id"] == model]
        _model(drawing, *mine, plain(names.get(model, model)), i)
    mark_day(drawing, now, "this month")
    drawing.layout["yaxis"]["rangemode"] = "tozero"
    return drawing


def _model(drawing: Drawing, curve: pd.DataFrame, points: pd.DataFrame, name: str, i: int) -> None:
    seen = 0.25 + 0.4 * points["weight"].clip(0, 1)
    look = {"color": SERIES[i], "symbol": SHAPES[i], "size": 5, "opacity": seen}
    about = pd.DataFrame({"g": points["grade"].map(plain), "a": points["amount"], "m": name})
    add_band(drawing, curve[curve["phase"] == "forecast"], SERIES[i], name)
    add_dots(
        drawing,
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
        drawing,
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


GUIDE = 0.50  # a part dearer than half of the resale price seldom pays; common practice, no source
_ORDER = ("maker_original", "original_refurbished", "aftermarket", "pulled")


def part_prices(
    curves: pd.DataFrame, quotes: pd.DataFrame, now: pd.Timestamp, currency: str, words: Words
) -> Drawing:
    """Draw one part of one model: a line per quality, quotes as dots.

    ``curves`` and ``quotes`` are rows of the tables ``part_curve`` and ``part_points``; ``now`` is
    the first day of this month.
    """
    drawing = new_drawing(words, f"price of one part, {plain(currency)}")
    by_curve, by_quote = (dict(list(t.groupby("quality_class"))) for t in (curves, quotes))
    for i, quality in enumerate(_ORDER):
        curve, points = by_curve.get(quality, curves[:0]), by_quote.get(quality, quotes[:0])
        if curve.empty and points.empty:
            continue
        name = quality.replace("_", " ")
        counted = f"{name} (n = {len(points)})"
        add_band(drawing, curve[curve["phase"] == "forecast"], SERIES[i], name)
        add_dots(
            drawing,
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
                drawing,
                curve["month"],
                curve["predicted"],
                counted,
                SERIES[i],
                "%{x|%b %Y}: %{y:,.2f} (%{customdata[0]:,.2f} to %{customdata[1]:,.2f})",
                dash=DASHES[i],
                legendgroup=name,
                customdata=curve[["lower", "upper"]].to_numpy(),
            )
    mark_day(drawing, now, "this month")
    drawing.layout["yaxis"]["rangemode"] = "tozero"
    return drawing


def part_share(shares: pd.DataFrame, now: pd.Timestamp, words: Words) -> Drawing:
    """Draw one line per quality of the part, and the guide at a half.

    ``shares`` has ``quality_class``, ``month`` and ``share`` (part price over resale price).
    """
    drawing = new_drawing(words, "part price, % of resale price", height=320)
    for i, (quality, line) in enumerate(shares.groupby("quality_class", sort=False)):
        add_line(
            drawing,
            line["month"],
            100 * line["share"],
            str(quality).replace("_", " "),
            SERIES[i % len(SERIES)],
            "%{x|%b %Y}: %{y:.0f} %",
            dash=DASHES[i % len(DASHES)],
        )
    add_level(drawing, 100 * GUIDE, "guide: half of resale")
    mark_day(drawing, now, "this month")
    top = max(100 * GUIDE, float(100 * shares["share"].max()))
    drawing.layout["yaxis"]["range"] = [0, 1.12 * top]
    drawing.layout["legend"]["y"] = -0.25
    return drawing


def reliability_chart(table: pd.DataFrame, words: Words) -> Drawing:
    """Draw the share of sales inside their interval against the share promised.

    ``table`` has ``horizon`` (months, or 'all'), ``level`` and ``inside`` (0 to 1), ``n``.
    """
    drawing = new_drawing(words, "sales inside the interval, %", months=False, height=420)
    ends = [0, 100]
    add_line(drawing, ends, ends, "kept exactly", INK, "", dash="dot", width=1.5, hoverinfo="skip")
    groups = dict(list(table.groupby("horizon", sort=False)))
    for i, (horizon, rows) in enumerate(sorted(groups.items(), key=lambda g: g[0] == "all")):
        at, whole = i % len(SERIES), horizon == "all"
        ahead = f"{horizon} {'month' if str(horizon) == '1' else 'months'} ahead"
        add_line(
            drawing,
            100 * rows["level"],
            100 * rows["inside"],
            f"{'all' if whole else ahead} (n = {int(rows['n'].iloc[0])})",
            INK if whole else SERIES[at],
            "promised %{x:.0f} %: held %{y:.0f} %",
            dash="solid" if whole else DASHES[at],
            width=3.5 if whole else 1.5,
            marker={"symbol": "x" if whole else SHAPES[at], "size": 9},
        )
    drawing.layout["xaxis"] |= {"title": {"text": "interval promised, %"}, "range": [0, 103]}
    drawing.layout["yaxis"]["range"] = [0, 103]
    drawing.layout["legend"]["y"] = -0.3
    return drawing


def by_months_ahead(
    table: pd.DataFrame, column: str, promised: float | None, words: Words
) -> Drawing:
    """Draw one score (``column``, a share) of every method by months ahead.

    ``table`` has ``horizon`` (months, or 'all', which is left out), ``method`` and the score;
    ``promised`` is drawn as a dotted line.
    """
    axis = "sales inside the interval, %" if promised is not None else "median error, %"
    drawing = new_drawing(words, axis, months=False, height=420)
    rows = table[(table["horizon"] != "all") & table[column].notna()]
    for i, (method, part) in enumerate(rows.groupby("method", sort=False)):
        at = i % len(SERIES)
        add_line(
            drawing,
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
        level = {"y0": 100 * promised, "y1": 100 * promised, "yref": "y"}
        whole = {"x0": 0, "x1": 1, "xref": "x domain", **level}
        drawing.add_shape(type="line", line={"color": INK, "dash": "dot"}, **whole)
    months = [int(h) for h in dict.fromkeys(rows["horizon"])]
    ticks = {"tickmode": "array", "tickvals": months}
    drawing.layout["xaxis"] |= {"title": {"text": "months ahead"}, **ticks}
    drawing.layout["yaxis"]["rangemode"] = "tozero"
    drawing.layout["legend"]["y"] = -0.3
    return drawing
