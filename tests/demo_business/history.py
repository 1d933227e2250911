"""A year of purchases of the demo business, each with its complete record, and what was promised.

Every unit bought from November 2025 on has its listing, its stock row, its job, its sale where it
sold, and the forecast made when it was bid for. The forecasts are invented like all the rest:
drawn from what the partners believed (their own shares and success rates, and a price level that
is off), where lots are won more often by those who believe too much. So they lean high, as
forecasts of won lots do.

How long a unit stands for sale follows proportional hazards: h = h0 (ask / level)^-ELASTICITY,
lower in the own shop, with the price asked never changed.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from repair_horizon.tables.arrays import Bools, Floats
from repair_horizon.tables.inputs import BOUGHT, FORECAST, LEDGER, LEVELS, QUANTILES
from repair_horizon.tables.settings import Settings, build

from demo_business.catalogue import (
    CHANNEL_FACTOR,
    END,
    FAMILY_OF,
    GRADE_FACTOR,
    LISTED,
    MODEL_OF,
    state_of,
)
from demo_business.truth import SETTINGS, Truth
from demo_business.workshop import Job, job_row, offered_unit, weighted

FIRST = "2025-11-01"
ELASTICITY, SHOP_HAZARD, DAYS_AT_LEVEL = 12.0, 0.6, 14.0
"""Invented: 5 % more asked makes 45 % fewer buyers a day."""
_PRIVATE, _FIXED = 90, 10
_BELIEF_SD, _LEVEL_SD, _LUCK, _GRADE_MEAN = 0.08, 0.06, 400, 0.90
_OWN_SHOP, _TRADED = 0.3, 100
_ASK_SD, _ASK_MEAN, _HAGGLED = 0.07, 0.03, 0.02
_COMMON = 0.3


@dataclass(frozen=True)
class Purchase:
    """One unit bought: the listing it was, for how much, and what the partners believed then.

    ``belief`` is how far their price level was off, in logs.
    """

    listing_id: str
    unit_id: str
    model_id: str
    fault: str
    day: pd.Timestamp
    price: float
    landed: float
    per_bid: float
    belief: float


@dataclass(eq=False)
class History:
    """Rows of a year as they are drawn, as text, by table."""

    listings: list[dict[str, str]] = field(default_factory=list)
    stock: list[dict[str, str]] = field(default_factory=list)
    repairs: list[dict[str, str]] = field(default_factory=list)
    sales: list[dict[str, str]] = field(default_factory=list)
    forecasts: list[dict[str, str]] = field(default_factory=list)

    def onto(self, tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        """Return tables with these rows put in by their days."""
        out = {n: _joined(t, getattr(self, n), _DAYS[n]) for n, t in tables.items()}
        names = [c.name for c in LEDGER.columns]
        out["forecasts"] = pd.DataFrame(self.forecasts, columns=names).fillna("")
        return out


_DAYS = {"listings": "end_time", "stock": "", "repairs": "opened", "sales": "sale_date"}


def _joined(rows: pd.DataFrame, more: list[dict[str, str]], day: str) -> pd.DataFrame:
    whole = pd.concat([rows, pd.DataFrame(more)], ignore_index=True).fillna("")
    return whole.sort_values(day, kind="stable", ignore_index=True) if day else whole


def draw_history(seed: int, truth: Truth, listings: pd.DataFrame) -> tuple[pd.DataFrame, History]:
    """Draw a year of purchases and what became of them.

    ``seed``: same seed, same history; ``truth``: what prices, states and outcomes are drawn from;
    ``listings``: listings as text, from ``draw_listings``. Returns the listings, with terms on some
    open ones and 'skipped' where the partners would not have bought, and the rows to add.
    """
    rng = np.random.default_rng([seed, 11])
    out = History()
    bought: list[Purchase] = []
    rows = listings.assign(terms="", quantity="", lot_id="", offer="", offer_result="")
    rules = build(Settings, {}, tomllib.loads(SETTINGS), ("", []))
    recent = (rows["result"] == "won") & (rows["end_time"] >= FIRST)
    for at in np.flatnonzero(recent):
        found = _auction(rng, truth, rules, rows.iloc[at].to_dict(), len(bought))
        rows.loc[rows.index[at], "result"] = "skipped" if found is None else "won"
        bought += [] if found is None else [found]
    for row, found in _direct(rng, truth, rules, len(bought)):
        out.listings.append(row)
        bought += [] if found is None else [found]
    for purchase in sorted(bought, key=lambda p: (p.day, p.unit_id)):
        out.forecasts += _ledger_rows(rng, truth, rules, purchase)
        _live_on(rng, truth, purchase, out)
    row, lot = _job_lot(rng, truth, rules, len(bought))
    out.listings.append(row)
    for purchase in lot:
        _live_on(rng, truth, purchase, out)
    return _with_terms(rng, rows), out


# -- what was bought


def _as_is(truth: Truth, model_id: str, fault: str, day: pd.Timestamp) -> float:
    family = FAMILY_OF[model_id]
    return truth.price_on(model_id, day) * 0.92 * truth.as_is_ratio[family.family_id, fault]


def _belief(rng: np.random.Generator) -> float:
    """How far off those are who win: the more hopeful of two."""
    return float(_BELIEF_SD * rng.standard_normal(2).max())


def _purchase(
    rng: np.random.Generator, truth: Truth, rules: Settings, row: dict[str, str], number: int
) -> Purchase | None:
    """Buy at a row's final price; None where the partners expected nothing of it.

    They leave models alone that hardly anybody trades.
    """
    model_id, fault = row["model_id"], row["listed_fault"]
    if MODEL_OF[model_id].sales is not None or FAMILY_OF[model_id].sales < _TRADED:
        return None
    own = rules.for_class(FAMILY_OF[model_id].device_class)
    price = float(row["final_price"])
    direct = row.get("terms", "") in ("private", "fixed_price")
    usual = 0.0 if direct else next(t.rate for t in reversed(own.purchase.premium)
                                    if price > t.above or t.above == 0)  # fmt: skip
    rate = float(row["premium_rate"]) if row["premium_rate"] else usual
    inbound = float(row["shipping"]) if row["shipping"] else own.purchase.inbound
    found = Purchase(
        row["listing_id"], f"U{7001 + number}", model_id, fault,
        pd.Timestamp(row["end_time"][:10]), price, price * (1 + rate) + inbound,
        (1 + rate) * (1 + own.delay.capital_rate * 45 / 365), _belief(rng),
    )  # fmt: skip
    hoped = _imagined(rng, truth, rules, found)
    return found if hoped.mean() > 0 else None


def _auction(
    rng: np.random.Generator, truth: Truth, rules: Settings, row: dict[str, str], number: int
) -> Purchase | None:
    return _purchase(rng, truth, rules, row, number) if row["final_price"] else None


def _direct(
    rng: np.random.Generator, truth: Truth, rules: Settings, number: int
) -> list[tuple[dict[str, str], Purchase | None]]:
    """Private sellers we made an offer to, and goods at a fixed price."""
    days = pd.date_range(FIRST, END, freq="D")
    when = sorted(days[int(i)] for i in rng.integers(0, len(days), _PRIVATE + _FIXED))
    out = []
    for at, day in enumerate(when):
        model_id, fault, _ = offered_unit(rng, day)
        worth = _as_is(truth, model_id, fault, day)
        fixed = at % ((_PRIVATE + _FIXED) // _FIXED) == 3
        reserve = worth * float(np.exp(rng.normal(-0.10, 0.25)))
        asked = max(round(reserve * float(rng.uniform(1.1, 1.5))), 2)
        offer = max(round(worth * float(np.exp(rng.normal(-0.12, 0.22)))), 1)
        taken = fixed or offer >= reserve
        price = asked if fixed else offer
        row = {
            "listing_id": f"P{at + 1:04d}", "model_id": model_id, "listed_fault": fault,
            "end_time": f"{day:%Y-%m-%d}T{int(rng.integers(8, 21)):02d}:00:00Z",
            "current_bid": f"{asked:.2f}", "shipping": str(rng.choice(["0.00", "4.50", "6.90"])),
            "premium_rate": "", "result": "", "final_price": f"{price:.2f}" if taken else "",
            "terms": "fixed_price" if fixed else "private", "quantity": "", "lot_id": "",
            "offer": "" if fixed else f"{offer:.2f}",
            "offer_result": "" if fixed else ("taken" if taken else "refused"),
        }  # fmt: skip
        # Whether to make the offer is decided before it is answered.
        hoped = _purchase(rng, truth, rules, row | {"final_price": f"{price:.2f}"}, number)
        if hoped is None and not fixed:
            continue
        found = hoped if taken else None
        if found is None:
            row["final_price"] = ""
        row["result"] = "won" if found else ("skipped" if fixed else "lost")
        number += found is not None
        out.append((row, found))
    return out


def _job_lot(
    rng: np.random.Generator, truth: Truth, rules: Settings, number: int
) -> tuple[dict[str, str], list[Purchase]]:
    """Three like units under one hammer, in May 2026."""
    day, model_id, fault, pieces = pd.Timestamp("2026-05-12"), "pellvarn_4", "display_dead", 3
    hammer = round(pieces * 0.80 * _as_is(truth, model_id, fault, day))
    row = {
        "listing_id": "P9001", "model_id": model_id, "listed_fault": fault,
        "end_time": f"{day:%Y-%m-%d}T19:30:00Z", "current_bid": "", "shipping": "12.00",
        "premium_rate": "", "result": "won", "final_price": f"{hammer:.2f}", "terms": "auction",
        "quantity": str(pieces), "lot_id": "", "offer": "", "offer_result": "",
    }  # fmt: skip
    rate = rules.purchase.premium[0].rate
    each = (hammer * (1 + rate) + 12.0) / pieces
    units = [
        Purchase("P9001", f"U{7001 + number + i}", model_id, fault, day, hammer / pieces, each,
                 1 + rate, _belief(rng))
        for i in range(pieces)
    ]  # fmt: skip
    return row, units


def _with_terms(rng: np.random.Generator, rows: pd.DataFrame) -> pd.DataFrame:
    """Sell some open listings otherwise: private, at a fixed price, as a job lot, several alike."""
    open_rows = [int(i) for i in np.flatnonzero(rows["result"] == "")]
    picked = [int(i) for i in rng.choice(open_rows, 12, replace=False)]
    rows = rows.copy()
    for at in picked[:5]:
        rows.loc[at, ["terms", "premium_rate"]] = ["private", ""]
    for at in picked[5:8]:
        rows.loc[at, ["terms", "premium_rate"]] = ["fixed_price", ""]
    for at in picked[:8]:
        rows.loc[at, "current_bid"] = f"{max(round(2.0 * float(rows.loc[at, 'current_bid'])), 5)}"
    rows.loc[picked[8:11], "lot_id"] = "LOT1"
    first = rows.loc[picked[8]]
    for name in ("end_time", "current_bid", "shipping", "premium_rate"):
        rows.loc[picked[8:11], name] = first[name]
    rows.loc[picked[11], "quantity"] = "4"
    return rows.sort_values("end_time", kind="stable", ignore_index=True)


# -- what was believed


def _imagined(rng: np.random.Generator, truth: Truth, rules: Settings, bought: Purchase) -> Floats:
    """Profits the partners could imagine, by their own shares and rates, (_LUCK,)."""
    family = FAMILY_OF[bought.model_id]
    own, shares = rules.for_class(family.device_class), LISTED[family.device_class][bought.fault]
    states = rng.choice(list(shares), _LUCK, p=np.array(list(shares.values())))
    level = truth.price_on(bought.model_id, min(bought.day, pd.Timestamp(END)))
    level *= np.exp(bought.belief - 0.03)  # sold about a month on
    spread = rng.normal(0.0, _LEVEL_SD, _LUCK) + rng.normal(0.0, 0.13, _LUCK)
    in_shop = rng.random(_LUCK) < _OWN_SHOP
    price = level * _GRADE_MEAN * np.where(in_shop, CHANNEL_FACTOR["own_shop"], 1.0)
    price *= np.exp(spread)
    chance = rng.random(_LUCK)
    out = np.empty(_LUCK)
    for name in shares:
        here, state = states == name, state_of(family, name)
        parts = sum(
            truth.part_level(bought.model_id, p, _quality(p), bought.day) + 5.5
            for p in filter(None, state.parts.split(";"))
        )
        fixed = chance < state.prior_success
        broken = level * 0.92 * truth.as_is_ratio[family.family_id, "board"]
        gross = np.where(fixed, price, 0.0 if name == "locked" else broken)
        hours = own.bench.test_hours + state.hours
        parts = 0.0 if name == "locked" else parts
        costs = bought.landed + parts + hours * own.bench.rate_per_hour
        costs += bought.landed * own.delay.capital_rate * 45 / 365
        out[here] = (_kept(own, gross, fixed, in_shop & fixed) - costs)[here]
    return out


def _quality(part: str) -> str:
    return "original_refurbished" if part == "DA" else "aftermarket"


def _kept(own: Settings, gross: Floats, fixed: Bools, in_shop: Bools) -> Floats:
    """What is left of a sale after fees, carriage and, where mended, the reserve."""
    market, shop = own.channels[0], own.channels[1]
    reserve = own.reserve.return_rate * own.reserve.return_cost
    reserve += own.reserve.warranty_rate * own.reserve.warranty_cost
    rate = np.where(in_shop, shop.payment_fee, market.percentage_fee + market.payment_fee)
    fees = gross * rate + np.where(in_shop, shop.fixed_fee, market.fixed_fee)
    sold = gross - fees - own.sale.carriage - own.sale.packaging
    return np.asarray(np.where(gross > 0, sold, 0.0) - np.where(fixed, reserve, 0.0))


def _ledger_rows(
    rng: np.random.Generator, truth: Truth, rules: Settings, bought: Purchase
) -> list[dict[str, str]]:
    """What was expected at the threshold the day before, and that it was bought."""
    imagined = _imagined(rng, truth, rules, bought)
    top = float(np.floor(bought.price + max(imagined.mean(), 0.0) / bought.per_bid))
    at_top = imagined - bought.per_bid * (top - bought.price)
    day = bought.day - pd.Timedelta(days=1)
    cut = np.quantile(at_top, LEVELS)
    made = {
        "entry_id": f"{bought.listing_id}:{day:%Y-%m-%d}",
        "record_type": FORECAST,
        "made_on": f"{day:%Y-%m-%d}",
        "listing_id": bought.listing_id,
        "unit_id": "",
        "family_id": FAMILY_OF[bought.model_id].family_id,
        "model_id": bought.model_id,
        "listed_fault": bought.fault,
        "price": f"{top:.2f}",
        "max_bid": f"{top:.2f}",
        "per_bid": f"{bought.per_bid:.4f}",
        "expected_profit": f"{at_top.mean():.2f}",
        "probability_loss": f"{(at_top < 0).mean():.3f}",
        "common_share": f"{_COMMON}",
        **{q: f"{v:.2f}" for q, v in zip(QUANTILES, cut, strict=True)},
    }
    note = {
        "entry_id": f"{bought.listing_id}:{bought.unit_id}:{BOUGHT}",
        "record_type": BOUGHT,
        "made_on": f"{bought.day:%Y-%m-%d}",
        "listing_id": bought.listing_id,
        "unit_id": bought.unit_id,
        "price": f"{bought.price:.2f}",
    }
    return [made, note]


# -- what became of it


def _live_on(rng: np.random.Generator, truth: Truth, bought: Purchase, out: History) -> None:
    """Open the unit's job, mend it or not, put it up for sale and sell it."""
    family, end = FAMILY_OF[bought.model_id], pd.Timestamp(END)
    shares = truth.state_shares[family.family_id, bought.fault]
    state = weighted(rng, list(shares), list(shares.values()))
    opened = bought.day + pd.Timedelta(days=int(rng.integers(3, 9)))
    unit = {
        "unit_id": bought.unit_id, "model_id": bought.model_id,
        "buy_date": f"{bought.day:%Y-%m-%d}", "landed_cost": f"{bought.landed:.2f}",
        "currency": "EUR", "state": next(iter(LISTED[family.device_class][bought.fault])),
        "status": "in_transit", "location": "", "erase_date": "", "ownership_check": "clear",
        "flags": "", "listed_date": "", "asking_price": "",
    }  # fmt: skip
    out.stock.append(unit)
    if opened > end:
        return
    job = Job(family, bought.model_id, opened, bought.fault, state)
    row = {"job_id": f"J{5001 + len(out.repairs)}", "unit_id": bought.unit_id,
           **job_row(rng, job, truth)}  # fmt: skip
    out.repairs.append(row)
    if not row["outcome"]:
        unit["status"] = "bench"
        return
    unit["erase_date"] = row["erase_date"]
    fixed = row["outcome"].startswith("fixed")
    unit["state"] = "working" if fixed else state
    if state == "locked":
        unit["status"] = "scrapped"
        return
    listed = opened + pd.Timedelta(days=int(rng.integers(5, 13)))
    _sell(rng, truth, bought, listed, unit, row, out)


