"""Sales of working units of one family, laid out for the price curve with their traits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.anchoring import price_panel
from kit.estimation.design import Priors
from kit.estimation.panel import Panel, Traits, dummies, models_of
from kit.logs import CannotSay, Logs

Floats = npt.NDArray[np.float64]

GRADE, CHANNEL, ASKING, STORAGE = "grade ", "channel ", "asking price", "storage doubling"
UNKNOWN_GRADE = "unknown"
TRAIT_SD = 0.3


@dataclass(frozen=True, eq=False)
class PriceRows:
    """Prices of a family and the base that traits are held against.

    ``base_grade`` and ``base_channel`` are the commonest in the family; ``base_storage`` is each
    model's own. ``basis`` is 'sold', or 'asking' where only asking prices are known.
    """

    panel: Panel
    base_grade: str
    base_channel: str
    base_storage: Floats
    basis: str


def working_prices(sales: pd.DataFrame) -> pd.DataFrame:
    """Rows of working units that bear on the price curve: sold ones, and asking prices."""
    return sales[(sales["condition"] != "as_is") & (sales["amount"] > 0)]


def price_rows(logs: Logs, family_id: str, priors: Priors) -> PriceRows | CannotSay:
    """Lay out the prices of one family.

    Parameters
    ----------
    logs
        The workspace's logs, or the family's.
    family_id
        The family.
    priors
        Where the family has no launch price, its stand-in is what these expect.

    Returns
    -------
    PriceRows or CannotSay
        The latter if the family has no sale of a working unit.
    """
    family = logs.family(family_id)
    catalogue = family.tables["catalogue"]
    sales = working_prices(family.tables["sales"])
    if sales.empty:
        return CannotSay("no sale of a working unit in the family")
    models = models_of(catalogue)
    grade = sales["grade"].where(sales["grade"] != "", UNKNOWN_GRADE)
    asking = sales["price_type"] == "asking"
    base_grade = _commonest(grade[grade != UNKNOWN_GRADE], UNKNOWN_GRADE)
    base_channel = _commonest(sales["channel"], "")
    storage = catalogue["storage_gb"].to_numpy(dtype="float64")
    traits = _traits(
        sales, (grade, base_grade, base_channel), asking, storage[models.index(sales["model_id"])]
    )
    rows = sales.rename(columns={"sale_date": "day", "sale_id": "key"})
    now = max(logs.newest_day, sales["sale_date"].max())
    panel = price_panel(models, rows, traits, now, priors)
    basis = "asking" if asking.all() else "sold"
    return PriceRows(panel, base_grade, base_channel, storage, basis)


def _commonest(values: pd.Series, otherwise: str) -> str:
    counts = values.value_counts()
    return str(counts.index[0]) if len(counts) else otherwise


def _traits(
    sales: pd.DataFrame,
    grading: tuple[pd.Series, str, str],
    asking: pd.Series,
    base_storage: Floats,
) -> Traits:
    """Grade and channel indicators, asking offset and storage doublings, none of them constant."""
    grade, base_grade, base_channel = grading
    grades, grade_columns = dummies(grade, base_grade)
    channels, channel_columns = dummies(sales["channel"], base_channel)
    doubled = np.log2(sales["storage_gb"].to_numpy(dtype="float64") / base_storage)
    doubled = np.where(np.isfinite(doubled), doubled, 0.0)
    other, names = [], []
    if asking.any() and not asking.all():
        other.append(asking.to_numpy(dtype="float64"))
        names.append(ASKING)
    if np.any(doubled != 0):
        other.append(doubled)
        names.append(STORAGE)
    extra = np.column_stack(other) if other else np.zeros((len(sales), 0))
    all_names = [GRADE + g for g in grades] + [CHANNEL + c for c in channels] + names
    return Traits(
        tuple(all_names),
        np.hstack([grade_columns, channel_columns, extra]),
        np.full(len(all_names), TRAIT_SD),
        np.array([n != ASKING for n in all_names], dtype=bool),
    )
