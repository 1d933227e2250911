"""What private sellers take: recovered from answers drawn with known truth, and used in offers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_shop
from outlook_by_hand import FAMILY, FAULT, MODEL, example_family, example_outlook, example_settings
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import HighestRival, first_offer
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.broken_prices import OTHER
from repair_horizon.estimation.curve.predict import predict
from repair_horizon.estimation.forecast import fit_family
from repair_horizon.estimation.rival_prices import PrivateSellers, SellerReserve, posterior
from scant_logs import FAMILY as ULVER
from scant_logs import workspace
from scipy.stats import norm


def answered(
    shift: float, spread: float, room: float, n: int, asked: bool, seed: int = 4
) -> PrivateSellers:
    """Posterior of n answers of sellers who take what they should, the price asked known or not."""
    rng = np.random.default_rng(seed)
    least = rng.normal(shift, spread, n)
    top = least + np.abs(rng.normal(0, room, n)) if asked else np.full(n, np.inf)
    offer = np.minimum(rng.normal(-0.1, 0.3, n), top - 1e-6)
    return posterior(offer, top, offer >= least)


@pytest.mark.parametrize("asked", [False, True], ids=["no price asked", "price asked"])
@pytest.mark.parametrize("shift", [-0.25, 0.15])
def test_shift_and_spread_are_found_again(shift: float, asked: bool) -> None:
    """1,000 answers give a shift of the truth to 0.04, a spread of 0.25 to 0.04, room to 0.04."""
    found = answered(shift, 0.25, 0.3, 1000, asked)
    assert found.mean_shift == pytest.approx(shift, abs=0.04)
    assert found.mean_spread == pytest.approx(0.25, abs=0.04)
    if asked:
        assert found.mean_room == pytest.approx(0.3, abs=0.04)


def test_prices_asked_alone_tell_the_sellers_level_up_to_the_room_they_leave() -> None:
    """800 prices asked, 0.5 above what rivals pay and no offer: sellers take more than rivals."""
    rng = np.random.default_rng(9)
    top = rng.normal(0.5, 0.3, 800)
    found = posterior(np.full(800, np.nan), top, np.zeros(800, dtype=bool))
    assert (found.offers, found.asks) == (0, 800)
    assert 0.25 < found.mean_shift < 0.5


def test_prices_asked_out_of_this_world_tell_nothing() -> None:
    """Twenty in 400 asked a hundredfold move the shift by under 0.02."""
    rng = np.random.default_rng(9)
    top = rng.normal(0.1, 0.3, 400)
    silent = np.full(400, np.nan), np.zeros(400, dtype=bool)
    wild = top + np.where(np.arange(400) < 20, np.log(100.0), 0.0)
    usual, off = (posterior(silent[0], a, silent[1]).mean_shift for a in (top, wild))
    assert off == pytest.approx(usual, abs=0.02)


def test_what_a_seller_asks_and_takes_agree_with_numbers_drawn() -> None:
    """Given a price asked, least prices are the truncated normal that 4 million draws give."""
    rng = np.random.default_rng(3)
    least = rng.normal(-0.2, 0.3, 4_000_000)
    ask = least + np.abs(rng.normal(0, 0.2, least.size))
    near = least[np.abs(ask - 0.1) < 0.005]
    middle, spread = SellerReserve(np.array([-0.2]), 0.3, 0.2, "").given(np.zeros(1), 0.1)
    rival = HighestRival(middle, spread, ceiling=np.exp(0.1))
    for offer in (-0.3, -0.1, 0.0):
        assert rival.chance(np.exp(offer)) == pytest.approx((near < offer).mean(), abs=0.01)


def test_a_rival_price_that_may_be_off_is_no_spread_of_the_sellers() -> None:
    """A reference off by 0.4 read as exact widens the spread; told of it, it stays near 0.3."""
    rng = np.random.default_rng(7)
    least, offer = rng.normal(-0.2, 0.3, 1000), rng.normal(-0.15, 0.3, 1000)
    seen = offer, np.full(1000, np.inf), offer + rng.normal(0.0, 0.4, 1000) >= least
    exact, rough = posterior(*seen), posterior(*seen, 0.4)
    assert exact.mean_spread > 0.42
    assert rough.mean_spread == pytest.approx(0.3, abs=0.06)
    assert rough.mean_shift == pytest.approx(-0.2, abs=0.05)


def test_few_answers_move_little_and_many_much() -> None:
    """Three refusals at the rivals' price move the shift up by under 0.3, thirty by over 0.35."""
    few, many = (posterior(np.zeros(n), np.full(n, np.inf), np.zeros(n)) for n in (3, 30))
    assert 0.0 < few.mean_shift < 0.3
    assert many.mean_shift > 0.35
    assert "0 of 30 own offers were taken" in many.words
    assert "more than the highest rival pays" in many.words


