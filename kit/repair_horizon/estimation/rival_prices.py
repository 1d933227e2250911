"""Auctions: the usual hammer price as seen, and the highest rival that a bid has to beat.

A lot's price is what its last but one bidder gave. Of a won lot that is the highest rival; of a
lot lost or skipped the highest rival stood above it, by the expected gap between the first and
the second of n serious bidders whose best bids spread by s on the log scale:

    gap = s (E[X_(n)] - E[X_(n-1)]),   X standard normal, ordered

Six bidders and a spread of 0.2 (class prior) make 0.125. Own prices say how wide prices spread,
not who bid, so n and s are drawn from the class's priors and weighted by that spread. Read as if
it were the price to beat, the price of a lost lot promises wins that do not come. Won lots are
those whose rivals were low and lost lots those whose were high; both kinds are averaged together,
which leaves little of either selection (tests/test_rival_prices.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.estimation.broken_prices import BrokenFit, ratio_table
from repair_horizon.estimation.pooled_ratios import NORMAL_SPREAD, RobustFit, normal_density
from repair_horizon.tables.codes import Basis

Floats = npt.NDArray[np.float64]

FEWEST_BIDDERS, MOST_BIDDERS = 2, 40
_PRIOR_DRAWS, _SPREAD_WORTH = 2000, 4.0


@dataclass(frozen=True)
class OrderGap:
    """First and second of n standard normals: mean of the first and of the gap; variances."""

    highest: float
    gap: float
    first: float
    second: float


@cache
def order_gap(bidders: int) -> OrderGap:
    """Moments of the two largest of so many standard normal values, by quadrature.

    Examples
    --------
    >>> round(0.2 * order_gap(6).gap, 3)
    0.125
    """
    x = np.linspace(-8.0, 8.0, 4001)
    step, density, below, above = x[1] - x[0], normal_density(x), ndtr(x), ndtr(-x)
    top = bidders * density * below ** (bidders - 1) * step
    next_one = bidders * (bidders - 1) * density * below ** (bidders - 2) * above * step
    means = (float(top @ x), float(next_one @ x))
    squares = (float(top @ x**2), float(next_one @ x**2))
    variances = (squares[0] - means[0] ** 2, squares[1] - means[1] ** 2)
    return OrderGap(means[0], means[0] - means[1], *variances)


@dataclass(frozen=True)
class Bidding:
    """Gap from the price seen to the highest rival and its standard deviation; log spreads.

    ``spread`` is that of one auction's highest rival around the usual one, in logs; ``bidders``
    and ``bid_spread`` are the posterior means behind it.
    """

    gap: float
    gap_sd: float
    spread: float
    bidders: float
    bid_spread: float


def bidding(knowledge: ClassKnowledge, seen_spread: float, n: int) -> Bidding:
    """Work out the bidders behind prices that spread so widely.

    Parameters
    ----------
    knowledge
        The class: serious bidders, spread of their bids, spread of prices between auctions.
    seen_spread, n
        Log standard deviation of the prices seen around the usual one, and how many; n = 0
        leaves the class's.
    """
    rng = np.random.default_rng(5)
    z = rng.standard_normal((3, _PRIOR_DRAWS))
    figures = (knowledge.serious_bidders, knowledge.bid_spread, knowledge.market("hammer_spread"))
    drawn = [f.value * np.exp(f.log_sd * row) for f, row in zip(figures, z, strict=True)]
    bidders = np.clip(np.rint(drawn[0]), FEWEST_BIDDERS, MOST_BIDDERS).astype("int64")
    each = [order_gap(int(b)) for b in bidders]
    gap, first, second = np.array([(e.gap, e.first, e.second) for e in each]).T
    # What spreads between auctions holds the bidders' own share of it.
    between = np.sqrt(np.maximum(drawn[2] ** 2 - second * drawn[1] ** 2, 0.02**2))
    told = np.sqrt(second * drawn[1] ** 2 + between**2)
    weight = np.exp(-(np.log(told / seen_spread) ** 2) * n) if n else np.ones(_PRIOR_DRAWS)
    weight /= weight.sum()
    above = gap * drawn[1]
    mean = float(weight @ above)
    return Bidding(
        mean,
        float(np.sqrt(weight @ (above - mean) ** 2)),
        float(np.sqrt(weight @ (first * drawn[1] ** 2 + between**2))),
        float(weight @ bidders),
        float(weight @ drawn[1]),
    )


@dataclass(frozen=True, eq=False)
class RivalPrice:
    """The highest rival of an auction against the working price level of the model.

    ``log_ratio`` (draws,) is where it usually stands, on the log scale; one auction's lies around
    it with standard deviation ``spread``. ``n`` prices of the fault stand behind it, the last on
    ``newest``.
    """

    log_ratio: Floats
    spread: float
    basis: Basis
    n: int
    newest: pd.Timestamp
    words: str


def hammer_ratios(broken: BrokenFit, device_class: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the usual hammer price as seen and the highest rival, by listed fault.

    Parameters
    ----------
    broken
        As-is sales and hammer prices of the family: where no auction was seen a hammer price
        starts from the as-is value.
    device_class
        Its class, for the bidders.

    Returns
    -------
    tuple
        Two tables with the columns of ``BrokenFit.as_is``; that of rivals has ``spread``, ``gap``
        and ``gap_sd`` too.
    """
    load, fit = broken.hammer_loads, broken.fit
    seen = RobustFit(load @ fit.mean, load @ fit.cov @ load.T, fit.noise, fit.weights)
    told = (broken.rows, True, broken.others)
    auctions = int(broken.rows["hammer"].sum())
    knowledge = class_knowledge(device_class)
    rivals = bidding(knowledge, NORMAL_SPREAD * _spread(broken, knowledge), auctions)
    above = load @ _above(broken)
    highest = RobustFit(seen.mean + rivals.gap * above, seen.cov, fit.noise, fit.weights)
    table = ratio_table(broken.faults, highest, *told).assign(
        spread=rivals.spread, gap=rivals.gap * above, gap_sd=rivals.gap_sd * above
    )
    return ratio_table(broken.faults, seen, *told), table


