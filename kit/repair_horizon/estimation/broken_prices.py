"""What a broken unit fetches against a working one of the same model, storage and month.

Each as-is sale (or hammer price) is divided by the fitted working price of its own model, storage
and day; the log ratios are then averaged by fault, robustly, and shrunk toward what the shop's
other families and the class say. A ratio of raw medians would mix up faults with the models they
happen to. Faults and states nobody sells have a ratio too, wide and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.pooled_ratios import (
    FOUND,
    HAMMER_FAULT_SD,
    LISTED,
    NOT_SOLD,
    OPENED_RATIO,
    START_NOISE,
    PooledRatios,
    as_is_rows,
    hammer_rows,
    kinds_of,
    pooled_ratios,
    ratio_centre,
)
from repair_horizon.estimation.robust_means import GaussianPrior, RobustFit, robust_fit
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Bools, Floats, Ints
from repair_horizon.tables.codes import Basis

OTHER = "(other faults)"
DEARER = (0.25, 0.25)
"""Rise of a hammer ratio's log with the log working price within a family, and how sure: what a
repair costs weighs more on a cheap unit (judgement; .4 in the profit benchmark's world)."""
SLOPE = -3  # its place among the coefficients
_Z80 = 1.2815515655


@dataclass(frozen=True, eq=False)
class Ratios:
    """Log ratios of ``names``: mean (k,), covariance (k, k), scale of one sale around each (k,)."""

    names: tuple[str, ...]
    mean: Floats
    cov: Floats
    noise: Floats


@dataclass(frozen=True)
class HammerSlope:
    """How a log hammer ratio moves with the log working price: dearer models fetch more of it.

    Slope and standard error; ratios are told at the log working price ``centre``.
    """

    mean: float
    sd: float
    centre: float

    def at(self, log_price: Floats) -> Floats:
        """Shift of the log ratio at log working prices, (...)."""
        out: Floats = self.mean * (log_price - self.centre)
        return out

    def drawn(self, draws: int, chance: Antithetic) -> DrawnSlope:
        """One slope a draw."""
        return DrawnSlope(self.mean + self.sd * chance.normal(draws), self.centre)


@dataclass(frozen=True, eq=False)
class DrawnSlope:
    """``HammerSlope`` by draw, (draws,)."""

    slope: Floats
    centre: float

    def at(self, log_price: Floats) -> Floats:
        """Shift of the log ratio at log working prices, (draws, ...)."""
        slope = self.slope.reshape(-1, *[1] * (log_price.ndim - 1))
        out: Floats = slope * (log_price - self.centre)
        return out


@dataclass(frozen=True, eq=False)
class BrokenFit:
    """As-is sales and hammer prices of one family fitted together: they are one market.

    ``fit`` has the log ratio of each of ``names`` (faults and states, ``OTHER`` last) first, then
    the hammer offset, then what it is beside for each of ``faults``; last the slope of hammer
    ratios by working price (around ``centre``, that of the lots seen), and the offsets of units
    whose repair failed and of asking prices. ``states`` says which of
    ``names`` are states a unit is found to be in. ``x`` and ``prior`` are the rows' design and
    what the fit started from; ``rows`` are both kinds with their ``residuals``, ``others`` how
    many other families they start from.
    """

    names: tuple[str, ...]
    faults: tuple[str, ...]
    states: Bools
    fit: RobustFit
    x: Floats
    prior: GaussianPrior
    rows: pd.DataFrame
    others: int
    residuals: Floats
    centre: float

    @property
    def hammer_slope(self) -> HammerSlope | None:
        """Slope of hammer ratios by working price; None where no lot was seen."""
        if np.isnan(self.centre):
            return None
        sd = float(np.sqrt(self.fit.cov[SLOPE, SLOPE]))
        return HammerSlope(float(self.fit.mean[SLOPE]), sd, self.centre)

    @property
    def as_is(self) -> pd.DataFrame:
        """What as-is units sell for, by fault and state.

        ``fault, log_ratio, std_error, ratio, lower, upper`` (80 %), ``noise`` (scale of one sale),
        ``n, newest, basis, words, common`` (the part of the standard error that all faults share);
        one row per fault and state, and one named ``OTHER`` for any other fault. Locked and
        blocked units have a row only where such a fault is listed or was sold.
        """
        k, noise = len(self.names), self.fit.noise
        one = np.where(self.states, noise[FOUND], noise[LISTED])
        part = Ratios(self.names, self.fit.mean[:k], self.fit.cov[:k, :k], one)
        return ratio_table(part, self.rows, False, self.others)

    @property
    def hammer_loads(self) -> Floats:
        """Loads of each fault's hammer ratio on the coefficients, (faults, p)."""
        k = len(self.names)
        out = np.zeros((len(self.faults), len(self.fit.mean)))
        for i, fault in enumerate(self.faults):
            out[i, [self.names.index(fault), k, k + 1 + i]] = 1.0
        return out


def fit_broken(
    logs: Logs,
    family_id: str,
    curves: PriceCurves,
    pooled: PooledRatios | None = None,
    states: pd.DataFrame | None = None,
) -> BrokenFit:
    """Fit what broken units fetch, as is and under the hammer.

    Parameters
    ----------
    logs
        The whole workspace's logs, or the family's with ``pooled``.
    curves
        Its working prices.
    pooled
        ``pooled_ratios`` of the whole workspace; worked out from ``logs`` if None.
    states
        ``listed_fault`` and ``state`` of everything to be priced; what fault_states.csv names if
        None.

    Notes
    -----
    Asking prices of as-is units have an offset of their own, which starts from the class's ratio
    of asked to sold. Hammer prices lie off as-is values by an offset that starts from the class's
    ratio and from other families', and by a little more or less for each fault.
    """
    family = logs.family(family_id)
    sold, auctions = as_is_rows(family), hammer_rows(family)
    rows = pd.concat([sold, auctions], ignore_index=True)
    states = family.tables["fault_states"] if states is None else states
    pooled = pooled_ratios(logs) if pooled is None else pooled
    kind = logs.class_of[family_id]
    listed = faults_of(states, rows["fault"])
    seen = set(rows["fault"]) | set(states["listed_fault"])
    names = [n for n in listed if n not in NOT_SOLD or n in seen]
    centres = [ratio_centre(n, kind, listed[n]) for n in names]
    prior = pooled.prior(family_id, kind, [*centres, ratio_centre("for_parts", kind)])
    faults = [f for f in names if f in seen]
    y = log_ratios(curves, rows)
    price = np.log(rows["amount"].to_numpy(dtype="float64")) - y
    whole, x = broken_design(rows, names, faults, prior, kind)
    lots = rows["hammer"].to_numpy(dtype=bool)
    centre = float(price[lots].mean()) if lots.any() else np.nan
    x[lots, SLOPE] = price[lots] - centre
    fit = robust_fit(y, x, whole, START_NOISE, kinds_of(rows))
    told = (rows, pooled.behind(family_id), y - x @ fit.mean, centre)
    found = np.array([n in set(states["state"]) for n in (*names, OTHER)])
    return BrokenFit((*names, OTHER), (*faults, OTHER), found, fit, x, whole, *told)


def broken_design(
    rows: pd.DataFrame,
    names: Sequence[str],
    faults: Sequence[str],
    prior: GaussianPrior,
    device_class: str,
) -> tuple[GaussianPrior, Floats]:
    """Lay broken units' rows out for the joint fit.

    Parameters
    ----------
    rows
        ``fault``, ``hammer``, ``opened`` and ``asked`` of each.
    names, faults
        Faults and states with a ratio, and those of them that are listed; one more of each
        stands for any other.
    prior
        Of the ratios and the hammer offset, from ``PooledRatios.prior``.
    device_class
        For what is asked against what is paid.

    Returns
    -------
    tuple
        Prior of all coefficients (ratios, hammer offset, each fault's beside it, slope by
        working price, offsets of units whose repair failed and of asking prices)
        and the design, (rows, coefficients); the slope's column is the caller's to fill.
    """
    k, f = len(names) + 1, len(faults) + 1
    figure = class_knowledge(device_class).market("ask_to_sold")
    mean, cov = np.zeros(k + f + 4), np.zeros((k + f + 4, k + f + 4))
    mean[: k + 1] = prior.mean
    mean[-3:] = DEARER[0], np.log(OPENED_RATIO[0]), -np.log(figure.value)
    cov[: k + 1, : k + 1] = prior.cov
    # Asks of broken units are hopes, and their offset is less sure than that of working ones.
    beside = [*[HAMMER_FAULT_SD**2] * f, DEARER[1] ** 2, OPENED_RATIO[1] ** 2, 4 * figure.log_sd**2]
    cov[k + 1 :, k + 1 :] = np.diag(beside)
    x = np.zeros((len(rows), len(mean)))
    each = np.arange(len(rows))
    x[each, _places(names, rows)] = 1.0
    hammer = np.flatnonzero(rows["hammer"].to_numpy(dtype=bool))
    at = {name: i for i, name in enumerate(faults)}
    x[hammer, k] = 1.0
    x[hammer, [k + 1 + at[n] for n in rows["fault"].to_numpy()[hammer]]] = 1.0
    x[:, -2] = rows["opened"].to_numpy(dtype="float64")
    x[:, -1] = rows["asked"].to_numpy(dtype="float64")
    return GaussianPrior(mean, cov), x


def faults_of(states: pd.DataFrame, seen: pd.Series) -> dict[str, str]:
    """Names of faults and states with the fault each is listed under, in their order."""
    out = {str(f): str(f) for f in states["listed_fault"]} | {
        str(f): str(f) for f in sorted(set(seen))
    }
    pairs = zip(states["state"], states["listed_fault"], strict=True)
    return {str(s): str(f) for s, f in reversed(list(pairs))} | out


def _places(names: Sequence[str], rows: pd.DataFrame) -> Ints:
    at = {n: i for i, n in enumerate(names)}
    return np.array([at[f] for f in rows["fault"]], dtype="int64")


def ratio_table(fit: Ratios, rows: pd.DataFrame, hammer: bool, others: int) -> pd.DataFrame:
    """Lay ratios out by fault, with what each rests on: as-is sales, or hammer prices."""
    names = fit.names
    mine = rows[rows["hammer"].astype(bool) == hammer]
    by = mine.groupby("fault")["day"]
    sizes, newest = by.size(), by.max()
    error, n = np.sqrt(np.diag(fit.cov)), np.array([int(sizes.get(f, 0)) for f in names])
    off = fit.cov - np.diag(np.diag(fit.cov))
    shared = np.sqrt(max(float(off.sum()) / max(len(names) * (len(names) - 1), 1), 0.0))
    kinds = ("hammer price", "as-is sale") if hammer else ("as-is sale", "hammer price")
    basis, words = zip(
        *[_basis(int(k), len(mine), len(rows), others, kinds) for k in n], strict=True
    )
    return pd.DataFrame(
        {
            "fault": list(names),
            "log_ratio": fit.mean,
            "std_error": error,
            "ratio": np.exp(fit.mean),
            "lower": np.exp(fit.mean - _Z80 * error),
            "upper": np.exp(fit.mean + _Z80 * error),
            "noise": fit.noise,
            "n": n,
            "newest": pd.to_datetime([newest.get(f, pd.NaT) for f in names]),
            "basis": [b.value for b in basis],
            "words": list(words),
            "common": np.minimum(shared, error),
        }
    )


def _basis(
    own: int, mine: int, both: int, others: int, kinds: tuple[str, str]
) -> tuple[Basis, str]:
    if own:
        return Basis.OWN, f"{own} own {kinds[0]}{'s' * (own > 1)}"
    if mine:
        return Basis.FAMILY, f"from {mine} {kinds[0]}{'s' * (mine > 1)} of other faults"
    if both:
        return Basis.FAMILY, f"from {both} {kinds[1]}{'s' * (both > 1)}"
    if others:
        return (
            Basis.FAMILY,
            "from another family" if others == 1 else f"from {others} other families",
        )
    return Basis.CLASS, "from the class, wide"


def log_ratios(curves: PriceCurves, rows: pd.DataFrame) -> Floats:
    """Log price of each row against a working unit of the same model, storage and day."""
    if rows.empty:
        return np.zeros(0)
    models = curves.models
    model = models.index(rows["model_id"])
    storage = curves.traits(model, rows.filter(items=["storage_gb"]))
    band = predict(curves.fit, Points(model, pd.DatetimeIndex(rows["day"]), storage))
    working = band.median + np.log(models.launch_price[model])
    out: Floats = np.log(rows["amount"].to_numpy(dtype="float64")) - working
    return out


def ratio_draws(table: pd.DataFrame, draws: int, chance: Antithetic) -> dict[str, Floats]:
    """Ratio of broken to working price by fault: the mean sale, so half its noise is added.

    Faults share the common part of their error, which moves them all alike in a draw.
    """
    shared, out = chance.normal(draws), {}
    for row in table.itertuples():
        alone = np.sqrt(max(row.std_error**2 - row.common**2, 0.0))
        error = row.common * shared + alone * chance.normal(draws)
        # Nobody pays more for a broken unit than for a working one.
        drawn = np.exp(row.log_ratio + error + row.noise**2 / 2)
        out[str(row.fault)] = np.minimum(drawn, 1.0)
    return out
