"""The forecast ledger's columns: what was expected of a listing, and which were bought.

``forecasts.csv`` is written by the kit itself, so it stands apart from the logs that a business
keeps; ``decisions.review.forecast_ledger`` fills and reads it.
"""

from __future__ import annotations

from typing import Any

from repair_horizon.tables.columns import Column
from repair_horizon.tables.inputs import Table

FORECAST, BOUGHT = "forecast", "bought"
LEVELS = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
QUANTILES = tuple(f"profit_{round(100 * p):02d}" for p in LEVELS)
_AMOUNT: dict[str, Any] = {"lowest": -1e9, "highest": 1e9}


def _c(name: str, kind: str, meaning: str, unit: str = "", **rule: Any) -> Column:
    return Column(name.lstrip("*"), kind, meaning, unit, name.startswith("*"), **rule)


LEDGER = Table(
    "forecasts",
    "entry_id",
    "made_on",
    "what was expected of each listing when it was bid for, and which were bought",
    (
        _c("*entry_id", "code", "identifier of the row"),
        _c("*record_type", "code", "what the row says", choices=(FORECAST, BOUGHT)),
        _c("*made_on", "date", "day of the forecast, or of the purchase"),
        _c("*listing_id", "code", "the listing, as in listings.csv"),
        _c("unit_id", "code", "the unit it became, as in stock.csv; only when bought"),
        _c("family_id", "code", "the family"),
        _c("model_id", "code", "the model"),
        _c("listed_fault", "code", "fault as listed"),
        _c("*price", "number", "hammer price the forecast is for, or paid", "money", **_AMOUNT),
        _c("max_bid", "number", "threshold then", "money", **_AMOUNT),
        _c("per_bid", "number", "profit lost per unit of hammer price", "", lowest=0, highest=100),
        _c("expected_profit", "number", "mean profit of the unit", "money", **_AMOUNT),
        _c("probability_loss", "number", "chance of loss", "share", lowest=0, highest=1),
        _c("common_share", "number", "share of the variance like units have in common", "share",
           lowest=0, highest=1),
        *(
            _c(q, "number", f"profit not exceeded with chance {p:g}", "money", **_AMOUNT)
            for q, p in zip(QUANTILES, LEVELS, strict=True)
        ),
    ),
)  # fmt: skip
