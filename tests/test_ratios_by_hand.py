"""What rivals, sellers and other families say, each worked out by scipy's own laws or by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from panels_by_hand import NOW, usual_panel
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation import shop_knowledge
from repair_horizon.estimation.pooled_curves import part_steps
from repair_horizon.estimation.pooled_ratios import FamilyRatios, PooledRatios
from repair_horizon.estimation.rival_prices import (
    SellerReserve,
    bidding,
    order_gap,
    posterior,
)
from repair_horizon.estimation.shop_knowledge import steps
from repair_horizon.tables.inputs import QUALITIES
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


@pytest.mark.parametrize(("seen", "n"), [(0.3, 0), (0.15, 12)])
def test_bidders_behind_prices_to_the_last_digit(seen: float, n: int) -> None:
    """Two thousand drawn worlds weighed by hand, the two highest of each by ``order_gap``.

    Its moments are held against simulation elsewhere; auctions differ by 0.02 at least.
    """
    knowledge = class_knowledge("phone")
    z = np.random.default_rng(5).standard_normal((3, 2000))
    figures = (knowledge.serious_bidders, knowledge.bid_spread, knowledge.market("hammer_spread"))
    count, bid, price = (f.value * np.exp(f.log_sd * r) for f, r in zip(figures, z, strict=True))
    each = [order_gap(int(b)) for b in np.clip(np.rint(count), 2, 40)]
    second = np.array([e.second for e in each]) * bid**2
    apart = np.maximum(price**2 - second, 0.02**2)
    assert (apart == 0.02**2).any()
    weight = (second + apart) / seen**2
    weight = np.exp(-n * (np.log(weight) / 2) ** 2)
    gap = np.array([e.gap for e in each]) * bid
    found, mean = bidding(knowledge, seen, n), np.average(gap, weights=weight)
    whole = np.average(np.array([e.first for e in each]) * bid**2 + apart, weights=weight)
    error = np.average((gap - mean) ** 2, weights=weight)
    assert (found.gap, found.gap_sd, found.spread) == pytest.approx((mean, error**0.5, whole**0.5))


def test_what_sellers_take_is_said_in_hundredths_of_what_rivals_pay() -> None:
    """Thirty refusals at the rivals' price: so much more, by the mean shift."""
    dear = posterior(np.zeros(30), np.full(30, np.inf), np.zeros(30))
    assert f"take {100 * np.expm1(dear.mean_shift):.0f} % more than" in dear.words
    cheap = posterior(np.full(30, -0.3), np.full(30, np.inf), np.ones(30))
    assert cheap.mean_shift < -0.1
    assert f"take {-100 * np.expm1(cheap.mean_shift):.0f} % less than" in cheap.words


@pytest.mark.parametrize("name", ["_SHARED", "_OWN", "_SLOW"])
def test_no_step_of_the_market_rests_on_a_tenth_of_a_judged_scale(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Three families of forty sales a model: sizes move by under a seventh of their errors."""
    rows = {f: SimpleNamespace(panel=usual_panel(i, graded=True)) for i, f in enumerate("abc")}
    last = NOW.year * 12 + NOW.month - 1
    kinds = dict.fromkeys(rows, "phone")
    usual = list(steps(rows, kinds, last))  # type: ignore[arg-type]
    monkeypatch.setattr(shop_knowledge, name, 1.1 * getattr(shop_knowledge, name))
    for before, after in zip(usual, steps(rows, kinds, last), strict=True):  # type: ignore[arg-type]
        assert abs(after.size - before.size) < before.sd / 7
        assert after.sd == pytest.approx(before.sd, rel=0.11)


def test_parts_lie_as_far_from_the_shops_steps_as_is_judged_and_the_class_says() -> None:
    known = class_knowledge("phone")
    for code in known.part_codes:
        apart = [known.quality_apart(code, q) for q in QUALITIES]
        np.testing.assert_allclose(part_steps(known, code), np.hypot(0.10, apart))


def test_how_many_families_stand_behind_a_ratio_counts_all_but_the_one() -> None:
    one = [FamilyRatios(f, "phone", (), np.zeros(0), np.zeros(0)) for f in "abc"]
    assert [PooledRatios(tuple(one)).behind(f) for f in ("a", "new")] == [2, 3]
    assert PooledRatios().behind("a") == 0
