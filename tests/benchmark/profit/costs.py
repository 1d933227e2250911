"""What the owner knows: costs, fees, delays, cash and hours, and how money is counted from them.

An accounting of its own, written from the trade's arithmetic and not from the kit's modules, so
that an error there shows here. Figures are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

QUALITIES = ("original_refurbished", "aftermarket")
LEAD = {"original_refurbished": 11.0, "aftermarket": 8.0}
DEAD = {"original_refurbished": 0.03, "aftermarket": 0.07}
RESALE = {"original_refurbished": 1.0, "aftermarket": 0.96}
SHIPPING = 4.5
MONTH = 30.4375


@dataclass(frozen=True)
class Costs:
    """Money per unit, days, rates; ``hours_per_week`` and ``cash`` are what the shop has."""

    hours_per_week: float = 60.0
    cash: float = 40_000.0
    wage: float = 24.0
    test_hours: float = 0.5
    premium: float = 0.15
    inbound: float = 8.0
    fee: float = 0.135
    order_fee: float = 0.5
    carriage: float = 7.0
    packaging: float = 2.0
    return_rate: float = 0.07
    return_cost: float = 24.0
    warranty_rate: float = 0.03
    warranty_cost: float = 75.0
    adhesive: float = 4.0
    consumables: float = 2.0
    collateral: float = 0.05
    collateral_part: float = 16.0
    collateral_hours: float = 0.4
    dead_carriage: float = 7.5
    dead_hours: float = 0.5
    dead_delay: float = 9.0
    reuse: float = 0.7
    failed_as_is: float = 0.68
    inbound_days: float = 5.0
    queue_days: float = 4.0
    bench_days: float = 1.0
    listing_days: float = 1.0
    selling_days: float = 15.0
    capital_rate: float = 0.12
    maker_success: float = 0.98
    maker_carriage: float = 14.0
    maker_hours: float = 0.3
    maker_refused: float = 25.0
    maker_days: float = 10.0
    maker_reserve: float = 4.5
    used_part: float = 0.45
    used_sold: float = 0.8
    part_out_hours: float = 1.25
    part_out_carriage: float = 4.2

    @property
    def reserve(self) -> float:
        """Returns and warranty of one repaired unit, on average."""
        return self.return_rate * self.return_cost + self.warranty_rate * self.warranty_cost

    @property
    def test(self) -> float:
        """Labour of receiving and testing one unit."""
        return self.test_hours * self.wage

    @property
    def hours_per_day(self) -> float:
        """Bench hours a day of the calendar."""
        return self.hours_per_week / 7.0

    def landed(self, price: Floats, direct: Floats | bool = False) -> Floats:
        """Cost of a unit at the bench; one bought direct bears no premium."""
        return np.asarray(np.where(direct, 1.0, 1.0 + self.premium) * price + self.inbound)

    def break_even(self, worth: Floats, interest: Floats) -> Floats:
        """Hammer price whose landed cost, with interest as a share of it, equals a worth."""
        return np.asarray((worth / (1.0 + interest) - self.inbound) / (1.0 + self.premium))

    def direct(self, hammer: Floats) -> Floats:
        """Price paid without premium that costs as much as a hammer price."""
        return np.asarray(hammer * (1.0 + self.premium))

    def net(self, price: Floats) -> Floats:
        """What is left of a sale after fees, carriage and packaging."""
        fixed = self.order_fee + self.carriage + self.packaging
        return np.asarray(price * (1.0 - self.fee) - fixed)

    def parts_interest(self) -> float:
        """Interest on parts, from the bench to the sale, as a share of their price."""
        days = self.bench_days + self.listing_days + self.selling_days
        return self.capital_rate * days / 365.0

    def settings(self, draws: int, seed: int) -> str:
        """Text of settings.toml: costs, cash and hours and nothing else."""
        quality = "\n".join(
            f'[[repair.qualities]]\nname = "{q}"\nprice_factor = {RESALE[q]}\n'
            f"return_rate = {self.return_rate}\nwarranty_rate = {self.warranty_rate}\n"
            for q in QUALITIES
        )
        return f"""currency = "EUR"
seed = {seed}
draws = {draws}
grade_order = ["A", "B", "C", "D"]
[bench]
rate_per_hour = {self.wage}
hours_per_week = {self.hours_per_week}
test_hours = {self.test_hours}
[limits]
working_cash = {self.cash}
[purchase]
inbound = {self.inbound}
premium = [{{ above = 0.0, rate = {self.premium} }}]
[[channels]]
name = "marketplace"
percentage_fee = {self.fee}
fixed_fee = {self.order_fee}
[[channels]]
name = "own_shop"
percentage_fee = 0.03
fixed_fee = 1.0
[sale]
channel = "marketplace"
carriage = {self.carriage}
packaging = {self.packaging}
[reserve]
return_rate = {self.return_rate}
return_cost = {self.return_cost}
warranty_rate = {self.warranty_rate}
warranty_cost = {self.warranty_cost}
[repair]
adhesive = {self.adhesive}
consumables = {self.consumables}
doa_rate = {DEAD["original_refurbished"]}
doa_carriage = {self.dead_carriage}
doa_hours = {self.dead_hours}
doa_delay_cost = {self.dead_delay}
reuse_factor = {self.reuse}
failed_as_is_factor = {self.failed_as_is}
[[repair.collateral]]
name = "back cover cracked on opening"
probability = {self.collateral}
part_cost = {self.collateral_part}
hours = {self.collateral_hours}
{quality}
[delay]
inbound_days = {self.inbound_days}
queue_days = {self.queue_days}
bench_days = {self.bench_days}
listing_days = {self.listing_days}
selling_days = {self.selling_days}
part_lead_days = {LEAD["original_refurbished"]}
capital_rate = {self.capital_rate}
[maker]
success = {self.maker_success}
carriage = {self.maker_carriage}
admin_hours = {self.maker_hours}
refused_fee = {self.maker_refused}
lead_days = {self.maker_days}
reserve = {self.maker_reserve}
[part_out]
price_factor = {self.used_part}
sold_share = {self.used_sold}
hours = {self.part_out_hours}
carriage_per_part = {self.part_out_carriage}
"""
