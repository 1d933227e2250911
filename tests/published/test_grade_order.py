"""Putting effects into the declared order of grades, against R's isoreg reference output (seen).

R fits rising values; grades fall, and negating both sides turns one into the other.
"""

import numpy as np
import pytest
from repair_horizon.estimation.device_prices import ordered_effects


@pytest.mark.parametrize(
    ("given", "fitted"),
    [
        ([1, 0, 4, 3, 3, 5, 4, 2, 0], [0.5] * 2 + [3.0] * 7),
        ([1, 0, 4, 3, 3, 5, 4, 2, 3], [0.5] * 2 + [10 / 3] * 3 + [3.5] * 4),
        ([5, 9, 1, 2, 5, 6, 7, 8, 3, 8], [4.25] * 4 + [5.0] + [6.0] * 4 + [8.0]),
    ],
)
def test_pooling_of_neighbours_out_of_order(given: list[float], fitted: list[float]) -> None:
    """Neighbours out of order must share their mean, as in the reference output."""
    assert ordered_effects(-np.array(given)) == pytest.approx(-np.array(fitted))


def test_weights_decide_where_a_pool_settles() -> None:
    """A grade known four times as precisely pulls four times as hard; order kept is untouched."""
    assert ordered_effects([0.0, -0.3, -0.2], [1, 1, 4]) == pytest.approx([0.0, -0.22, -0.22])
    assert ordered_effects([0.0, -0.1, -0.4], [1, 9, 2]) == pytest.approx([0.0, -0.1, -0.4])
