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
from scipy.stats import norm

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.estimation.broken_prices import OTHER, log_ratios, ratio_table
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.robust_means import (
    NORMAL_SPREAD,
    GaussianPrior,
    RobustFit,
    robust_fit,
)
from repair_horizon.logs import Logs
from repair_horizon.tables.codes import Basis

Floats = npt.NDArray[np.float64]

FEWEST_BIDDERS, MOST_BIDDERS = 2, 40
FAULT_SD = 0.15
"""How far a fault's ratio of hammer price to as-is value is from the family's (judgement)."""
_PRIOR_DRAWS, _SPREAD_WORTH = 2000, 4.0


@dataclass(frozen=True)
class OrderGap:
    """First and second of n standard normals: the mean gap, and the variance of each."""

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
    step, density, below, above = x[1] - x[0], norm.pdf(x), norm.cdf(x), norm.sf(x)
    top = bidders * density * below ** (bidders - 1) * step
    next_one = bidders * (bidders - 1) * density * below ** (bidders - 2) * above * step
    means = (float(top @ x), float(next_one @ x))
    squares = (float(top @ x**2), float(next_one @ x**2))
    return OrderGap(means[0] - means[1], squares[0] - means[0] ** 2, squares[1] - means[1] ** 2)


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

    def chance_below(self, ratio: npt.ArrayLike) -> Floats:
        """Chance in each draw that the highest rival stays below a bid.

        Parameters
        ----------
        ratio
            Bid over the model's working price level in each draw, (draws,) or (draws, months).
        """
        with np.errstate(divide="ignore"):
            bid = np.log(np.asarray(ratio, dtype="float64"))
        usual = self.log_ratio if bid.ndim == 1 else self.log_ratio[:, None]
        out: Floats = norm.cdf((bid - usual) / self.spread)
        return out


def hammer_ratios(
    logs: Logs, family_id: str, curves: PriceCurves, as_is: pd.DataFrame, faults: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the usual hammer price as seen and the highest rival, by listed fault.

    Parameters
    ----------
    logs, family_id, curves
        The family, its logs and its working prices.
    as_is
        From ``as_is_ratios``: where nothing was seen a hammer price starts from there.
    faults
        Every listed fault wanted; those seen are added.

    Returns
    -------
    tuple
        Two tables with the columns of ``as_is_ratios``; that of rivals has ``spread``, ``gap``
        and ``gap_sd`` too. Only auctions count where listings say their terms.
    """
    family = logs.family(family_id)
    listings = family.tables["listings"]
    rows = listings[listings["final_price"] > 0]
    if "terms" in rows:
        rows = rows[rows["terms"].isin(["", "auction"])]
    rows = rows.rename(
        columns={"end_time": "day", "listed_fault": "fault", "final_price": "amount"}
    )
    kind = str(family.tables["catalogue"]["device_class"].iloc[0])
    names = list(dict.fromkeys([*faults, *sorted(set(rows["fault"]))]))
    prior = _prior(as_is, [*names, OTHER], class_knowledge(kind))
    y, at = log_ratios(curves, rows), {n: i for i, n in enumerate(names)}
    x = np.eye(len(names) + 1)[[at[f] for f in rows["fault"]]]
    start = class_knowledge(kind).market("hammer_spread").value / NORMAL_SPREAD
    fit = robust_fit(y, x, prior, start, _SPREAD_WORTH)
    seen = ratio_table([*names, OTHER], fit, rows, "")
    rivals = bidding(class_knowledge(kind), NORMAL_SPREAD * fit.noise, len(rows))
    above = _above(fit, x, prior, (rows["result"] != "won").to_numpy(dtype="float64"))
    highest = RobustFit(fit.mean + rivals.gap * above, fit.cov, fit.noise, fit.weights)
    table = ratio_table([*names, OTHER], highest, rows, "").assign(
        spread=rivals.spread, gap=rivals.gap * above, gap_sd=rivals.gap_sd * above
    )
    return seen, table


def _prior(as_is: pd.DataFrame, names: list[str], knowledge: ClassKnowledge) -> GaussianPrior:
    """Hammer prices before any was seen: the as-is value times the class's ratio of the two."""
    known = as_is.set_index("fault").reindex(names)
    other = as_is.set_index("fault").loc[OTHER]
    mean = known["log_ratio"].fillna(other["log_ratio"]).to_numpy("float64")
    error = known["std_error"].fillna(other["std_error"]).to_numpy("float64")
    common = np.minimum(known["common"].fillna(other["common"]).to_numpy("float64"), error)
    figure = knowledge.hammer_ratio
    own = error**2 - common**2 + FAULT_SD**2
    cov = np.outer(common, common) + figure.log_sd**2 + np.diag(own)
    return GaussianPrior(mean + np.log(figure.value), np.asarray(cov, dtype="float64"))


def _above(fit: RobustFit, x: Floats, prior: GaussianPrior, unwon: Floats) -> Floats:
    """How far each ratio rests on prices with a higher rival above them, from 0 to 1 and more.

    The answer is linear in what is added to the rows at their last weights: a won lot's price is
    the rival, any other and the class's ratio stand one gap below it.
    """
    information = (x * (fit.weights / fit.noise**2)[:, None]).T
    precision = np.linalg.inv(prior.cov)
    right = information @ unwon + precision @ np.ones(len(prior.mean))
    out: Floats = np.asarray(np.linalg.solve(information @ x + precision, right), dtype="float64")
    return out


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
