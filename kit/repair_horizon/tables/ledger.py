"""The forecast ledger's columns: what was expected of a listing, and which were bought.

``forecasts.csv`` is written by the kit itself, so it stands apart from the logs that a business
keeps; ``decisions.review.forecast_ledger`` fills and reads it.
"""

from __future__ import annotations

from repair_horizon.tables.inputs import Table, input_columns

FORECAST, BOUGHT = "forecast", "bought"
LEVELS = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
QUANTILES = tuple(f"profit_{round(100 * p):02d}" for p in LEVELS)

LEDGER = Table(
    "forecasts",
    "entry_id",
    "made_on",
    "what was expected of each listing when it was bid for, and which were bought",
    input_columns(
        f"""
        *entry_id | code | | identifier of the row
        *record_type | one of {FORECAST} {BOUGHT} | | what the row says
        *made_on | date | | day of the forecast, or of the purchase
        *listing_id | code | | the listing, as in listings.csv
        unit_id | code | | the unit it became, as in stock.csv; only when bought
        family_id | code | | the family
        model_id | code | | the model
        listed_fault | code | | fault as listed
        *price | number -1e9..1e9 | money | hammer price the forecast is for, or paid
        max_bid | number -1e9..1e9 | money | threshold then
        per_bid | number 0..100 | | profit lost per unit of hammer price
        expected_profit | number -1e9..1e9 | money | mean profit of the unit
        probability_loss | number 0..1 | share | chance of loss
        common_share | number 0..1 | share | share of the variance like units have in common
        """
        + "\n".join(
            f"{q} | number -1e9..1e9 | money | profit not exceeded with chance {p:g}"
            for q, p in zip(QUANTILES, LEVELS, strict=True)
        )
    ),
)
