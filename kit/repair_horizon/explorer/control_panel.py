"""The explorer's controls: they only hand their values to ``answers`` and show what comes back.

Controls and a live chart are widgets and need a kernel. Everything they answer is also written
as plain tables and a plain chart below them, renewed at every move, so that a saved, exported or
printed copy shows the last state.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import plotly.graph_objects as go
from IPython.display import display

from repair_horizon.charts.style import INK
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.decisions.review.what_if import Moves
from repair_horizon.explorer.answers import (
    Answers,
    about,
    answers,
    bid_chart,
    headline_table,
    limit_fragment,
    option_tables,
    priced_part,
    stop_fragment,
)
from repair_horizon.fitted_shop import HORIZON
from repair_horizon.logs import CannotSay, LogFault, Logs
from repair_horizon.logs.adding import NUMBERED, table_named
from repair_horizon.new_facts import NewFact, add, take_back
from repair_horizon.reports.estimates import Key, Worked, worked_out
from repair_horizon.reports.html import Chart, Fragment, joined, note
from repair_horizon.reports.month_tables import invented_note
from repair_horizon.shop import Shop
from repair_horizon.tables.columns import Column
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import family_names, fault_words, month_words

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
    names = family_names(logs.tables["catalogue"])
    families = [(names[f], f) for f in logs.families]
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
        own = [c for c in table.columns if c.name != table.key or table.name not in NUMBERED]
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


class Panel:
    """Controls, headline and live chart for one listing at a time.

    Parameters
    ----------
    shop
        The business.
    family_id
        Family shown first; the catalogue's first if None.
    month
        Number of the month; the one after the newest data if None.
    """

    def __init__(
        self,
        shop: Shop,
        family_id: str | None = None,
        month: int | None = None,
    ) -> None:
        self.shop, self.month = shop, month
        logs = shop.logs
        self.seconds = 0.0
        self.found: Answers | CannotSay = CannotSay("nothing chosen yet")
        self._worked: dict[str, Worked] = {}
        self._handles: list[Any] = []
        self._quiet = False
        self.choice = choices(logs, family_id or logs.families[0])
        self.sliders = sliders(logs.currency)
        self.chart: Any = go.FigureWidget()
        self.head = widgets.HTML(layout={"width": "460px"})
        self.took = widgets.HTML()
        self.back = widgets.Button(description="As it is")
        self._fill()
        self._wire()

    @property
    def worked(self) -> Worked:
        """The chosen family, worked out once."""
        name = self.choice["family"].value
        if name not in self._worked:
            self._worked[name] = worked_out(self.shop, name, self.month)
        return self._worked[name]

    @property
    def key(self) -> Key:
        """The chosen (model, listed fault)."""
        return (self.choice["model"].value or "", self.choice["fault"].value or "")

    @property
    def moves(self) -> Moves:
        """What the controls assume."""
        at = {name: control.value for name, control in self.sliders.items()}
        rules, tax = self.worked.rules, (at["tax"], at["tax_rate"] / 100.0)
        later = at["successor"]
        share = self.worked.part_share(self.key[0], at["part_code"], at["part_money"])
        dearer = at["part_price"] / 100.0 if share is None else share
        return Moves(
            resale=at["resale"] / 100.0,
            part_price=dearer,
            part_code=at["part_code"] if dearer else "",
            delay_days=float(at["delay_days"]),
            failures=float(at["failures"]),
            successor=None if later is None else (self.key[0], later),
            tax=None if tax == (rules.tax.scheme, rules.tax.rate) else tax,
            bench_rate=None
            if at["bench_rate"] == rules.bench.rate_per_hour
            else float(at["bench_rate"]),
        )

    def show(self) -> None:
        """Show the controls, and below them what a copy keeps."""
        left = [*self.choice.values(), *self.sliders.values(), self.back, self.took]
        top = widgets.HBox([widgets.VBox(left), self.head], layout={"flex_flow": "row wrap"})
        box = widgets.VBox([top, self.chart])
        self._handles = show_with_copies(box, self.pieces())

    def pieces(self) -> list[Fragment | Chart]:
        """What a copy keeps: the assumptions, the tables and the chart of the last state."""
        if isinstance(self.found, CannotSay):
            empty = Fragment("")
            return [note(f"Nothing can be said: {self.found.reason}."), *[empty] * 5]
        stand, found, moves = self.worked, self.found, self.moves
        return [
            joined(about(stand, found, moves), before_buying(stand.logs)),
            headline_table(stand, found),
            option_tables(stand, found),
            stop_fragment(stand, found),
            limit_fragment(stand, found),
            bid_chart(stand, found, moves, in_picture(stand.logs)),
        ]

    def renew(self) -> None:
        """Work the listing out anew and show it."""
        start = time.perf_counter()
        price = self.sliders["price"].value or None
        self.found = answers(self.worked, self.key, self.moves, price)
        pieces = self.pieces()
        self.head.value = pieces[0].html + pieces[1].html  # type: ignore[union-attr]
        redraw(self.chart, pieces[-1])
        renew_copies(self._handles, pieces)
        self.seconds = time.perf_counter() - start
        self.took.value = f"worked out in {self.seconds:.2f} s"

    def _fill(self) -> None:
        """Offer what the chosen family has; figures start where its settings stand."""
        stand, self._quiet = self.worked, True
        offer(self.choice["model"], [(n, m) for m, n in reversed(stand.names.items())])
        offer(self.choice["fault"], [(fault_words(f), f) for f in stand.faults])
        first = stand.outlook.first_month
        months = [(month_words(month_start(first + h)), first + h) for h in range(HORIZON)]
        unsaid = "as logged" if stand.successor_matters else "no effect learnt in this family"
        offer(self.sliders["successor"], [(unsaid, None), *months])
        self.sliders["successor"].disabled = not stand.successor_matters
        self._parts()
        self._as_it_is()
        self._quiet = False
        self.renew()

    def _parts(self) -> None:
        codes = self.worked.parts_of(self.key)
        self.sliders["part_code"].options = [
            ("all parts", ""),
            *((priced_part(self.worked, self.key, c), c) for c in codes),
        ]

    def _as_it_is(self) -> None:
        rules = self.worked.rules
        rest = {"tax": rules.tax.scheme, "tax_rate": rules.tax.rate * 100.0}
        rest |= {"bench_rate": rules.bench.rate_per_hour, "successor": None, "part_code": ""}
        for name, control in self.sliders.items():
            control.value = rest.get(name, 1.0 if name == "failures" else 0)
        self.sliders["part_money"].disabled = True

    def _wire(self) -> None:
        self.choice["family"].observe(lambda _: self._fill(), "value")
        self.choice["model"].observe(lambda _: self._moved("model"), "value")
        self.back.on_click(lambda _: self._reset())
        self.choice["fault"].observe(lambda _: self._moved(""), "value")
        for name, control in self.sliders.items():
            control.observe(lambda _, moved=name: self._moved(moved), "value")

    def _moved(self, what: str) -> None:
        if self._quiet:
            return
        self._quiet = True
        if what == "model":
            self._parts()
        self._one_way_to_say_a_price(what)
        self._quiet = False
        self.renew()

    def _one_way_to_say_a_price(self, moved: str) -> None:
        """Keep the part's price said once: as per cent, or as money for one part."""
        share, amount = self.sliders["part_price"], self.sliders["part_money"]
        if moved == "part_money" and amount.value:
            share.value = 0
        elif moved in ("model", "part_code", "part_price"):
            amount.value = 0.0
        amount.disabled = not self.sliders["part_code"].value

    def _reset(self) -> None:
        self._quiet = True
        self._as_it_is()
        self._quiet = False
        self.renew()
