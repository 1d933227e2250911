"""Tax on a second-hand sale under a margin scheme. Not tax advice: ask your adviser.

Four settings of ``tax.scheme``: ``none``; ``on_sale``, the fraction theta = rate / (1 + rate) of
the price (``kit.decisions.selling``); ``margin``, the scheme below; ``special_credit``, tax on the
sale less a credit of theta of the purchase price, whole up to ``tax.credit_threshold`` and at most
the tax on the sale above it (Australian GST Act s 66-10, at 10 %: one eleventh). No credit is
counted for a unit that is not sold whole.

The tax is the fraction theta = rate / (1 + rate) of the margin between selling and purchase
price, and nothing on a loss-making item (Directive 2006/112/EC art. 312-325; UK VAT Notice 718).
Repairs and parts must not be added to the purchase price (HMRC manual VATMARG02300).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from kit.decisions.money import cents

Floats = npt.NDArray[np.float64]

NOT_TAX_ADVICE = (
    "Taxes are worked out as the settings say. This is not tax advice: "
    "rates and schemes differ by country and change; ask your adviser."
)
ON_MARGIN = ("margin", "special_credit")


def tax_fraction(rate: float) -> float:
    """Share of a tax-inclusive amount that is tax."""
    return rate / (1 + rate)


def margin_tax(price: Floats, purchase_price: Floats, rate: float) -> Floats:
    """Tax due on one item: the fraction of its margin, never negative, rounded to cents."""
    margin = np.maximum(0.0, np.asarray(price) - np.asarray(purchase_price))
    return cents(tax_fraction(rate) * margin)


def special_credit_tax(price: float, purchase_price: float, threshold: float = 300.0) -> float:
    """Net tax of a second-hand dealer under the Australian credit rule, GST Act s 66-10.

    Above the threshold the credit is the lesser of 1/11 of the purchase price and the tax on the
    sale; at or below it, 1/11 outright. A negative result is a refund.
    """
    on_sale = price / 11.0
    credit = purchase_price / 11.0
    if purchase_price > threshold:
        credit = min(credit, on_sale)
    return float(cents(on_sale - credit))
