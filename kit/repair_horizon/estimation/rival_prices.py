"""What others pay and take: hammer prices, the highest rival, private sellers.

A lot's price is what its last but one bidder gave. Of a won lot that is the highest rival; of a
lot lost or skipped the highest rival stood above it, by the expected gap between the first and
the second of n serious bidders whose best bids spread by s on the log scale:

    gap = s (E[X_(n)] - E[X_(n-1)]),   X standard normal, ordered

Six bidders and a spread of 0.2 (class prior) make 0.125. Own prices say how wide prices spread,
not who bid, so n and s are drawn from the class's priors and weighted by that spread. Read as if
it were the price to beat, the price of a lost lot promises wins that do not come. Won lots are
those whose rivals were low and lost lots those whose were high; both kinds are averaged together,
which leaves little of either selection.

What private sellers take is learned from the prices they ask and from answers to own offers:

    r = log(least price a seller takes / highest rival's usual price) ~ Normal(shift, spread^2)
    a = log(price asked / the same) = r + |Normal(0, room^2)|

so that the price asked tells of the least price: with w^2 = spread^2 + room^2,

    r given a ~ Normal((room^2 shift + spread^2 a) / w^2, (spread room / w)^2), below a
    a         ~ 2 Normal(shift, w^2) x chance that this normal is below a     (skew normal)

(Azzalini, Scandinavian Journal of Statistics 12, 1985; from memory). A seller takes an offer at or
above r. Before any offer or price asked, sellers take what the highest rival of an auction pays.
Shift, spread and room are known on a grid with their posterior weights. Each price is held against
what its own family's fit says the highest rival would have paid that day, which is what offers
start from too; families share what few answers there are. How far that price may be off is no
spread of the sellers'. One asked price in twenty is taken for a fancy that tells nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import log_ndtr, ndtr

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.broken_prices import (
    OTHER,
    BrokenFit,
    HammerSlope,
    Ratios,
    log_ratios,
    ratio_table,
)
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.pooled_ratios import UNDER_HAMMER, single_units
from repair_horizon.estimation.robust_means import NORMAL_SPREAD, normal_density
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Basis

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
    one = np.full(len(load), fit.noise[UNDER_HAMMER])
    seen = Ratios(broken.faults, load @ fit.mean, load @ fit.cov @ load.T, one)
    told = (broken.rows, True, broken.others)
    auctions = int(broken.rows["hammer"].sum())
    knowledge = class_knowledge(device_class)
    rivals = bidding(knowledge, NORMAL_SPREAD * _spread(broken, knowledge), auctions)
    above = load @ _above(broken)
    highest = replace(seen, mean=seen.mean + rivals.gap * above)
    table = ratio_table(highest, *told).assign(
        spread=rivals.spread, gap=rivals.gap * above, gap_sd=rivals.gap_sd * above
    )
    return ratio_table(seen, *told), table


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
    information = (x * fit.precision[:, None]).T
    precision = np.linalg.inv(prior.cov)
    usual = np.zeros(len(prior.mean))
    usual[len(broken.names)] = 1.0  # the hammer offset of the class is of prices as seen
    right = information @ broken.rows["unwon"].to_numpy(dtype="float64") + precision @ usual
    out = np.linalg.solve(information @ x + precision, right)
    return np.asarray(out, dtype="float64")


def rival_draws(table: pd.DataFrame, draws: int, chance: Antithetic) -> dict[str, RivalPrice]:
    """Draw where the highest rival usually stands, by listed fault.

    The fit's error, common to all faults and a fault's own, and what is not known of the bidders
    are in the draws; a single auction's spread is not.
    """
    shared, gaps, out = chance.normal(draws), chance.normal(draws), {}
    for row in table.itertuples():
        alone = np.sqrt(max(row.std_error**2 - row.common**2, 0.0))
        error = row.common * shared + alone * chance.normal(draws) + row.gap_sd * gaps
        out[str(row.fault)] = RivalPrice(
            row.log_ratio + error,
            float(row.spread),
            Basis(row.basis),
            int(row.n),
            pd.Timestamp(row.newest),
            str(row.words),
        )
    return out


PRIVATE, TAKEN, REFUSED = "private", "taken", "refused"
SHIFT_SD, SPREAD, SPREAD_LOG_SD, ROOM, ROOM_LOG_SD = 0.25, 0.30, 0.4, 0.15, 0.5
"""Sellers against rivals before any offer, how they spread, and how far above the least price
they ask (half normal), in logs (judgement, no source)."""
FANCY, FANCY_DENSITY = 0.05, 0.3
OFFER_COLUMNS = ["offered", "asked", "taken", "rival_sd"]
_SHIFTS = np.linspace(-1.0, 1.0, 81)
_SPREADS = np.exp(np.linspace(np.log(0.08), np.log(1.0), 16))
_ROOMS = np.exp(np.linspace(np.log(0.05), np.log(0.6), 10))


@dataclass(frozen=True, eq=False)
class PrivateSellers:
    """Posterior of ``shift``, ``spread`` and ``room`` on a grid with its ``weight``, (g,) each.

    ``offers`` were answered, ``taken`` of them taken; ``asks`` listings named a price.
    """

    shift: Floats
    spread: Floats
    room: Floats
    weight: Floats
    offers: int
    taken: int
    asks: int

    @cached_property
    def mean_shift(self) -> float:
        """Posterior mean of the shift, in logs; below zero where sellers take less than rivals."""
        return float(self.weight @ self.shift)

    @cached_property
    def mean_spread(self) -> float:
        """Posterior mean of the spread, in logs."""
        return float(self.weight @ self.spread)

    @cached_property
    def mean_room(self) -> float:
        """Posterior mean of the room sellers leave above their least price, in logs."""
        return float(self.weight @ self.room)

    @property
    def words(self) -> str:
        """What it rests on, in words."""
        if not self.offers:
            return "no own offer was answered: private sellers are taken to ask what rivals pay"
        off = 100 * (np.exp(self.mean_shift) - 1)
        return (
            f"{self.taken} of {self.offers} own offers were taken: private sellers take "
            f"{abs(off):.0f} % {'more' if off > 0 else 'less'} than the highest rival pays"
        )

    def draws(self, draws: int, chance: Antithetic) -> SellerReserve | None:
        """Draw the shift; None where no offer was answered, so that rivals' prices hold."""
        if not self.offers:
            return None
        at = chance.choice(self.weight, draws)
        return SellerReserve(self.shift[at], self.mean_spread, self.mean_room, self.words)


