"""What private sellers take: recovered from answers drawn with known truth, and used in offers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from outlook_by_hand import FAMILY, FAULT, MODEL, example_family, example_outlook, example_settings
from repair_horizon.decisions.unit.bid import Outcomes, outcomes
from repair_horizon.decisions.unit.economics import unit_economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import first_offer
from repair_horizon.estimation.private_sellers import (
    ROUGH_LOG_SD,
    PrivateSellers,
    SellerReserve,
    posterior,
    private_sellers,
)
from repair_horizon.logs import read_logs

DEMO = Path(__file__).parent.parent / "data" / "demo"


def answered(shift: float, spread: float, n: int, asked: bool, seed: int = 4) -> PrivateSellers:
    """Posterior of n answers of sellers who take what they should, the price asked known or not."""
    rng = np.random.default_rng(seed)
    top = rng.normal(0.2, 0.3, n) if asked else np.full(n, np.inf)
    least = np.full(n, np.inf)
    while (out := least > top if asked else np.isinf(least)).any():
        least[out] = rng.normal(shift, spread, int(out.sum()))
    offer = np.minimum(rng.normal(-0.1, 0.3, n), top - 1e-6)
    return posterior(offer, top, offer >= least)


@pytest.mark.parametrize("asked", [False, True], ids=["no price asked", "price asked"])
@pytest.mark.parametrize("shift", [-0.25, 0.15])
def test_shift_and_spread_are_found_again(shift: float, asked: bool) -> None:
    """3,000 answers give a shift of the truth to 0.04 and a spread of 0.25 to 0.04."""
    found = answered(shift, 0.25, 3000, asked)
    assert found.mean_shift == pytest.approx(shift, abs=0.04)
    assert found.mean_spread == pytest.approx(0.25, abs=0.04)


def test_offers_against_a_rough_reference_tell_the_level_and_no_wider_spread() -> None:
    """A reference off by 0.4 read as exact doubles the spread; told of it, it stays near 0.3."""
    rng = np.random.default_rng(7)
    least = rng.normal(-0.2, 0.3, 400)
    offer = rng.normal(-0.15, 0.1, 400)
    seen = offer + rng.normal(0.0, 0.4, 400), np.full(400, np.inf), offer >= least
    exact, rough = posterior(*seen), posterior(*seen, 0.4, ROUGH_LOG_SD)
    assert exact.mean_spread > 0.5
    assert rough.mean_spread == pytest.approx(0.3, abs=0.05)
    assert rough.mean_shift == pytest.approx(-0.2, abs=0.2)


def test_few_answers_move_little_and_many_much() -> None:
    """Three refusals at the rivals' price move the shift up by under 0.3, thirty by over 0.35."""
    few, many = (posterior(np.zeros(n), np.full(n, np.inf), np.zeros(n)) for n in (3, 30))
    assert 0.0 < few.mean_shift < 0.3
    assert many.mean_shift > 0.35
    assert "0 of 30 own offers were taken" in many.words
    assert "more than the highest rival pays" in many.words


def known_with(sellers: SellerReserve | None) -> Outcomes:
    family = replace(example_family(rival=45.0), sellers=sellers)
    unit = unit_economics(example_outlook(family), example_settings()).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    return outcomes(unit, 0)


def test_without_offers_rivals_prices_hold() -> None:
    """No answer, no shift: the chance that an offer is taken is that of winning at it."""
    silent = posterior([], [], [])
    assert silent.draws(10, np.random.default_rng(0)) is None
    assert "no own offer was answered" in silent.words
    known = known_with(None)
    assert known.rival is not None
    seller = known.seller()
    assert seller is not None
    assert seller.chance(40.0) == pytest.approx(known.rival.chance(40.0))


def test_dear_sellers_are_offered_more_and_take_less() -> None:
    """Sellers who take a fifth more than rivals pay: a lower chance, a higher first offer."""
    draws = len(example_family(rival=45.0).unit_noise)
    dear = known_with(SellerReserve(np.full(draws, 0.2), 0.2, "")).seller()
    usual = known_with(SellerReserve(np.zeros(draws), 0.2, "")).seller()
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


def test_the_demo_s_offers_are_all_read() -> None:
    """Its sellers take what rivals pay (invented so): found within three standard errors."""
    logs = read_logs(DEMO)
    found = private_sellers(logs)
    rows = logs.tables["listings"]
    assert found.offers == (rows["offer"] > 0).sum() > 40
    assert found.taken == (rows["offer_result"] == "taken").sum()
    error = float(np.sqrt(found.weight @ (found.shift - found.mean_shift) ** 2))
    assert abs(found.mean_shift) < 3 * error < 0.35
    none = replace(logs, tables={**logs.tables, "listings": rows.assign(offer=np.nan)})
    assert private_sellers(none).offers == 0
