"""``backtest``: the whole check of a workspace, its scores and tables, ready to print.

They are summed up by method and horizon, or by method and number of sales. Scores are formulas,
each with its source: arrays in, arrays or one number out. ``y`` is what happened. All scores are in
the units of ``y`` (log points where prices are scored on the log scale) and smaller is better, but
for coverage, which should equal the level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.backtest.forecasts import Backtest, backtest_prices
from repair_horizon.backtest.methods import METHODS, OURS, RULES, level_word
from repair_horizon.backtest.money_replay import MoneyReplay, replay_bids
from repair_horizon.backtest.stop_record import StopRecord, stop_record
from repair_horizon.estimation.calibration import Calibration, width_factor, write_calibration
from repair_horizon.files.writing import write_table
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import ALONE, Hands
from repair_horizon.shop import Shop
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.settings import Settings


def pinball(y: npt.ArrayLike, quantile: npt.ArrayLike, p: float) -> Floats:
    """Pinball loss of a forecast quantile, max(p (y - q), (p - 1) (y - q)).

    Parameters
    ----------
    y, quantile
        Outcomes and forecast p-quantiles, shapes that broadcast.
    p
        The quantile's probability, between 0 and 1.

    Source: Koenker and Bassett (1978), Econometrica 46:33-50.
    """
    miss = np.asarray(y, dtype="float64") - np.asarray(quantile, dtype="float64")
    out: Floats = np.maximum(p * miss, (p - 1.0) * miss)
    return out


def winkler(y: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike, level: float) -> Floats:
    """Interval score: width, plus 2 / alpha times the distance of an outcome left outside.

    (u - l) + 2/alpha (l - y)+ + 2/alpha (y - u)+ with alpha = 1 - level.

    Parameters
    ----------
    y, lower, upper
        Outcomes and the ends of their intervals.
    level
        Interval level, such as 0.8.

    Source: Winkler (1972), JASA 67:187-191; Gneiting and Raftery (2007), JASA 102:359-378.
    """
    got, low, high = (np.asarray(v, dtype="float64") for v in (y, lower, upper))
    outside = np.maximum(low - got, 0.0) + np.maximum(got - high, 0.0)
    out: Floats = (high - low) + 2.0 / (1.0 - level) * outside
    return out


def coverage(y: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike) -> float:
    """Share of outcomes inside their intervals, ends included."""
    got, low, high = (np.asarray(v, dtype="float64") for v in (y, lower, upper))
    return float(np.mean((got >= low) & (got <= high)))


def median_ape(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Median absolute percentage error, as a share: median |predicted - actual| / actual."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.median(np.abs(said - got) / got))


def mean_log_error(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Bias: mean of log(predicted / actual); positive where forecasts are too high."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.mean(np.log(said / got)))


def mean_absolute_log_error(actual: npt.ArrayLike, predicted: npt.ArrayLike) -> float:
    """Mean of |log(predicted / actual)|."""
    got, said = np.asarray(actual, dtype="float64"), np.asarray(predicted, dtype="float64")
    return float(np.mean(np.abs(np.log(said / got))))


FEWEST_HELD_OUT = 30
SALES_GROUPS = ((0, 0, "none"), (1, 4, "1 to 4"), (5, 19, "5 to 19"), (20, 10**9, "20 or more"))
EVERY = "all"
_RATIOS = ("median_ape", "absolute_error", "pinball")


def by_horizon(backtest: Backtest, fewest: int = FEWEST_HELD_OUT) -> pd.DataFrame:
    """Score every method at every horizon, and over all of them.

    Parameters
    ----------
    backtest
        From ``backtest_prices``.
    fewest
        Held-out sales below which nothing is said.

    Returns
    -------
    DataFrame
        ``horizon`` (months, or 'all'), ``method, n``, then the scores of ``score_row``,
        ``..._to_best_rule`` (against the simple rule with the smallest figure in the same
        group), and ``reason`` where nothing is said.
    """
    rows = backtest.forecasts
    groups = [(str(h), rows["horizon"] == h) for h in backtest.horizons]
    return _scored(backtest, "horizon", [*groups, (EVERY, rows["horizon"] > 0)], fewest)


def by_sales(backtest: Backtest, fewest: int = FEWEST_HELD_OUT) -> pd.DataFrame:
    """Score every method by how many sales the model had at the cutoff.

    Returns
    -------
    DataFrame
        As ``by_horizon``, with ``sales_known`` in place of ``horizon``.
    """
    n = backtest.forecasts["n_sales"]
    groups = [(word, n.between(low, high)) for low, high, word in SALES_GROUPS]
    return _scored(backtest, "sales_known", groups, fewest)


def _scored(
    backtest: Backtest, name: str, groups: Sequence[tuple[str, pd.Series]], fewest: int
) -> pd.DataFrame:
    out = []
    for word, inside in groups:
        part = backtest.forecasts[inside]
        table = pd.DataFrame(
            [
                {
                    name: word,
                    "method": m,
                    **_told(part[part["method"] == m], backtest.levels, fewest),
                }
                for m in METHODS
            ]
        )
        out.append(_against_rules(table))
    return pd.concat(out, ignore_index=True)


def _told(rows: pd.DataFrame, levels: Sequence[float], fewest: int) -> dict[str, object]:
    if len(rows) < fewest:
        few = "no" if rows.empty else f"only {len(rows)}"
        blank = dict.fromkeys(_names(levels), np.nan)
        reason = f"cannot say: {few} held-out sales, and {fewest} are needed"
        return {"n": len(rows), **blank, "reason": reason}
    return {"n": len(rows), **score_row(rows, levels), "reason": ""}


def _names(levels: Sequence[float]) -> list[str]:
    covers = [f"coverage_{level_word(v)}" for v in levels]
    return ["median_ape", "absolute_error", "bias", *covers, "pinball", "winkler", "stands_in"]


def score_row(rows: pd.DataFrame, levels: Sequence[float]) -> dict[str, float]:
    """Scores of one method's forecasts.

    Parameters
    ----------
    rows
        Rows of ``Backtest.forecasts``, at least one.

    Returns
    -------
    dict
        ``median_ape`` (share), ``absolute_error`` (mean, log points), ``bias`` (mean log error,
        positive if forecasts are too high), ``coverage_50`` and the like (shares), ``pinball``
        (mean over the median and all interval ends, log points), ``winkler`` (mean over levels,
        log points), ``stands_in`` (share answered by a plainer method).
    """
    actual, said = rows["actual"].to_numpy(float), rows["predicted"].to_numpy(float)
    y, out = np.log(actual), {}
    losses, widths = [pinball(y, np.log(said), 0.5)], []
    for level in levels:
        word = level_word(level)
        low = np.log(rows[f"lower_{word}"].to_numpy(float))
        high = np.log(rows[f"upper_{word}"].to_numpy(float))
        out[f"coverage_{word}"] = coverage(y, low, high)
        losses += [pinball(y, low, (1 - level) / 2), pinball(y, high, (1 + level) / 2)]
        widths.append(winkler(y, low, high, level))
    return {
        "median_ape": median_ape(actual, said),
        "absolute_error": mean_absolute_log_error(actual, said),
        "bias": mean_log_error(actual, said),
        **out,
        "pinball": float(np.mean(losses)),
        "winkler": float(np.mean(widths)),
        "stands_in": float(rows["stands_in"].mean()),
    }


def _against_rules(table: pd.DataFrame) -> pd.DataFrame:
    """Add each score's ratio to that of the best simple rule in the same group."""
    simple = table["method"].isin(list(RULES))
    for score in _RATIOS:
        table[f"{score}_to_best_rule"] = table[score] / table.loc[simple, score].min()
    last = ["reason"]
    return table[[c for c in table.columns if c not in last] + last]


