"""A small form that writes one fact down: the fields of a log, as its columns are declared."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from IPython.display import display

from repair_horizon.explorer.controls import LAYOUT, WIDE
from repair_horizon.logs import LogFault, Logs
from repair_horizon.logs.adding import PREFIX, table_named
from repair_horizon.new_facts import NewFact, add, take_back
from repair_horizon.tables.columns import Column
from repair_horizon.tables.words import fault_words

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
