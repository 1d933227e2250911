"""Part quotes and maker's repair quotes of the demo business."""

from __future__ import annotations

import numpy as np
import pandas as pd

from repair_horizon.demo.catalogue import (
    END,
    FAMILIES,
    MODEL_OF,
    QUALITY,
    START,
    SUPPLIERS,
    Family,
    qualities_of,
)
from repair_horizon.demo.sales import dollars_per_euro
from repair_horizon.demo.truth import Truth, age_months

_NOISE, _MAKER_MODELS = 0.035, 2
_MAKER_FAULTS = {
    "display_dead": "DA", "inner_display_dead": "DA", "battery_worn": "BAT", "back_glass": "BC",
    "keyboard": "KB",
}  # fmt: skip
_CHECKED_SHARE, _OLDEST_CHECKED = 0.055, 66.0


def draw_quotes(seed: int, truth: Truth, rates: pd.DataFrame) -> pd.DataFrame:
    """Draw part_quotes.csv as text: every part is checked now and then, and lately once more.

    ``seed``: same seed, same quotes; ``truth``: what the prices are drawn around; ``rates``: weekly
    rates, for suppliers that quote in dollars.
    """
    rng = np.random.default_rng([seed, 4])
    rows: list[dict[str, object]] = []
    for family in FAMILIES:
        for model in family.models:
            for part in family.parts:
                rows += _series(rng, family, model.model_id, part)
    table = pd.DataFrame(rows).sort_values("day", kind="stable").reset_index(drop=True)
    return _as_text(rng, table, truth, rates)


def _series(
    rng: np.random.Generator, family: Family, model_id: str, part: str
) -> list[dict[str, object]]:
    first = max(pd.Period(START, "M"), pd.Period(MODEL_OF[model_id].launch, "M") + 1)
    months = pd.period_range(first, pd.Period(END, "M"), freq="M")
    offers = [(s, q) for s in SUPPLIERS for q in s.qualities if q in qualities_of(family, part)]
    young = age_months(model_id, pd.Timestamp(END)) < _OLDEST_CHECKED
    checked = ("quay_parts", "fenn_supply") if young else ()
    share = _CHECKED_SHARE * (2.0 if part == "DA" else 0.55)
    rows = []
    for month in months:
        for supplier, quality in offers:
            latest = month == months[-1] and supplier.supplier_id in checked
            if latest or rng.random() < share:
                day = month.to_timestamp() + pd.Timedelta(days=int(rng.integers(0, 28)))
                rows.append(
                    {"model_id": model_id, "part_code": part, "day": day,
                     "quality_class": quality, "supplier": supplier}
                )  # fmt: skip
    return rows


def _as_text(
    rng: np.random.Generator, rows: pd.DataFrame, truth: Truth, rates: pd.DataFrame
) -> pd.DataFrame:
    n, suppliers = len(rows), list(rows["supplier"])
    keys = (rows[c].to_list() for c in ("model_id", "part_code", "quality_class", "day"))
    level = [truth.part_level(*key) for key in zip(*keys, strict=True)]
    price = np.array(level) * [s.price_factor for s in suppliers]
    price *= np.exp(_NOISE * rng.normal(size=n))
    dollars = np.array([s.currency == "USD" for s in suppliers])
    price *= np.where(dollars, dollars_per_euro(rates, rows["day"]), 1.0)
    doa = [QUALITY[q].doa_rate for q in rows["quality_class"]]
    lead = rng.poisson([s.lead_days for s in suppliers])
    valid = rows["day"] + pd.Timedelta(days=30)
    return pd.DataFrame(
        {
            "quote_id": [f"Q{i:05d}" for i in range(1, n + 1)],
            "quote_date": rows["day"].dt.strftime("%Y-%m-%d"),
            "model_id": rows["model_id"],
            "part_code": rows["part_code"],
            "quality_class": rows["quality_class"],
            "supplier_id": [s.supplier_id for s in suppliers],
            "unit_price": [f"{max(p, 1.0):.2f}" for p in price],
            "currency": [s.currency for s in suppliers],
            "shipping": [f"{s.shipping:.2f}" for s in suppliers],
            "lead_days": [str(max(int(d), 1)) for d in lead],
            "moq": np.where(dollars & (rng.random(n) < 0.3), "5", "1"),
            "in_stock": np.where(rng.random(n) < 0.86, "yes", "no"),
            "doa_rate": [f"{d:.2f}" for d in doa],
            "warranty_days": [str(QUALITY[q].warranty_days) for q in rows["quality_class"]],
            "valid_until": valid.dt.strftime("%Y-%m-%d"),
        }
    )


def draw_maker_quotes(seed: int, truth: Truth) -> pd.DataFrame:
    """Draw maker_quotes.csv as text: what the makers ask for the newest traded models."""
    rng = np.random.default_rng([seed, 5])
    rows = []
    for family in FAMILIES:
        traded = [m.model_id for m in family.models if m.launch < "2026-08-01"]
        for model_id in traded[-_MAKER_MODELS:]:
            for fault, part in _MAKER_FAULTS.items():
                if part in family.parts and _asked(family, fault):
                    rows += _maker_rows(rng, truth, model_id, fault, part)
    return pd.DataFrame(rows).sort_values("quote_date", kind="stable").reset_index(drop=True)


def _asked(family: Family, fault: str) -> bool:
    foldable = family.device_class == "foldable"
    return family.device_class != "watch" and (
        not fault.endswith("display_dead") or fault.startswith("inner") == foldable
    )


def _maker_rows(
    rng: np.random.Generator, truth: Truth, model_id: str, fault: str, part: str
) -> list[dict[str, str]]:
    rows = []
    for month in ("2025-11", "2026-09"):
        if MODEL_OF[model_id].launch[:7] >= month:
            continue
        level = truth.part_level(model_id, part, "maker_original", month)
        price = 1.15 * level + 55.0
        rows.append(
            {
                "quote_date": f"{month}-{int(rng.integers(3, 25)):02d}",
                "model_id": model_id,
                "fault": fault,
                "price": f"{round(price) - 1:.2f}",
                "currency": "EUR",
                "lead_days": str(int(rng.integers(6, 15))),
                "warranty_days": "90",
                "refused_quote_fee": "25.00",
            }
        )
    return rows
