"""Two plain tables: how much prices change a month, by model, and what broken units are worth."""

from __future__ import annotations

import numpy as np
import pandas as pd

from repair_horizon.estimation.forecast import FamilyEstimates, FamilyOutlook
from repair_horizon.logs import CannotSay

FALLING, RISING, UNCLEAR = "falling", "rising", "no clear direction"


def monthly_change(family: FamilyOutlook, months: int = 12, level: float = 0.8) -> pd.DataFrame:
    """Change of each model's price level a month, over the months to come.

    Parameters
    ----------
    family
        Joint draws of one family.
    months
        Over how many months from the first; fewer where the draws end sooner.
    level
        Interval level.

    Returns
    -------
    DataFrame
        ``model_id, price`` (median level in the first month), ``change, lower, upper`` (share of
        the price a month, below zero for a fall), ``direction``, ``probability_rise``, ``basis``
        and ``reason``. A series is called falling or rising where its whole interval is; figures
        are missing where nothing can be said, with the reason.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> family = open_shop("data/demo").outlook("vellfold").families["vellfold"]
    >>> table = monthly_change(family)
    >>> set(table["direction"]) <= {"falling", "rising", "no clear direction", ""}
    True
    """
    last = min(months, family.level.shape[2] - 1)
    tail = (1 - level) / 2
    rows = []
    for i, model_id in enumerate(family.models):
        path = family.level[:, i]
        basis = family.level_basis.get(model_id)
        if not np.isfinite(path[:, [0, last]]).all():
            reason = family.reasons.get(model_id, "not launched yet in the first month")
            rows.append((model_id, *[np.nan] * 4, "", np.nan, "", reason))
            continue
        change = np.expm1(np.log(path[:, last] / path[:, 0]) / last)
        lower, middle, upper = np.quantile(change, [tail, 0.5, 1 - tail])
        way = FALLING if upper < 0 else RISING if lower > 0 else UNCLEAR
        risen = float(np.mean(change > 0))
        now = float(np.median(path[:, 0]))
        rows.append((model_id, now, middle, lower, upper, way, risen, basis or "", ""))
    names = ["model_id", "price", "change", "lower", "upper", "direction"]
    return pd.DataFrame(rows, columns=[*names, "probability_rise", "basis", "reason"])


def broken_ratios(family: FamilyEstimates) -> pd.DataFrame | CannotSay:
    """Price of a broken unit against a working one of the same model and month.

    Parameters
    ----------
    family
        Estimates of one family.

    Returns
    -------
    DataFrame or CannotSay
        ``family_id, kind`` ('as is', 'hammer price', 'highest rival'), ``fault, ratio, lower,
        upper`` (80 %), ``n, newest, basis, words``: as is for every listed fault and state, the
        others for every listed fault. CannotSay where no working price can be said.
    """
    if isinstance(family.prices, CannotSay):
        return family.prices
    kinds = {"as is": family.as_is, "hammer price": family.hammer, "highest rival": family.rivals}
    wanted = ["fault", "ratio", "lower", "upper", "n", "newest", "basis", "words"]
    parts = [table[wanted].assign(kind=kind) for kind, table in kinds.items()]
    out = pd.concat(parts, ignore_index=True).assign(family_id=family.family_id)
    return out[["family_id", "kind", *wanted]]
