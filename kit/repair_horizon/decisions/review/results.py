"""What units really earned, where the log tells the whole story of them.

    profit = sale - fees - carriage and packaging - reserve - tax
             - landed cost - parts - labour - interest on the landed cost

the same lines as the forecast's, with what happened in place of what was expected. The reserve
for returns stays in, as it does in the forecast.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import ON_MARGIN, cents, tax_fraction
from repair_horizon.decisions.costs.sale import planning_channel, reserve_per_unit
from repair_horizon.estimation.owner_guesses import FIXED
from repair_horizon.logs import Logs
from repair_horizon.tables.settings import Settings

COLUMNS = [
    "unit_id",
    "model_id",
    "sale_date",
    "sale",
    "selling",
    "reserve",
    "tax",
    "landed",
    "parts",
    "labour",
    "interest",
    "profit",
    "reason",
]
_LOST = ("scrapped",)


def results(logs: Logs, settings: Settings) -> pd.DataFrame:
    """Work out the profit of every unit in stock.csv that has come to its end.

    Parameters
    ----------
    logs
        Stock (landed cost and day), repairs (parts, hours), sales (unit_id).
    settings
        Fees of the day where the sale names none, carriage, reserve, wage, interest, tax.

    Returns
    -------
    DataFrame
        ``COLUMNS``, one row per unit in stock.csv; ``profit`` is missing and ``reason`` says why
        where the chain from purchase to sale is not complete. Money is rounded to cents.
    """
    catalogue = logs.tables["catalogue"].set_index("model_id")
    sales = logs.tables["sales"]
    sales = sales[sales["unit_id"] != ""].drop_duplicates("unit_id", keep="last")
    sold = sales.set_index("unit_id")
    jobs = logs.tables["repairs"].groupby("unit_id")
    kinds = catalogue["device_class"]
    by_class = {kind: settings.for_class(str(kind)) for kind in kinds.unique()}
    rows = []
    for unit in logs.tables["stock"].itertuples():
        rules = by_class[kinds[unit.model_id]]
        job = jobs.get_group(unit.unit_id) if unit.unit_id in jobs.groups else None
        start = {"unit_id": unit.unit_id, "model_id": unit.model_id}
        missing = _missing(unit, unit.unit_id in sold.index, job)
        if missing:
            rows.append({**start, "reason": missing})
            continue
        sale = sold.loc[unit.unit_id] if unit.unit_id in sold.index else None
        rows.append({**start, **_lines(unit, sale, job, rules)})
    return pd.DataFrame(rows, columns=COLUMNS)


def _missing(unit: object, is_sold: bool, job: pd.DataFrame | None) -> str:
    """What is lacking for a whole story; empty if nothing."""
    if np.isnan(unit.amount):  # type: ignore[attr-defined]
        return "no landed cost"
    if not is_sold and unit.status not in _LOST:  # type: ignore[attr-defined]
        return "not sold yet, or the sale does not name the unit"
    if job is not None and bool((job["outcome"] == "").any()):
        return "a job is still open"
    if job is not None and bool(job[["bench_hours", "parts_cost"]].isna().to_numpy().any()):
        return "a job without hours or parts"
    return ""


def _lines(
    unit: object, sale: pd.Series | None, job: pd.DataFrame | None, rules: Settings
) -> dict[str, object]:
    landed = float(unit.amount)  # type: ignore[attr-defined]
    hours = rules.bench.test_hours + (0.0 if job is None else float(job["bench_hours"].sum()))
    out: dict[str, float] = {
        "landed": landed,
        "parts": 0.0 if job is None else float(job["parts_cost"].sum()),
        "labour": float(cents(hours * rules.bench.rate_per_hour)),
        **dict.fromkeys(("sale", "selling", "reserve", "tax", "interest"), 0.0),
    }
    if sale is not None:
        mended = job is not None and bool(job["outcome"].isin(FIXED).any())
        out |= _sold(sale, landed, rules)
        out["reserve"] = reserve_per_unit(rules.reserve) if mended else 0.0
        days = (sale["sale_date"] - unit.buy_date).days  # type: ignore[attr-defined]
        out["interest"] = float(cents(landed * rules.delay.capital_rate * max(days, 0) / 365.0))
    # Every line but the sale is a cost.
    out["profit"] = float(cents(2 * out["sale"] - sum(out.values())))
    return {**out, "sale_date": pd.NaT if sale is None else sale["sale_date"], "reason": ""}


def _sold(sale: pd.Series, landed: float, rules: Settings) -> dict[str, float]:
    """Sale, cost of selling, and tax; the margin is taken against the landed cost logged."""
    gross = float(sale["amount"])
    channel = planning_channel(rules, f"{sale['sale_date']:%Y-%m-%d}")
    named = [c for c in rules.channels if c.name == sale["channel"]]
    if named:
        own = [c for c in named if c.valid_from <= f"{sale['sale_date']:%Y-%m-%d}"] or named
        channel = max(own, key=lambda c: c.valid_from)
    fees = cents(gross * (channel.percentage_fee + channel.payment_fee)) + channel.fixed_fee
    if not np.isnan(sale["fee_amount"]):
        fees = cents(sale["fee_amount"] * gross / sale["gross_amount"])
    out = float(fees) + rules.sale.carriage + rules.sale.packaging
    taxed = {"on_sale": gross, **dict.fromkeys(ON_MARGIN, max(gross - landed, 0.0))}
    tax = tax_fraction(rules.tax.rate) * taxed.get(rules.tax.scheme, 0.0)
    return {"sale": gross, "selling": float(cents(out)), "tax": float(cents(tax))}
