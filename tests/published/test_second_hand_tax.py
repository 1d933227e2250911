"""Second-hand tax against published examples. Not tax advice."""

import pytest

from kit.decisions.money import cents
from kit.decisions.tax import margin_tax, special_credit_tax, tax_fraction


@pytest.mark.parametrize(
    ("bought", "sold", "due"),
    [(1500, 2000, 83.33), (400, 700, 50.00), (8500, 12000, 583.33), (1200, 950, 0.00)],
)
def test_margin_scheme_examples(bought: float, sold: float, due: float) -> None:
    """One sixth of the margin at 20 %, nothing on a loss-making item.

    Seen: the 1,500 / 2,000 example in a council's copy of the UK government page (East
    Cambridgeshire), the others on commercial VAT pages.
    """
    assert margin_tax(sold, bought, 0.20) == pytest.approx(due, abs=1e-9)


def test_parts_are_not_part_of_the_purchase_price() -> None:
    """Bought at 40, parts 25, sold at 120: the margin is 80, not 55.

    Rule seen in HMRC manual VATMARG02300; the figures are derived from it.
    """
    assert margin_tax(120, 40, 0.20) == pytest.approx(13.33, abs=1e-9)
    assert margin_tax(120, 40, 0.20) != margin_tax(120, 40 + 25, 0.20)
    assert cents(25 * tax_fraction(0.20)) == pytest.approx(4.17, abs=1e-9)


@pytest.mark.parametrize(
    ("rate", "due"), [(0.19, 79.83), (0.20, 83.33), (0.21, 86.78), (0.25, 100)]
)
def test_the_margin_includes_its_own_tax(rate: float, due: float) -> None:
    """Tax is margin r / (1 + r): Directive 2006/112/EC art. 315 (seen); margin 500, derived."""
    assert margin_tax(2000, 1500, rate) == pytest.approx(due, abs=1e-9)


@pytest.mark.parametrize(
    ("bought", "sold", "net"),
    [(440, 550, 10), (440, 330, 0), (220, 110, -10), (300, 110, -17.27), (300.01, 110, 0)],
)
def test_special_credit(bought: float, sold: float, net: float) -> None:
    """Above 300 the credit is capped by the tax on the sale, at exactly 300 it is not.

    Rule seen: Australian GST Act s 66-10; the figures are derived from it.
    """
    assert special_credit_tax(sold, bought) == pytest.approx(net, abs=1e-9)