def known_with(sellers: SellerReserve | None) -> Outcomes:
    family = replace(example_family(rival=45.0), sellers=sellers)
    unit = Economics(example_outlook(family), example_settings()).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    return Outcomes(unit, 0)


def test_before_any_answer_the_posterior_is_the_stated_prior() -> None:
    """Shift 0 +- 0.25, spread 0.30 and room 0.15 log-normal with 0.4 and 0.5 (scipy's normal)."""
    prior = posterior([], [], [])
    logs = prior.shift, np.log(prior.spread / 0.30), np.log(prior.room / 0.15)
    density = np.prod(
        [norm.pdf(x, 0.0, sd) for x, sd in zip(logs, (0.25, 0.4, 0.5), strict=True)], 0
    )
    np.testing.assert_allclose(prior.weight, density / density.sum(), rtol=1e-9)


def test_without_offers_rivals_prices_hold() -> None:
    """No answer, no shift: the chance that an offer is taken is that of winning at it."""
    silent = posterior([], [], [])
    assert silent.draws(10, Antithetic.seeded(0)) is None
    assert "no own offer was answered" in silent.words
    known = known_with(None)
    assert known.rival is not None
    seller = known.seller()
    assert seller is not None
    assert seller.chance(40.0) == pytest.approx(known.rival.chance(40.0))


def test_dear_sellers_are_offered_more_and_take_less() -> None:
    """Sellers who take a fifth more than rivals pay: a lower chance, a higher first offer."""
    draws = len(example_family(rival=45.0).unit_noise)
    dear = known_with(SellerReserve(np.full(draws, 0.2), 0.2, 0.15, "")).seller()
    usual = known_with(SellerReserve(np.zeros(draws), 0.2, 0.15, "")).seller()
    assert dear is not None
    assert usual is not None
    assert dear.chance(45.0) < usual.chance(45.0) - 0.2
    land = known_with(None).unit.landing
    offers = [first_offer(140.0, land, 90.0, s, 1.0)[0] for s in (usual, dear)]
    assert offers[0] < offers[1]


def test_the_price_asked_would_surely_do() -> None:
    """The chance of an offer rises to one at the price asked, and is higher than without it."""
    known = known_with(None)
    open_price, priced = known.seller(), known.seller(50.0)
    assert open_price is not None
    assert priced is not None
    assert priced.chance(50.0) == pytest.approx(1.0)
    assert priced.chance(60.0) == pytest.approx(1.0)
    assert open_price.chance(40.0) < priced.chance(40.0) < 1.0


def test_offers_stand_against_what_the_highest_rival_would_have_paid_that_day(
    tmp_path: Path,
) -> None:
    """Logs over the working level times the rival's ratio; a fault never seen is any other."""
    rows = (
        "L1,ulver_1,display_dead,private,120,80,taken",
        "L2,ulver_1,scratched,private,,60,refused",
        "L3,ulver_1,display_dead,private,150,,",
        "L4,ulver_1,display_dead,auction,90,,",
    )
    head = "listing_id,model_id,listed_fault,terms,current_bid,offer,offer_result,end_time"
    listings = "\n".join([head, *(f"{r},2024-05-02 10:00" for r in rows)]) + "\n"
    family = fit_family(workspace(tmp_path / "w", listings=listings), ULVER)
    rivals, prices = family.rivals.set_index("fault"), family.prices
    where = prices.points(np.zeros(3, dtype=int), pd.DatetimeIndex(["2024-05-02"] * 3))
    told = rivals.loc[["display_dead", OTHER, "display_dead"]]
    usual = predict(prices.fit, where).median + np.log(500) + told["log_ratio"].to_numpy()
    offers = family.offers
    np.testing.assert_allclose(offers["offered"], np.log([80, 60, np.nan]) - usual)
    np.testing.assert_allclose(offers["asked"], np.log([120, np.inf, 150]) - usual)
    assert offers["taken"].tolist() == [True, False, False]
    np.testing.assert_allclose(offers["rival_sd"], told["std_error"])


def test_the_demo_s_offers_are_all_read() -> None:
    """Its sellers take what rivals pay (invented so): found within three standard errors."""
    shop = demo_shop()
    found, rows = shop.sellers, shop.logs.tables["listings"]
    assert found.offers == (rows["offer"] > 0).sum() > 40
    assert found.taken == (rows["offer_result"] == "taken").sum()
    error = float(np.sqrt(found.weight @ (found.shift - found.mean_shift) ** 2))
    assert abs(found.mean_shift) < 3 * error < 0.35
