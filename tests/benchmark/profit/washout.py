"""What wrong class knowledge costs a shop that has its own data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager

import pandas as pd

from .business import DRAWS, Business
from .scenarios import Scenario

FACTORS = (1.4, 1 / 1.4)


def washout(
    scenario: Scenario,
    seed: int,
    refit: int,
    off_by: Callable[[str, float], AbstractContextManager[None]],
    classes: Sequence[str] = (),
    draws: int = DRAWS,
) -> pd.DataFrame:
    """Profit of the kit's advice with one class's figures all wrong, against the right ones.

    Parameters
    ----------
    scenario, seed, refit
        The business, and months between fits.
    off_by
        Multiplies all figures of a class by a factor while it lasts.
    classes
        Those to be wrong about; all of the business's if empty.
    draws
        Of the kit's.

    Returns
    -------
    DataFrame
        ``device_class, factor, cost`` (share of the shop's profit lost; below zero if it gained).
    """
    right = Business(scenario, seed, refit, draws)
    usual, rows = right.earned(right.kit), []
    kinds = list(dict.fromkeys(f.device_class for f in right.world.families))
    for kind in classes or kinds:
        for factor in FACTORS:
            with off_by(kind, factor):
                wrong = Business(scenario, seed, refit, draws).kit
            rows.append((kind, factor, 1 - right.earned(wrong) / usual))
    return pd.DataFrame(rows, columns=["device_class", "factor", "cost"])
