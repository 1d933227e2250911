"""``fit``: everything the logs say, family by family."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from kit.estimation.as_is import as_is_ratios, hammer_ratios
from kit.estimation.depreciation import PriceCurves, fit_prices
from kit.estimation.part_prices import PartCurves, fit_parts
from kit.estimation.rates import RepairRates, fit_rates
from kit.estimation.usual_effects import UsualEffects
from kit.logs import CannotSay, Logs


@dataclass(frozen=True, eq=False)
class FamilyEstimates:
    """What the logs say about one family.

    ``prices`` is a reason where no working unit was ever sold; ``as_is`` and ``hammer`` then are
    empty. ``maker`` holds the newest maker's quote per model and fault.
    """

    family_id: str
    device_class: str
    catalogue: pd.DataFrame
    prices: PriceCurves | CannotSay
    parts: Mapping[str, PartCurves]
    rates: RepairRates
    as_is: pd.DataFrame
    hammer: pd.DataFrame
    maker: pd.DataFrame

    @cached_property
    def makers(self) -> dict[str, list[dict[str, Any]]]:
        """The rows of ``maker`` by model."""
        groups = self.maker.groupby("model_id", sort=False)
        return {str(model): rows.to_dict("records") for model, rows in groups}


@dataclass(frozen=True, eq=False)
class Estimates:
    """Estimates of every family, the settlement currency, and the newest day they know of."""

    currency: str
    now: pd.Timestamp
    families: Mapping[str, FamilyEstimates]

    def __repr__(self) -> str:
        """Say which families, up to when."""
        return f"Estimates({', '.join(self.families)}; up to {self.now:%Y-%m-%d})"


def fit(logs: Logs) -> Estimates:
    """Fit curves, part prices and repair rates of every family.

    Parameters
    ----------
    logs
        From ``read_logs``; use ``logs.as_of(day)`` to leave out what came later.

    Returns
    -------
    Estimates
    """
    return Estimates(
        logs.currency, logs.newest_day, {f: fit_family(logs, f) for f in logs.families}
    )


def fit_family(logs: Logs, family_id: str, usual: UsualEffects | None = None) -> FamilyEstimates:
    """Fit one family.

    Parameters
    ----------
    logs
        The whole workspace's, since classes share rates and all families effects of grade and
        channel; or ``logs.of([family_id])`` with ``usual``.
    family_id
        The family.
    usual
        ``usual_effects`` of the whole workspace's logs; worked out from ``logs`` if None.
    """
    family = logs.family(family_id)
    catalogue = family.tables["catalogue"]
    prices = fit_prices(logs, family_id, usual=usual)
    if isinstance(prices, CannotSay):
        as_is = hammer = pd.DataFrame({"fault": pd.Series(dtype="str")})
    else:
        as_is = as_is_ratios(logs, family_id, prices)
        hammer = hammer_ratios(logs, family_id, prices)
    maker = family.tables["maker_quotes"].sort_values("quote_date")
    return FamilyEstimates(
        family_id,
        str(catalogue["device_class"].iloc[0]),
        catalogue,
        prices,
        fit_parts(logs, family_id),
        fit_rates(logs, family_id),
        as_is,
        hammer,
        maker.drop_duplicates(["model_id", "fault"], keep="last"),
    )
