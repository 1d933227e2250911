"""What could be done this month: listings worth bidding for, and jobs on the units owned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.month.listings import Scorer, scorer_for
from repair_horizon.decisions.month.shelf import GONE, at_gate
from repair_horizon.decisions.unit.bid import bid_on_terms, expectation, margin_fraction
from repair_horizon.decisions.unit.bidding import EndStates, profit_at
from repair_horizon.decisions.unit.break_even import AtGate
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.interlocks import interlock
from repair_horizon.decisions.unit.options import REPAIR
from repair_horizon.logs import CannotSay, Logs

Floats = npt.NDArray[np.float64]

BUY, MEND, SELL_AS_IS = "buy", "repair", "sell"


@dataclass(frozen=True, eq=False)
class Item:
    """One thing that could be done, and what it takes.

    ``cash`` is what it may tie up at worst, ``paid`` what is paid for the unit, ``parts`` what
    for parts; ``days`` tell when each happens, from today: paid, parts, listed for sale, and
    how long the sale then takes.
    """

    kind: str
    name: str
    family_id: str
    model_id: str
    about: str
    profit: float
    cash: float
    hours: float
    price: float
    max_bid: float
    paid: float
    parts: float
    days: tuple[float, float, float, float]
    source: Scorer | AtGate
    landing: Landing | None = None


def purchases(listings: pd.DataFrame, logs: Logs, economics: Economics) -> list[Item]:
    """Open listings whose threshold is above the current bid, at the price they are likely to cost.

    The price is the usual hammer price, but no less than the current bid and no more than the
    threshold; cash is counted at the threshold, since every bid placed may be called.
    """
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    today, items = logs.newest_day.normalize(), []
    for (model_id, fault), group in listings.groupby(["model_id", "listed_fault"], sort=True):
        scorer = scorer_for(economics, str(family[model_id]), (str(model_id), str(fault)))
        if isinstance(scorer, CannotSay):
            continue
        for row in group.itertuples():
            item = _purchase(scorer, row, str(family[model_id]), today)
            if item is not None:
                items.append(item)
    return items


def _purchase(scorer: Scorer, row: object, family_id: str, today: pd.Timestamp) -> Item | None:
    rules, land = scorer.terms(float(row.shipping), float(row.premium_rate))  # type: ignore[attr-defined]
    bid = bid_on_terms(scorer.known, land, rules)
    current = np.nan_to_num(float(row.current_bid))  # type: ignore[attr-defined]
    if bid.amount <= current:
        return None
    price = max(float(current), bid.assumed)
    profit, _ = expectation(scorer.known, land, price, margin_fraction(rules))
    parts, delay = scorer.known.parts_cash, rules.delay
    start = float(max((row.end_time - today).days, 0))  # type: ignore[attr-defined]
    bench = start + delay.inbound_days + delay.queue_days
    listed = start + scorer.unit.days - delay.selling_days
    return Item(
        kind=BUY,
        name=str(row.listing_id),  # type: ignore[attr-defined]
        family_id=family_id,
        model_id=scorer.unit.model_id,
        about=scorer.unit.listed_fault,
        profit=profit,
        cash=land.landed(bid.amount) + parts,
        hours=scorer.known.hours,
        price=price,
        max_bid=bid.amount,
        paid=land.landed(price),
        parts=parts,
        days=(start, bench, listed, delay.selling_days),
        source=scorer,
        landing=land,
    )


def shelf_jobs(logs: Logs, economics: Economics) -> list[Item]:
    """Units owned and cleared: those repair is best for, and those to be sold as they are.

    A repair's profit is its lead over the best alternative, since that is what doing it earns; a
    sale takes neither bench hours nor cash and earns nothing beyond what is already owned.
    """
    stock, items = logs.tables["stock"], []
    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    for _, unit in stock[~stock["status"].isin(GONE)].iterrows():
        if interlock(unit) is not None:
            continue
        family_id = str(family[unit["model_id"]])
        found = at_gate(unit, family_id, economics)
        if isinstance(found, CannotSay):
            continue
        items.append(_job(unit, family_id, found))
    return items


def _job(unit: pd.Series, family_id: str, found: AtGate) -> Item:
    values = {n: float(p[0]) for n, p in found.paths.items()}
    mends = max(values, key=lambda k: values[k]) == REPAIR
    delay, options = found.rules.delay, found.options
    repair = options.repair if mends and options is not None else None
    cash = np.zeros(1) if repair is None else np.asarray(repair.parts_cash)
    parts = float(np.mean(cash[:, 0] if cash.ndim > 1 else cash))
    wait = delay.inbound_days + delay.queue_days
    work = 0.0 if repair is None else delay.part_lead_days + delay.bench_days
    return Item(
        kind=MEND if mends else SELL_AS_IS,
        name=str(unit["unit_id"]),
        family_id=family_id,
        model_id=str(unit["model_id"]),
        about=str(unit["state"]),
        profit=values[REPAIR] - found.alternative if mends else 0.0,
        cash=parts,
        hours=found.hours if mends else 0.0,
        price=np.nan,
        max_bid=np.nan,
        paid=0.0,
        parts=parts,
        days=(0.0, wait, wait + work + delay.listing_days, delay.selling_days),
        source=found,
    )


def drawn_profit(item: Item, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Profit of one item and what its sale brings in, in every world, its own luck drawn.

    Returns
    -------
    tuple
        (draws,) each. What comes in is net of everything but the price paid and the parts, which
        are paid before; wages are counted with the sale.
    """
    if isinstance(item.source, Scorer):
        return _drawn_purchase(item, item.source, rng)
    value = _drawn_value(item.source, item.kind == MEND, rng)
    if item.kind != MEND:
        return np.zeros_like(value), value
    options = item.source.options
    other = value if options is None else options.best_alternative()[:, 0]
    return value - other, value + item.parts


