"""What a broken unit fetches against a working one of the same model, storage and month.

Each as-is sale (or hammer price) is divided by the fitted working price of its own model, storage
and day; the log ratios are then averaged by fault, robustly, and shrunk toward what the shop's
other families and the class say. A ratio of raw medians would mix up faults with the models they
happen to. Faults and states nobody sells have a ratio too, wide and named.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.curve.design import Points
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.pooled_ratios import (
    NOT_SOLD,
    START_NOISE,
    PooledRatios,
    pooled_ratios,
    ratio_centre,
)
from repair_horizon.estimation.price_rows import STORAGE
from repair_horizon.estimation.robust_means import GaussianPrior, RobustFit, robust_fit
from repair_horizon.logs import Logs
from repair_horizon.tables.codes import Basis

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OTHER = "(other faults)"
_Z80 = 1.2815515655


def as_is_ratios(
    logs: Logs,
    family_id: str,
    curves: PriceCurves,
    pooled: PooledRatios | None = None,
    states: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return what as-is units sell for, by fault and state.

    Parameters
    ----------
    logs
        The whole workspace's logs, or the family's with ``pooled``.
    family_id
        The family.
    curves
        Its working prices.
    pooled
        ``pooled_ratios`` of the whole workspace; worked out from ``logs`` if None.
    states
        ``listed_fault`` and ``state`` of everything to be priced; what fault_states.csv names if
        None.

    Returns
    -------
    DataFrame
        ``fault, log_ratio, std_error, ratio, lower, upper`` (80 %), ``noise`` (scale of one
        sale), ``n, newest, basis, words, common`` (the part of the standard error that all
        faults share); one row per fault and state, and one named ``OTHER`` for any other fault.
        Locked and blocked units have a row only where such sales were logged.

    Notes
    -----
    Rows from sales with condition as_is. Asking prices of such units have an offset of their own,
    which starts from the class's ratio of asked to sold.
    """
    family = logs.family(family_id)
    sales = family.tables["sales"]
    rows = sales[(sales["condition"] == "as_is") & (sales["listed_fault"] != "")]
    rows = rows[rows["amount"] > 0]
    rows = rows.rename(columns={"sale_date": "day", "listed_fault": "fault"})
    states = family.tables["fault_states"] if states is None else states
    pooled = pooled_ratios(logs) if pooled is None else pooled
    kind = str(family.tables["catalogue"]["device_class"].iloc[0])
    listed = faults_of(states, rows["fault"])
    names = [n for n in listed if n not in NOT_SOLD or (rows["fault"] == n).any()]
    centres = [ratio_centre(n, kind, listed[n]) for n in names]
    prior = pooled.prior(family_id, kind, [*centres, ratio_centre("for_parts", kind)])
    asked = (rows["price_type"] == "asking").to_numpy(dtype="float64")
    fit = fitted_ratios(log_ratios(curves, rows), _places(names, rows), prior, asked, kind)
    return ratio_table([*names, OTHER], fit, rows, _others_words(pooled, family_id))


def fitted_ratios(
    y: Floats, place: Ints, prior: GaussianPrior, asked: Floats, device_class: str
) -> RobustFit:
    """Fit log ratios by fault with an offset of asking prices; the offset is left out again."""
    k = len(prior.mean)
    figure = class_knowledge(device_class).market("ask_to_sold")
    mean, cov = np.append(prior.mean, -np.log(figure.value)), np.zeros((k + 1, k + 1))
    # Asks of broken units are hopes, and their offset is less sure than that of working ones.
    cov[:k, :k], cov[k, k] = prior.cov, 4 * figure.log_sd**2
    x = np.column_stack([np.eye(k)[place], asked])
    fit = robust_fit(y, x, GaussianPrior(mean, cov), START_NOISE)
    return RobustFit(fit.mean[:k], fit.cov[:k, :k], fit.noise, fit.weights)


def _others_words(pooled: PooledRatios, family_id: str) -> str:
    n = pooled.behind(family_id)
    return f"from {n} other families" if n > 1 else "from another family" if n else ""


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


def ratio_table(
    names: Sequence[str], fit: RobustFit, rows: pd.DataFrame, others: str
) -> pd.DataFrame:
    """Lay a fit out by fault, with what each ratio rests on."""
    by = rows.groupby("fault")["day"]
    sizes, newest = by.size(), by.max()
    error, n = np.sqrt(np.diag(fit.cov)), np.array([int(sizes.get(f, 0)) for f in names])
    off = fit.cov - np.diag(np.diag(fit.cov))
    shared = np.sqrt(max(float(off.sum()) / max(len(names) * (len(names) - 1), 1), 0.0))
    basis, words = zip(*[_basis(int(k), len(rows), others) for k in n], strict=True)
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


def _basis(own: int, family: int, others: str) -> tuple[Basis, str]:
    if own:
        return Basis.OWN, f"{own} own sale{'s' * (own > 1)}"
    if family:
        return Basis.FAMILY, f"from {family} sale{'s' * (family > 1)} of other faults"
    return (Basis.FAMILY, others) if others else (Basis.CLASS, "from the class, wide")


def log_ratios(curves: PriceCurves, rows: pd.DataFrame) -> Floats:
    """Log price of each row against a working unit of the same model, storage and day."""
    if rows.empty:
        return np.zeros(0)
    models, names = curves.models, curves.fit.panel.traits.names
    model = models.index(rows["model_id"])
    traits = np.zeros((len(rows), len(names)))
    if STORAGE in names and "storage_gb" in rows:
        doubled = np.log2(rows["storage_gb"].to_numpy(dtype="float64") / curves.base_storage[model])
        traits[:, names.index(STORAGE)] = np.where(np.isfinite(doubled), doubled, 0.0)
    band = predict(curves.fit, Points(model, pd.DatetimeIndex(rows["day"]), traits))
    working = band.median + np.log(models.launch_price[model])
    out: Floats = np.log(rows["amount"].to_numpy(dtype="float64")) - working
    return out


def ratio_draws(table: pd.DataFrame, draws: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Ratio of broken to working price by fault: the mean sale, so half its noise is added.

    Faults share the common part of their error, which moves them all alike in a draw.
    """
    shared, out = rng.standard_normal(draws), {}
    for row in table.itertuples():
        alone = np.sqrt(max(row.std_error**2 - row.common**2, 0.0))
        error = row.common * shared + alone * rng.standard_normal(draws)
        # Nobody pays more for a broken unit than for a working one.
        drawn = np.exp(row.log_ratio + error + row.noise**2 / 2)
        out[str(row.fault)] = np.minimum(drawn, 1.0)
    return out
