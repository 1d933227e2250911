"""Identities of a matched-model price index, through the kit's own solver.

With every model seen in both of two periods, the time effect of log price on model and period is
the mean log relative, Jevons' index (ILO and others, Consumer Price Index Manual; derived).
"""

import numpy as np
import pytest
from repair_horizon.estimation.curve.design import posterior_of


def period_effect(model: np.ndarray, period: np.ndarray, log_price: np.ndarray) -> float:
    """Effect of the second period with nearly flat priors."""
    x = np.column_stack([np.eye(model.max() + 1)[model], period])
    prior = np.eye(x.shape[1]) * 1e-10
    post = posterior_of(x.T @ x, x.T @ log_price, (prior, np.zeros(len(prior))))
    return float(post.mean[-1])


def test_matched_models_give_the_mean_log_relative() -> None:
    """Twelve models in both periods, at very different levels."""
    rng = np.random.default_rng(3)
    first = rng.normal(5.0, 1.0, 12)
    second = first + rng.normal(-0.1, 0.2, 12)
    model, period = np.tile(np.arange(12), 2), np.repeat([0.0, 1.0], 12)
    found = period_effect(model, period, np.r_[first, second])
    assert found == pytest.approx(float((second - first).mean()), abs=1e-8)


@pytest.mark.parametrize("when", [0.0, 1.0])
def test_a_model_seen_once_does_not_change_the_index(when: float) -> None:
    """A thirteenth model, dear, in one period only, must leave the time effect where it was."""
    rng = np.random.default_rng(4)
    prices = np.r_[rng.normal(5.0, 1.0, 12), rng.normal(4.9, 1.0, 12)]
    model, period = np.tile(np.arange(12), 2), np.repeat([0.0, 1.0], 12)
    without = period_effect(model, period, prices)
    again = period_effect(np.r_[model, 12], np.r_[period, when], np.r_[prices, 9.0])
    assert again == pytest.approx(without, abs=1e-7)
