"""What private sellers take, learned from the prices they ask and from answers to own offers.

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
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import log_ndtr

from repair_horizon.estimation.broken_prices import OTHER, log_ratios
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.pooled_ratios import normal_density, single_units
from repair_horizon.logs import Logs

Floats = npt.NDArray[np.float64]

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

    def draws(self, draws: int, rng: np.random.Generator) -> SellerReserve | None:
        """Draw the shift; None where no offer was answered, so that rivals' prices hold."""
        if not self.offers:
            return None
        at = rng.choice(len(self.weight), draws, p=self.weight)
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


def answered_offers(family: Logs, curves: PriceCurves, rivals: pd.DataFrame) -> pd.DataFrame:
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
    one = one - usual["log_ratio"].to_numpy()
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
