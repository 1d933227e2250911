"""The explorer's controls themselves: what there is to choose and to move, and how it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import ipywidgets as widgets
import plotly.graph_objects as go
from IPython.display import display

from repair_horizon.logs import Logs
from repair_horizon.reports.html import Chart, Fragment
from repair_horizon.tables.words import fault_words

SCHEMES = ("none", "on_sale", "margin", "special_credit")
WIDE = {"description_width": "150px"}
LAYOUT = {"width": "420px"}
WIDTH = 820
_WIDGET = "application/vnd.jupyter.widget-view+json"


def choices(logs: Logs, family_id: str) -> dict[str, Any]:
    """Return the controls that choose a listing: family, model and fault."""
    shared = {"style": WIDE, "layout": LAYOUT}
    families = [(fault_words(f), f) for f in logs.families]
    return {
        "family": widgets.Dropdown(
            options=families, value=family_id, description="Family", **shared
        ),
        "model": widgets.Dropdown(description="Model", **shared),
        "fault": widgets.Dropdown(description="Listed fault", **shared),
    }


def sliders(currency: str) -> dict[str, Any]:
    """Return the controls of what is assumed, by name; money is in ``currency``."""
    shared = {"style": WIDE, "layout": LAYOUT}
    late = {"continuous_update": False, **shared}  # at the end of a drag, not all along it
    whole, some = widgets.IntSlider, widgets.FloatSlider
    amount = widgets.BoundedFloatText
    return {
        "resale": whole(0, -40, 40, description="Resale, %", **late),
        "part_price": whole(0, -60, 60, description="Part price, %", **late),
        "part_code": widgets.Dropdown(description="of which part", **shared),
        "part_money": amount(
            0.0, min=0.0, max=1e6, description=f"at, {currency} (0: by %)", disabled=True, **shared
        ),
        "delay_days": whole(0, -14, 60, description="Longer by, days", **late),
        "failures": some(1.0, min=0.0, max=4.0, step=0.1, description="Failures, times", **late),
        "successor": widgets.Dropdown(description="Successor comes in", **shared),
        "tax": widgets.Dropdown(options=SCHEMES, description="Tax scheme", **shared),
        "tax_rate": amount(0.0, min=0.0, max=100.0, description="Tax rate, %", **shared),
        "bench_rate": amount(0.0, min=0.0, max=1e4, description="Bench hour costs", **shared),
        "price": amount(0.0, min=0.0, max=1e6, description="Price in mind (0: bid)", **shared),
    }


def offer(control: Any, options: list[tuple[str, Any]]) -> None:
    """Give a choice its options and take the first, if there is one."""
    control.options = options
    if options:
        control.index = 0


def show_with_copies(box: Any, pieces: Sequence[Fragment | Chart]) -> list[Any]:
    """Show controls, and below them what a copy keeps; returns the handles to renew that with."""
    bundle = {_WIDGET: box._repr_mimebundle_()[_WIDGET]}
    bundle["text/plain"] = "Controls: open this notebook in JupyterLab and run it."
    display(bundle, raw=True)  # type: ignore[no-untyped-call]
    return [display(p, display_id=True) for p in pieces]  # type: ignore[no-untyped-call]


def renew_copies(handles: Sequence[Any], pieces: Sequence[Fragment | Chart]) -> None:
    """Put pieces in place of those shown; a chart by way of nothing, else it is not drawn anew.

    What JupyterLab draws charts with keeps a chart that is there, whatever it is sent.
    """
    for handle, piece in zip(handles, pieces, strict=False):
        if isinstance(piece, Chart):
            handle.update(Fragment(""))
        handle.update(piece)


def redraw(live: Any, piece: Fragment | Chart) -> None:
    """Move the live chart's lines; it is built anew only where their number changes."""
    new = piece.figure if isinstance(piece, Chart) else go.Figure()
    if len(live.data) != len(new.data):
        live.data = ()
        live.add_traces(new.data)
    with live.batch_update():
        for line, other in zip(live.data, new.data, strict=True):
            line.update(other.to_plotly_json(), overwrite=True)
        live.layout.update({**new.layout.to_plotly_json(), "width": WIDTH}, overwrite=True)
