"""What rivals, sellers and other families say, each worked out by scipy's own laws or by hand."""

from __future__ import annotations

import numpy as np
import pytest
from repair_horizon.estimation.pooled_ratios import FamilyRatios, PooledRatios
from repair_horizon.estimation.rival_prices import SellerReserve, posterior
from scipy.stats import norm, skewnorm, truncnorm


def test_answers_and_prices_asked_are_weighed_by_scipys_skew_and_truncated_normals() -> None:
    """Asked: least price and a half normal above it; taken: the least price given what was asked.

    One asked price in twenty is a fancy spread evenly (0.3); a price asked at or below our own
    offer tells nothing. What the rival's price may be off widens sellers' spread for that answer.
    """
    nothing = np.nan
    offered = np.array([-0.1, -0.2, nothing, 0.0, -0.3, 0.2])
    asked = np.array([0.2, 0.1, 0.3, np.inf, np.inf, 0.1])
    taken = np.array([True, False, False, True, False, True])
    off = np.array([0.1, 0.3, 0.2, 0.0, 0.2, 0.1])
    found, prior = posterior(offered, asked, taken, off), posterior([], [], [])
    log = np.log(prior.weight)
    for x, top, yes, sd in zip(offered, asked, taken, off, strict=True):
        wide = np.hypot(found.spread, sd)
        least = norm(found.shift, wide)
        if np.isfinite(top) and not top <= x:
            both = np.hypot(wide, found.room)
            law = skewnorm(found.room / wide, found.shift, both)
            log = log + np.log(0.95 * law.pdf(top) + 0.05 * 0.3)
            middle = found.shift + (wide / both) ** 2 * (top - found.shift)
            left = wide * found.room / both
            least = truncnorm(-np.inf, (top - middle) / left, middle, left)
        if np.isfinite(x):
            log = log + (least.logcdf(x) if yes else least.logsf(x))
    weight = np.exp(log - log.max())
    np.testing.assert_allclose(found.weight, weight / weight.sum(), rtol=1e-6, atol=1e-12)
    assert (found.offers, found.taken, found.asks) == (5, 3, 3)
    for told, each in (
        (found.mean_shift, found.shift),
        (found.mean_spread, found.spread),
        (found.mean_room, found.room),
    ):
        assert told == pytest.approx(np.average(each, weights=found.weight))


def test_the_grid_of_sellers_is_fine_and_wide_enough() -> None:
    """Means of the stated priors by their laws: shift 0, spread and room log-normal, cut below one.

    A part in a hundred is what the grid's ends and steps cost.
    """
    prior = posterior([], [], [])
    assert prior.mean_shift == pytest.approx(0.0, abs=1e-9)
    for middle, sd, ends, told in (
        (0.30, 0.4, (0.08, 1.0), prior.mean_spread),
        (0.15, 0.5, (0.05, 0.6), prior.mean_room),
    ):
        low, high = (np.log(np.array(ends) / middle)) / sd
        drawn = np.exp(sd * truncnorm(low, high).ppf(np.linspace(0, 1, 20_001)[1:-1])) * middle
        assert told == pytest.approx(drawn.mean(), rel=0.02)


def test_what_a_seller_takes_given_what_he_asks_is_one_normal_regressed_on_another() -> None:
    """Before the cut at the price asked: weight spread^2 over spread^2 and room^2, by hand."""
    middle, spread = SellerReserve(np.array([-0.2, 0.1]), 0.3, 0.4, "").given(np.array([5.0]), 5.5)
    np.testing.assert_allclose(middle, [4.8 + 0.36 * 0.7, 5.1 + 0.36 * 0.4])
    assert spread == pytest.approx(0.6 * 0.4)
    open_price = SellerReserve(np.array([-0.2]), 0.3, 0.4, "").given(np.array([5.0]), np.inf)
    assert (open_price[0].tolist(), open_price[1]) == ([4.8], 0.3)


def test_how_many_families_stand_behind_a_ratio_counts_all_but_the_one() -> None:
    one = [FamilyRatios(f, "phone", (), np.zeros(0), np.zeros(0)) for f in "abc"]
    assert [PooledRatios(tuple(one)).behind(f) for f in ("a", "new")] == [2, 3]
    assert PooledRatios().behind("a") == 0
