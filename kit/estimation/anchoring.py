"""Turn dated amounts into log ratios to a launch price, also where none is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.design import Priors, curve_prior, segments
from kit.estimation.panel import Models, Panel, Traits
from kit.logs.months import age_in_months

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def price_panel(
    models: Models, rows: pd.DataFrame, traits: Traits, now: pd.Timestamp, priors: Priors
) -> Panel:
    """Lay prices out for the joint model.

    Parameters
    ----------
    models
        The family's models.
    rows
        ``model_id``, ``day``, ``amount`` (settlement currency) and ``key`` of each price.
    traits
        Traits of the same rows.
    now
        Day up to which is known.
    priors
        Priors of this kind of price.
    """
    model, day = models.index(rows["model_id"]), pd.DatetimeIndex(rows["day"])
    amount = rows["amount"].to_numpy(dtype="float64")
    models = anchored(models, (model, day, amount), priors)
    y = np.log(amount / models.launch_price[model])
    key = rows["key"].to_numpy(dtype=object)
    return Panel(models, y, model, day, traits, key, amount, now)


def usual_ratio(priors: Priors, age: Floats) -> Floats:
    """Log price ratio the priors expect at each age, before any data, (n,)."""
    mean, _ = curve_prior(priors)
    out: Floats = priors.level[0] + segments(age) @ mean
    return out


def anchored(models: Models, rows: tuple[Ints, pd.DatetimeIndex, Floats], priors: Priors) -> Models:
    """Give a family without any launch price the one its prices suggest.

    Ratios need something to be ratios to; without a launch price in the family, the stand-in is
    chosen so that the prices seen lie where the priors expect them at their ages. The models
    stay marked as of unknown launch price, so each one's own level remains wide.

    Parameters
    ----------
    models
        The family's models.
    rows
        Model position, day and amount of each price, (n,).
    priors
        Priors of the price.
    """
    model, day, amount = rows
    if models.price_known.any() or not len(amount):
        return models
    age = np.maximum(age_in_months(day, models.launch[model]), 0.0)
    stand_in = float(np.exp(np.median(np.log(amount) - usual_ratio(priors, age))))
    return replace(models, launch_price=np.full(len(models.ids), stand_in))
