"""What can be chosen, moved and written down in the explorer, and how it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import plotly.graph_objects as go
from IPython.display import display

from repair_horizon.charts.style import INK
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.logs import LogFault, Logs
from repair_horizon.logs.adding import PREFIX, table_named
from repair_horizon.new_facts import NewFact, add, take_back
from repair_horizon.reports.html import Chart, Fragment, note
from repair_horizon.reports.month_tables import invented_note
from repair_horizon.tables.columns import Column
from repair_horizon.tables.words import fault_words

SCHEMES = ("none", "on_sale", "margin", "special_credit")
WIDE = {"description_width": "150px"}
LAYOUT = {"width": "420px"}
WIDTH = 820
# The chart's tools stand upright at its side, where they cover no title.
_TOOLS = {"orientation": "v", "bgcolor": "rgba(0,0,0,0)", "color": INK}
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


def before_buying(logs: Logs) -> Fragment:
    """What to check before any bid, and whether the data are invented."""
    return note(f"⚠ {BEFORE_BUYING} {invented_note(Path(logs.folder))}".strip())


def in_picture(logs: Logs) -> str:
    """The same, as short as a picture has room for."""
    invented = "invented; " * bool(invented_note(Path(logs.folder)))
    return f"{invented}check registry and locks first"


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
        look = {**new.layout.to_plotly_json(), "width": WIDTH, "modebar": _TOOLS}
        live.layout.update(look, overwrite=True)


ROWS = ("sale", "quote", "repair", "listing", "unit")


class AddForm:
    """Choose what to add, fill it in, add it; what is wrong is said and nothing is written then.

    Identifier, day and currency are filled in where they are left empty, as by the command.

    Parameters
    ----------
    folder
        The workspace.
    logs
        Its logs, for the models there are.
    """

    def __init__(self, folder: str | Path, logs: Logs) -> None:
        self.folder, self.models = Path(folder), list(logs.tables["catalogue"]["model_id"])
        shared = {"style": WIDE, "layout": LAYOUT}
        self.what = widgets.Dropdown(options=ROWS, description="Add a", **shared)
        self.fields: dict[str, Any] = {}
        self.box = widgets.VBox()
        self.add = widgets.Button(description="Add", button_style="primary")
        self.undo = widgets.Button(description="Take the last back")
        self.said = widgets.HTML()
        self.what.observe(lambda _: self._offer(), "value")
        self.add.on_click(lambda _: self._do(self._added))
        self.undo.on_click(lambda _: self._do(lambda: take_back(self.folder)))
        self._offer()

    def _offer(self) -> None:
        """Offer the fields of the table, what must be filled first."""
        table = table_named(self.what.value)
        own = [c for c in table.columns if c.name != table.key or table.name not in PREFIX]
        self.fields = {c.name: self._field(c) for c in own}
        must = [self.fields[c.name] for c in own if c.required]
        rest = widgets.VBox([self.fields[c.name] for c in own if not c.required])
        more = widgets.Accordion(children=[rest], titles=["What else is known"])
        self.box.children = [*must, more]

    def _field(self, column: Column) -> Any:
        shared = {"description": fault_words(column.name), "style": WIDE, "layout": LAYOUT}
        choices = self.models if column.name == "model_id" else list(column.choices)
        if choices:
            return widgets.Dropdown(options=["", *choices], tooltip=column.meaning, **shared)
        return widgets.Text(placeholder=column.allowed, tooltip=column.meaning, **shared)

    def _added(self) -> NewFact:
        values = {n: f.value.strip() for n, f in self.fields.items() if f.value.strip()}
        fact = add(self.folder, self.what.value, **values)
        for field in self.fields.values():
            field.value = ""
        return fact

    def _do(self, work: Any) -> None:
        try:
            fact = work()
        except LogFault as error:
            self.said.value = f"<p><b>Nothing is written.</b></p><pre>{escape(str(error))}</pre>"
            return
        lines = [str(fact.added), *fact.words().splitlines()]
        told = "".join(f"<p>{escape(line)}</p>" for line in lines)
        self.said.value = f"{told}<p>Run all cells again to see it in what is shown above.</p>"

    def show(self) -> None:
        """Show the form."""
        buttons = widgets.HBox([self.add, self.undo])
        display(widgets.VBox([self.what, self.box, buttons, self.said]))  # type: ignore[no-untyped-call]
