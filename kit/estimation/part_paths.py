"""Joint draws of part prices, month by month, with the terms of the newest quotes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.part_prices import PartCurves
from kit.estimation.prediction import Draws, draw, level_paths
from kit.logs.months import month_number

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PartPath:
    """One part of one model in one quality: price per draw and month, and its terms."""

    price: Floats
    shipping: float
    lead_days: float | None
    doa_rate: float | None
    n_quotes: int
    newest: pd.Timestamp


def part_paths(
    parts: Mapping[str, PartCurves], days: pd.DatetimeIndex, draws: int, rng: np.random.Generator
) -> dict[tuple[str, str, str], PartPath]:
    """Draw every part offered for a family's models.

    Returns
    -------
    dict
        (model, part code, quality class) to its path.
    """
    out: dict[tuple[str, str, str], PartPath] = {}
    for part, curves in parts.items():
        ahead = max(int(month_number(days[-1:])[0]) - curves.fit.layout.last_month, 1)
        drawn = draw(curves.fit, ahead, draws, rng)
        for offer in curves.offers.itertuples():
            price = _part_price(curves, drawn, (offer.model_id, offer.quality_class, days), rng)
            out[(offer.model_id, part, offer.quality_class)] = PartPath(
                price,
                float(offer.shipping),
                None if np.isnan(offer.lead_days) else float(offer.lead_days),
                None if np.isnan(offer.doa_rate) else float(offer.doa_rate),
                int(offer.n_quotes),
                pd.Timestamp(offer.newest),
            )
    return out


def _part_price(
    curves: PartCurves,
    drawn: Draws,
    wanted: tuple[str, str, pd.DatetimeIndex],
    rng: np.random.Generator,
) -> Floats:
    """Price of one part in one quality, (draws, months)."""
    model_id, quality, days = wanted
    model = np.full(len(days), curves.fit.panel.models.ids.index(model_id))
    paths = level_paths(curves.fit, drawn, curves.points(model, days, quality))
    price: Floats = np.exp(paths) * curves.fit.panel.models.launch_price[model]
    return price
