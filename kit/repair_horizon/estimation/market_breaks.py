"""Months in which the prices of all families stepped together: a market that broke, with its date.

A family's rows say something of each month's market once curve, models and traits are taken out.
The shop's market is what families share of it, a path that wanders as each family's does
(``curve.market``). A break is a step that such wandering would rarely bring: for every month the
step's size is worked out by generalised least squares, and told where it is large, sure and the
families agree. What tells a break and how often it is wrong: tests/benchmark/market_breaks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt
from scipy.linalg import toeplitz

from repair_horizon.estimation.class_curves import class_curve
from repair_horizon.estimation.curve.market import MarketBreak, covariances
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.pooled_curves import (
    CURVE,
    base_columns,
    cells_by,
    models_taken_out,
)
from repair_horizon.estimation.price_rows import PriceRows
from repair_horizon.logs import CannotSay

Floats = npt.NDArray[np.float64]

SPAN, RECENT = 30, 15
"""Months looked at, and how many of the newest a break may have begun in."""
SURE, LEAST, AGREE = 4.0, 0.06, 0.75
"""Standard errors, log step and share of families from which a step is told: on invented shops
(tests/benchmark/market_breaks, seeds for choosing) no look of 36 at a shop without a break told
one from 3.5 standard errors on, and at 4 every crash of 20 % was told."""
ENOUGH = 0.15
"""A family whose own step is less sure than this has no say in whether families agree."""
_SHARED, _OWN, _SLOW, _DRIFT = 0.03, 0.03, 1.5, 0.045
_HOLD = 10.0  # precision that keeps the equations solvable and is taken off again


def market_break(
    rows: Mapping[str, PriceRows], classes: Mapping[str, str], last: int
) -> MarketBreak | CannotSay | None:
    """Find the surest break of the last months; None where families show none.

    Parameters
    ----------
    rows
        Prices of each family with a sale.
    classes
        Device class of each.
    last
        Number of the newest month known.

    Returns
    -------
    MarketBreak, CannotSay or None
        CannotSay where fewer than two families have prices enough around any month.
    """
    found = list(steps(rows, classes, last))
    if not found:
        return CannotSay("fewer than two families have enough prices to tell a market that broke")
    told = [
        s
        for s in found
        if abs(s.score) >= SURE and abs(s.size) >= LEAST and s.agree >= AGREE * s.families
    ]
    return max(told, key=lambda s: abs(s.score), default=None)


def steps(
    rows: Mapping[str, PriceRows], classes: Mapping[str, str], last: int
) -> Iterator[MarketBreak]:
    """Work out the step of every month that two families can speak of, large or not."""
    told = [_months(r.panel, classes[f], last) for f, r in rows.items()]
    wander = toeplitz(covariances(SPAN, _SLOW)) + 1e-9 * np.eye(SPAN)
    own = [_less(*t, _OWN**2 * wander) for t in told]
    if len(own) < 2:
        return
    precision, pull = (np.sum([o[i] for o in own], axis=0) for i in (0, 1))
    precision, pull = _less(precision, pull, _SHARED**2 * wander)
    for begins in range(SPAN - RECENT, SPAN):
        step = np.arange(SPAN) >= begins
        each = [(float(p[step][:, step].sum()), float(b[step].sum())) for p, b in own]
        signs = [np.sign(b) for sure, b in each if sure > ENOUGH**-2.0]
        sure = float(precision[step][:, step].sum())
        if len(signs) < 2 or sure <= 0:
            continue
        size = float(pull[step].sum()) / sure
        agree = sum(bool(s == np.sign(size)) for s in signs)
        month = last - SPAN + 1 + begins
        yield MarketBreak(month, size, sure**-0.5, len(signs), agree)


def _months(panel: Panel, device_class: str, last: int) -> tuple[Floats, Floats]:
    """Precision (SPAN, SPAN) and pull (SPAN,) that one family's prices give the months' market."""
    seen = (panel.month > last - SPAN) & (panel.month <= last)
    if not seen.any():
        return np.zeros((SPAN, SPAN)), np.zeros(SPAN)
    panel = panel.kept(seen)
    x, y, sd = base_columns(panel)
    start, k = class_curve(device_class), x.shape[1]
    y = y - x[:, :CURVE] @ start.mean
    months = np.eye(SPAN)[panel.month - (last - SPAN + 1)]
    prior = np.concatenate([np.diag(start.precision), sd**-2.0, np.full(SPAN, _HOLD)])
    quarter = panel.month // 3 - panel.month.min() // 3
    cells = [(cells_by(panel, quarter), _DRIFT)]
    gram, right = models_taken_out(panel, y, np.hstack([x, months]), prior, cells)
    gram[:CURVE, :CURVE] += start.precision - np.diag(np.diag(start.precision))
    out = np.linalg.solve(gram[:k, :k], np.column_stack([gram[:k, k:], right[:k]]))
    precision = gram[k:, k:] - _HOLD * np.eye(SPAN) - gram[k:, :k] @ out[:, :-1]
    return (precision + precision.T) / 2, right[k:] - gram[k:, :k] @ out[:, -1]


def _less(precision: Floats, pull: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """What is left to be said of a path where another one, of a covariance, lies on top of it."""
    both = np.column_stack([precision, pull])
    gain = precision @ np.linalg.solve(precision + np.linalg.inv(cov), both)
    return precision - gain[:, :-1], pull - gain[:, -1]
