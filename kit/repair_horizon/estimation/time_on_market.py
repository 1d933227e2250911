"""How long a listed unit takes to sell, by what is asked for it: proportional hazards.

    h(t | x) = h0(t) exp(b log(ask / level) + channel + class)

with the level the forecast price of such a unit (model, grade, channel) on the day it was put up.
Units that have not sold yet are censored at the newest day. The coefficients come from Cox's
partial likelihood (Cox, Journal of the Royal Statistical Society B 34, 1972), the baseline from
Breslow's estimate. That dearer sells slower is known before any unit was listed, so b starts from
a prior; with few units the prior is most of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.broken_prices import log_ratios
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.price_rows import CHANNEL, GRADE
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Bools, Floats
from repair_horizon.tables.settings import Settings

ASKED_PRIOR, ASKED_SD = -10.0, 4.0
"""b before any unit was listed: 5 % more asked, 40 % fewer buyers a day (judgement, no source)."""
EFFECT_SD = 0.5
"""How far a channel's or a class's log hazard is from the usual (judgement, no source)."""
FEWEST_SOLD = 20
HORIZON_DAYS = 365
COLUMNS = [
    "unit_id",
    "model_id",
    "listed",
    "days",
    "sold",
    "log_ratio",
    "log_reached",
    "channel",
    "class",
]


@dataclass(frozen=True, eq=False)
class TimeOnMarket:
    """Days to sale of units listed.

    ``names``, ``mean`` and ``cov`` are of the log hazard: 'log_ratio', then channels and classes;
    ``baseline`` (HORIZON_DAYS + 1,) is the cumulative hazard at level, by whole days. ``sold`` and
    ``unsold`` units stand behind it; ``lowest`` and ``highest`` are the log ratios asked so far
    (5 and 95 % of them), ``reached`` is the share of the price asked that buyers paid.
    """

    names: tuple[str, ...]
    mean: Floats
    cov: Floats
    baseline: Floats
    sold: int
    unsold: int
    lowest: float
    highest: float
    reached: float = 1.0

    @property
    def words(self) -> str:
        """What it rests on, in words."""
        if self.sold < FEWEST_SOLD:
            return (
                f"usual practice: only {self.sold} units sold with the price asked for them noted "
                f"(stock.csv asking_price, listed_date); {FEWEST_SOLD} are needed"
            )
        fewer = 1.0 - np.exp(0.05 * self.mean[0])
        return (
            f"{self.sold} units sold and {self.unsold} unsold with a price asked: 5 % more asked, "
            f"{100 * fewer:.0f} % fewer buyers a day"
        )

    def log_hazard(self, log_ratio: npt.ArrayLike, channel: str = "", kind: str = "") -> Floats:
        """Log of the hazard against that of a unit asked at its level."""
        out = np.asarray(log_ratio, dtype="float64") * self.mean[0]
        for name in (f"channel {channel}", f"class {kind}"):
            out = out + (self.mean[self.names.index(name)] if name in self.names else 0.0)
        return np.asarray(out)

    def cumulative(self, days: npt.ArrayLike) -> Floats:
        """Cumulative hazard at level; beyond the horizon at the mean rate."""
        at = np.asarray(days, dtype="float64")
        known = np.interp(at, np.arange(HORIZON_DAYS + 1), self.baseline)
        rate = self.baseline[-1] / HORIZON_DAYS
        return np.asarray(known + rate * np.maximum(at - HORIZON_DAYS, 0.0))


def listed_units(logs: Logs, curves: Mapping[str, PriceCurves]) -> pd.DataFrame:
    """Units put up for sale at a known price, sold or not.

    Parameters
    ----------
    logs
        stock.csv names ``listed_date`` and ``asking_price``; sales.csv what sold, by ``unit_id``.
    curves
        Fitted prices by family; units of others are left out.

    Returns
    -------
    DataFrame
        ``COLUMNS``; ``log_ratio`` is the price asked against the level of such a unit on the day
        it was listed, ``log_reached`` the price paid against it (missing while unsold), ``days``
        until it sold or until the newest day. Broken units on sale have
        no grade's level to stand against and are left out.
    """
    stock, catalogue = logs.tables["stock"], logs.tables["catalogue"].set_index("model_id")
    rows = stock[stock["listed_date"].notna() & (stock["asking_amount"] > 0)]
    rows = rows[(rows["state"] == "working") & rows["status"].isin(["listed", "sold"])]
    sales = logs.tables["sales"]
    sales = sales[sales["unit_id"] != ""].drop_duplicates("unit_id", keep="last")
    sold = sales.set_index("unit_id")
    jobs = logs.tables["repairs"].drop_duplicates("unit_id", keep="last").set_index("unit_id")
    known = rows["unit_id"].isin(sold.index)
    rows = rows[known | (rows["status"] == "listed")]
    at = sold.reindex(rows["unit_id"])
    end = at["sale_date"].fillna(logs.newest_day).to_numpy()
    grade = jobs["grade_out"].reindex(rows["unit_id"]).fillna("").to_numpy()
    table = pd.DataFrame(
        {
            "unit_id": rows["unit_id"].to_numpy(),
            "model_id": rows["model_id"].to_numpy(),
            "listed": rows["listed_date"].to_numpy(),
            "days": (end - rows["listed_date"].to_numpy()) / np.timedelta64(1, "D"),
            "sold": rows["unit_id"].isin(sold.index).to_numpy(),
            "amount": rows["asking_amount"].to_numpy(dtype="float64"),
            "log_reached": np.log(
                at["amount"].to_numpy(float) / rows["asking_amount"].to_numpy(float)
            ),
            "channel": at["channel"].fillna("").to_numpy(),
            "grade": np.where(at["grade"].fillna("") != "", at["grade"].fillna(""), grade),
        }
    )
    table["class"] = catalogue["device_class"].reindex(table["model_id"]).to_numpy()
    family = catalogue["family_id"].reindex(table["model_id"]).to_numpy()
    parts = []
    for name in dict.fromkeys(family):
        mine = table[family == name]
        if name in curves:
            parts.append(mine.assign(log_ratio=_against_level(curves[str(name)], mine)))
    whole = pd.concat(parts) if parts else table.assign(log_ratio=np.nan)[:0]
    whole = whole[(whole["days"] >= 0) & np.isfinite(whole["log_ratio"])]
    return whole.reset_index(drop=True)[COLUMNS]


def _against_level(curves: PriceCurves, rows: pd.DataFrame) -> Floats:
    """Log price asked against the level of the model, its grade and channel that day."""
    ratio = log_ratios(curves, rows.rename(columns={"listed": "day"}))
    for kind, column in ((GRADE, "grade"), (CHANNEL, "channel")):
        effects = {n: curves.effect(kind + n)[0] for n in set(rows[column]) - {""}}
        ratio = ratio - rows[column].map(effects).fillna(0.0).to_numpy(dtype="float64")
    return ratio


def time_on_market(rows: pd.DataFrame, usual_days: float) -> TimeOnMarket:
    """Fit days to sale.

    Parameters
    ----------
    rows
        From ``listed_units``.
    usual_days
        Mean days to sale at level, taken where fewer than ``FEWEST_SOLD`` units have sold.

    Returns
    -------
    TimeOnMarket
        The partial likelihood's estimate and the priors, weighted by their precisions. A channel
        not noted (unsold units) counts as the usual one.
    """
    rows = rows.assign(days=rows["days"].clip(lower=0.5))
    sold, asked = rows["sold"].to_numpy(dtype=bool), rows["log_ratio"].to_numpy(dtype="float64")
    low, high = np.quantile(asked, [0.05, 0.95]) if len(asked) else (-0.05, 0.10)
    gone, still = int(sold.sum()), int((~sold).sum())
    names, x = _design(rows)
    centre = np.zeros(len(names))
    centre[0] = ASKED_PRIOR
    precision = np.diag(np.r_[ASKED_SD**-2.0, np.full(len(names) - 1, EFFECT_SD**-2.0)])
    if gone < FEWEST_SOLD:
        baseline = np.arange(HORIZON_DAYS + 1) / usual_days
        cov = np.linalg.inv(precision)
        return TimeOnMarket(names, centre, cov, baseline, gone, still, float(low), float(high))
    mean, cov = partial_likelihood(rows["days"].to_numpy(float), sold, x, centre, precision)
    baseline = _breslow(rows["days"].to_numpy(float), sold, np.exp(x @ mean))
    reached = float(np.exp(min(rows["log_reached"].median(), 0.0)))
    return TimeOnMarket(names, mean, cov, baseline, gone, still, float(low), float(high), reached)


def _design(rows: pd.DataFrame) -> tuple[tuple[str, ...], Floats]:
    """Covariates: the ratio asked, then a column per channel and class other than the commonest."""
    names, columns = ["log_ratio"], [rows["log_ratio"].to_numpy(dtype="float64")]
    for kind in ("channel", "class"):
        counts = rows.loc[rows[kind] != "", kind].value_counts()
        for name in sorted(counts.index[1:]):
            names.append(f"{kind} {name}")
            columns.append((rows[kind] == name).to_numpy(dtype="float64"))
    return tuple(names), np.column_stack(columns) if len(rows) else np.zeros((0, len(names)))


def partial_likelihood(
    days: Floats, sold: Bools, x: Floats, centre: Floats, precision: Floats
) -> tuple[Floats, Floats]:
    """Mode of the partial likelihood times a normal prior, by Newton's method, and its covariance.

    Parameters
    ----------
    days, sold
        Days stood, and whether a sale ended them, (n,).
    x
        Covariates, (n, k).
    centre, precision
        Mean (k,) and precision (k, k) of the prior; a precision of zero leaves the likelihood's.
    """
    from statsmodels.duration.hazard_regression import PHReg

    model = PHReg(days, x, status=sold.astype("int64"), ties="efron")
    beta = centre.copy()
    for _ in range(50):
        gradient = model.score(beta) - precision @ (beta - centre)
        curvature = precision - model.hessian(beta)
        step = np.linalg.solve(curvature, gradient)
        longest = np.abs(step).max()
        # A long first step from the prior's mean could leave the region where exp() is tame.
        beta = beta + step * min(1.0, 3.0 / max(longest, 1e-12))
        if longest < 1e-8:
            break
    return beta, np.linalg.inv(curvature)


def _breslow(days: Floats, sold: Bools, risk: Floats) -> Floats:
    """Cumulative hazard at level by whole days; beyond the last sale at the mean rate so far."""
    order = np.argsort(-days, kind="stable")
    at_risk = np.cumsum(risk[order])
    # Ties share the risk of all who stand on that day.
    standing = {d: at_risk[i] for i, d in enumerate(days[order])}
    times = np.sort(days[sold])
    steps = np.array([1.0 / standing[t] for t in times])
    total = np.cumsum(steps)
    grid = np.arange(HORIZON_DAYS + 1, dtype="float64")
    known = np.concatenate([[0.0], total])[np.searchsorted(times, grid, side="right")]
    # The last tenth of units says little of the tail: from the ninth tenth on at the mean rate.
    cut = max(float(np.quantile(times, 0.9)), 1.0)
    rate = float(np.interp(cut, grid, known)) / cut
    return np.where(grid <= cut, known, rate * grid)


def own_days_to_sale(logs: Logs) -> dict[str, tuple[float, int]]:
    """Mean days from listing to sale by device class, and how many own sales stand behind it.

    Days that unsold units have stood so far are counted too, as they must be: the mean of an
    exponential time is all days stood over the units sold.

    Returns
    -------
    dict
        Only classes with ``FEWEST_SOLD`` own sales whose listing day is known.
    """
    kind = logs.tables["catalogue"].set_index("model_id")["device_class"]
    sales = logs.tables["sales"]
    own = sales[(sales["own_sale"] == 1.0) & sales["listed_date"].notna()]
    waited = (own["sale_date"] - own["listed_date"]).dt.days
    stock = logs.tables["stock"]
    still = stock[(stock["status"] == "listed") & stock["listed_date"].notna()]
    standing = (logs.newest_day - still["listed_date"]).dt.days
    out = {}
    for name, days in waited[waited >= 0].groupby(own["model_id"].map(kind)):
        more = standing[still["model_id"].map(kind) == name].clip(lower=0)
        if len(days) >= FEWEST_SOLD:
            out[str(name)] = (float(days.sum() + more.sum()) / len(days), len(days))
    return out


def with_own_days(logs: Logs, settings: Settings) -> Settings:
    """Return settings with own mean days to sale in place of ``delay.selling_days``.

    Only for classes that have ``FEWEST_SOLD`` own sales; the others keep what is set.
    """
    by_class = dict(settings.by_class or {})
    for kind, (days, _) in own_days_to_sale(logs).items():
        changes = dict(by_class.get(kind, {}))
        changes["delay"] = {**changes.get("delay", {}), "selling_days": round(days, 1)}
        by_class[kind] = changes
    return replace(settings, by_class=by_class)