def reliability(backtest: Backtest, method: str) -> pd.DataFrame:
    """Share of sales inside the interval at every level, per horizon and overall.

    Returns
    -------
    DataFrame
        ``horizon`` ('all' first), ``level, inside, n``; groups with too few sales are left out.
    """
    rows, out = backtest.of(method), []
    groups = [(EVERY, rows)] + [(str(h), rows[rows["horizon"] == h]) for h in backtest.horizons]
    for word, part in groups:
        if len(part) < FEWEST_HELD_OUT:
            continue
        for level in backtest.levels:
            ends = (part[f"lower_{level_word(level)}"], part[f"upper_{level_word(level)}"])
            inside = coverage(part["actual"], *ends)
            out.append({"horizon": word, "level": level, "inside": inside, "n": len(part)})
    return pd.DataFrame(out, columns=["horizon", "level", "inside", "n"])


def fell_where(backtest: Backtest, method: str) -> pd.DataFrame:
    """Where in their forecasts the held-out sales fell: the histogram a calibration is read from.

    The probability integral transform in the bands that the interval ends make; a forecast that
    is right puts into each band the share it promises (Dawid 1984, JRSS A 147:278-292).

    Returns
    -------
    DataFrame
        ``band`` (percentiles, such as '5 to 10'), ``due`` and ``found`` (shares), ``n`` sales;
        from below the lowest interval end to above the highest.
    """
    rows, levels = backtest.of(method), sorted(backtest.levels, reverse=True)
    lower = [rows[f"lower_{level_word(v)}"].to_numpy(float) for v in levels]
    upper = [rows[f"upper_{level_word(v)}"].to_numpy(float) for v in reversed(levels)]
    ends = np.column_stack([*lower, rows["predicted"].to_numpy(float), *upper])
    low = [(1 - v) / 2 for v in levels]
    edges = np.array([0.0, *low, 0.5, *(1 - p for p in reversed(low)), 1.0])
    place = (rows["actual"].to_numpy(float)[:, None] > ends).sum(axis=1)
    count = np.bincount(place, minlength=len(edges) - 1)
    return pd.DataFrame(
        {
            "band": [f"{100 * a:g} to {100 * b:g}" for a, b in pairwise(edges.round(6))],
            "due": np.diff(edges),
            "found": count / max(len(rows), 1),
            "n": count,
        }
    )