def _spread(broken: BrokenFit, knowledge: ClassKnowledge) -> float:
    """Scale of hammer prices around the usual ones, shrunk to the class's."""
    mine = broken.rows["hammer"].to_numpy(dtype=bool)
    start = knowledge.market("hammer_spread").value / NORMAL_SPREAD
    squares = (broken.fit.weights * broken.residuals**2)[mine]
    return float(np.sqrt((squares.sum() + _SPREAD_WORTH * start**2) / (mine.sum() + _SPREAD_WORTH)))


def _above(broken: BrokenFit) -> Floats:
    """How far each coefficient rests on prices with a higher rival above them.

    The answer is linear in what is added to the rows at their last weights: a won lot's price is
    the rival, any other and the class's hammer ratio stand one gap below it.
    """
    fit, x, prior = broken.fit, broken.x, broken.prior
    information = (x * (fit.weights / fit.noise**2)[:, None]).T
    precision = np.linalg.inv(prior.cov)
    usual = np.zeros(len(prior.mean))
    usual[len(broken.names)] = 1.0  # the hammer offset of the class is of prices as seen
    right = information @ broken.rows["unwon"].to_numpy(dtype="float64") + precision @ usual
    out = np.linalg.solve(information @ x + precision, right)
    return np.asarray(out, dtype="float64")


def rival_draws(table: pd.DataFrame, draws: int, rng: np.random.Generator) -> dict[str, RivalPrice]:
    """Draw where the highest rival usually stands, by listed fault.

    The fit's error, common to all faults and a fault's own, and what is not known of the bidders
    are in the draws; a single auction's spread is not.
    """
    shared, gaps, out = rng.standard_normal(draws), rng.standard_normal(draws), {}
    for row in table.itertuples():
        alone = np.sqrt(max(row.std_error**2 - row.common**2, 0.0))
        error = row.common * shared + alone * rng.standard_normal(draws) + row.gap_sd * gaps
        out[str(row.fault)] = RivalPrice(
            row.log_ratio + error,
            float(row.spread),
            Basis(row.basis),
            int(row.n),
            pd.Timestamp(row.newest),
            str(row.words),
        )
    return out