def _sell(
    rng: np.random.Generator,
    truth: Truth,
    bought: Purchase,
    listed: pd.Timestamp,
    unit: dict[str, str],
    job: dict[str, str],
    out: History,
) -> None:
    family, end = FAMILY_OF[bought.model_id], pd.Timestamp(END)
    fixed = unit["state"] == "working"
    # The fee follows from the channel; what was not mended goes as a dead board.
    channel = "own_shop" if fixed and rng.random() < _OWN_SHOP else "marketplace"
    asked_over, uniform = float(rng.normal(_ASK_MEAN, _ASK_SD)), float(rng.uniform(1e-6, 1.0))
    usual = truth.price_on(bought.model_id, listed) * CHANNEL_FACTOR[channel]
    usual *= GRADE_FACTOR[job["grade_out"] or "B"]
    if not fixed:
        usual *= truth.as_is_ratio[family.family_id, "board"]
    ask = round(usual * float(np.exp(asked_over))) - 0.01
    hazard = np.exp(-ELASTICITY * np.log(ask / usual)) / DAYS_AT_LEVEL
    hazard *= SHOP_HAZARD if channel == "own_shop" else 1.0
    days = int(np.ceil(-np.log(uniform) / hazard))
    unit |= {"listed_date": f"{listed:%Y-%m-%d}", "asking_price": f"{ask:.2f}"}
    if days > (end - listed).days:
        unit["status"] = "listed"
        return
    unit["status"] = "sold"
    gross = round(ask * (1.0 - _HAGGLED), 2)
    market = channel == "marketplace"
    out.sales.append(
        {
            "sale_id": f"S{20001 + len(out.sales)}", "model_id": bought.model_id,
            "sale_date": f"{listed + pd.Timedelta(days=days):%Y-%m-%d}",
            "gross_amount": f"{gross:.2f}", "currency": "EUR", "channel": channel,
            "grade": job["grade_out"], "storage_gb": "",
            "condition": "working" if fixed else "as_is", "listed_fault": "" if fixed else "board",
            "price_type": "sold", "record_type": "sale", "refers_to_sale_id": "", "quantity": "1",
            "tax_included": "yes", "shipping_charged": "6.90" if market else "",
            "fee_amount": f"{0.139 * gross + 0.65:.2f}" if market else "",
            "listed_date": f"{listed:%Y-%m-%d}", "own_sale": "yes", "unit_id": bought.unit_id,
            "source_ref": "own sales book",
        }
    )  # fmt: skip
