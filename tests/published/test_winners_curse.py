"""How far the highest of several unbiased estimates overshoots."""

import numpy as np
import pytest
from repair_horizon.decisions.unit.bid_limits import expected_highest, winners_curse

# Expected largest of n standard normals: Harter (1961), Biometrika 48:151-165 (from memory, and
# integrated independently); three of them have closed forms.
HARTER = {2: 0.56419, 3: 0.84628, 4: 1.02938, 5: 1.16296, 10: 1.53875, 15: 1.73591, 20: 1.86748,
          25: 1.96531, 50: 2.24907, 100: 2.50759}  # fmt: skip


@pytest.mark.parametrize(("n", "expected"), HARTER.items())
def test_expected_highest_of_n(n: int, expected: float) -> None:
    """The table's five decimals; McAfee, Introduction to Economic Analysis, 20.5, uses them."""
    assert expected_highest(n) == pytest.approx(expected, abs=6e-6)
    assert winners_curse(12.5, n) == pytest.approx(12.5 * expected, abs=1e-4)


def test_closed_forms_and_no_deduction_without_a_rival() -> None:
    """Two: 1/sqrt(pi); three: 3/(2 sqrt(pi)); one bidder has nothing to fear."""
    assert expected_highest(2) == pytest.approx(1 / np.sqrt(np.pi), abs=1e-8)
    assert expected_highest(3) == pytest.approx(1.5 / np.sqrt(np.pi), abs=1e-8)
    assert winners_curse(40.0, 1) == 0.0


@pytest.mark.parametrize(("n", "share"), [(5, 0.97), (10, 0.999)])
def test_the_highest_estimate_is_nearly_always_too_high(n: int, share: float) -> None:
    """McAfee 20.5 (seen): 97 % of the time with five bidders, 99.9 % with ten."""
    drawn = np.random.default_rng(5).standard_normal((200_000, n)).max(axis=1)
    assert (drawn > 0).mean() == pytest.approx(share, abs=0.002)
    assert drawn.mean() == pytest.approx(expected_highest(n), abs=0.006)