def _drawn_purchase(item: Item, scorer: Scorer, rng: np.random.Generator) -> tuple[Floats, Floats]:
    states, unit = scorer.known.market, scorer.unit
    at = _slot(states.weight, rng)
    rows = np.arange(len(at))
    value, price = states.value[rows, at], states.price[rows, at]
    luck = rng.permutation(unit.family.unit_noise)
    value = value + unit.kept * price * (luck - 1.0)
    world = EndStates(np.full(len(at), 1.0 / len(at)), value, price * luck)
    land = item.landing or unit.landing
    profit = profit_at(world, land, item.price, margin_fraction(unit.settings))
    return profit, profit + item.paid + item.parts


def _drawn_value(found: AtGate, mends: bool, rng: np.random.Generator) -> Floats:
    """Value now of a unit owned: of its repair, outcome drawn, or of the best other option."""
    if found.options is None:
        return np.full(
            len(found.bench.outlook.unit_noise), float(max(p[0] for p in found.paths.values()))
        )
    repair = found.options.repair
    if not mends or repair is None:
        return found.options.best_alternative()[:, 0]
    graded = np.concatenate(
        [repair.success[:, None] * repair.grade_shares, 1.0 - repair.success[:, None]], axis=1
    )
    at, rows = _slot(graded, rng), np.arange(len(graded))
    value = np.concatenate([repair.by_grade[:, 0], repair.failed[:, :1]], axis=1)[rows, at]
    price = np.concatenate([repair.price_by_grade[:, 0], repair.failed_price[:, :1]], axis=1)
    luck = rng.permutation(found.bench.outlook.unit_noise)
    out: Floats = value + found.terms.kept * price[rows, at] * (luck - 1.0)
    return out


def _slot(weight: Floats, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Draw one column per row, by weight."""
    edges = np.cumsum(weight, axis=1)
    u = rng.random(len(weight)) * edges[:, -1]
    out: npt.NDArray[np.int64] = (u[:, None] > edges).sum(axis=1).clip(max=weight.shape[1] - 1)
    return out
