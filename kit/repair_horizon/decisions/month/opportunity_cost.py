"""What a bench hour and a day of cash are worth this month: the prices of the dual.

    minimise over lambda_h, lambda_c >= 0
        lambda_h x hours there are + lambda_c x cash-days there are
        + sum over models and faults of listings a month x E[max(0, V(lambda) - L(h, lambda))]
        + sum over owned units of max over options of V(lambda)

risk-neutral, h the price a won lot is paid at. The sum is convex in lambda and its slope is what
there is less what is wanted, so nested bisection on the slope finds it; where demand steps over
the supply the smaller demand is kept. One pair of prices then holds for every face of the month.
(Linear programming duality: the sum is the Lagrangian dual of taking the options of most worth
within the hours and the cash there are, and its minimisers are what one more of each would earn.)
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.month.shelf import workable
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.options import Option
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS

LISTING_MONTHS = 6
_NODES = 24
_PRIOR_MONTHS = 1.0


@dataclass(frozen=True, eq=False)
class Choices:
    """Options of one state: mean worth without charges, bench hours, cash-days; (options,) each."""

    share: float
    worth: Floats
    hours: Floats
    cash_days: Floats

    def best(self, hour: float, cash_day: float) -> tuple[float, float, float]:
        """Worth less charges of the best option, and the hours and cash-days it takes."""
        net = self.worth - hour * self.hours - cash_day * self.cash_days
        at = int(np.argmax(net))
        return float(net[at]), float(self.hours[at]), float(self.cash_days[at])


@dataclass(frozen=True, eq=False)
class Purchases:
    """Lots of one model and fault that come up in a month.

    ``per_month`` listings; ``prices`` at which they would be won, (nodes,), of equal chance;
    ``days`` from payment to sale; ``test_hours`` on top of each option's.
    """

    states: tuple[Choices, ...]
    per_month: float
    prices: Floats
    landing: Landing
    days: float
    test_hours: float

    def demand(self, hour: float, cash_day: float) -> tuple[float, float]:
        """Bench hours and cash-days wanted a month at these prices."""
        net = hours = cash_days = 0.0
        for state in self.states:
            worth, takes, ties = state.best(hour, cash_day)
            net += state.share * worth
            hours += state.share * takes
            cash_days += state.share * ties
        hours += self.test_hours
        net -= hour * self.test_hours
        landed = self.landing.landed_each(self.prices)
        paid = landed * (1 + self.landing.kappa + cash_day * self.days)
        won = paid < net
        if not won.any():
            return 0.0, 0.0
        chance = self.per_month * float(won.mean())
        tied = self.per_month * float((landed * won).mean()) * self.days
        return chance * hours, tied + chance * cash_days


@dataclass(frozen=True, eq=False)
class Owned:
    """A unit in stock: what may be done with it."""

    choices: Choices

    def demand(self, hour: float, cash_day: float) -> tuple[float, float]:
        """Bench hours and cash-days wanted at these prices."""
        _, hours, cash_days = self.choices.best(hour, cash_day)
        return hours, cash_days


@dataclass(frozen=True)
class Scarcity:
    """Opportunity costs and what they rest on.

    ``hour`` per bench hour above its wage and ``cash_day`` per unit of money and day above the
    capital rate; ``hours_wanted`` at these prices; ``words`` says it.
    """

    hour: float
    cash_day: float
    hours_wanted: float
    words: str


def choices_of(options: Iterable[Option], share: float, cash_span: float) -> Choices:
    """Reduce a state's options this month, worked out without charges, to means.

    Parameters
    ----------
    share
        Mean share of the state.
    cash_span
        Days that cash in parts is tied up.
    """
    given = list(options)
    cash = []
    for option in given:
        spent = np.asarray(option.parts_cash)
        cash.append(float(spent if spent.ndim == 0 else np.mean(spent[..., 0])))
    return Choices(
        share,
        np.array([float(np.nanmean(o.value[:, 0])) for o in given]),
        np.array([o.hours for o in given]),
        np.array(cash) * cash_span,
    )


def purchases_of(unit: UnitEconomics) -> Purchases | None:
    """One lot a month of a model and fault as demand for hours and cash; None without a rival."""
    rival = Outcomes(unit, 0).rival
    if rival is None:
        return None
    span = unit.settings.delay.parts_days
    # Quantiles of the price paid, over draws and auctions together.
    z = np.random.default_rng(0).standard_normal(len(rival.log_median))
    drawn = rival.log_median + rival.spread * z
    prices = np.exp(np.quantile(drawn, (np.arange(_NODES) + 0.5) / _NODES))
    states = [choices_of(s.options.values(), s.usual, span) for s in unit.states]
    landing = unit.landing
    return Purchases(tuple(states), 1.0, prices, landing, unit.days, unit.test_hours)


def scarcity(
    purchases: Sequence[Purchases],
    owned: Sequence[Owned],
    hours: float | None,
    cash_days: float | None,
) -> Scarcity:
    """Find the opportunity costs at which no more is wanted than there is.

    Parameters
    ----------
    purchases, owned
        Demand, worked out without charges.
    hours
        Bench hours there are in the month; None: without limit.
    cash_days
        Cash-days there are; None: without limit.
    """

    def wanted(hour: float, cash_day: float) -> tuple[float, float]:
        found = [p.demand(hour, cash_day) for p in purchases]
        found += [o.demand(hour, cash_day) for o in owned]
        return sum(h for h, _ in found), sum(c for _, c in found)

    def hour_at(cash_day: float) -> float:
        if hours is None:
            return 0.0
        return _price(lambda x: wanted(x, cash_day)[0], hours, 4.0)

    cash_day = 0.0
    if cash_days is not None:
        cash_day = _price(lambda y: wanted(hour_at(y), y)[1], cash_days, 1e-4)
    hour = hour_at(cash_day)
    used, _ = wanted(hour, cash_day)
    words = _words(hour, cash_day, bool(purchases), hours, cash_days)
    return Scarcity(hour, cash_day, used, words)


def _price(want: Callable[[float], float], supply: float, step: float) -> float:
    """Lowest price at which demand is within supply, by doubling and bisection; 0 if it is free."""
    if want(0.0) <= supply:
        return 0.0
    low, high = 0.0, step
    while want(high) > supply and high < step * 2.0**20:
        low, high = high, 2.0 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if want(middle) <= supply else (middle, high)
        if high - low < 1e-4 * high:
            break
    return high


def _words(
    hour: float, cash_day: float, any_listings: bool, hours: float | None, cash: float | None
) -> str:
    said = []
    if not any_listings and (hours is not None or cash is not None):
        said.append("no listing of the last months can be priced: only owned work is counted")
    if hours is None:
        said.append("no bench hours named: an hour costs its wage")
    elif hour > 0:
        said.append(f"a bench hour is worth {hour:.2f} above its wage this month")
    else:
        said.append("the bench has hours to spare: an hour costs its wage")
    if cash is None:
        said.append("no working cash named: cash costs its capital rate")
    elif cash_day > 0:
        said.append(f"1,000 of cash is worth {30437.5 * cash_day:.2f} a month above its rate")
    else:
        said.append("there is cash to spare: it costs its capital rate")
    return "; ".join(said)


def owned_units(logs: Logs, economics: Economics) -> list[Owned]:
    """Units in stock that work may go on with, as demand for hours and cash.

    ``economics`` is worked out without charges.
    """
    out = []
    for _, _, found in workable(logs, economics):
        if found.options is not None:
            options, span = found.options.options, found.rules.delay.parts_days
            out.append(Owned(choices_of(options.values(), 1.0, span)))
    return out


def listings_per_month(listings: pd.DataFrame, now: pd.Timestamp) -> pd.Series:
    """Listings a month of each model and fault: Gamma-Poisson over the last months.

    Parameters
    ----------
    listings
        Rows of listings.csv, past and open.
    now
        Newest day of the logs.

    Returns
    -------
    Series
        Indexed by (model_id, listed_fault), units a month. Each rate starts from the mean over
        all models and faults seen, worth ``_PRIOR_MONTHS`` months.
    """
    since = now - pd.Timedelta(days=AVERAGE_MONTH_DAYS * LISTING_MONTHS)
    rows = listings[(listings["end_time"] > since)]
    seen = listings["end_time"].min() if len(listings) else now
    span = min(max((now - seen).days / AVERAGE_MONTH_DAYS, 1.0), float(LISTING_MONTHS))
    if rows.empty:
        return pd.Series(dtype="float64")
    count = rows["quantity"].fillna(1.0) if "quantity" in rows else pd.Series(1.0, rows.index)
    units = count.groupby([rows["model_id"], rows["listed_fault"]]).sum()
    prior = float(units.mean()) / span
    return (units + prior * _PRIOR_MONTHS) / (span + _PRIOR_MONTHS)
