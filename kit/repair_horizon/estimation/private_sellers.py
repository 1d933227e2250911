"""What private sellers take, learned from own offers and their answers.

    log(least price a seller takes / highest rival's usual price) ~ Normal(shift, spread^2)

A seller takes an offer at or above it, and would take the price asked:

    taken     Phi(offer) / Phi(asked)        refused     1 - Phi(offer) / Phi(asked)

Before any offer, sellers take what the highest rival of an auction pays. Shift and spread are
known on a grid with their posterior weights. Offers and auctions are held against a plain working
price of the model around the same day, as the pooled ratios are, so no price curve is needed and
families share what few offers there are. How far that plain reference is off, seen on the
auctions beyond the spread auctions have by themselves, is no spread of the sellers'.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import log_ndtr

from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.pooled_ratios import against_plain, ratio_centre
from repair_horizon.estimation.rival_prices import order_gap
from repair_horizon.logs import Logs
from repair_horizon.tables.inputs import CLASSES

Floats = npt.NDArray[np.float64]

PRIVATE, TAKEN, REFUSED = "private", "taken", "refused"
SHIFT_SD, SPREAD, SPREAD_LOG_SD = 0.25, 0.30, 0.4
"""Sellers against rivals before any offer, and how they spread, in logs (judgement, no source)."""
ROUGH_LOG_SD = 0.04
"""How little offers held against a plain working price tell of the spread: they tell the level."""
FAULT_WORTH = 3.0
_SHIFTS = np.linspace(-1.0, 1.0, 81)
_SPREADS = np.exp(np.linspace(np.log(0.08), np.log(1.0), 24))


@dataclass(frozen=True, eq=False)
class PrivateSellers:
    """Posterior of shift and spread on a grid: ``shift``, ``spread``, ``weight``, (g,) each.

    ``offers`` were answered, ``taken`` of them taken.
    """

    shift: Floats
    spread: Floats
    weight: Floats
    offers: int
    taken: int

    @cached_property
    def mean_shift(self) -> float:
        """Posterior mean of the shift, in logs; below zero where sellers take less than rivals."""
        return float(self.weight @ self.shift)

    @cached_property
    def mean_spread(self) -> float:
        """Posterior mean of the spread, in logs."""
        return float(self.weight @ self.spread)

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
        return SellerReserve(self.shift[at], self.mean_spread, self.words)


@dataclass(frozen=True, eq=False)
class SellerReserve:
    """Least price private sellers take: log distance from the highest rival's, by draw; spread."""

    shift: Floats
    spread: float
    words: str


def posterior(
    offer: npt.ArrayLike,
    asked: npt.ArrayLike,
    taken: npt.ArrayLike,
    reference_sd: float = 0.0,
    spread_log_sd: float = SPREAD_LOG_SD,
) -> PrivateSellers:
    """Weigh shifts and spreads by the answers.

    Parameters
    ----------
    offer
        Log of each offer against the highest rival's usual price, (n,).
    asked
        Log of the price asked likewise; infinite where none was named.
    taken
        Whether it was taken.
    reference_sd
        How far the highest rival's usual price may itself be off, in logs.
    spread_log_sd
        How unsure the usual spread is before any offer, in logs.
    """
    x, top = np.asarray(offer, dtype="float64"), np.asarray(asked, dtype="float64")
    yes = np.asarray(taken, dtype=bool)
    top = np.where(top > x, top, np.inf)
    shift, spread = (g.ravel() for g in np.meshgrid(_SHIFTS, _SPREADS, indexing="ij"))
    log = -0.5 * (shift / SHIFT_SD) ** 2 - 0.5 * (np.log(spread / SPREAD) / spread_log_sd) ** 2
    whole = np.hypot(spread, reference_sd)
    below = log_ndtr((x[:, None] - shift) / whole) - log_ndtr((top[:, None] - shift) / whole)
    refused = np.log1p(-np.exp(np.minimum(below, -1e-12)))
    log = log + np.where(yes[:, None], below, refused).sum(axis=0)
    weight = np.exp(log - log.max())
    return PrivateSellers(shift, spread, weight / weight.sum(), len(x), int(yes.sum()))


