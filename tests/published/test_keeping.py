"""Economic life and replacement against worked engineering-economy tables."""

import numpy as np
import pytest
from repair_horizon.decisions.costs.replacement import (
    economic_life,
    equivalent_uniform_cost,
    marginal_costs,
)


def newer() -> np.ndarray:
    return marginal_costs(
        [30000, 22500, 16875, 12750, 9750, 7125], [3000, 4500, 7000, 10000, 13000], 0.10
    )


def test_economic_life_table() -> None:
    """Sullivan, Wicks and Koelling, Engineering Economy, table 9-2, example 9-4 (seen).

    Printed to whole dollars.
    """
    assert newer() == pytest.approx((13500, 12375, 12813, 14275, 16600), abs=0.5)
    even = equivalent_uniform_cost(newer(), 0.10)
    assert even == pytest.approx((13500, 12964, 12918, 13211, 13766), abs=0.5)
    assert economic_life(newer(), 0.10) == 3


def test_marginal_costs_of_what_is_owned() -> None:
    """The same book's defender; data seen, answer derived: its own cheapest life is one year."""
    older = marginal_costs([7500, 6000, 4500, 3000, 1500], [8250, 9900, 11700, 13200], 0.10)
    assert older == pytest.approx((10500, 12000, 13650, 15000), abs=1e-9)
    assert economic_life(older, 0.10) == 1
    with pytest.raises(ValueError, match="2 periods need 3 values"):
        marginal_costs([5, 4], [1, 1], 0.1)


def test_second_economic_life_table() -> None:
    """Solution set to problem 9.6 (seen); it rounds its factors, hence a tolerance of 6."""
    value, spent = [80000, 60000, 50000, 40000, 25000, 12500], [30000, 30000, 35000, 40000, 45000]
    costs = marginal_costs(value, spent, 0.15)
    assert costs == pytest.approx((62000, 49000, 52500, 61000, 61250), abs=1e-9)
    even = equivalent_uniform_cost(costs, 0.15)
    assert even == pytest.approx((62000, 55952, 54962, 56174, 56919), abs=6)
    assert even == pytest.approx((62000, 55953.49, 54958.96, 56168.77, 56922.40), abs=0.005)
    assert economic_life(costs, 0.15) == 3


def test_even_fall_and_rising_upkeep() -> None:
    """Value falling 15,000 a year from 80,000, upkeep 10,000 rising by 2,000 (seen)."""
    costs = marginal_costs(80000 - 15000 * np.arange(6), 10000 + 2000 * np.arange(5), 0.10)
    even = equivalent_uniform_cost(costs, 0.10)
    assert even == pytest.approx((33000, 33238.10, 33468.28, 33690.58, 33905.06), abs=0.005)
    assert economic_life(costs, 0.10) == 1


def test_even_cost_is_the_plain_mean_without_interest_and_the_cost_itself_if_constant() -> None:
    """Two identities of the definition."""
    costs = np.array([500.0, 320.0, 410.0, 700.0])
    assert equivalent_uniform_cost(costs, 0.0) == pytest.approx(costs.cumsum() / np.arange(1, 5))
    assert equivalent_uniform_cost(np.full(6, 77.0), 0.13) == pytest.approx(np.full(6, 77.0))
