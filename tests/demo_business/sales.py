"""The demo business's sales, own and the market's, working and as-is; quotes of parts.

Weekly euro rates of the demo business, with one gap, and the catalogue they price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo_business.catalogue import (
    ASKING_FACTOR,
    CHANNEL_FACTOR,
    END,
    FAMILIES,
    GRADE_FACTOR,
    MODEL_OF,
    QUALITY,
    START,
    STORAGE_DOUBLING,
    SUPPLIERS,
    Family,
    Model,
    as_is_faults,
    qualities_of,
    successor_launch,
)
from demo_business.truth import MONTH_DAYS, Truth, age_months

_NOISE, _AS_IS_NOISE = 0.10, 0.13
_AS_IS_SHARE, _ASKING_SHARE, _USD_SHARE, _JUNK_SHARE = 0.12, 0.06, 0.09, 0.03
_GRADES = (0.28, 0.42, 0.22, 0.08)
_STORAGES = (0.55, 0.32, 0.13)
_LIKE_PLACEHOLDERS = (1111.0, 8888.0, 9999.0)
_LISTED_WEIGHT = {
    "display_dead": 5.0, "inner_display_dead": 6.0, "outer_display_dead": 1.5, "no_power": 3.0,
    "battery_worn": 2.0, "back_glass": 1.5, "charge_port": 1.5, "keyboard": 2.5,
    "stick_drift": 3.0, "board": 2.0, "locked": 1.2,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Market:
    """Sales as text in the columns of sales.csv, and what is odd about single rows.

    ``odd`` maps a sale_id to what was planted: a mislabelled lot, or a grade left out.
    """

    sales: pd.DataFrame
    odd: dict[str, str]


def draw_sales(seed: int, truth: Truth, rates: pd.DataFrame) -> Market:
    """Draw all sales, in the order of their days.

    ``seed``: same seed, same sales; ``truth``: what the prices are drawn around; ``rates``: weekly
    rates from ``weekly_rates``.
    """
    rng = np.random.default_rng([seed, 3])
    rows = pd.concat([_of_family(rng, f, truth) for f in FAMILIES], ignore_index=True)
    rows["sale_date"] = _last_day_sold(rows)
    rows = rows.sort_values("sale_date", kind="stable").reset_index(drop=True)
    dollars = rows["amount"] * dollars_per_euro(rates, rows["sale_date"])
    amount = rows["amount"].where(rows["currency"] == "EUR", dollars)
    whole = (rng.random(len(rows)) < 0.5) & (amount > 40)
    shown = amount.round(2).mask(whole, amount.round(0))
    # A fair price of 1111 cannot be told from a placeholder in one row; the ones to be caught
    # are planted, so that the ledger can be checked row by row.
    rows["gross_amount"] = shown - shown.isin(_LIKE_PLACEHOLDERS)
    rows["sale_id"] = [f"S{i:05d}" for i in range(1, len(rows) + 1)]
    strange = rows[rows["odd"] != ""]
    odd = dict(zip(strange["sale_id"], strange["odd"], strict=True))
    return Market(_as_text(rng, rows), odd)


def _last_day_sold(rows: pd.DataFrame) -> pd.Series:
    """Let the newest sale of the largest family fall on the last day of the logs."""
    newest = rows.loc[rows["family_id"] == FAMILIES[0].family_id, "sale_date"].idxmax()
    return rows["sale_date"].mask(rows.index == newest, pd.Timestamp(END))


def _of_family(rng: np.random.Generator, family: Family, truth: Truth) -> pd.DataFrame:
    model, day = _when(rng, family)
    n = len(model)
    rows = pd.DataFrame({"family_id": family.family_id, "model_id": model, "sale_date": day})
    rows["as_is"] = rng.random(n) < _AS_IS_SHARE
    rows["grade"] = rng.choice(list(GRADE_FACTOR), n, p=_GRADES)
    rows["doublings"] = rng.choice(3, n, p=_STORAGES) if family.storage_gb else 0
    base = f"{family.storage_gb:.0f}" if family.storage_gb else ""
    rows["storage_gb"] = [f"{int(base) * 2**d}" if base else "" for d in rows["doublings"]]
    rows["channel"] = rng.choice(list(CHANNEL_FACTOR), n, p=(0.64, 0.18, 0.18))
    # The shop sells repaired units only.
    rows["channel"] = rows["channel"].where(
        ~rows["as_is"] | (rows["channel"] != "own_shop"), "marketplace"
    )
    market = rows["channel"] == "marketplace"
    rows["asking"] = market & ~rows["as_is"] & (rng.random(n) < _ASKING_SHARE / 0.56)
    chance = rng.random(n)
    rows["own"] = (rows["channel"] == "own_shop") | (~rows["asking"] & (chance < 0.13))
    usd = market & ~rows["own"] & ~rows["asking"] & (rng.random(n) < _USD_SHARE / 0.5)
    rows["currency"] = np.where(usd, "USD", "EUR")
    rows["listed_fault"] = np.where(rows["as_is"], _faults(rng, family, n), "")
    rows["odd"] = _odd(rng, rows)
    rows["amount"] = _amounts(rng, rows, truth)
    return rows


def _when(rng: np.random.Generator, family: Family) -> tuple[list[str], pd.DatetimeIndex]:
    """Models and days: a model sells most one to two years after its launch."""
    days = pd.date_range(START, END, freq="D")
    fixed = sum(m.sales for m in family.models if m.sales is not None)
    weights = {m.model_id: _intensity(m.launch, days) for m in family.models}
    free = [m.model_id for m in family.models if m.sales is None]
    mass = np.array([weights[m].sum() for m in free])
    counts = rng.multinomial(family.sales - fixed, mass / mass.sum())
    number = dict(zip(free, counts, strict=True))
    model: list[str] = []
    at: list[np.ndarray] = []
    for m in family.models:
        n = int(number[m.model_id]) if m.sales is None else m.sales
        weight = weights[m.model_id]
        at.append(rng.choice(len(days), n, p=weight / weight.sum()))
        model += [m.model_id] * n
    return model, days[np.concatenate(at)]


def _intensity(launch: str, days: pd.DatetimeIndex) -> np.ndarray:
    age = np.asarray((days - pd.Timestamp(launch)).days, dtype=float) / MONTH_DAYS
    return np.where(age > 0.4, np.maximum(age, 0.0) * np.exp(-np.maximum(age, 0.0) / 14.0), 0.0)


def _faults(rng: np.random.Generator, family: Family, n: int) -> np.ndarray:
    faults = as_is_faults(family)
    weight = np.array([_LISTED_WEIGHT[f] for f in faults])
    return rng.choice(faults, n, p=weight / weight.sum())


def _odd(rng: np.random.Generator, rows: pd.DataFrame) -> np.ndarray:
    """Pick mislabelled lots among the market's working sales, and grades left out."""
    chance, kind = rng.random(len(rows)), rng.integers(0, 3, len(rows))
    market = ~rows["own"] & ~rows["asking"]
    junk = market & ~rows["as_is"] & (chance < _JUNK_SHARE / 0.6)
    names = np.array(["mislabelled: wrong grade", "mislabelled: another model", "parts only"])
    unknown = market & ~junk & (chance > np.where(rows["as_is"], 0.5, 0.95))
    return np.where(junk, names[kind], np.where(unknown, "grade not noted", ""))


