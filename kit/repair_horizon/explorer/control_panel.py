"""The explorer's controls: they only hand their values to ``answers`` and show what comes back.

Controls and a live chart are widgets and need a kernel. Everything they answer is also written
as plain tables and a plain chart below them, renewed at every move, so that a saved, exported or
printed copy shows the last state.
"""

from __future__ import annotations

import time
from typing import Any

import ipywidgets as widgets
import plotly.graph_objects as go

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
from repair_horizon.explorer.controls import (
    before_buying,
    choices,
    in_picture,
    offer,
    redraw,
    renew_copies,
    show_with_copies,
    sliders,
)
from repair_horizon.fitted_shop import HORIZON
from repair_horizon.logs import CannotSay
from repair_horizon.reports.estimates import Key, Worked, worked_out
from repair_horizon.reports.html import Chart, Fragment, joined, note
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import fault_words, month_words


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
