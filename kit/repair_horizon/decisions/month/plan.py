"""``plan``: the month's bids and bench work, supposing no win.

Which lots will be won nobody knows: a lot is won where the highest rival stays below the bid. So
the month is run in every draw, listings in the order they end, rivals' prices drawn jointly with
the common prices, and says how many wins, hours and how much cash to expect, and after how many
wins to stop bidding so that the chance of running out of cash stays within one in twenty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.decisions.month.listings import (
    BID,
    FIXED_PRICE,
    open_listings,
    score,
)
from repair_horizon.decisions.month.lot_values import LotWorth, drawn_worth, lots_worth
from repair_horizon.decisions.month.shelf import workable
from repair_horizon.decisions.unit.bid_limits import EndStates
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.decisions.unit.disposition import AtGate
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.options import REPAIR, RepairOption
from repair_horizon.decisions.unit.outcomes import outcomes_of
from repair_horizon.decisions.unit.winning import HighestRival
from repair_horizon.estimation.rival_prices import PRIVATE
from repair_horizon.logs import Logs
from repair_horizon.logs.consequences import GONE
from repair_horizon.tables.arrays import Bools, Floats
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import percent

BUY, MEND, SELL = "buy", "repair", "sell"
SEASON_DAYS = 240
RUNS_OUT = 0.05
RANGE = (0.05, 0.95)
_AS_SCORED = (
    *("family_id", "model_id", "end_time", "max_bid"),
    *("probability_win", "expected_profit", "profit_per_hour", "terms", "then"),
)


@dataclass(frozen=True, eq=False)
class Flow:
    """What one thing does to the month in every draw, (draws,) each; all zero where not done.

    ``happens`` says where it comes about (a lot won; a job always), ``paid`` and ``parts`` what is
    paid, ``received`` what its sale brings, ``profit`` what it earns above what is owned anyway.
    """

    happens: Bools
    paid: Floats
    parts: Floats
    received: Floats
    profit: Floats
    hours: float
    days: Days


@dataclass(frozen=True)
class Days:
    """When money moves, days from today: unit paid, parts paid, listed; then mean days to sell."""

    paid: float
    parts: float
    listed: float
    selling: float


@dataclass(frozen=True, eq=False)
class Month:
    """How a month ends in every draw, (draws,) each; ``cash_low`` is the lowest free cash of it."""

    wins: Floats
    hours: Floats
    cash_spent: Floats
    profit: Floats
    cash_low: Floats


@dataclass(frozen=True, eq=False)
class Plan(Month):
    """What to bid on and to mend this month, and how the month may turn out.

    - ``items``: the declared table ``plan``; listings in the order they end, then jobs by worth
      per bench hour.
    - ``hours_there``, ``cash_there``: what there is; missing where not named.
    - ``stop_after``: wins after which to stop bidding; None if no such limit is needed.
    - ``hour``, ``cash_day``: the month's opportunity costs.
    """

    items: pd.DataFrame
    hours_there: float
    cash_there: float
    stop_after: int | None
    hour: float
    cash_day: float

    def __repr__(self) -> str:
        """Say what is planned."""
        kinds = self.items.loc[self.items["do"], "kind"]
        bids, jobs = int((kinds == BUY).sum()), int((kinds == MEND).sum())
        return f"Plan({bids} to bid on, {jobs} to repair, {self.wins.mean():.1f} wins expected)"

    def outcome(self) -> pd.DataFrame:
        """Return mean, median and 90 % range of wins, hours, cash, profit and the cash's low.

        Columns ``what, mean, lower, median, upper, there, probability_below_zero``.
        """
        rows = []
        for name, drawn, there in (
            ("lots won", self.wins, np.nan),
            ("bench hours", self.hours, self.hours_there),
            ("cash paid", self.cash_spent, self.cash_there),
            ("profit", self.profit, np.nan),
            ("cash low point", self.cash_low, np.nan),
        ):
            lower, middle, upper = np.quantile(drawn, [RANGE[0], 0.5, RANGE[1]])
            rows.append((name, drawn.mean(), lower, middle, upper, there, (drawn < 0).mean()))
        names = ["what", "mean", "lower", "median", "upper", "there", "probability_below_zero"]
        return pd.DataFrame(rows, columns=names)

    def words(self) -> str:
        """Say when to stop bidding."""
        if not ((self.items["kind"] == BUY) & self.items["do"].astype(bool)).any():
            return "No listing is worth a bid."
        if self.stop_after is None:
            return "Bid on all of them: cash lasts whatever is won."
        return (
            f"Stop bidding after {self.stop_after} lots won: with more, the chance that cash runs "
            f"out would pass {percent(RUNS_OUT)}."
        )


def plan(
    logs: Logs, settings: Settings, economics: Economics, listings: pd.DataFrame | None = None
) -> Plan:
    """Plan the month's bids and bench work.

    Parameters
    ----------
    logs
        Stock, open listings, catalogue.
    settings
        Cash, bench hours, seed.
    economics
        Of the families, with this month's valuation; its first month is the month planned,
        and it must hold the families of the listings and the stock.
    listings
        Candidates; the open rows of listings.csv if None.

    Returns
    -------
    Plan
        Nothing is supposed won. A unit that must be cleared before any work is not planned with.
    """
    rows = logs.tables["listings"] if listings is None else listings
    rows = open_listings(rows, logs.newest_day)
    scored = score(rows, logs, economics)
    wanted = set(scored.loc[scored["advice"] == BID, "listing_id"])
    worth = lots_worth(rows, logs, economics, wanted)
    jobs = shelf_jobs(logs, economics)
    return planned(logs, settings, economics.valuation, scored, worth, jobs)


def planned(
    logs: Logs,
    settings: Settings,
    valuation: Valuation,
    scored: pd.DataFrame,
    worth: Mapping[str, LotWorth],
    jobs: Sequence[Job],
) -> Plan:
    """Run the month with listings scored, what those worth bidding for come to, and the jobs."""
    wanted = scored[scored["advice"] == BID].sort_values(["end_time", "listing_id"])
    rng = np.random.default_rng([settings.seed, 6])
    lots = [_lot(row, worth[row.listing_id], logs.newest_day, rng) for row in wanted.itertuples()]
    work = [job.flow(rng) for job in jobs]
    cash = free_cash(logs, settings)
    stop_after = _stop_after(lots, work, cash, settings)
    return Plan(
        **vars(_run(lots, work, cash, stop_after, settings)),
        items=_table(wanted, lots, jobs),
        hours_there=hours_per_month(settings),
        cash_there=cash,
        stop_after=stop_after,
        hour=valuation.hour,
        cash_day=valuation.cash_day,
    )


def free_cash(logs: Logs, settings: Settings) -> float:
    """Working cash less what the units still in stock cost; missing where no cash is named."""
    if settings.limits.working_cash is None:
        return float("nan")
    return max(settings.limits.working_cash - stock_at_cost(logs), 0.0)


def stock_at_cost(logs: Logs) -> float:
    """What the units still in stock cost, money."""
    stock = logs.tables["stock"]
    return float(stock.loc[~stock["status"].isin(GONE), "amount"].sum())


def hours_per_month(settings: Settings) -> float:
    """Bench hours of an average month; missing where none are named."""
    weekly = settings.bench.hours_per_week
    return float("nan") if weekly is None else weekly * settings.month_days / 7.0


@dataclass(frozen=True, eq=False)
class Job:
    """One unit owned and what is best for it."""

    kind: str
    unit_id: str
    family_id: str
    model_id: str
    state: str
    lead: float
    hours: float
    parts: float
    days: Days
    other: Floats
    mended: EndStates | None
    luck: Floats
    kept: float

    def flow(self, rng: np.random.Generator) -> Flow:
        """Draw what it brings in every draw, its own outcome and luck drawn too.

        ``other`` is the best other option now, (draws,), ``mended`` where its repair may end.
        """
        value = self.other
        if self.mended is not None:
            value = drawn_worth(self.mended, self.kept, self.luck, rng)
        parts = np.full(len(value), self.parts)
        return Flow(
            np.ones(len(value), dtype=bool),
            np.zeros(len(value)),
            parts,
            value + parts,
            value - self.other,
            self.hours,
            self.days,
        )


def shelf_jobs(logs: Logs, economics: Economics) -> list[Job]:
    """Units owned that work may go on with: those repair is best for, and those to be sold.

    A repair's lead over the best alternative is what doing it earns; a sale takes neither bench
    hours nor cash and earns nothing beyond what is already owned.
    """
    return [_job(*found) for found in workable(logs, economics)]


def _job(unit: pd.Series, family_id: str, found: AtGate) -> Job:
    values = {n: float(p[0]) for n, p in found.paths.items()}
    mends = max(values, key=lambda k: values[k]) == REPAIR
    delay, options = found.rules.delay, found.options
    repair = options.repair if mends and options is not None else None
    cash = np.zeros(1) if repair is None else np.asarray(repair.parts_cash)
    wait = delay.inbound_days + delay.queue_days
    work = 0.0 if repair is None else delay.part_lead_days + delay.bench_days
    return Job(
        MEND if mends else SELL,
        str(unit["unit_id"]),
        family_id,
        str(unit["model_id"]),
        str(unit["state"]),
        values[REPAIR] - found.alternative if mends else 0.0,
        found.hours if mends else 0.0,
        float(np.mean(cash[:, 0] if cash.ndim > 1 else cash)),
        Days(0.0, wait, wait + work + delay.listing_days, delay.selling_days),
        _other(found),
        None if repair is None else _mended(repair),
        found.bench.outlook.unit_noise,
        found.terms.kept,
    )


def _lot(row: Any, lot: LotWorth, today: pd.Timestamp, rng: np.random.Generator) -> Flow:
    """One scored listing in every draw: won or not, at which price, and what comes of it."""
    land, delay, units = lot.landing, lot.delay, lot.units
    price, won = _price(row, lot.rival, len(units[0].luck), rng)
    paid = land.landed_each(price)
    worth = np.asarray(
        sum(drawn_worth(u.states, u.kept, u.luck, rng) for u in units), dtype="float64"
    )
    worth -= sum(u.shortfall for u in units)
    parts = sum(u.parts for u in units)
    start = float(max((row.end_time - today.normalize()).days, 0))
    return Flow(
        won,
        paid,
        np.full(len(worth), parts),
        worth + parts,
        worth - paid * (1 + land.money.kappa),
        sum(u.hours for u in units),
        Days(
            start,
            start + delay.inbound_days + delay.queue_days,
            start + lot.days - delay.selling_days,
            delay.selling_days,
        ),
    )


def _price(
    row: Any, rival: HighestRival | None, n: int, rng: np.random.Generator
) -> tuple[Floats, Bools]:
    """Price paid in every draw, and whether the lot comes to us.

    A rival below the price already bid is ruled out, as for the listing's chance of winning.
    """
    current, limit = float(np.nan_to_num(row.current_bid)), float(row.max_bid)
    if row.terms == FIXED_PRICE:
        return np.full(n, current or limit), np.ones(n, dtype=bool)
    if row.terms == PRIVATE:
        taken = rng.random(n) < np.nan_to_num(float(row.probability_win), nan=1.0)
        return np.full(n, float(row.offer)), taken
    if rival is None:
        return np.full(n, max(current, limit)), np.ones(n, dtype=bool)
    price = replace(rival, floor=current).drawn(rng)
    return np.clip(price, current, limit), (price < limit) & (limit > current)


def _other(found: AtGate) -> Floats:
    """Value now of the best option but repair in every draw; of a working unit what it fetches."""
    if found.options is None:
        worth = float(max(p[0] for p in found.paths.values()))
        return np.full(len(found.bench.outlook.unit_noise), worth)
    return found.options.best_alternative()[:, 0].copy()


def _mended(repair: RepairOption) -> EndStates:
    """Where a repair may end now: each grade, or failed."""
    found = outcomes_of(repair, 0)
    return EndStates(found.chance, found.worth, found.price)


def _stop_after(lots: list[Flow], work: list[Flow], cash: float, settings: Settings) -> int | None:
    """Most wins with which cash lasts in all but one draw of twenty; None if any number will do."""
    if np.isnan(cash) or not lots:
        return None

    def runs_out(most: int | None) -> float:
        return float((_run(lots, work, cash, most, settings).cash_low < 0).mean())

    if runs_out(None) <= RUNS_OUT:
        return None
    low, high = 0, len(lots)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if runs_out(middle) <= RUNS_OUT else (low, middle)
    return low


def _run(
    lots: list[Flow], work: list[Flow], cash: float, most: int | None, settings: Settings
) -> Month:
    """Run the month in every draw; time to sell is drawn with the usual mean and no memory."""
    rng = np.random.default_rng([settings.seed, 8])
    both = [*lots, *work]
    n = len(both[0].paid) if both else 1
    wins, hours, spent, profit = (np.zeros(n) for _ in range(4))
    flow = np.zeros((n, SEASON_DAYS + 1))
    for at, item in enumerate(both):
        is_lot = at < len(lots)
        done = item.happens if most is None or not is_lot else item.happens & (wins < most)
        wins += done if is_lot else 0
        hours += done * item.hours
        spent += done * (item.paid + item.parts)
        profit += done * item.profit
        paid, fitted, listed = (
            min(round(d), SEASON_DAYS) for d in (item.days.paid, item.days.parts, item.days.listed)
        )
        flow[:, paid] -= done * item.paid
        flow[:, fitted] -= done * item.parts
        sold = np.minimum(np.round(listed + rng.exponential(item.days.selling, n)), SEASON_DAYS)
        flow[np.arange(n), sold.astype("int64")] += done * item.received
    start = np.nan_to_num(cash)
    low = np.minimum(start, start + np.cumsum(flow, axis=1).min(axis=1))
    return Month(wins, hours, spent, profit, low)


def _table(wanted: pd.DataFrame, lots: list[Flow], jobs: Sequence[Job]) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for row, flow in zip(wanted.itertuples(), lots, strict=True):
        win = 1.0 if np.isnan(row.probability_win) else row.probability_win
        rows.append(
            {
                **{n: getattr(row, n) for n in _AS_SCORED},
                "kind": BUY,
                "item": row.listing_id,
                "about": row.listed_fault,
                "do": True,
                "gain": win * row.expected_profit,
                "hours": flow.hours,
                "cash": float(flow.paid.max() + flow.parts[0]),
            }
        )
    for job in sorted(jobs, key=lambda j: (-_per_hour(j.lead, j.hours), j.unit_id)):
        if job.kind == MEND:
            rows.append(
                {
                    "kind": MEND,
                    "item": job.unit_id,
                    "family_id": job.family_id,
                    "model_id": job.model_id,
                    "about": job.state,
                    "do": True,
                    "expected_profit": job.lead,
                    "profit_per_hour": _per_hour(job.lead, job.hours),
                    "gain": job.lead,
                    "hours": job.hours,
                    "cash": job.parts,
                }
            )
    return OUTPUTS["plan"].table(rows).assign(caution=BEFORE_BUYING).astype({"do": bool})


def _per_hour(worth: float, hours: float) -> float:
    return worth / hours if hours else float("inf") if worth > 0 else 0.0
