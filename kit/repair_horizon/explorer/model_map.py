"""The map of models worth buying broken: filtered, zoomed, families side by side, what if.

One dot a model and listed fault. Every figure is worked out with all draws, as on the month's
pages; what dearer parts make of a family is worked out once, while nobody asks, and kept.

Beside it stand two families: which earns more a listing, and how often one wins it. What the map
filters and supposes holds there too: the fault, the price, dearer parts.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import cached_property
from typing import Any

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import FAINT, SERIES, SHAPES, Words, new_drawing, plain
from repair_horizon.decisions.month.thresholds import maximum_bid
from repair_horizon.decisions.review.what_if import Moves, scenario
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.explorer.control_panel import (
    LAYOUT,
    WIDE,
    WIDTH,
    before_buying,
    in_picture,
    redraw,
    renew_copies,
    show_with_copies,
)
from repair_horizon.logs import CannotSay
from repair_horizon.reports.html import Chart, Column, Fragment, folded, joined, paragraph, table
from repair_horizon.shop import Shop
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import (
    bare_money,
    chance,
    family_names,
    fault_words,
    listing,
    model_names,
    money,
    number,
    part_words,
    percent,
    winning,
)
from repair_horizon.views import FamiliesCompared, best_first

STEPS = (-20, -10, 0, 10, 20)
DISPLAYS, PARTS = "display", ""
MOST = 12
KEY = ["family_id", "model_id", "listed_fault"]


class ModelMap:
    """Filters, a live chart and tables over every model and listed fault of a business.

    Parameters
    ----------
    shop
        The business.
    month
        The month; the one after the newest data if None.
    """

    def __init__(self, shop: Shop, month: int | None = None) -> None:
        self.shop, self.month = shop, month
        self.names = model_names(shop.logs.tables["catalogue"])
        self.family_names = family_names(shop.logs.tables["catalogue"])
        self.moved: list[Callable[[], None]] = []
        self.compared: tuple[str, ...] = ()
        self.seconds = 0.0
        self._kept: dict[tuple[str, str, int], pd.DataFrame] = {}
        self._nothing = self.rows(shop.logs.families[0]).head(0)
        self._handles: list[Any] = []
        self._waiting: asyncio.Task[None] | None = None
        families = [(self.family_names[f], f) for f in shop.logs.families]
        faults = sorted(shop.logs.tables["fault_states"]["listed_fault"].unique())
        shared = {"style": WIDE, "layout": LAYOUT}
        self.families = widgets.SelectMultiple(
            options=families,
            value=tuple(shop.logs.families),
            description="Families (Ctrl: more)",
            rows=min(len(families), 8),
            **shared,
        )
        self.fault = widgets.Dropdown(
            options=[("all", ""), *((fault_words(f), f) for f in faults)],
            description="Listed fault",
            **shared,
        )
        self.most = widgets.BoundedFloatText(
            0.0,
            min=0.0,
            max=1e6,
            description=f"Pay up to {shop.currency} (0: any)",
            **shared,
        )
        self.bought = widgets.Checkbox(True, description="worth buying only", **shared)
        self.part = widgets.Dropdown(
            options=[("displays", DISPLAYS), ("all parts", PARTS)], description="What if", **shared
        )
        self.dearer = widgets.SelectionSlider(
            options=[(f"{s:+d} %" if s else "as they are", s) for s in STEPS],
            value=0,
            description="cost this month",
            continuous_update=False,
            **shared,
        )
        self.took = widgets.HTML()
        self.said = widgets.HTML(layout={"max_width": f"{WIDTH}px"})
        self.chart: Any = go.FigureWidget()
        for control in self.controls:
            control.observe(lambda _: self.renew(), "value")
        self.renew()

    @property
    def controls(self) -> list[Any]:
        """What can be chosen and moved."""
        return [self.families, self.fault, self.most, self.bought, self.part, self.dearer]

    def rows(self, family_id: str, part: str = "", step: int = 0) -> pd.DataFrame:
        """Thresholds of a family this month where some parts cost ``step`` per cent more."""
        key = (family_id, part if step else "", step)
        if key not in self._kept:
            self._kept[key] = self._moved(*key)
        return self._kept[key]

    @property
    def coming(self) -> list[str]:
        """Chosen families still being worked out under the move; they are shown when they are."""
        if self._waiting is None or self._waiting.done():
            return []
        move = (self.part.value if self.dearer.value else "", self.dearer.value)
        return [f for f in self.wanted if (f, *move) not in self._kept]

    @property
    def wanted(self) -> list[str]:
        """Families looked at: those chosen, and those compared."""
        return list(dict.fromkeys([*self.families.value, *self.compared]))

    def _moved(self, family_id: str, part: str, step: int) -> pd.DataFrame:
        economics = self.shop.economics(family_id, self.month, 2)
        outlook, rules = economics.outlook, economics.settings
        family = outlook.families[family_id]
        if step and not isinstance(family, CannotSay):
            quoted = sorted({code for _, code, _ in family.parts})
            for code in [c for c in quoted if part in part_words(c)] if part else [""]:
                outlook, rules = scenario(
                    outlook, rules, Moves(part_price=step / 100, part_code=code)
                )
        return maximum_bid(Economics(outlook, rules, economics.valuation))

    def table(self, families: Sequence[str] | None = None) -> pd.DataFrame:
        """Rows that pass the filters, of the families chosen or of others, the best first.

        Returns the columns of thresholds, ``name``, ``earns`` (chance times profit, money) and
        ``bid_before`` (the maximum bid with parts as they are).
        """
        ready = [f for f in families or self.families.value if f not in self.coming]
        before = self._every(ready)[[*KEY, "max_bid"]].rename(columns={"max_bid": "bid_before"})
        rows = self._every(ready, self.part.value, self.dearer.value)
        return self._passed(rows.merge(before, on=KEY, how="left"))

    def _every(self, families: Sequence[str], part: str = "", step: int = 0) -> pd.DataFrame:
        whole = [self.rows(f, part, step) for f in families]
        return pd.concat(whole or [self._nothing], ignore_index=True)

    def _passed(self, rows: pd.DataFrame) -> pd.DataFrame:
        keep = (rows["listed_fault"] == self.fault.value) | (not self.fault.value)
        keep &= (rows["won_price"] <= self.most.value) | (not self.most.value)
        keep &= (rows["verdict"] == Verdict.BUY.value) | (not self.bought.value)
        return best_first(rows[keep], self.names)

    def renew(self) -> None:
        """Filter anew, draw, and say how long it took."""
        start = time.perf_counter()
        pieces = self.pieces()
        self.said.value = pieces[0].html  # type: ignore[union-attr]
        redraw(self.chart, pieces[-1])
        for axis in (self.chart.layout.xaxis, self.chart.layout.yaxis):
            axis.fixedrange = False
        renew_copies(self._handles, pieces)
        for follow in self.moved:
            follow()
        self.seconds = time.perf_counter() - start
        self.took.value = f"worked out in {self.seconds:.2f} s"

    def pieces(self) -> list[Fragment | Chart]:
        """What a copy keeps: the answer in words, the cautions, the rows shown and the map."""
        rows = self.table()
        cautions = before_buying(self.shop.logs)
        return [self._answer(rows), cautions, self._best(rows), self._compared(), self._map(rows)]

    def _answer(self, rows: pd.DataFrame) -> Fragment:
        """Say how many pass, and what dearer or cheaper parts make of them."""
        said = [f"{self._title(rows)}."]
        if len(rows):
            best = rows.iloc[0]
            amount = money(best["max_bid"], self.shop.currency)
            said.append(f"The best is {best['name']}: bid at most {amount}.")
        if self.dearer.value and not self.coming:
            before = self._passed(self._every(self.families.value))
            names = [{" with ".join(n.rsplit(", ", 1)) for n in t["name"]} for t in (before, rows)]
            gone, new = (sorted(a - b) for a, b in (names, names[::-1]))
            fall = (rows["bid_before"] - rows["max_bid"]).abs().max()
            if len(rows):
                most = money(fall, self.shop.currency)
                said.append(f"Maximum bids move by {most} at most.")
            said += [f"No longer among them: {listing(gone)}."] if gone else []
            said += [f"New among them: {listing(new)}."] if new else []
            said += ["The same ones as with parts as they are."] if not gone + new else []
        return paragraph(" ".join(said))

    def _title(self, rows: pd.DataFrame) -> str:
        limit = f" won at {money(self.most.value, self.shop.currency)} or less" * bool(
            self.most.value
        )
        kind = "models and faults worth buying" if self.bought.value else "models and faults"
        more = f"; {len(self.coming)} families still to come" if self.coming else ""
        return f"{len(rows)} {kind}{limit}; {self.assumed}{more}"

    @property
    def assumed(self) -> str:
        """What the parts are supposed to cost, in words."""
        if not self.dearer.value:
            return "parts as they are"
        way = "dearer" if self.dearer.value > 0 else "cheaper"
        return f"{self.part.label} {abs(self.dearer.value)} % {way}"

    def _map(self, rows: pd.DataFrame) -> Chart:
        currency = plain(self.shop.currency)
        title = self._title(rows)
        words = Words(title, f"{title}. Size is the chance of winning.", in_picture(self.shop.logs))
        drawing = new_drawing(words, f"profit of a win, {currency}", months=False)
        drawing.layout["xaxis"] |= {
            "title": {"text": f"usually won at, {currency}"},
            "fixedrange": False,
        }
        drawing.layout["yaxis"]["fixedrange"] = False
        drawing.layout["height"], drawing.layout["legend"]["y"] = 460, -0.24
        for i, family in enumerate(self.shop.logs.families):
            mine = rows[rows["family_id"] == family]
            drawing.add(
                "scatter",
                x=mine["won_price"],
                y=mine["expected_profit"],
                mode="markers",
                name=plain(self.family_names[family]),
                showlegend=len(mine) > 0,
                marker={
                    "color": SERIES[i % len(SERIES)],
                    "symbol": SHAPES[(i // len(SERIES) + i) % len(SHAPES)],
                    "size": 7 + 16 * mine["probability_win"],
                    "line": {"color": FAINT, "width": 1},
                },
                text=[plain(n) for n in mine["name"]],
                customdata=mine.assign(wins=mine["probability_win"].map(chance))[
                    ["max_bid", "wins", "bid_before"]
                ],
                hovertemplate="%{text}<br>maximum bid %{customdata[0]:,.0f} (parts as they are "
                "%{customdata[2]:,.0f})<br>wins %{customdata[1]}, then earns %{y:,.0f}"
                "<extra></extra>",
            )
        return Chart(drawing)

    def _best(self, rows: pd.DataFrame) -> Fragment:
        if rows.empty:
            return paragraph("No row passes: raise the price, or show what is not bought, too.")
        currency = self.shop.currency
        columns = [
            Column("name", "Model and fault"),
            Column("max_bid", f"Maximum bid, {currency}", bare_money, numeric=True),
            Column("bid_before", "The same, parts as they are", bare_money, numeric=True),
            Column("won_price", f"Usually won at, {currency}", bare_money, numeric=True),
            Column("probability_win", "Chance of winning", winning, numeric=True),
            Column("expected_profit", f"Profit of a win, {currency}", bare_money, numeric=True),
            Column("probability_loss", "Chance of loss", percent, numeric=True),
        ]
        best = table(rows.head(MOST), columns, "Most expected of a listing first")
        rest = rows.iloc[MOST:]
        more = table(rest, columns, "The others, in the same order")
        return joined(best, folded(f"{len(rest)} more", more)) if len(rest) else best

    def beside(self, families: Sequence[str]) -> FamiliesCompared:
        """Families side by side: the rows of each that pass the filters."""
        rows, said = self.table(families), in_picture(self.shop.logs)
        about = (self.shop.currency, rows, self._changes, said, self.family_names)
        return FamiliesCompared(families, *about)

    @cached_property
    def _changes(self) -> pd.DataFrame:
        return self.shop.price_changes(month=self.month)  # no move changes them

    def _compared(self) -> Fragment:
        """One row a family chosen: what of it passes, the best of it, how its prices move."""
        change = OUTPUTS["price_changes"].column("change")
        columns = [
            Column("family_id", "Family", self.family_names.__getitem__),
            Column("rows", "Rows shown", number, numeric=True),
            Column("best", "Best of them"),
            Column("max_bid", f"Maximum bid, {self.shop.currency}", bare_money, numeric=True),
            Column("probability_win", "Chance of winning", winning, numeric=True),
            Column(
                "expected_profit",
                f"Profit of a win, {self.shop.currency}",
                bare_money,
                numeric=True,
            ),
            Column(
                "profit_per_hour",
                f"Profit per bench hour, {self.shop.currency}",
                bare_money,
                numeric=True,
            ),
            Column("change", "Prices a month", change.worded, numeric=True),
        ]
        rows = self.beside(self.families.value).table()
        return table(rows, columns, "Families compared; medians of the rows shown")

    def show(self) -> None:
        """Show the controls, and below them what a copy keeps."""
        sides = [widgets.VBox(self.controls[:2]), widgets.VBox([*self.controls[2:], self.took])]
        top = widgets.HBox(sides, layout={"flex_flow": "row wrap"})
        box = widgets.VBox([top, self.said, self.chart])
        self._handles = show_with_copies(box, self.pieces())
        with suppress(RuntimeError):  # nobody waits where no loop runs
            self._waiting = asyncio.get_running_loop().create_task(self._prepare())

    async def _prepare(self) -> None:
        """Work every move out between two questions: what was asked, then the likeliest."""
        steps = [s for s in sorted(STEPS, key=abs) if s]
        families = self.shop.logs.families
        rest = [(f, part, s) for part in (DISPLAYS, PARTS) for s in steps for f in families]
        while rest:
            await asyncio.sleep(0.02)  # a move that waits is answered here
            asked = [(f, self.part.value, self.dearer.value) for f in self.coming]
            one = (asked or rest)[0]
            self.rows(*one)
            if asked:
                self.renew()
            rest = [key for key in rest if key not in self._kept]


class FamilyPair:
    """Two families to choose, and a live chart of the best models and faults of both.

    Parameters
    ----------
    models
        The map, whose filters and moves it follows; the two best families are taken first.
    """

    def __init__(self, models: ModelMap) -> None:
        self.models = models
        self._handles: list[Any] = []
        families = models.shop.logs.families
        best = [*dict.fromkeys([*models.table(families)["family_id"], *families])]
        options = [(models.family_names[f], f) for f in families]
        shared = {"options": options, "style": WIDE, "layout": LAYOUT}
        self.one = widgets.Dropdown(value=best[0], description="Compare", **shared)
        self.other = widgets.Dropdown(value=best[:2][-1], description="with", **shared)
        self.chart: Any = go.FigureWidget()
        for control in (self.one, self.other):
            control.observe(lambda _: self.renew(), "value")
        models.moved.append(self.renew)
        self.renew()

    def pieces(self) -> list[Fragment | Chart]:
        """What a copy keeps: what is compared in words, and the chart."""
        both = self.models.beside(self.models.compared)
        said = f"{self.models.assumed[:1].upper()}{self.models.assumed[1:]}. {both.summary()}"
        return [paragraph(said), Chart(both.drawing())]

    def renew(self) -> None:
        """Compare what is chosen now."""
        self.models.compared = tuple(dict.fromkeys((self.one.value, self.other.value)))
        pieces = self.pieces()
        redraw(self.chart, pieces[-1])
        renew_copies(self._handles, pieces)

    def show(self) -> None:
        """Show the controls, and below them what a copy keeps."""
        choose = widgets.HBox([self.one, self.other], layout={"flex_flow": "row wrap"})
        self._handles = show_with_copies(widgets.VBox([choose, self.chart]), self.pieces())
