"""What belongs to the whole shop, worked out once; a step that all families took together.

No price curve is fitted for it, so it costs little beside one family's fit. Every family's own
rows are left out of what it starts from, or count once.

A market that broke is told with its month, in which the prices of all families stepped together.
A family's rows say something of each month's market once curve, models and traits are taken out.
The shop's market is what families share of it, a path that wanders as each family's does
(``curve.market``). A break is a step that such wandering would rarely bring: for every month the
step's size is worked out by generalised least squares, and told where it is large, sure and the
families agree. What tells a break and how often it is wrong: tests/benchmark/market_breaks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from scipy.linalg import toeplitz

from repair_horizon.estimation.curve.market import MarketBreak, covariances
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.owner_guesses import OwnerGuesses, owner_guesses
from repair_horizon.estimation.part_prices import PART_PRIORS
from repair_horizon.estimation.pooled_curves import (
    CURVE,
    PooledCurves,
    PooledParts,
    base_columns,
    cells_by,
    class_curve,
    models_taken_out,
    pooled_curves,
    pooled_parts,
)
from repair_horizon.estimation.pooled_effects import UsualEffects, effects_of, rows_by_family
from repair_horizon.estimation.pooled_ratios import PooledRatios, pooled_ratios
from repair_horizon.estimation.price_rows import PriceRows
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import month_number

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


@dataclass(frozen=True, eq=False)
class PriceKnowledge:
    """What prices of working units start from: effects of grade, channel and storage; curves.

    ``market`` says whether the market broke of late; None where families show no break.
    """

    usual: UsualEffects
    curves: PooledCurves
    market: MarketBreak | CannotSay | None

    @property
    def broke(self) -> MarketBreak | None:
        """The break that families' prices start from, if there is one."""
        return self.market if isinstance(self.market, MarketBreak) else None


@dataclass(frozen=True, eq=False)
class ShopKnowledge(PriceKnowledge):
    """The same, and as-is ratios, the owner's guesses and parts."""

    broken: PooledRatios
    guesses: OwnerGuesses
    parts: PooledParts


_known: WeakKeyDictionary[Logs, ShopKnowledge] = WeakKeyDictionary()


def shop_knowledge(logs: Logs) -> ShopKnowledge:
    """Work out what the whole shop knows.

    Parameters
    ----------
    logs
        The whole workspace's; they never change, so what was worked out once is kept with them.
    """
    if logs not in _known:
        _known[logs] = ShopKnowledge(
            **vars(price_knowledge(logs)),
            broken=pooled_ratios(logs),
            guesses=owner_guesses(logs),
            parts=pooled_parts(logs, PART_PRIORS),
        )
    return _known[logs]


def price_knowledge(logs: Logs) -> PriceKnowledge:
    """Work out what prices alone start from, which costs a third of all that the shop knows.

    Parameters
    ----------
    logs
        The whole workspace's.
    """
    rows = rows_by_family(logs)
    effects = [effects_of(family, found) for family, found in rows.items()]
    return PriceKnowledge(
        UsualEffects(tuple(e for e in effects if e is not None)),
        pooled_curves(rows, logs.class_of),
        broken_market(logs, rows),
    )


def broken_market(
    logs: Logs, rows: Mapping[str, PriceRows] | None = None
) -> MarketBreak | CannotSay | None:
    """Say whether the market broke of late: ``market_break`` of the workspace's logs.

    ``rows`` are ``rows_by_family`` of them, laid out anew if None.
    """
    if pd.isna(logs.newest_day):
        return CannotSay("no sale in any log")
    rows = rows_by_family(logs) if rows is None else rows
    return market_break(rows, logs.class_of, int(month_number([logs.newest_day])[0]))
