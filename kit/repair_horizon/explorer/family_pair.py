"""Two families side by side: which earns more a listing, and how often one wins it.

What the map filters and supposes holds here too: the fault, the price, dearer parts.
"""

from __future__ import annotations

from typing import Any

import ipywidgets as widgets
import plotly.graph_objects as go

from repair_horizon.explorer.controls import LAYOUT, WIDE, redraw, renew_copies, show_with_copies
from repair_horizon.explorer.model_map import ModelMap
from repair_horizon.reports.html import Chart, Fragment, paragraph
from repair_horizon.tables.words import fault_words


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
        options = [(fault_words(f), f) for f in families]
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
        return [paragraph(said), Chart(both.plot())]

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
