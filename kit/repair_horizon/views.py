"""Results a notebook can look at, with the same verbs: ``.table()``, ``.plot()``, ``.summary()``.

They hold what was fitted and derive the rest when asked; statsmodels and plotly load only then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.estimation.curve_tables import part_curve, price_curve, price_points
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.part_prices import PartCurves
from repair_horizon.tables.months import month_start, month_word

if TYPE_CHECKING:
    import plotly.graph_objects as go

SHOWN = 4


@dataclass(frozen=True, eq=False)
class PriceView:
    """Fitted and forecast prices of a family's working units.

    Money is in ``currency``; ``month`` is the number of the first month ahead, ``widen`` what a
    back-test does to the width of intervals.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> view = open_shop("data/demo").prices("vellfold")
    >>> list(view.table().columns[:3])
    ['model_id', 'month', 'age_months']
    """

    family_id: str
    currency: str
    month: int
    months: int
    widen: float
    curves: PriceCurves
    catalogue: pd.DataFrame
    sales: pd.DataFrame

    def __repr__(self) -> str:
        """Say what it is about."""
        n, models = len(self.curves.fit.panel.y), len(self.curves.models.ids)
        return f"PriceView({self.family_id}: {models} models, {n} sales)"

    def _repr_html_(self) -> str:
        """Show this month's prices of every model."""
        now = self.table()
        now = now[now["month"] == month_start(self.month)]
        shown = now[["model_id", "age_months", "predicted", "lower", "upper"]].round(2)
        head = f"{self.family_id}, {month_word(self.month)}, {self.currency}: one sale, 80 %"
        return f"<p>{_safe(head)}</p>" + str(shown.to_html(index=False, border=0))

    def table(self, level: float = 0.8) -> pd.DataFrame:
        """Tabulate the curves, logged months and those ahead.

        Parameters
        ----------
        level
            Interval level.

        Returns
        -------
        DataFrame
            ``model_id, month`` (first day), ``age_months, predicted`` (median of one sale at base
            grade and channel), ``lower, upper, level_lower, level_upper, phase``; money.
        """
        return price_curve(self.curves, self.month + self.months, level, self.widen)

    def points(self) -> pd.DataFrame:
        """Return the sales behind the curves, as sold and brought to the base grade and channel."""
        return price_points(self.curves, self.sales)

    def plot(self, models: Sequence[str] | None = None) -> go.Figure:
        """Draw curves, intervals and sales of up to six models, the newest ones if None."""
        from repair_horizon.charts.price_charts import price_curve as draw
        from repair_horizon.charts.style import Words

        shown = list(models) if models else list(self.curves.models.ids)[-SHOWN:]
        title = f"Prices of working units, {self.family_id}, {self.currency}"
        names = self.catalogue.set_index("model_id")["model_name"].replace("", None)
        names = names.fillna(names.index.to_series())
        now, words = month_start(self.month), Words(title, title)
        return draw(self.table(), self.points(), names, shown, now, self.currency, words)

    def summary(self) -> Any:
        """Return the regression summary of the fit: statsmodels' table of every coefficient."""
        from repair_horizon.estimation.curve.checks import augmented_ols

        return augmented_ols(self.curves.fit).summary()


@dataclass(frozen=True, eq=False)
class PartView:
    """Fitted and forecast part prices of a family; money in ``currency``."""

    family_id: str
    currency: str
    month: int
    months: int
    fitted: Mapping[str, PartCurves]
    quotes: pd.DataFrame
    catalogue: pd.DataFrame

    def __repr__(self) -> str:
        """Say what it is about."""
        return f"PartView({self.family_id}: {', '.join(self.fitted) or 'no part quoted'})"

    def table(self, level: float = 0.8) -> pd.DataFrame:
        """Tabulate part prices by model, part, quality and month; see ``curve_tables``."""
        return part_curve(self.fitted, self.month + self.months, level)

    def plot(self, model_id: str | None = None, part_code: str | None = None) -> go.Figure:
        """Draw one part of one model by quality; the most quoted one if none is named."""
        from repair_horizon.charts.price_charts import part_prices
        from repair_horizon.charts.style import Words

        most = self.quotes.groupby(["model_id", "part_code"]).size().idxmax()
        model, part = model_id or most[0], part_code or most[1]
        title = f"Price of {part}, {model}, {self.currency}"
        curves, quotes = (
            t[(t["model_id"] == model) & (t["part_code"] == part)]
            for t in (self.table(), self.quotes)
        )
        now, words = month_start(self.month), Words(title, title)
        return part_prices(curves, quotes, now, self.currency, words)

    def summary(self, part_code: str | None = None) -> Any:
        """Return the regression summary of a part's fit; of the most quoted one if None."""
        from repair_horizon.estimation.curve.checks import augmented_ols

        code = part_code or str(self.quotes["part_code"].mode().iloc[0])
        return augmented_ols(self.fitted[code].fit).summary()


def _safe(text: str) -> str:
    from html import escape

    return escape(text)
