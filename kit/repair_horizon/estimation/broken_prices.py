"""What a broken unit fetches against a working one of the same model, storage and month.

Each as-is sale (or hammer price) is divided by the fitted working price of its own model, storage
and day; the log ratios are then averaged by fault, robustly, and shrunk toward the family's and a
stated prior mean. A ratio of raw medians would mix up faults with the models they happen to.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.fit import NU
from repair_horizon.estimation.curve.least_squares import indicator_rows, solve
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.price_rows import STORAGE
from repair_horizon.logs import Logs

Floats = npt.NDArray[np.float64]

# Common practice, no source: broken units fetch 5-50 % of a working one, by fault.
PRIOR_LOG_RATIO, PRIOR_SD, BETWEEN_FAULTS, START_NOISE = np.log(0.25), 0.5, 0.5, 0.30
OTHER = "(other faults)"
_COLUMNS = ["fault", "log_ratio", "std_error", "ratio", "lower", "upper", "noise", "n", "newest"]


def as_is_ratios(logs: Logs, family_id: str, curves: PriceCurves) -> pd.DataFrame:
    """Return what as-is units sell for, by fault, from sales with condition as_is."""
    sales = logs.family(family_id).tables["sales"]
    rows = sales[(sales["condition"] == "as_is") & (sales["listed_fault"] != "")]
    return _ratios(curves, rows.rename(columns={"sale_date": "day", "listed_fault": "fault"}))


def hammer_ratios(logs: Logs, family_id: str, curves: PriceCurves) -> pd.DataFrame:
    """Return what broken units hammer at, by listed fault, won or lost."""
    listings = logs.family(family_id).tables["listings"]
    rows = listings[listings["final_price"] > 0]
    rows = rows.rename(
        columns={"end_time": "day", "listed_fault": "fault", "final_price": "amount"}
    )
    return _ratios(curves, rows.assign(storage_gb=np.nan))


def _ratios(curves: PriceCurves, rows: pd.DataFrame) -> pd.DataFrame:
    """Estimate ratios by fault.

    Returns
    -------
    DataFrame
        ``fault, log_ratio, std_error, ratio, lower, upper`` (80 %), ``noise`` (scale of one
        sale), ``n``, ``newest``; one row per fault seen, and one named ``OTHER`` (n = 0) for the
        faults not seen.
    """
    if rows.empty:
        return pd.DataFrame({c: pd.Series(dtype="object") for c in _COLUMNS})
    log_ratio = np.log(rows["amount"].to_numpy(dtype="float64")) - _working(curves, rows)
    faults = sorted(set(rows["fault"]))
    which = rows["fault"].map({f: i for i, f in enumerate(faults)}).to_numpy()
    mean, cov, noise = _robust_means(log_ratio, which, len(faults))
    by = rows.groupby("fault")["day"]
    sizes, newest = by.size().to_list(), by.max().to_list()
    table = pd.DataFrame(
        {"fault": [*faults, OTHER], "log_ratio": mean, "std_error": np.sqrt(np.diag(cov))}
    )
    half = 1.2815515655 * table["std_error"]
    return table.assign(
        ratio=np.exp(table["log_ratio"]),
        lower=np.exp(table["log_ratio"] - half),
        upper=np.exp(table["log_ratio"] + half),
        noise=noise,
        n=[*sizes, 0],
        newest=[*newest, max(newest)],
    )


def _working(curves: PriceCurves, rows: pd.DataFrame) -> Floats:
    """Log price of a working unit of the same model, storage and day."""
    models, names = curves.models, curves.fit.panel.traits.names
    model = models.index(rows["model_id"])
    traits = np.zeros((len(rows), len(names)))
    if STORAGE in names:
        doubled = np.log2(rows["storage_gb"].to_numpy(dtype="float64") / curves.base_storage[model])
        traits[:, names.index(STORAGE)] = np.where(np.isfinite(doubled), doubled, 0.0)
    band = predict(curves.fit, Points(model, pd.DatetimeIndex(rows["day"]), traits))
    out: Floats = band.median + np.log(models.launch_price[model])
    return out


def _robust_means(y: Floats, group: npt.NDArray[np.int64], k: int) -> tuple[Floats, Floats, float]:
    """Student-t means of k groups around one family mean; 12 weighted solutions."""
    x = np.column_stack([np.ones(len(y)), np.eye(k)[group]])
    rows = indicator_rows(x)
    prior = np.diag([PRIOR_SD**-2.0] + [BETWEEN_FAULTS**-2.0] * k)
    pull = np.zeros(k + 1)
    pull[0] = prior[0, 0] * PRIOR_LOG_RATIO
    weights, noise = np.ones(len(y)), START_NOISE
    for _ in range(12):
        post = solve(rows, y, weights / noise**2, (prior, pull))
        square = (y - x @ post.mean) ** 2 + np.einsum("ij,jk,ik->i", x, post.cov, x)
        weights = (NU + 1) / (NU + square / noise**2)
        noise = float(np.sqrt((np.sum(weights * square) + 4 * START_NOISE**2) / (len(y) + 4)))
    pick = np.column_stack([np.ones(k + 1), np.eye(k + 1, k)])
    cov = pick @ post.cov @ pick.T
    cov[k, k] += BETWEEN_FAULTS**2
    return pick @ post.mean, cov, noise
