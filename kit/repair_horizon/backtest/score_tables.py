"""Back-tests summed up: one row per method and horizon, or per method and number of sales.

Scores of forecasts: formulas, each with its source. Arrays in, arrays or one number out.

``y`` is what happened. All scores are in the units of ``y`` (log points where prices are scored
on the log scale) and smaller is better, but for coverage, which should equal the level.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.backtest.forecasts import Backtest
from repair_horizon.backtest.methods import METHODS, RULES, level_word


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


Floats = npt.NDArray[np.float64]

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
    levels
        Interval levels.

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
