"""Choosing under limits: which purchases and jobs earn most within the cash and the bench hours.

A yes-or-no choice for each item, the most profit, no resource overdrawn: an integer programme,
solved exactly by scipy's HiGHS. What one more unit of a resource would earn, its shadow price, is
the dual value of the same programme with shares of items allowed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SECONDS = 20.0


@dataclass(frozen=True, eq=False)
class Choice:
    """Items taken, the profit they promise, and the shadow price of each resource."""

    taken: Bools
    profit: float
    shadow: Floats


def choose(profit: npt.ArrayLike, use: npt.ArrayLike, limits: npt.ArrayLike) -> Choice:
    """Take the items that promise most within the limits.

    Parameters
    ----------
    profit
        Expected profit of each item, (items,), money.
    use
        What each item takes of each resource, (resources, items).
    limits
        What there is of each, (resources,); below zero counts as nothing.

    Returns
    -------
    Choice
        An item that promises nothing is not taken.

    Raises
    ------
    RuntimeError
        If the solver finds no choice in ``SECONDS``; taking nothing is always one.
    """
    gain = np.asarray(profit, dtype="float64")
    amount = np.atleast_2d(np.asarray(use, dtype="float64"))
    most = np.maximum(np.asarray(limits, dtype="float64"), 0.0)
    if not len(gain):
        return Choice(np.zeros(0, dtype=bool), 0.0, np.zeros(len(most)))
    solved = milp(
        -gain,
        integrality=np.ones(len(gain)),
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(amount, -np.inf, most),
        options={"time_limit": SECONDS, "mip_rel_gap": 1e-6},
    )
    if solved.x is None:
        raise RuntimeError(f"the plan could not be solved: {solved.message}")
    taken = (np.round(solved.x) > 0.5) & (gain > 0)
    eased = linprog(-gain, A_ub=amount, b_ub=most, bounds=(0.0, 1.0), method="highs")
    shadow = np.maximum(-np.asarray(eased.ineqlin.marginals, dtype="float64"), 0.0)
    return Choice(taken, float(gain[taken].sum()), shadow)
