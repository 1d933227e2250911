"""``plan``: the month's purchases and bench work under the cash and the bench hours there are."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.month.listings import open_listings, scorer_for
from repair_horizon.decisions.month.plan_items import (
    BUY,
    MEND,
    Item,
    drawn_profit,
    purchases,
    shelf_jobs,
)
from repair_horizon.decisions.month.programme import choose
from repair_horizon.decisions.month.shelf import GONE
from repair_horizon.decisions.unit.bid import bid_on_terms
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.settings import Settings

Floats = npt.NDArray[np.float64]

COLUMNS = [
    "kind",
    "item",
    "family_id",
    "model_id",
    "about",
    "do",
    "expected_profit",
    "profit_per_hour",
    "hours",
    "cash",
    "price",
    "max_bid",
    "max_bid_at_shadow",
]
SEASON_DAYS = 240


@dataclass(frozen=True, eq=False)
class Plan:
    """What to buy and to mend this month, and how the month may turn out.

    - ``items``: ``COLUMNS``; ``do`` says whether it is in the plan, ``price`` the likely hammer
      price, ``max_bid_at_shadow`` the threshold with bench hours at their shadow price.
    - ``hours``, ``cash``: (used, available); cash is counted as if every bid were called at its
      threshold.
    - ``shadow_hour``: what one more bench hour would earn above its wage, money; ``bench_rate``
      the rate the lower bids are worked out with, the wage plus that.
    - ``shadow_cash``: what one more unit of cash would earn.
    - ``profit``: the month's profit in every world, (draws,); ``cash_low`` the lowest point of
      the free cash until all is sold.
    """

    items: pd.DataFrame
    hours: tuple[float, float]
    cash: tuple[float, float]
    shadow_hour: float
    shadow_cash: float
    bench_rate: float
    profit: Floats
    cash_low: Floats

    def __repr__(self) -> str:
        """Say what is planned."""
        done = self.items[self.items["do"]]
        buys = int((done["kind"] == BUY).sum())
        return f"Plan({buys} to buy, {len(done) - buys} to repair, {self.hours[0]:.1f} hours)"

    def outcome(self, level: float = 0.8) -> pd.DataFrame:
        """Return mean, median and interval of the month's profit and of the cash's low point.

        Columns ``what, mean, lower, median, upper, probability_below_zero``.
        """
        tail = (1 - level) / 2
        rows = []
        for name, drawn in (("profit", self.profit), ("cash low point", self.cash_low)):
            lower, middle, upper = np.quantile(drawn, [tail, 0.5, 1 - tail])
            row = (name, drawn.mean(), lower, middle, upper, (drawn < 0).mean())
            rows.append(row)
        names = ["what", "mean", "lower", "median", "upper", "probability_below_zero"]
        return pd.DataFrame(rows, columns=names)


def plan(
    logs: Logs, settings: Settings, economics: Economics, listings: pd.DataFrame | None = None
) -> Plan:
    """Choose the month's purchases and bench work.

    Parameters
    ----------
    logs
        Stock, open listings, catalogue.
    settings
        Cash, bench hours and wage, seed.
    economics
        From ``unit_economics``; its first month is the month planned, and it must hold the
        families of the listings and the stock.
    listings
        Candidates; the open rows of listings.csv if None.

    Returns
    -------
    Plan
        Expected profit is the largest that the limits allow. Free cash is the working cash less
        what the units in stock cost. A unit that must be cleared first is not planned with.
    """
    rows = logs.tables["listings"] if listings is None else listings
    rows = open_listings(rows, logs.newest_day)
    jobs = shelf_jobs(logs, economics)
    options = purchases(rows, logs, economics) + [j for j in jobs if j.kind == MEND]
    limits = (free_cash(logs, settings), hours_per_month(settings))
    use = np.array([[i.cash for i in options], [i.hours for i in options]])
    choice = choose([i.profit for i in options], use, limits)
    shadow = float(choice.shadow[1])
    taken = [i for i, t in zip(options, choice.taken, strict=True) if t]
    left = [j for j in jobs if j.kind != MEND]
    profit, low = simulate(taken + left, limits[0], settings)
    table = _table(options, choice.taken, _bids_at(economics, settings, shadow, options))
    return Plan(
        table,
        (sum(i.hours for i in taken), limits[1]),
        (sum(i.cash for i in taken), limits[0]),
        shadow,
        float(choice.shadow[0]),
        settings.bench.rate_per_hour + shadow,
        profit,
        low,
    )


def free_cash(logs: Logs, settings: Settings) -> float:
    """Working cash less what the units still in stock cost."""
    stock = logs.tables["stock"]
    tied = stock.loc[~stock["status"].isin(GONE), "amount"].sum()
    return max(settings.limits.working_cash - float(tied), 0.0)


def hours_per_month(settings: Settings) -> float:
    """Bench hours of an average month."""
    return settings.bench.hours_per_week * settings.month_days / 7.0


def at_bench_rate(settings: Settings, more: float) -> Settings:
    """Return settings with every bench hour dearer by ``more``, also where a class has its own."""
    bench = replace(settings.bench, rate_per_hour=settings.bench.rate_per_hour + more)
    by_class = {}
    for name, changes in settings.by_class.items():
        own = changes.get("bench", {})
        if "rate_per_hour" in own:
            own = {**own, "rate_per_hour": own["rate_per_hour"] + more}
            changes = {**changes, "bench": own}
        by_class[name] = changes
    return replace(settings, bench=bench, by_class=by_class)


def _bids_at(
    economics: Economics, settings: Settings, shadow: float, options: list[Item]
) -> dict[str, float]:
    """Threshold of each listing with bench hours at the wage plus their shadow price."""
    dearer = Economics(economics.outlook, at_bench_rate(settings, shadow))
    bids: dict[str, float] = {}
    known = {}
    for item in (i for i in options if i.kind == BUY):
        key = (item.family_id, item.model_id, item.about)
        if key not in known:
            known[key] = scorer_for(dearer, item.family_id, key[1:])
        scorer = known[key]
        if isinstance(scorer, CannotSay) or item.landing is None:
            continue
        bids[item.name] = bid_on_terms(scorer.known, item.landing, scorer.unit.settings).amount
    return bids


def _table(
    options: list[Item], taken: npt.NDArray[np.bool_], bids: dict[str, float]
) -> pd.DataFrame:
    rows = [
        (
            i.kind,
            i.name,
            i.family_id,
            i.model_id,
            i.about,
            bool(t),
            i.profit,
            i.profit / i.hours if i.hours else np.nan,
            i.hours,
            i.cash,
            i.price,
            i.max_bid,
            bids.get(i.name, np.nan),
        )
        for i, t in zip(options, taken, strict=True)
    ]
    table = pd.DataFrame(rows, columns=COLUMNS).astype({"do": bool})
    return table.sort_values(
        ["do", "profit_per_hour", "item"], ascending=[False, False, True], ignore_index=True
    )


def simulate(items: list[Item], cash: float, settings: Settings) -> tuple[Floats, Floats]:
    """Run the month in every world.

    Parameters
    ----------
    items
        What is done.
    cash
        Free cash today.
    settings
        Seed, and the draws where nothing is done.

    Returns
    -------
    tuple
        (profit, lowest free cash), (draws,) each. Items of a family share their world's prices,
        shares and success rates; each has its own state, outcome and luck. Time to sell is drawn
        with the usual mean and no memory (an assumption: no log of it is used).
    """
    rng = np.random.default_rng([settings.seed, 6])
    if not items:
        return np.zeros(1), np.full(1, cash)
    drawn = [drawn_profit(item, rng) for item in items]
    profit = np.sum([earned for earned, _ in drawn], axis=0)
    flow = np.zeros((len(profit), SEASON_DAYS + 1))
    for item, (earned, received) in zip(items, drawn, strict=True):
        paid, fitted, listed, usual = (min(round(d), SEASON_DAYS) for d in item.days)
        flow[:, paid] -= item.paid
        flow[:, fitted] -= item.parts
        selling = rng.exponential(usual, len(earned))
        sold = np.minimum(np.round(listed + selling), SEASON_DAYS).astype("int64")
        flow[np.arange(len(earned)), sold] += received
    low = np.minimum(cash, cash + np.cumsum(flow, axis=1).min(axis=1))
    return profit, low
