"""The re-decide gate: what a unit is worth from here, and how far its repair may worsen.

Only future cash counts; what was paid is sunk. With V+ the value of a repair that succeeds, V- of
one that fails, rho its success rate and A the best alternative to own repair:

    success rate at break-even   (A - V-) / (V+ - V-)
    part price at break-even     p + (rho V+ + (1 - rho) V- - A) / slope,  slope = -dV/dp
    maker's quote at break-even  [rho_m (N - c) + (1 - rho_m)(A - c - f) - V] / rho_m

with N the net sale after the maker's repair, c carriage and paperwork, f the refused-quote fee and
V the value of own repair. A part dearer by one costs its interest too, and comes back in part when
the repair fails.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

HOLD_WEEKS = (2, 4, 8)


@dataclass(frozen=True)
class RepairAtGate:
    """Own repair at the gate: values given success and failure, before nothing but future cash."""

    good: float
    bad: float
    success: float
    hours: float

    @property
    def value(self) -> float:
        """Expected value."""
        return self.success * self.good + (1.0 - self.success) * self.bad


@dataclass(frozen=True)
class MakerTerms:
    """The maker's service: its success rate, net sale after it, carriage and paperwork, fee."""

    success: float
    net: float
    carriage_admin: float
    refused_fee: float


def break_even_success(repair: RepairAtGate, alternative: float) -> float:
    """Success rate at which repair and the best alternative are worth the same.

    Above 1 repair cannot win, below 0 it cannot lose; missing where success gains nothing.
    """
    gain = repair.good - repair.bad
    return (alternative - repair.bad) / gain if gain > 0 else float("nan")


def part_slope(success: float, cash: tuple[float, float], reuse: float) -> float:
    """Return what repair loses per unit of part price.

    Parameters
    ----------
    success
        Success rate.
    cash
        (yearly cost of cash, days from paying for the part to the sale).
    reuse
        Share of the part's price that comes back when the repair fails.
    """
    rate, days = cash
    return 1.0 + rate * days / 365.0 - (1.0 - success) * reuse


def break_even_part_price(price: float, lead: float, slope: float) -> float:
    """Part price at which repair's lead over the best alternative is gone."""
    return price + lead / slope


def break_even_maker_quote(terms: MakerTerms, alternative: float, own: float) -> float:
    """Maker's quote at which its service is worth the same as own repair."""
    done = terms.success * (terms.net - terms.carriage_admin)
    refused = (1 - terms.success) * (alternative - terms.carriage_admin - terms.refused_fee)
    return (done + refused - own) / terms.success


def stop_loss_hours(planned: float, lead: float, rate: float) -> float:
    """Bench hours at which the job has eaten repair's lead; no more should go into it.

    Parameters
    ----------
    planned
        Hours the job should take.
    lead
        Value of repair above the best alternative.
    rate
        Worth of a bench hour; without one only the planned hours are told.
    """
    return planned + max(lead, 0.0) / rate if rate > 0 else planned


def held_value(paths: Mapping[str, Floats], weeks: float, capital_rate: float) -> float:
    """Value today of keeping a unit for some weeks and then taking the best option.

    Parameters
    ----------
    paths
        Mean value of each option by month from now, (months,); between months it is straight.
    weeks
        How long; at most as far as the paths reach.
    capital_rate
        Yearly cost of the cash the unit is worth.

    Returns
    -------
    float
        The best option's value then, less interest; an option worth less than nothing is not
        made better by waiting.
    """
    at = weeks * 7.0 / 30.4375
    later = max(float(np.interp(at, np.arange(len(p)), p)) for p in paths.values())
    return later - max(later, 0.0) * capital_rate * weeks * 7.0 / 365.0


def offer_floor(worth: float, kept: float, fixed: float) -> float:
    """Lowest gross offer to accept today, to the cent above.

    Parameters
    ----------
    worth
        Value of going on as advised, future cash seen from today.
    kept
        Share of an offer left after fees and tax.
    fixed
        Fixed fee, carriage and packaging of the sale.
    """
    return float(np.ceil(np.round(max((worth + fixed) / kept, 0.0) * 100.0, 6)) / 100.0)


def lead_paths(values: Mapping[str, Floats]) -> dict[str, Floats]:
    """Mean over the draws of each option's value, (months,)."""
    return {n: np.asarray(v.mean(axis=0), dtype="float64") for n, v in values.items()}
