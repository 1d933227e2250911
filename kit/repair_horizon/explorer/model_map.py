"""The map of models worth buying broken: filtered, zoomed, families side by side, what if.

One dot a model and listed fault. Every figure is worked out with all draws, as on the month's
pages; what dearer parts make of a family is worked out once, while nobody asks, and kept.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from typing import Any

import ipywidgets as widgets
import pandas as pd
import plotly.graph_objects as go

from repair_horizon.charts.style import FAINT, SERIES, SHAPES, Words, new_figure, plain
from repair_horizon.decisions.month.thresholds import maximum_bid
from repair_horizon.decisions.review.what_if import Moves, scenario
from repair_horizon.decisions.unit.economics import unit_economics
from repair_horizon.explorer.controls import LAYOUT, WIDE, redraw, renew_copies, show_with_copies
from repair_horizon.logs import CannotSay
from repair_horizon.reports.html import Chart, Column, Fragment, paragraph, table
from repair_horizon.shop import Shop
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import fault_words, money, number, part_words, percent

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
        catalogue = shop.logs.tables["catalogue"]
        said = catalogue["model_name"].where(catalogue["model_name"] != "", catalogue["model_id"])
        self.names = dict(zip(catalogue["model_id"], said, strict=True))
        self.seconds = 0.0
        self._kept: dict[tuple[str, str, int], pd.DataFrame] = {}
        self._handles: list[Any] = []
        self._waiting: asyncio.Task[None] | None = None
        families = [(fault_words(f), f) for f in shop.logs.families]
        faults = sorted(shop.logs.tables["fault_states"]["listed_fault"].unique())
        shared = {"style": WIDE, "layout": LAYOUT}
        self.families = widgets.SelectMultiple(
            options=families, value=tuple(shop.logs.families), description="Families", **shared
        )
        self.fault = widgets.Dropdown(
            options=[("all", ""), *((fault_words(f), f) for f in faults)],
            description="Listed fault",
            **shared,
        )
        self.most = widgets.BoundedFloatText(
            0.0, min=0.0, max=1e6, description=f"Up to {shop.currency} (0: any)", **shared
        )
        self.bought = widgets.Checkbox(True, description="worth buying only", **shared)
        self.part = widgets.Dropdown(
            options=[("displays", DISPLAYS), ("all parts", PARTS)], description="Parts", **shared
        )
        self.dearer = widgets.SelectionSlider(
            options=[(f"{s:+d} %" if s else "as they are", s) for s in STEPS],
            value=0,
            description="cost",
            continuous_update=False,
            **shared,
        )
        self.took = widgets.HTML()
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
        return [f for f in self.families.value if (f, *move) not in self._kept]

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
        return maximum_bid(unit_economics(outlook, rules, economics.valuation), months=1)

    def table(self) -> pd.DataFrame:
        """Rows that pass the filters, the most expected of a listing first.

        Returns the columns of thresholds, ``name``, ``earns`` (chance times profit, money) and
        ``bid_before`` (the maximum bid with parts as they are).
        """
        ready = [f for f in self.families.value if f not in self.coming]
        at = [self.rows(f, self.part.value, self.dearer.value) for f in ready]
        plain_rows = [self.rows(f) for f in ready]
        if not at:
            at = plain_rows = [self._kept[next(iter(self._kept))].head(0)]
        rows = pd.concat(at, ignore_index=True)
        before = pd.concat(plain_rows, ignore_index=True)[[*KEY, "max_bid", "won_price"]]
        before = before.rename(columns={"max_bid": "bid_before", "won_price": "price_before"})
        rows = rows.merge(before, on=KEY, how="left")
        keep = rows["won_price"].notna()
        keep &= (rows["listed_fault"] == self.fault.value) | (not self.fault.value)
        keep &= (rows["won_price"] <= self.most.value) | (not self.most.value)
        keep &= (rows["verdict"] == Verdict.BUY.value) | (not self.bought.value)
        rows = rows[keep]
        rows = rows.assign(
            name=[
                f"{self.names[m]}, {fault_words(f)}"
                for m, f in zip(rows["model_id"], rows["listed_fault"], strict=True)
            ],
            earns=rows["probability_win"] * rows["expected_profit"],
        )
        return rows.sort_values("earns", ascending=False, kind="stable", ignore_index=True)

    def renew(self) -> None:
        """Filter anew, draw, and say how long it took."""
        start = time.perf_counter()
        pieces = self.pieces()
        redraw(self.chart, pieces[-1])
        for axis in (self.chart.layout.xaxis, self.chart.layout.yaxis):
            axis.fixedrange = False
        renew_copies(self._handles, pieces)
        self.seconds = time.perf_counter() - start
        self.took.value = f"worked out in {self.seconds:.2f} s"

    def pieces(self) -> list[Fragment | Chart]:
        """What a copy keeps: the rows shown, the families compared, and the map itself."""
        rows = self.table()
        return [self._best(rows), self._compared(rows), self._map(rows)]

    def _words(self, rows: pd.DataFrame) -> Words:
        said = "parts as they are"
        if self.dearer.value:
            said = f"{self.part.label} {abs(self.dearer.value)} % " + (
                "dearer" if self.dearer.value > 0 else "cheaper"
            )
        limit = f" won at {money(self.most.value, self.shop.currency)} or less" * bool(
            self.most.value
        )
        kind = "models and faults worth buying" if self.bought.value else "models and faults"
        more = f"; {len(self.coming)} families still to come" if self.coming else ""
        title = f"{len(rows)} {kind}{limit}; {said}{more}"
        return Words(title, f"{title}. Size is the chance of winning.")

    def _map(self, rows: pd.DataFrame) -> Chart:
        currency = plain(self.shop.currency)
        figure = new_figure(self._words(rows), f"profit of a win, {currency}", months=False)
        figure.update_xaxes(title=f"usually won at, {currency}", fixedrange=False)
        figure.update_yaxes(fixedrange=False)
        figure.update_layout(height=460, legend={"y": -0.24})
        for i, family in enumerate(self.shop.logs.families):
            mine = rows[rows["family_id"] == family]
            figure.add_scatter(
                x=mine["won_price"],
                y=mine["expected_profit"],
                mode="markers",
                name=plain(fault_words(family)),
                showlegend=len(mine) > 0,
                marker={
                    "color": SERIES[i % len(SERIES)],
                    "symbol": SHAPES[(i // len(SERIES) + i) % len(SHAPES)],
                    "size": 7 + 16 * mine["probability_win"],
                    "line": {"color": FAINT, "width": 1},
                },
                text=[plain(n) for n in mine["name"]],
                customdata=mine[["max_bid", "probability_win", "bid_before"]],
                hovertemplate="%{text}<br>maximum bid %{customdata[0]:,.0f} (parts as they are "
                "%{customdata[2]:,.0f})<br>wins %{customdata[1]:.0%}, then earns %{y:,.0f}"
                "<extra></extra>",
            )
        return Chart(figure)

    def _best(self, rows: pd.DataFrame) -> Fragment:
        if rows.empty:
            return paragraph("No row passes: raise the price, or show what is not bought, too.")
        currency = self.shop.currency
        columns = [
            Column("name", "Model and fault"),
            Column("max_bid", f"Maximum bid, {currency}", number, numeric=True),
            Column("bid_before", "parts as they are", number, numeric=True),
            Column("won_price", "Usually won at", number, numeric=True),
            Column("probability_win", "Chance of winning", percent, numeric=True),
            Column("expected_profit", "Profit of a win", number, numeric=True),
            Column("probability_loss", "Chance of loss", percent, numeric=True),
        ]
        more = f" The first {MOST} of {len(rows)}." if len(rows) > MOST else ""
        return table(rows.head(MOST), columns, f"Most expected of a listing first.{more}")

    def _compared(self, rows: pd.DataFrame) -> Fragment:
        """One row a family chosen: what of it passes, the best of it, how its prices move."""
        out = []
        for family in self.families.value:
            mine = rows[rows["family_id"] == family]
            moves = self.shop.price_changes([family], self.month)["change"]
            best = "" if mine.empty else f"{mine['name'].iloc[0]}"
            out.append(
                {
                    "family": fault_words(family),
                    "rows": len(mine),
                    "best": best,
                    "bid": mine["max_bid"].median(),
                    "win": mine["probability_win"].median(),
                    "profit": mine["expected_profit"].median(),
                    "hour": mine["profit_per_hour"].median(),
                    "move": moves.median(),
                }
            )
        change = OUTPUTS["price_changes"].column("change")
        columns = [
            Column("family", "Family"),
            Column("rows", "Rows shown", number, numeric=True),
            Column("best", "Best of them"),
            Column("bid", f"Maximum bid, {self.shop.currency}", number, numeric=True),
            Column("win", "Chance of winning", percent, numeric=True),
            Column("profit", "Profit of a win", number, numeric=True),
            Column("hour", "Profit per bench hour", number, numeric=True),
            Column("move", "Prices a month", change.worded, numeric=True),
        ]
        return table(pd.DataFrame(out), columns, "Families compared; medians of the rows shown")

    def show(self) -> None:
        """Show the controls, and below them what a copy keeps."""
        sides = [widgets.VBox(self.controls[:2]), widgets.VBox([*self.controls[2:], self.took])]
        top = widgets.HBox(sides, layout={"flex_flow": "row wrap"})
        self._handles = show_with_copies(widgets.VBox([top, self.chart]), self.pieces())
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