@dataclass(frozen=True, eq=False)
class SellerReserve:
    """Least price private sellers take: log distance from the highest rival's, by draw.

    ``spread`` around it, ``room`` left above it by the price asked, in logs.
    """

    shift: Floats
    spread: float
    room: float
    words: str

    def given(self, log_usual: Floats, log_asked: float) -> tuple[Floats, float]:
        """Log median by draw and spread, given the price asked (infinite if none is named)."""
        middle = log_usual + self.shift
        if not np.isfinite(log_asked):
            return middle, self.spread
        seen = self.spread**2 / (self.spread**2 + self.room**2)
        return middle + seen * (log_asked - middle), float(np.sqrt(seen)) * self.room


def posterior(
    offered: npt.ArrayLike,
    asked: npt.ArrayLike,
    taken: npt.ArrayLike,
    rival_sd: npt.ArrayLike = 0.0,
) -> PrivateSellers:
    """Weigh shifts, spreads and rooms by prices asked and answers.

    Parameters
    ----------
    offered
        Log of each offer against the highest rival's usual price, (n,); missing without one.
    asked
        Log of the price asked likewise; infinite where none was named.
    taken
        Whether it was taken.
    rival_sd
        How far the highest rival's usual price may itself be off, in logs, (n,) or one for all.
    """
    x, top = np.asarray(offered, dtype="float64"), np.asarray(asked, dtype="float64")
    yes, made = np.asarray(taken, dtype=bool), np.isfinite(x)
    top = np.where(top > x, top, np.where(made, np.inf, top))
    named = np.isfinite(top)
    off = np.broadcast_to(np.asarray(rival_sd, dtype="float64"), x.shape)
    shift, spread, room = (g.ravel() for g in np.meshgrid(_SHIFTS, _SPREADS, _ROOMS, indexing="ij"))
    log = -0.5 * (
        (shift / SHIFT_SD) ** 2
        + (np.log(spread / SPREAD) / SPREAD_LOG_SD) ** 2
        + (np.log(room / ROOM) / ROOM_LOG_SD) ** 2
    )
    for i in range(len(x)):
        middle, whole = shift, np.hypot(spread, off[i])
        below = 0.0
        if named[i]:
            wide = np.hypot(whole, room)
            density = 2 * normal_density((top[i] - shift) / wide) / wide
            middle = shift + (whole / wide) ** 2 * (top[i] - shift)
            whole = whole * room / wide
            below = log_ndtr((top[i] - middle) / whole)
            log += np.log((1 - FANCY) * density * np.exp(below) + FANCY * FANCY_DENSITY)
        if made[i]:
            took = log_ndtr((x[i] - middle) / whole) - below
            log += took if yes[i] else np.log1p(-np.exp(np.minimum(took, -1e-12)))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    counts = int(made.sum()), int((made & yes).sum()), int(named.sum())
    return PrivateSellers(shift, spread, room, weight, *counts)


