"""The bid: by month beside what such units went for, what makes it up, until when it holds."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd

from repair_horizon.charts.style import (
    BLUE,
    DASHES,
    GREEN,
    INK,
    ORANGE,
    PURPLE,
    SERIES,
    SHAPES,
    VERMILION,
    Drawing,
    Words,
    add_band,
    add_dots,
    add_line,
    mark_day,
    new_drawing,
    plain,
    shade_months,
    tint,
)
from repair_horizon.tables.codes import Action
from repair_horizon.tables.words import chance, missing, number

MOST = 5

# Shape carries the result, colour only repeats it.
_RESULTS = {
    "won": ("circle", GREEN),
    "lost": ("x", VERMILION),
    "skipped": ("triangle-up-open", INK),
}


def bids(path: pd.DataFrame, hammers: pd.DataFrame, currency: str, words: Words) -> Drawing:
    """Draw the maximum bid as steps, expected hammer prices as a band, past auctions as dots.

    ``path`` and ``hammers`` are rows of the tables ``bid_path`` and ``hammers`` of one model and
    fault.
    """
    drawing = new_drawing(words, f"hammer price, {plain(currency)}")
    band = path.rename(columns={"hammer_lower": "lower", "hammer_upper": "upper"})
    add_band(drawing, band, ORANGE)
    months = path["month"]
    usual = "%{x|%b %Y}: usually %{y:,.0f}"
    name = "usual hammer price"
    add_line(drawing, months, path["hammer"], name, ORANGE, usual, dash="dash", width=2)
    for result, (shape, colour) in _RESULTS.items():
        rows = hammers[hammers["result"] == result]
        if len(rows):
            add_dots(
                drawing,
                rows["end_time"],
                rows["final_price"],
                f"{result} (n = {len(rows)})",
                {"symbol": shape, "color": colour, "size": 8},
                "%{x|%d %b %Y}: hammer %{y:,.0f}",
            )
    said = "%{x|%b %Y}: maximum bid %{y:,.0f}"
    add_line(drawing, months, path["max_bid"], "maximum bid", BLUE, said, width=3, shape="hv")
    if len(path):
        mark_day(drawing, months.min(), "this month")
    drawing.layout["yaxis"]["rangemode"] = "tozero"
    return drawing


# Bars from top to bottom, without lines between them.
_DOWNWARDS = {"autorange": "reversed", "automargin": True, "gridcolor": "rgba(0,0,0,0)"}
_MEASURE = {"start": "absolute", "less": "relative", "result": "total"}


def _wrapped(line: str, *more: str) -> str:
    """Break a long label, so that bars keep their room on a phone."""
    return "<br>".join(plain(part) for part in [*(textwrap.wrap(line, 19) or [line]), *more])


def waterfall(lines: pd.DataFrame, currency: str, words: Words) -> Drawing:
    """Draw one bar per line, from top to bottom.

    ``lines`` has ``line``, ``amount`` (signed; start and result are levels) and ``kind`` ('start',
    'less', 'result').
    """
    drawing = new_drawing(words, "", months=False, height=90 + 42 * max(len(lines), 3))
    # The bid at the end is rounded down, as the bids of the tables are.
    ends = lines["kind"] == "result"
    amounts = lines["amount"].where(~ends, np.floor(lines["amount"] + 1e-6))
    drawing.add(
        "waterfall",
        orientation="h",
        y=lines["line"].map(_wrapped),
        x=lines["amount"],
        measure=lines["kind"].map(_MEASURE),
        text=amounts.map(number),
        textposition="outside",
        cliponaxis=False,
        connector={"line": {"color": INK, "width": 1}},
        increasing={"marker": {"color": GREEN}},
        decreasing={"marker": {"color": VERMILION}},
        totals={"marker": {"color": BLUE}},
        hovertemplate="%{y}: %{x:,.2f}<extra></extra>",
        showlegend=False,
    )
    drawing.layout["yaxis"] |= _DOWNWARDS
    drawing.layout["xaxis"] |= {"title": {"text": plain(currency)}, "rangemode": "tozero"}
    drawing.layout["margin"]["r"] = 44
    return drawing


def families_compared(rows: pd.DataFrame, currency: str, words: Words) -> Drawing:
    """Draw a bar per model and fault, families below each other, each one's best first.

    ``rows`` has ``family`` (its name), ``name``, ``earns`` (of a listing, lost ones counted),
    ``expected_profit`` (of one that is won) and ``probability_win``; the first ``MOST`` of a
    family are drawn.
    """
    shown = rows.groupby("family", sort=False).head(MOST)
    drawing = new_drawing(words, "", months=False, height=170 + 34 * max(len(shown), 3))
    for i, (family, mine) in enumerate(shown.groupby("family", sort=False)):
        colour, labels = SERIES[i % len(SERIES)], [_wrapped(n) for n in mine["name"]]
        hatch = {"shape": "/" if i % 2 else "", "fillmode": "overlay"}
        shared = {"orientation": "h", "y": labels, "legendgroup": str(family)}
        drawing.add(
            "bar",
            x=mine["expected_profit"],
            marker={"color": tint(colour, 0.3)},
            text=[f"wins {chance(p)}" for p in mine["probability_win"]],
            textposition="outside",
            cliponaxis=False,
            showlegend=False,
            hovertemplate="%{y}: %{x:,.0f} once won<extra></extra>",
            **shared,
        )
        drawing.add(
            "bar",
            x=mine["earns"],
            name=plain(family),
            marker={"color": colour, "pattern": hatch},
            hovertemplate="%{y}: %{x:,.0f} a listing, lost ones counted<extra></extra>",
            **shared,
        )
    title = f"{plain(currency)} a listing, lost ones counted; pale: once won"
    drawing.layout |= {"barmode": "overlay", "bargap": 0.3}
    drawing.layout["margin"]["r"] = 128
    drawing.layout["legend"]["y"] = -0.22
    drawing.layout["xaxis"] |= {"title": {"text": title}, "rangemode": "tozero"}
    drawing.layout["yaxis"] |= _DOWNWARDS
    return drawing


# Hatching says which way the step goes; colour only repeats it.
_WAYS = (("worse", VERMILION, "/"), ("better", BLUE, ""))


def sensitivity(moves: pd.DataFrame, currency: str, words: Words) -> Drawing:
    """Draw two bars per input, one each way.

    ``moves`` is the table of that name: changes of the bid, the largest first.
    """
    drawing = new_drawing(words, "", months=False, height=130 + 56 * max(len(moves), 2))
    named = moves[["input", "worse"]].astype(str).itertuples(index=False, name=None)
    labels = [_wrapped(name, f"({worse})") for name, worse in named]
    for way, colour, hatch in _WAYS:
        drawing.add(
            "bar",
            orientation="h",
            y=labels,
            x=moves[f"bid_{way}"],
            name="the step named" if way == "worse" else "the same step the other way",
            marker={"color": colour, "pattern": {"shape": hatch}},
            text=[number(v) for v in moves[f"bid_{way}"]],
            textposition="outside",
            cliponaxis=False,
            customdata=moves[way],
            hovertemplate="%{customdata}: %{x:,.2f}<extra></extra>",
        )
    drawing.layout |= {"barmode": "overlay", "bargap": 0.35}
    drawing.layout["margin"]["r"] = 44
    drawing.layout["legend"] |= {"y": -0.3, "traceorder": "normal"}
    drawing.layout["yaxis"] |= _DOWNWARDS
    moved = moves[["bid_worse", "bid_better"]].to_numpy(float)
    room = 0.18 * float(np.abs(moved).max())
    ends = [min(float(moved.min()), 0.0) - room, max(float(moved.max()), 0.0) + room]
    title = {"text": f"change of the bid, {plain(currency)}"}
    drawing.layout["xaxis"] |= {"title": title, "range": ends, "zeroline": True, "zerolinewidth": 1}
    return drawing


_LINES: dict[str, tuple[str, str, float]] = {
    Action.REPAIR: (BLUE, "solid", 3.0),
    Action.SELL_AS_IS: (VERMILION, "dash", 2.0),
    Action.PART_OUT: (GREEN, "dot", 2.0),
    Action.MAKER: (PURPLE, "dashdot", 2.0),
}


def stop_months(chances: pd.DataFrame, words: Words) -> Drawing:
    """Draw one line per stop date.

    ``chances`` are rows of the table ``stop_chances`` of one model and fault.
    """
    drawing = new_drawing(words, "chance that it has come, %", height=320)
    for i, (name, line) in enumerate(chances.groupby("date_name", sort=False)):
        add_line(
            drawing,
            line["month"],
            100 * line["probability"],
            plain(name),
            SERIES[i],
            "by %{x|%B %Y}: %{y:.0f} %",
            dash=DASHES[i],
            marker={"symbol": SHAPES[i], "size": 6},
        )
    drawing.layout["yaxis"]["range"] = [-3, 103]
    drawing.layout["legend"]["y"] = -0.3
    return drawing


def scissors(options: pd.DataFrame, stop: pd.Series, currency: str, words: Words) -> Drawing:
    """Draw what an owned unit in one state is still worth under each option.

    ``options`` are rows of that table of one model, fault and state; ``stop`` is the repair stop:
    median, lower, upper (months or missing; a missing upper end is open).
    """
    drawing = new_drawing(words, f"cash still to come per unit, {plain(currency)}")
    first, last = stop.get("lower"), stop.get("upper")
    if pd.notna(first):
        shade_months(drawing, first, last if pd.notna(last) else options["month"].max())
    if pd.notna(stop.get("median")) and missing(stop.get("unsure")):
        mark_day(drawing, stop["median"], "repair stops")
    for option, rows in options.groupby("option", sort=False):
        colour, dash, width = _LINES.get(str(option), (ORANGE, "longdash", 2.0))
        name = plain(Action.worded(option))
        if option == Action.REPAIR:
            add_band(drawing, rows, colour)
        add_line(
            drawing,
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
    return drawing