def _amounts(rng: np.random.Generator, rows: pd.DataFrame, truth: Truth) -> np.ndarray:
    """Amounts in EUR: level x grade x storage x channel x fault, with Student-t noise."""
    level = np.array(
        [truth.price_on(m, d) for m, d in zip(rows["model_id"], rows["sale_date"], strict=True)]
    )
    ratio = [
        truth.as_is_ratio[f, x] if x else 1.0
        for f, x in zip(rows["family_id"], rows["listed_fault"], strict=True)
    ]
    factor = rows["grade"].map(GRADE_FACTOR) * rows["channel"].map(CHANNEL_FACTOR)
    factor *= STORAGE_DOUBLING ** rows["doublings"] * np.where(rows["asking"], ASKING_FACTOR, 1.0)
    noise = rng.standard_t(4, len(rows)) * np.where(rows["as_is"], _AS_IS_NOISE, _NOISE)
    wrong = rng.choice([0.62, 0.70, 1.40, 1.55], len(rows))
    scrap = rng.uniform(0.15, 0.35, len(rows))
    off = np.where(rows["odd"].str.startswith("mislabelled"), wrong, 1.0)
    off = np.where(rows["odd"] == "parts only", scrap, off)
    return np.asarray(level * factor * ratio * off * np.exp(np.clip(noise, -0.9, 0.9)))


