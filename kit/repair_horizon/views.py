"""Results a notebook can look at, with the same verbs: ``.table()``, ``.plot()``, ``.summary()``.

They hold what was fitted and derive the rest when asked; statsmodels and plotly load only then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.part_prices import PartCurves
from repair_horizon.estimation.price_table import part_curve, price_curve, price_points
from repair_horizon.tables.months import month_start, month_word
from repair_horizon.tables.words import chance, fault_words, money

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from repair_horizon.charts.style import Drawing

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
        table, points = self.table(), self.points()
        return draw(table, points, names, shown, now, self.currency, words).figure()

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
        """Tabulate part prices by model, part, quality and month; see ``price_table``."""
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
        return part_prices(curves, quotes, now, self.currency, words).figure()

    def summary(self, part_code: str | None = None) -> Any:
        """Return the regression summary of a part's fit; of the most quoted one if None."""
        from repair_horizon.estimation.curve.checks import augmented_ols

        code = part_code or str(self.quotes["part_code"].mode().iloc[0])
        return augmented_ols(self.fitted[code].fit).summary()


@dataclass(frozen=True, eq=False)
class FamiliesCompared:
    """Families side by side: what a listing of each model and fault is expected to earn.

    ``rows`` are the rows of ``thresholds`` compared, put in order by ``best_first``; ``changes``
    those of ``price_changes``; money is in ``currency``, ``note`` is said in the picture,
    ``names`` are the families' in words.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> both = open_shop("data/demo").compare("vellfold", "noctvarn_laptop")
    >>> list(both.table()["family_id"])
    ['vellfold', 'noctvarn_laptop']
    """

    families: Sequence[str]
    currency: str
    rows: pd.DataFrame
    changes: pd.DataFrame
    note: str = ""
    names: Mapping[str, str] = field(default_factory=dict)

    def _name(self, family: str) -> str:
        return self.names.get(family, fault_words(family))

    def __repr__(self) -> str:
        """Say which families are compared."""
        return f"FamiliesCompared({', '.join(self.families)}: {len(self.rows)} rows)"

    def table(self) -> pd.DataFrame:
        """Tabulate a row a family: what may be bought of it and what that earns.

        Returns
        -------
        DataFrame
            ``family_id, rows`` (how many), ``best`` (its best model and fault), and medians of
            ``max_bid, probability_win, expected_profit, profit_per_hour`` and of the ``change``
            of its models' prices a month; money, shares.
        """
        figures = ["max_bid", "probability_win", "expected_profit", "profit_per_hour"]
        by_family = self.rows.groupby("family_id", sort=False)
        out = by_family[figures].median()
        out.insert(0, "best", by_family["name"].first())
        out.insert(0, "rows", by_family.size())
        out = out.reindex(list(self.families)).rename_axis("family_id")
        change = self.changes.groupby("family_id")["change"].median()
        filled = {
            "rows": out["rows"].fillna(0).astype(int),
            "best": out["best"].astype("object").fillna(""),
        }
        return out.assign(**filled, change=change.reindex(out.index)).reset_index()

    def summary(self) -> str:
        """Say of each family what its best model and fault earns."""
        firsts = self.rows.groupby("family_id", sort=False).first()
        return " ".join(self._said(f, firsts) for f in self.families)

    def _said(self, family: str, firsts: pd.DataFrame) -> str:
        if family not in firsts.index:
            return f"Of {self._name(family)} nothing is left to compare."
        best = firsts.loc[family]
        earns, once = (money(best[k], self.currency) for k in ("earns", "expected_profit"))
        return (
            f"{best['name']} is the best of {self._name(family)}: it wins "
            f"{chance(best['probability_win'])}, then earns {once}; {earns} a listing."
        )

    def plot(self) -> go.Figure:
        """Draw the best models and faults of each family, what they earn a listing and once won."""
        return self.drawing().figure()

    def drawing(self) -> Drawing:
        """Put the chart of ``plot`` together, as plain data."""
        from repair_horizon.charts.bid_charts import families_compared as draw
        from repair_horizon.charts.style import Words

        firsts = self.rows.groupby("family_id", sort=False)["earns"].first()
        best = [
            f"{self._name(f)} earns {money(firsts.get(f), self.currency)}" for f in self.families
        ]
        title = "A listing of the best " + ", of the best ".join(best)
        words = Words(title, self.summary(), self.note)
        order = {family: i for i, family in enumerate(self.families)}
        rows = self.rows[self.rows["family_id"].isin(order)]
        rows = rows.assign(family=rows["family_id"].map(self._name))
        rows = rows.sort_values("family_id", key=lambda f: f.map(order), kind="stable")
        return draw(rows, self.currency, words)


def best_first(thresholds: pd.DataFrame, names: Mapping[str, str]) -> pd.DataFrame:
    """Order thresholds by what a listing is expected to earn.

    Returns the rows whose price once won is known, with ``name`` (model and fault in words) and
    ``earns`` (chance of winning times profit, money).
    """
    rows = thresholds[thresholds["won_price"].notna()]
    both = zip(rows["model_id"], rows["listed_fault"], strict=True)
    rows = rows.assign(
        name=[f"{names[m]}, {fault_words(f)}" for m, f in both],
        earns=rows["probability_win"] * rows["expected_profit"],
    )
    return rows.sort_values("earns", ascending=False, kind="stable", ignore_index=True)


def _safe(text: str) -> str:
    from html import escape

    return escape(text)
