"""What is left of a sale: price less fees, carriage, packaging, reserve and any tax on it.

net = X - (phi + psi) X - fixed - carriage - packaging - reserve - tax
"""

from __future__ import annotations

from dataclasses import dataclass

from repair_horizon.decisions.costs.money import cents, tax_fraction
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.settings import Channel, Reserve, Settings


@dataclass(frozen=True)
class SaleTerms:
    """Costs of selling one unit: share of the price, and fixed money per order."""

    fee_rate: float
    fixed: float
    carriage_packaging: float
    tax_share: float

    @property
    def kept(self) -> float:
        """Share of each further unit of price that reaches us."""
        return 1.0 - self.fee_rate - self.tax_share


def sale_terms(settings: Settings, day: str = "9999-12-31") -> SaleTerms:
    """Terms of the planning channel on a day.

    Under the scheme 'on_sale' the tax contained in the price, rate / (1 + rate), is due on the
    whole of it; the margin scheme depends on the purchase and is worked out with the bid.
    """
    channel = planning_channel(settings, day)
    tax = tax_fraction(settings.tax.rate) if settings.tax.scheme == "on_sale" else 0.0
    return SaleTerms(
        channel.percentage_fee + channel.payment_fee,
        channel.fixed_fee,
        settings.sale.carriage + settings.sale.packaging,
        tax,
    )


def planning_channel(settings: Settings, day: str) -> Channel:
    """Return the channel planned with, at the fees in force on a day.

    Before its first fees begin, those are taken.
    """
    fees = [c for c in settings.channels if c.name == settings.planned_channel] or [Channel()]
    begun = [c for c in fees if c.valid_from <= day] or [min(fees, key=lambda c: c.valid_from)]
    return max(begun, key=lambda c: c.valid_from)


def reserve_per_unit(reserve: Reserve) -> float:
    """Money put aside for returns and warranty of one repaired unit."""
    returns = cents(reserve.return_rate * reserve.return_cost)
    warranty = cents(reserve.warranty_rate * reserve.warranty_cost)
    return float(returns + warranty)


def net_sale(price: Floats, terms: SaleTerms, reserve: float = 0.0) -> Floats:
    """Net proceeds of a sale, before any margin-scheme tax.

    Parameters
    ----------
    price
        Gross price, any shape, rounded to cents first.
    terms
        Costs of the channel.
    reserve
        Reserve for returns and warranty; none for a unit sold as is.
    """
    return net_of(cents(price), terms, reserve)


def net_of(gross: Floats, terms: SaleTerms, reserve: float = 0.0) -> Floats:
    """Do what ``net_sale`` does with a price that is in whole cents already."""
    left = gross - cents(gross * terms.fee_rate)
    if terms.tax_share:
        left = left - cents(gross * terms.tax_share)
    return cents(left - (terms.fixed + terms.carriage_packaging + reserve))
