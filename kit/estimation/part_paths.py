"""Joint draws of part prices, month by month, with the terms of the newest quotes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.part_prices import PartCurves, together
from kit.estimation.prediction import Draws, draw, level_paths
from kit.logs.months import month_number

Floats = npt.NDArray[np.float64]

_AT_ONCE = 50  # models and qualities drawn together: 15 MB at 1,000 draws of three years


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
    parts: Mapping[str, PartCurves],
    days: pd.DatetimeIndex,
    draws: int,
    rng: np.random.Generator,
    model_id: str | None = None,
) -> dict[tuple[str, str, str], PartPath]:
    """Draw every part offered for a family's models, or for one of them: the same draws.

    Returns
    -------
    dict
        (model, part code, quality class) to its path.
    """
    out: dict[tuple[str, str, str], PartPath] = {}
    for part, curves in parts.items():
        ahead = max(int(month_number(days[-1:])[0]) - curves.fit.layout.last_month, 1)
        drawn = draw(curves.fit, ahead, draws, rng)
        offers = [o for o in curves.offers.itertuples() if model_id in (None, o.model_id)]
        keys = [(offer.model_id, offer.quality_class) for offer in offers]
        prices = _part_prices(curves, drawn, keys, days)
        for offer, price in zip(offers, prices, strict=True):
            out[(offer.model_id, part, offer.quality_class)] = PartPath(
                price,
                float(offer.shipping),
                None if np.isnan(offer.lead_days) else float(offer.lead_days),
                None if np.isnan(offer.doa_rate) else float(offer.doa_rate),
                int(offer.n_quotes),
                pd.Timestamp(offer.newest),
            )
    return out


def _part_prices(
    curves: PartCurves, drawn: Draws, keys: Sequence[tuple[str, str]], days: pd.DatetimeIndex
) -> Iterator[Floats]:
    """Price of one part for each model and quality, (draws, months) each."""
    ids, launch = curves.fit.panel.models.ids, curves.fit.panel.models.launch_price
    for start in range(0, len(keys), _AT_ONCE):
        some = keys[start : start + _AT_ONCE]
        at = [ids.index(model_id) for model_id, _ in some]
        points = [
            curves.points(np.full(len(days), i), days, quality)
            for i, (_, quality) in zip(at, some, strict=True)
        ]
        paths = level_paths(curves.fit, drawn, together(points))
        for i, path in zip(at, np.split(paths, len(some), axis=1), strict=True):
            price: Floats = np.exp(path) * launch[i]
            yield price