def _as_text(rng: np.random.Generator, rows: pd.DataFrame) -> pd.DataFrame:
    own, money = rows["own"], rows["gross_amount"]
    known = rows["odd"] != "grade not noted"
    market = rows["channel"] == "marketplace"
    return pd.DataFrame(
        {
            "sale_id": rows["sale_id"],
            "model_id": rows["model_id"],
            "sale_date": rows["sale_date"].dt.strftime("%Y-%m-%d"),
            "gross_amount": money.map("{:.2f}".format),
            "currency": rows["currency"],
            "channel": rows["channel"],
            "grade": rows["grade"].where(known, ""),
            "storage_gb": rows["storage_gb"].where(rows["doublings"] > 0, ""),
            "condition": np.where(rows["as_is"], "as_is", "working"),
            "listed_fault": rows["listed_fault"],
            "price_type": np.where(rows["asking"], "asking", "sold"),
            "record_type": "sale",
            "refers_to_sale_id": "",
            "quantity": "1",
            "tax_included": "yes",
            "shipping_charged": np.where(market & own, "6.90", ""),
            "fee_amount": _fees(rows),
            "listed_date": _listed_dates(rng, rows),
            "own_sale": np.where(own, "yes", "no"),
            "unit_id": "",
            "source_ref": np.where(own, "own sales book", "market export"),
        }
    )


def _fees(rows: pd.DataFrame) -> pd.Series:
    """Fees the marketplace kept of our own sales: 13.9 % and 0.65, as in settings.toml."""
    fee = (0.139 * rows["gross_amount"] + 0.65).map("{:.2f}".format)
    return fee.where((rows["channel"] == "marketplace") & rows["own"], "")


def _listed_dates(rng: np.random.Generator, rows: pd.DataFrame) -> pd.Series:
    """Day the offer went up: always noted for own sales, for two in five of the market's."""
    waited = pd.to_timedelta(np.ceil(rng.gamma(2.0, 8.0, len(rows))), unit="D")
    seen = ~rows["asking"] & (rows["own"] | (rng.random(len(rows)) < 0.4))
    return (rows["sale_date"] - waited).dt.strftime("%Y-%m-%d").where(seen, "")


# No rates were noted in these weeks, so some dollar amounts cannot be converted.
GAP = ("2024-02-12", "2024-04-07")
_SPARE_PART_YEARS = 6


def weekly_rates(seed: int) -> pd.DataFrame:
    """Draw weekly rates, US dollars per euro, from 2020 to the end of the logs.

    Returns columns ``date`` and ``rate``; the weeks in ``GAP`` are missing.
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


_QUOTE_NOISE, _MAKER_MODELS = 0.035, 2
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
    return _quotes_as_text(rng, table, truth, rates)


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


def _quotes_as_text(
    rng: np.random.Generator, rows: pd.DataFrame, truth: Truth, rates: pd.DataFrame
) -> pd.DataFrame:
    n, suppliers = len(rows), list(rows["supplier"])
    keys = (rows[c].to_list() for c in ("model_id", "part_code", "quality_class", "day"))
    level = [truth.part_level(*key) for key in zip(*keys, strict=True)]
    price = np.array(level) * [s.price_factor for s in suppliers]
    price *= np.exp(_QUOTE_NOISE * rng.normal(size=n))
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