def answered_offers(
    family: Logs, curves: PriceCurves, rivals: pd.DataFrame, slope: HammerSlope | None = None
) -> pd.DataFrame:
    """Hold a family's private listings against what the highest rival would have paid that day.

    Parameters
    ----------
    family
        Its logs; listings with terms 'private': ``current_bid`` is the price asked, ``offer`` and
        ``offer_result`` our own and its answer.
    curves
        Its working prices.
    rivals
        The highest rival by listed fault, from ``hammer_ratios``.
    slope
        How it moves with the working price.

    Returns
    -------
    DataFrame
        ``offered`` (missing without an answer) and ``asked`` (infinite where no price was named),
        logs against the rival's usual price, ``taken``, and ``rival_sd``, how far that price may
        be off.
    """
    rows = family.tables["listings"]
    answered = (rows["offer"] > 0) & rows["offer_result"].isin([TAKEN, REFUSED])
    asks = rows["current_bid"] > 0
    rows = single_units(rows[answered | (asks & (rows["terms"] == PRIVATE))])
    of_fault = rivals.set_index("fault")
    faults = rows["listed_fault"]
    usual = of_fault.reindex(faults.where(faults.isin(of_fault.index), OTHER))
    one = log_ratios(curves, rows.assign(day=rows["end_time"], amount=1.0))
    moved = 0.0 if slope is None else slope.at(-one)  # an amount of one: minus the working price
    one = one - usual["log_ratio"].to_numpy() - moved
    offer, asked = rows["offer"].where(answered), rows["current_bid"].where(asks)
    return pd.DataFrame(
        {
            "offered": one + np.log(offer.to_numpy(dtype="float64")),
            "asked": np.nan_to_num(one + np.log(asked.to_numpy(dtype="float64")), nan=np.inf),
            "taken": (rows["offer_result"] == TAKEN).to_numpy(),
            "rival_sd": usual["std_error"].to_numpy(),
        },
        columns=OFFER_COLUMNS,
    )


def private_sellers(offers: Iterable[pd.DataFrame]) -> PrivateSellers:
    """Learn from the private listings of every family (``answered_offers``)."""
    known = [rows for rows in offers if len(rows)]
    if not known:
        return posterior([], [], [])
    whole = pd.concat(known, ignore_index=True)
    return posterior(whole["offered"], whole["asked"], whole["taken"], whole["rival_sd"])