# Longer than the four horizons that are compared, since forecasts run to two years and a horizon
# nobody tested cannot be called supported.
HORIZONS = (1, 3, 6, 12, 18, 24)
_COVERS = ("coverage_50", "coverage_80", "coverage_90")
_SHARES = ("median_ape", "bias", *_COVERS, "share_lost", "told", "came")


@dataclass(frozen=True, eq=False)
class BacktestRun:
    """Everything a back-test found; tables are those of the modules that made them."""

    prices: Backtest
    by_horizon: pd.DataFrame
    by_sales: pd.DataFrame
    calibration: Calibration
    money: MoneyReplay | CannotSay
    stops: StopRecord | CannotSay

    def __repr__(self) -> str:
        """Say what was tested."""
        return f"BacktestRun({self.prices!r}, {self.money!r})"

    def printable(self) -> dict[str, pd.DataFrame]:
        """Short tables for a screen: title to table, shares in per cent."""
        out = {
            "Prices, by months ahead": _short(self.by_horizon, "horizon"),
            "Prices, by sales of the model known": _short(self.by_sales, "sales_known"),
        }
        if isinstance(self.money, MoneyReplay):
            out["Past listings, bought at the price they fetched"] = _percent(self.money.table)
        if isinstance(self.stops, StopRecord):
            out["Past stop dates, chances told and what came"] = _percent(self.stops.scores)
        return out


def _short(table: pd.DataFrame, first: str) -> pd.DataFrame:
    covers = [c for c in table if str(c).startswith("coverage_")]
    shown = [first, "method", "n", "median_ape", "bias", *covers, "pinball", "winkler"]
    return _percent(table[[*shown, "pinball_to_best_rule", "reason"]])


def _percent(table: pd.DataFrame) -> pd.DataFrame:
    """Shares in per cent with one decimal, the rest with two or three."""
    shares = {c: (100 * table[c]).round(1) for c in table if c in _SHARES}
    thousandths = ("pinball", "winkler", "brier", "brier_of_share")
    fine = {c: table[c].round(3) for c in thousandths if c in table}
    out = table.assign(**shares, **fine)
    names = {c: f"{c}_%" for c in shares}
    return out.round({c: 2 for c in out if c not in names and c not in fine}).rename(columns=names)


def backtest(logs: Logs, settings: Settings, every: int = 3, hands: Hands = ALONE) -> BacktestRun:
    """Back-test prices, bids and stop dates.

    Parameters
    ----------
    logs, settings
        The workspace's.
    every
        Months from one replayed month of bids to the next.
    hands
        Who works, family by family; the result does not depend on it.

    Raises
    ------
    LogFault
        If the sales span too few months.
    """
    prices = backtest_prices(logs, horizons=HORIZONS, hands=hands)
    calibration = width_factor(prices.of(OURS))
    shop = Shop(logs, settings, calibration)
    money, stops = replay_bids(shop, every, hands), stop_record(shop, hands)
    return BacktestRun(prices, by_horizon(prices), by_sales(prices), calibration, money, stops)


def write_backtest(run: BacktestRun, folder: Path) -> list[Path]:
    """Write one CSV per table and ``calibration.csv``, each whole or not at all."""
    tables = {
        "forecasts": run.prices.forecasts,
        "silent": run.prices.silent,
        "by_horizon": run.by_horizon,
        "by_sales": run.by_sales,
    }
    if isinstance(run.money, MoneyReplay):
        tables |= {"lots": run.money.lots, "money": run.money.table}
    if isinstance(run.stops, StopRecord):
        tables |= {"stops_told": run.stops.told, "stop_record": run.stops.scores}
    written = [_write(table, folder / f"{name}.csv") for name, table in tables.items()]
    return [*written, write_calibration(run.calibration, folder)]


def _write(table: pd.DataFrame, path: Path) -> Path:
    write_table(path, table, float_format="%.6g")
    return path
