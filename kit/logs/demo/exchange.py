"""Weekly euro rates of the demo business, with one gap, and the catalogue they price."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.logs.demo.families import END, FAMILIES, Family, Model, successor_launch

# No rates were noted in these weeks, so some dollar amounts cannot be converted.
GAP = ("2024-02-12", "2024-04-07")
_SPARE_PART_YEARS = 6


def weekly_rates(seed: int) -> pd.DataFrame:
    """Draw weekly rates, US dollars per euro, from 2020 to the end of the logs.

    Returns
    -------
    DataFrame
        Columns ``date`` and ``rate``; the weeks in ``GAP`` are missing.
    """
    rng = np.random.default_rng([seed, 2])
    days = pd.date_range("2020-01-06", END, freq="7D")
    pull, rate, rates = 0.01, 1.12, []
    for shock in rng.normal(0.0, 0.007, len(days)):
        rate *= float(np.exp(pull * np.log(1.10 / rate) + shock))
        rates.append(round(rate, 4))
    table = pd.DataFrame({"date": days, "rate": rates})
    return table[~table["date"].between(*GAP)].reset_index(drop=True)


def dollars_per_euro(rates: pd.DataFrame, days: pd.Series) -> pd.Series:
    """Return the newest rate noted on or before each day, however old."""
    at = np.searchsorted(rates["date"].to_numpy(), days.to_numpy(), side="right") - 1
    return pd.Series(rates["rate"].to_numpy()[at], index=days.index)


def launch_amounts(rates: pd.DataFrame) -> dict[str, float]:
    """Return every model's launch price in EUR, also where the catalogue leaves it out."""
    models = [(f, m) for f in FAMILIES for m in f.models]
    days = pd.Series(pd.to_datetime([m.launch for _, m in models]))
    rate = dollars_per_euro(rates, days)
    return {
        m.model_id: m.price / (float(r) if f.currency == "USD" else 1.0)
        for (f, m), r in zip(models, rate, strict=True)
    }


def catalogue() -> pd.DataFrame:
    """Return catalogue.csv as text."""
    return pd.DataFrame([_catalogue_row(f, m) for f in FAMILIES for m in f.models])


def _catalogue_row(family: Family, model: Model) -> dict[str, str]:
    parts_end = pd.Timestamp(model.launch) + pd.DateOffset(years=_SPARE_PART_YEARS)
    return {
        "model_id": model.model_id,
        "family_id": family.family_id,
        "device_class": family.device_class,
        "model_name": f"{model.name} (invented)",
        "storage_gb": f"{family.storage_gb:.0f}" if family.storage_gb else "",
        "launch_date": model.launch,
        "launch_price": f"{model.price:.2f}" if model.price_known else "",
        "launch_currency": family.currency if model.price_known else "",
        "successor_launch_date": successor_launch(model.model_id),
        "spare_part_end_date": f"{parts_end:%Y-%m-%d}",
    }


def fx_table(rates: pd.DataFrame) -> pd.DataFrame:
    """Return fx_rates.csv as text."""
    return pd.DataFrame(
        {
            "date": rates["date"].dt.strftime("%Y-%m-%d"),
            "base": "EUR",
            "quote": "USD",
            "rate": rates["rate"].map("{:.4f}".format),
        }
    )
