"""Money in whole cents, and the tax in it. Not tax advice: ask your adviser.

Every line is rounded to cents, half to even; a bid is rounded down.

Four settings of ``tax.scheme``: ``none``; ``on_sale``, the fraction theta = rate / (1 + rate) of
the price (``costs.sale``); ``margin``, the scheme below; ``special_credit``, tax on the
sale less a credit of theta of the purchase price, whole up to ``tax.credit_threshold`` and at most
the tax on the sale above it (Australian GST Act s 66-10, at 10 %: one eleventh). No credit is
counted for a unit that is not sold whole.

The tax is the fraction theta = rate / (1 + rate) of the margin between selling and purchase
price, and nothing on a loss-making item (Directive 2006/112/EC art. 312-325; UK VAT Notice 718).
Repairs and parts must not be added to the purchase price (HMRC manual VATMARG02300).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.settings import Settings

NOT_TAX_ADVICE = (
    "Taxes are worked out as the settings say. This is not tax advice: "
    "rates and schemes differ by country and change; ask your adviser."
)
ON_MARGIN = ("margin", "special_credit")


def cents(amount: Any) -> Floats:
    """Round to cents, half to even; a value that is a tie but for binary noise counts as a tie."""
    out: Floats = np.asarray(amount, dtype="float64") * 100.0
    if np.ndim(out):
        # In place: much of a page's arithmetic is done here, on draws by months by grades.
        np.rint(np.round(out, 6, out=out), out=out)
        out /= 100.0
    else:
        out = np.rint(np.round(out, 6)) / 100.0
    return out


def round_down(amount: Any, increment: float) -> Floats:
    """Round down to a multiple of the bid increment."""
    steps = np.round(np.asarray(amount, dtype="float64") / increment, 6)
    out: Floats = np.round(np.floor(steps) * increment, 6)
    return out


def tax_fraction(rate: float) -> float:
    """Share of a tax-inclusive amount that is tax."""
    return rate / (1 + rate)


def margin_fraction(rules: Settings) -> float:
    """Tax fraction of the margin; zero unless a scheme taxes the margin."""
    return tax_fraction(rules.tax.rate) if rules.tax.scheme in ON_MARGIN else 0.0
