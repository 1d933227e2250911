"""Economic life: how long keeping a thing costs less than replacing it.

Keeping something one more period costs what it loses in value, the interest on that value and
what must be spent on it:

    TC_k = MV_{k-1} - MV_k + i MV_{k-1} + E_k

Source: Sullivan, Wicks and Koelling, Engineering Economy, chapter 9 (replacement analysis).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from repair_horizon.tables.arrays import Floats


def marginal_costs(market_values: npt.ArrayLike, expenses: npt.ArrayLike, rate: float) -> Floats:
    """Cost of keeping one more period, for each period.

    Parameters
    ----------
    market_values
        Value now and at the end of each period, (periods + 1,).
    expenses
        Spent in each period, (periods,), counted at its end.
    rate
        Interest per period.

    Returns
    -------
    ndarray
        (periods,), money of the period's end.

    Raises
    ------
    ValueError
        If there is not one value more than there are expenses.
    """
    value, spent = np.asarray(market_values, dtype="float64"), np.asarray(expenses, dtype="float64")
    if len(value) != len(spent) + 1:
        raise ValueError(f"{len(spent)} periods need {len(spent) + 1} values, found {len(value)}")
    out: Floats = value[:-1] - value[1:] + rate * value[:-1] + spent
    return out


def equivalent_uniform_cost(costs: npt.ArrayLike, rate: float) -> Floats:
    """Even cost per period worth the same as the costs of periods 1 to k, for each k.

    ``EUAC_k = sum_j costs_j (1 + i)^-j / sum_j (1 + i)^-j``, the plain mean at no interest.
    """
    paid = np.asarray(costs, dtype="float64")
    discount = (1.0 + rate) ** -np.arange(1, len(paid) + 1)
    out: Floats = np.cumsum(paid * discount) / np.cumsum(discount)
    return out


def economic_life(costs: npt.ArrayLike, rate: float) -> int:
    """Periods after which the even cost is lowest; of equal ones the first."""
    return int(np.argmin(equivalent_uniform_cost(costs, rate))) + 1
