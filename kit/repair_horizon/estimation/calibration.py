"""One pooled factor for the width of price intervals, from a back-test, and how far it reaches.

Intervals come from the model itself. A back-test only checks them: where their pooled 80 %
coverage leaves 70 to 90 %, all widths are multiplied by one factor, drawn toward one by
k / (k + 6) with k the number of cutoffs, since sales held out from one cutoff share its luck.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.estimation.forecast import FamilyOutlook, Outlook
from repair_horizon.files.writing import write_table
from repair_horizon.logs import CannotSay, Fault, LogFault
from repair_horizon.tables.arrays import Bools, Ints
from repair_horizon.tables.months import parse_month

FILE = "calibration.csv"
FEWEST_SALES, FEWEST_AT_HORIZON = 100, 30
LOWEST, HIGHEST = 0.70, 0.90
SHRINK = 6.0
_LEVEL = 0.8


@dataclass(frozen=True)
class Calibration:
    """What a back-test says about the width of price intervals.

    ``factor`` multiplies the width of every interval (on the log scale); ``coverage`` is the
    share of ``sales`` held-out sales that fell inside their 80 % intervals before that, missing
    if too few; ``supported_months`` is the longest horizon the back-test supports (0: none);
    ``words`` says it in a sentence.
    """

    factor: float
    coverage: float
    sales: int
    origins: int
    supported_months: int
    words: str


UNCHECKED = Calibration(1.0, float("nan"), 0, 0, 0, "The intervals were not back-tested.")


def width_factor(forecasts: pd.DataFrame) -> Calibration:
    """Decide from one method's back-test whether its intervals need widening or narrowing.

    Parameters
    ----------
    forecasts
        One row per held-out sale and horizon: ``cutoff, horizon, actual, predicted, lower_80,
        upper_80``; money. Intervals are even on the log scale.

    Notes
    -----
    The raw factor is the 80 % quantile of |log error| / half width, which would have made the
    intervals hold 80 %. A horizon is supported up to the longest tested one at which, as at all
    shorter ones, the intervals (after the factor) hold at least 70 % of thirty sales or more.
    """
    n, origins = len(forecasts), int(forecasts["cutoff"].nunique())
    if n < FEWEST_SALES:
        words = f"{n} held-out sales are too few to check the intervals (at least {FEWEST_SALES})."
        return Calibration(1.0, float("nan"), n, origins, 0, words)
    error = np.abs(np.log(forecasts["actual"] / forecasts["predicted"])).to_numpy(float)
    half = np.log(forecasts["upper_80"] / forecasts["lower_80"]).to_numpy(float) / 2
    share = error / half
    held = float(np.mean(share <= 1.0))
    factor = 1.0
    if not LOWEST <= held <= HIGHEST:
        raw = float(np.quantile(share, _LEVEL))
        factor = float(np.exp(np.log(raw) * origins / (origins + SHRINK)))
    months = _supported(forecasts["horizon"].to_numpy(int), share <= factor)
    words = _words((factor, held), n, origins, months)
    return Calibration(factor, held, n, origins, months, words)


def _supported(horizon: Ints, inside: Bools) -> int:
    reach = 0
    for h in np.unique(horizon):
        at = horizon == h
        if at.sum() < FEWEST_AT_HORIZON or inside[at].mean() < LOWEST:
            break
        reach = int(h)
    return reach


def _words(widths: tuple[float, float], n: int, origins: int, months: int) -> str:
    factor, held = widths
    tested = f"80 % intervals held {100 * held:.0f} % of {n} sales held out at {origins} cutoffs"
    due = f"{100 * LOWEST:.0f} to {100 * HIGHEST:.0f} %"
    if factor == 1.0:
        done = f"{tested}, within {due}: widths are left as they are."
    else:
        way = "widened" if factor > 1 else "narrowed"
        done = (
            f"{tested}, outside {due}: all widths are {way} by one factor of {factor:.2f}, "
            "drawn toward 1 for the number of cutoffs."
        )
    reach = (
        f"Forecasts are supported up to {months} months ahead."
        if months
        else "No horizon is supported by the back-test."
    )
    return f"{done} {reach}"


def write_calibration(calibration: Calibration, folder: Path) -> Path:
    """Write ``calibration.csv`` (one row) into a folder, whole or not at all."""
    write_table(folder / FILE, pd.DataFrame([asdict(calibration)]))
    return folder / FILE


def read_calibration(folder: Path) -> Calibration:
    """Read ``calibration.csv`` of a folder; ``UNCHECKED`` where there is none.

    Raises
    ------
    LogFault
        If the file is not one ``write_calibration`` wrote.
    """
    path = folder / FILE
    if not path.is_file():
        return UNCHECKED
    try:
        row = pd.read_csv(path).iloc[0]
        kinds = {"factor": float, "coverage": float, "sales": int, "origins": int}
        kinds |= {"supported_months": int, "words": str}
        found = Calibration(**{name: kind(row[name]) for name, kind in kinds.items()})
    except (KeyError, IndexError, ValueError) as error:
        raise LogFault([Fault(str(path), 2, "", str(error), "as written by backtest")]) from None
    if not 0.1 <= found.factor <= 10.0:
        raise LogFault([Fault(str(path), 2, "factor", str(found.factor), "from 0.1 to 10")])
    return found


def calibrated_table(table: pd.DataFrame, calibration: Calibration, now: int) -> pd.DataFrame:
    """Apply a calibration to a table of price forecasts.

    Parameters
    ----------
    table
        From ``price_forecast``.
    calibration
        From ``width_factor`` or ``read_calibration``.
    now
        Number of the month of the newest data (``repair_horizon.tables.months``).

    Returns
    -------
    DataFrame
        The same rows: ``lower`` and ``upper`` moved away from ``predicted`` by the factor on the
        log scale, and a ``reason`` in months beyond the supported horizon, whose figures are
        kept. A calibration without any supported horizon adds no reason, as nothing was tested.
    """
    said = table["predicted"]
    ends = {
        k: (said * (table[k] / said) ** calibration.factor).round(2) for k in ("lower", "upper")
    }
    out = table.assign(**ends) if calibration.factor != 1.0 else table.copy()
    if not calibration.supported_months:
        return out
    number = {word: parse_month(word) for word in table["month"].dropna().unique()}
    ahead = table["month"].map(number) - now
    far = (ahead > calibration.supported_months) & (table["reason"] == "")
    reason = f"beyond the {calibration.supported_months} months that back-tests support"
    return out.assign(reason=table["reason"].mask(far, reason))


def calibrated_outlook(outlook: Outlook, factor: float) -> Outlook:
    """Widen (or narrow) joint draws about their median by one factor on the log scale.

    Price levels and the luck of the single unit are widened alike; a draw keeps its place among
    the draws in every month, so paths stay paths.
    """
    if factor == 1.0:
        return outlook
    families = {
        name: family if isinstance(family, CannotSay) else _widened(family, factor)
        for name, family in outlook.families.items()
    }
    return replace(outlook, families=families)


def _widened(family: FamilyOutlook, factor: float) -> FamilyOutlook:
    log = np.log(family.level)
    # Unlaunched months are missing in every draw, so an ordinary median keeps them missing.
    middle = np.median(log, axis=0)
    luck = family.unit_noise**factor
    return replace(
        family,
        level=np.exp(middle + factor * (log - middle)),
        unit_noise=luck / luck.mean(),
    )
