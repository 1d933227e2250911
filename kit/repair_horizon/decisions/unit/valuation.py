"""What the month makes of an hour, of cash and of risk: the shop's prices for its scarce means."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isinf


@dataclass(frozen=True)
class Valuation:
    """Prices of what is scarce in a month, the same for every unit of the shop.

    Parameters
    ----------
    hour
        Opportunity cost of a bench hour above its wage, money.
    cash_day
        Opportunity cost of one unit of money for a day, above the capital rate.
    tolerance
        Risk tolerance R of the exponential utility -exp(-X / R), money; infinite is risk-neutral.

    Examples
    --------
    >>> Valuation(hour=12.0).charge(2.0)
    24.0
    """

    hour: float = 0.0
    cash_day: float = 0.0
    tolerance: float = inf

    def __post_init__(self) -> None:
        if not (self.hour >= 0 and self.cash_day >= 0 and self.tolerance > 0):
            raise ValueError(
                "an hour and a cash-day cost nothing or more, risk tolerance is above 0; "
                f"found {self.hour}, {self.cash_day}, {self.tolerance}"
            )

    @property
    def neutral(self) -> bool:
        """Whether risk costs nothing."""
        return isinf(self.tolerance)

    def charge(self, hours: float, cash_days: float = 0.0) -> float:
        """Charge for bench hours and for money tied up, in money."""
        return self.hour * hours + self.cash_day * cash_days


NO_CHARGES = Valuation()
