"""Four rules a partner can work out by hand, as rivals: they must be beaten to be worth a model.

Each says one price per model and day from that model's own sales. A model with too few sales
for a rule takes the plainer one: the two lines need three sales on two days, else its last level
counts; a model never sold falls 25 % a year from its launch price. The half width of a rule's
interval is the matching quantile of its own absolute errors in earlier months of the family, at
the same horizon, so that the rules are not beaten merely for lack of a sensible interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.panel import Panel
from kit.estimation.price_rows import ASKING

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

YEARLY_FALL = 0.25  # common practice, no source
LEVEL_MONTHS = 3.0
FEWEST_FOR_A_LINE = 3
FEWEST_ERRORS = 20
EARLIER_CUTOFFS = 4
# A straight line runs below zero in the end; no rule says less than a tenth of the last level.
LOWEST_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Past:
    """A family's sales so far: model position, month with its fraction, and log price, (n,).

    ``launch_price`` (log) and ``launch`` (month with its fraction) are per model; missing where
    the launch price is not known. ``now`` is the end of the cutoff's month, in months.
    """

    model: Ints
    time: Floats
    log_price: Floats
    launch_price: Floats
    launch: Floats
    now: float

    def until(self, time: float) -> Past:
        """Return the sales up to an earlier moment."""
        early = self.time <= time
        kept = (self.model[early], self.time[early], self.log_price[early])
        return Past(*kept, self.launch_price, self.launch, time)


@dataclass(frozen=True, eq=False)
class Levels:
    """Per model: the log of its last level, and the mean month of the sales behind it."""

    log_price: Floats
    time: Floats


Rule = Callable[[Past, Levels, Ints, Floats], Floats]


def past_of(panel: Panel, now: float) -> Past:
    """Lay out the sales a fit was made from; asking prices are left out where some were sold."""
    kept = np.ones(len(panel.y), dtype=bool)
    if ASKING in panel.traits.names:
        kept = panel.traits.values[:, panel.traits.names.index(ASKING)] == 0
    models = panel.models
    return Past(
        panel.model[kept],
        months_of(panel.day)[kept],
        np.log(panel.amount[kept]),
        np.where(models.price_known, np.log(models.launch_price), np.nan),
        months_of(models.launch),
        now,
    )


def months_of(days: object) -> Floats:
    """Months of each day since year 0, with its fraction of a month."""
    stamps = pd.DatetimeIndex(days)
    whole = stamps.year.to_numpy() * 12.0 + stamps.month.to_numpy() - 1.0
    out: Floats = whole + (stamps.day.to_numpy() - 1.0) / stamps.days_in_month.to_numpy()
    return out


def last_levels(past: Past) -> Levels:
    """Median of a model's sales in the last three months, else of its newest three sales."""
    k = len(past.launch)
    level, time = np.full(k, np.nan), np.full(k, np.nan)
    for m in np.unique(past.model):
        rows = np.flatnonzero(past.model == m)
        late = rows[past.time[rows] > past.now - LEVEL_MONTHS]
        used = late if len(late) else rows[np.argsort(past.time[rows], kind="stable")[-3:]]
        level[m], time[m] = np.median(past.log_price[used]), past.time[used].mean()
    return Levels(level, time)


def carried(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Carry the last median forward unchanged."""
    return _or_flat(levels.log_price[model], past, levels, (model, when))


def flat_rate(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Last median less 25 % a year, or the launch price less 25 % a year."""
    start = np.where(np.isnan(levels.log_price), past.launch_price, levels.log_price)
    since = np.where(np.isnan(levels.time), past.launch, levels.time)
    out: Floats = start[model] + np.log1p(-YEARLY_FALL) * (when - since[model]) / 12.0
    return out


def straight_line(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Least-squares line through the model's prices by date, drawn on."""
    start, slope = _lines(past, np.exp(past.log_price))
    price = start[model] + slope[model] * when
    lowest = LOWEST_SHARE * np.exp(levels.log_price[model])
    return _or_flat(np.log(np.maximum(price, lowest)), past, levels, (model, when))


def exponential(past: Past, levels: Levels, model: Ints, when: Floats) -> Floats:
    """Least-squares line through the model's log prices by date, drawn on."""
    start, slope = _lines(past, past.log_price)
    return _or_flat(start[model] + slope[model] * when, past, levels, (model, when))


def _or_flat(said: Floats, past: Past, levels: Levels, at: tuple[Ints, Floats]) -> Floats:
    """What a rule says, else the model's last level, else the flat rate from launch."""
    level = levels.log_price[at[0]]
    flat = flat_rate(past, levels, *at)
    out: Floats = np.where(np.isnan(said), np.where(np.isnan(level), flat, level), said)
    return out


def _lines(past: Past, value: Floats) -> tuple[Floats, Floats]:
    """Intercept and slope per model, missing where fewer than three sales or one day only."""
    k = len(past.launch)
    start, slope = np.full(k, np.nan), np.full(k, np.nan)
    for m in np.unique(past.model):
        rows = past.model == m
        time, v = past.time[rows], value[rows]
        if len(v) < FEWEST_FOR_A_LINE or np.ptp(time) == 0:
            continue
        centred = time - time.mean()
        slope[m] = (centred @ v) / (centred @ centred)
        start[m] = v.mean() - slope[m] * time.mean()
    return start, slope


RULES: dict[str, Rule] = {
    "last median carried": carried,
    "flat 25 % a year": flat_rate,
    "line per model": straight_line,
    "exponential per model": exponential,
}


def past_errors(rule: Rule, past: Past, horizon: int) -> Floats:
    """Absolute log errors the rule made at this horizon in earlier months of the family.

    Looks back from up to four earlier cutoffs, three months apart, each tested on the month that
    lies ``horizon`` months after it; where that gives under twenty errors, on the very next
    month instead, and at worst on the spread of the sales about their model's own median.
    """
    for ahead in dict.fromkeys((horizon, 1)):
        found = [_errors_from(rule, past, (ahead, 3 * back)) for back in range(EARLIER_CUTOFFS)]
        errors = np.concatenate(found)
        if len(errors) >= FEWEST_ERRORS:
            return errors
    middles = {m: np.median(past.log_price[past.model == m]) for m in np.unique(past.model)}
    about = np.array([middles[m] for m in past.model])
    return np.abs(past.log_price - about)


def _errors_from(rule: Rule, past: Past, span: tuple[int, int]) -> Floats:
    ahead, back = span
    now = past.now - ahead - back
    early = past.until(now)
    if not len(early.time):
        return np.zeros(0)
    tested = (past.time > now + ahead - 1) & (past.time <= now + ahead)
    model, when = past.model[tested], past.time[tested]
    miss = past.log_price[tested] - rule(early, last_levels(early), model, when)
    out: Floats = np.abs(miss[np.isfinite(miss)])
    return out