def private_sellers(logs: Logs) -> PrivateSellers:
    """Learn from every offer in listings.csv that was answered.

    Parameters
    ----------
    logs
        The whole workspace's; terms 'private' with ``offer`` and ``offer_result``.
    """
    rows = logs.tables["listings"]
    if "offer" not in rows:
        return posterior([], [], [])
    offers = rows[(rows["offer"] > 0) & rows["offer_result"].isin([TAKEN, REFUSED])]
    auctions = rows[rows["terms"].isin(["", "auction"]) & (rows["final_price"] > 0)]
    auctions = auctions[~(auctions["quantity"] > 1) & (auctions["lot_id"] == "")]
    ours = _against(logs, offers, "offer")
    if ours.empty:
        return posterior([], [], [])
    rivals = _against(logs, auctions, "final_price")
    off = 0.0
    if rivals.empty:  # nothing to shift from: the class's ratio of hammer price to as-is value
        usual = pd.Series(ours["usual"].to_numpy(), index=ours.index)
    else:
        usual = _usual(rivals, ours["fault"])
        off = _reference_sd(rivals["off"] - _usual(rivals, rivals["fault"]))
    asked = offers["current_bid"].reindex(ours.index).to_numpy(dtype="float64")
    with np.errstate(divide="ignore", invalid="ignore"):
        over = np.log(asked / offers["offer"].reindex(ours.index).to_numpy(dtype="float64"))
    x = ours["off"].to_numpy(dtype="float64") - usual.to_numpy(dtype="float64")
    top = np.where(asked > 0, x + over, np.inf)
    taken = (offers["offer_result"].reindex(ours.index) == TAKEN).to_numpy()
    return posterior(x, top, taken, off, ROUGH_LOG_SD)


def _reference_sd(left: pd.Series) -> float:
    """Spread of auctions around their usual price beyond what auctions spread by themselves."""
    seen = 1.4826 * float((left - left.median()).abs().median())
    own = class_knowledge(CLASSES[0]).market("hammer_spread").value
    return float(np.sqrt(max(seen**2 - own**2, 0.0)))


def _usual(rivals: pd.DataFrame, faults: pd.Series) -> pd.Series:
    """Usual log distance of the highest rival from the class's as-is ratio, by fault, shrunk."""
    whole = float(rivals["off"].median())
    by_fault = rivals.groupby("fault")["off"].agg(["median", "size"])
    weight = by_fault["size"] / (by_fault["size"] + FAULT_WORTH)
    shrunk = whole + weight * (by_fault["median"] - whole)
    return faults.map(shrunk).fillna(whole)


def _against(logs: Logs, rows: pd.DataFrame, column: str) -> pd.DataFrame:
    """Log distance ``off`` of amounts from the class's as-is ratio of the fault, on that day.

    Amounts of lots that others won stand one gap below the highest rival (``rival_prices``).
    """
    sales = logs.tables["sales"]
    catalogue = logs.tables["catalogue"].drop_duplicates("model_id").set_index("model_id")
    working = sales[(sales["condition"] != "as_is") & (sales["amount"] > 0)]
    plain = {str(m): g for m, g in working.groupby("model_id", sort=False)}
    parts = []
    for model, mine in rows.groupby("model_id", sort=False):
        about = catalogue.loc[model]
        kind = str(about["device_class"])
        knowledge = class_knowledge(kind)
        named = mine.rename(columns={"listed_fault": "fault"})
        amounts = named.assign(day=mine["end_time"], amount=mine[column], asked=False)
        found = against_plain(amounts, plain.get(str(model)), about)
        centre = [ratio_centre(str(f), kind).log_ratio for f in found["fault"]]
        off = found["ratio"].to_numpy(dtype="float64") - np.array(centre)
        if column == "final_price":
            others = (mine.loc[found.index, "result"] != "won").to_numpy()
            bidders = round(knowledge.serious_bidders.value)
            off = off + others * order_gap(bidders).gap * knowledge.bid_spread.value
        usual = np.log(knowledge.hammer_ratio.value)
        parts.append(found.assign(off=off, usual=usual)[["fault", "off", "usual"]])
    return pd.concat(parts) if parts else pd.DataFrame(columns=["fault", "off", "usual"])
