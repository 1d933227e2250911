"""Lasting shifts of a part price: when it turned up, and since when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.curve.fit import JointFit
from repair_horizon.estimation.curve.panel import Panel, Traits
from repair_horizon.estimation.curve.quarter_effects import fitted_covariance
from repair_horizon.tables.months import month_number, month_start

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHIFT = "shift "


FEWEST_NEW, FEWEST_OLD, SIGMAS, ONE_SIGMAS = 2, 3, 3.0, 1.5


# A smaller move changes no decision (common practice, no source).
SMALLEST = 0.12


# Half or double within one month is common at a stop of supply (common practice, no source).
SHIFT_SD = 0.4


_LOOK_BACK_MONTHS = 18


@dataclass(frozen=True)
class Shift:
    """A model's quotes moved together from the month ``since`` (its first day) on.

    ``size`` is in log points, above zero for dearer; ``quality`` is empty unless all the moved
    quotes are of one quality class; ``n`` counts them.
    """

    model: int
    since: pd.Timestamp
    size: float
    n: int
    quality: str = ""


def find_shifts(fit: JointFit, quality: Sequence[str]) -> list[Shift]:
    """Find the models whose quotes moved together to another level within the newest 18 months.

    Parameters
    ----------
    fit
        A part's fit, without shifts.
    quality
        Quality class of each quote, (n,).

    Returns
    -------
    list of Shift
        At most one per model; two quotes or more must lie after the month and three before it.

    Notes
    -----
    The late quotes are forecast from all the others (their own part in the fit is taken out in
    closed form) and the shift is what they have in common, with its standard error. Looking at
    the residuals of the whole fit misses shifts, because slopes, drift and weights give way to
    them. A shift counts from three standard errors on, and if no more than a quarter of the late
    quotes lie within one and a half of theirs, so that one odd quote makes none.
    """
    named, found = np.asarray(quality, dtype=object), []
    new = fit.panel.month > int(month_number([fit.panel.now])[0]) - _LOOK_BACK_MONTHS
    for model in np.unique(fit.panel.model[new]):
        mine = fit.panel.model == model
        recent = np.flatnonzero(mine & new)
        known = (recent, fitted_covariance(fit.rows, fit.posterior, fit.drift, recent))
        whole = _strongest(fit, mine, known)
        tried = [
            (_strongest(fit, mine & (named == q), known), str(q)) for q in sorted(set(named[mine]))
        ]
        # One class by itself must be clearer than all together by a whole standard error.
        bar = abs(whole[1] / whole[2]) + 1.0 if whole else 0.0
        alone = [(b, q) for b, q in tried if b and abs(b[1] / b[2]) > bar]
        every = alone or ([(whole, "")] if whole else [])
        if every:
            (since, size, _, n), one = max(every, key=lambda e: abs(e[0][1] / e[0][2]))
            found.append(Shift(int(model), month_start(since), size, n, one))
    return found


def _strongest(
    fit: JointFit, rows: npt.NDArray[np.bool_], known: tuple[Ints, Floats]
) -> tuple[int, float, float, int] | None:
    """Month, size, standard error and quotes of the clearest shift of some rows, if any.

    ``known`` are the model's recent rows and the covariance of their fitted values.
    """
    month, (recent, fitted) = fit.panel.month, known
    tried = []
    for since in np.unique(month[recent[rows[recent]]]):
        late = np.flatnonzero(rows & (month >= since))
        if len(late) >= FEWEST_NEW and int(rows.sum()) - len(late) >= FEWEST_OLD:
            at = np.searchsorted(recent, late)
            found = common_move(fit, late, fitted[np.ix_(at, at)])
            tried += [(int(since), *found, len(late))] if found else []
    clear = [t for t in tried if abs(t[1]) >= SIGMAS * t[2] and abs(t[1]) >= SMALLEST]
    return max(clear, key=lambda t: abs(t[1] / t[2])) if clear else None


def common_move(
    fit: JointFit, late: Ints, fitted: Floats | None = None
) -> tuple[float, float] | None:
    """Size and standard error of what quotes of one model have in common against the others.

    ``fitted`` is the covariance of their fitted values where it is known already.

    With H the covariance of the late rows' fitted values, D their precisions in the fit and r
    their residuals, the forecast error without them is D^-1 (D^-1 - H)^-1 r, with covariance
    H + H (D^-1 - H)^-1 H + noise. What the model's drift may do is in H.
    """
    leverage = fitted
    if leverage is None:
        leverage = fitted_covariance(fit.rows, fit.posterior, fit.drift, late)
    own = np.diag(1.0 / fit.row_precision[late])
    freed = np.linalg.solve(own - leverage, np.column_stack([fit.residuals[late], leverage]))
    error = own @ freed[:, 0]
    cov = leverage + leverage @ freed[:, 1:] + fit.scales.noise**2 * np.eye(len(late))
    weighed = np.linalg.solve(cov, np.ones(len(late)))
    information = float(weighed.sum() + SHIFT_SD**-2.0)
    size = float(weighed @ error) / information
    within = np.sign(size) * error < ONE_SIGMAS * np.sqrt(np.diag(cov))
    return (size, information**-0.5) if within.sum() <= len(late) // 4 else None


def with_shifts(panel: Panel, shifts: Sequence[Shift], quality: Sequence[str]) -> Panel:
    """Give every shifted model a level of its own from the shift on: one more trait each."""
    named = np.asarray(quality, dtype=object)
    columns = [_moved(s, (panel.model, panel.day), named) for s in shifts]
    old, k = panel.traits, len(shifts)
    traits = Traits(
        (*old.names, *(SHIFT + panel.models.ids[s.model] for s in shifts)),
        np.column_stack([old.values, *columns]),
        np.append(old.sd, np.full(k, SHIFT_SD)),
        np.append(old.ageing, np.zeros(k, dtype=bool)),
        np.append(old.expected, np.zeros(k)),
    )
    return replace(panel, traits=traits)


def shift_values(
    shifts: Sequence[Shift], at: tuple[Ints, pd.DatetimeIndex], quality: str
) -> Floats:
    """Values of the shifts' traits at given models and days of one quality, (n, shifts)."""
    named = np.full(len(at[0]), quality, dtype=object)
    return np.column_stack([_moved(s, at, named) for s in shifts])


def held_days(
    shifts: Sequence[Shift], at: tuple[Ints, pd.DatetimeIndex], now: pd.Timestamp
) -> pd.DatetimeIndex | None:
    """Days at which age is read: a series that turned up no longer falls with age after ``now``."""
    up = [s.model for s in shifts if s.size > 0]
    if not up:
        return None
    stopped = np.isin(at[0], up) & (at[1] > now)
    return pd.DatetimeIndex(at[1].where(~stopped, now))


def _moved(
    shift: Shift, at: tuple[Ints, pd.DatetimeIndex], quality: npt.NDArray[np.object_]
) -> Floats:
    model, day = at
    concerned = np.ones(len(model), dtype=bool) if not shift.quality else quality == shift.quality
    moved: Floats = ((model == shift.model) & (day >= shift.since) & concerned).astype("float64")
    return moved
