"""What an answer is worth: against closed forms, its bounds, and on the demo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_shop
from outlook_by_hand import FAMILY, FAULT, MODEL, example_family, example_outlook, example_settings
from repair_horizon.decisions.costs.purchase import landing
from repair_horizon.decisions.review.value_of_information import (
    AS_IS_SALE,
    MOST_MONTHS,
    OUTCOME,
    QUOTE,
    Choosable,
    FamilyUnits,
    Unknown,
    dearest,
    family_unknowns,
    measured,
    months_worth_bidding,
    tried,
)
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import HighestRival
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Limits, Purchase, Targets
from scipy.stats import norm

N = 4000
FREE = replace(example_settings(), targets=Targets(), limits=Limits())
LAND = landing(Purchase([], inbound=10.0), 0.0, 0, False)


def unknowns(
    economics: Economics,
    rates: dict[tuple[str, str], float],
    months_left: Callable[[str, tuple[str, str]], int],
    most: int | None = 5,
) -> pd.DataFrame:
    """The dearest unknowns of the example's family."""
    keys = [k for k in economics.keys(FAMILY) if k in rates]
    return dearest(family_unknowns(economics, FAMILY, keys), rates, months_left, most)


def offered(worth: np.ndarray, other: float | None = None, rival: float = 50.0) -> Choosable:
    """One state and a rival who always stands at a price: a lot is worth buying or it is not."""
    options = [worth] if other is None else [worth, np.full(len(worth), other)]
    rivals = HighestRival(np.full(len(worth), np.log(rival)), 1e-4)
    return Choosable((np.stack(options),), rivals, LAND)


def unknown_of(value: np.ndarray, noise: float) -> Unknown:
    return Unknown(QUOTE, FAMILY, MODEL, "", "", value, *measured(value, noise))


def normal_loss(z: float) -> float:
    return float(norm.pdf(z) - z * norm.sf(z))


@pytest.mark.parametrize("noise", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("margin", [-8.0, 0.0, 5.0])
def test_worth_of_a_measurement_is_the_textbook_s(noise: float, margin: float) -> None:
    """Buy or not, worth 60 + margin + 10 z: s' loss(|margin| / s'), s' = 10 / sqrt(1 + noise^2).

    The unit normal loss integral of Raiffa and Schlaifer; landed cost is 60.
    """
    z = norm.ppf((np.arange(N) + 0.5) / N)
    z = np.random.default_rng(3).permutation(z)
    spread = 10.0 / np.sqrt(1.0 + noise**2)
    expected = spread * normal_loss(abs(margin) / spread)
    found = unknown_of(z, noise).gain(offered(60.0 + margin + 10.0 * z))
    assert found == pytest.approx(expected, rel=0.08, abs=0.06)


def test_what_nothing_hangs_on_is_worth_nothing() -> None:
    """A part whose price turns no decision, or noise that says nothing, gains nothing."""
    z = np.random.default_rng(4).standard_normal(N)
    assert unknown_of(z, 0.5).gain(offered(500.0 + 10.0 * z)) < 0.01
    assert unknown_of(z, 0.5).gain(offered(np.full(N, 70.0))) < 1e-9
    assert unknown_of(z, 200.0).gain(offered(60.0 + 10.0 * z)) < 0.1


def test_no_answer_is_worth_less_than_nothing_or_more_than_knowing_all() -> None:
    """Between options as well as on the bid, from rough measurement to a sharp one it rises."""
    z = np.random.default_rng(5).standard_normal(N)
    unit = offered(75.0 + 15.0 * z, other=76.0)
    gains = [unknown_of(z, noise).gain(unit) for noise in (8.0, 2.0, 0.5, 0.05)]
    assert all(g >= 0 for g in gains)
    assert gains == sorted(gains)
    everything = np.maximum(np.maximum(75.0 + 15.0 * z, 76.0) - 60.0, 0.0).mean() - 16.0
    assert gains[-1] <= everything * 1.02


def test_weights_before_are_the_mean_of_those_after() -> None:
    """A repair's outcome: success 0.8 on average, weighed by Bayes's rule."""
    success = np.random.default_rng(6).beta(4.0, 1.0, N)
    weight, chance = tried(success)
    assert chance == pytest.approx([success.mean(), 1 - success.mean()])
    assert chance @ weight == pytest.approx(np.full(N, 1.0 / N))
    # Beta(4, 1) after one success is Beta(5, 1), after one failure Beta(4, 2).
    assert weight @ success == pytest.approx([5 / 6, 4 / 6], abs=0.02)


def wide_family(sd: float):
    """Example 1 with a display whose price nobody knows well, and a rival close to the bid."""
    family = example_family(draws=600, rival=70.0)
    rng = np.random.default_rng(7)
    key = next(k for k in family.parts if k[1] == "DA")
    path: PartPath = family.parts[key]
    price = path.price * np.exp(sd * rng.standard_normal((600, 1)) - sd**2 / 2)
    return replace(family, parts={**family.parts, key: replace(path, price=price)})


def test_a_quote_is_worth_more_the_less_is_known_and_counts_by_listings() -> None:
    """A display known to 2 % needs no quote, one known to 30 % does; worth goes with listings."""
    worth = []
    for sd in (0.02, 0.15, 0.3):
        economics = Economics(example_outlook(wide_family(sd)), example_settings())
        table = unknowns(economics, {(MODEL, FAULT): 2.0}, lambda f, k: 5, None)
        assert list(table.columns) == OUTPUTS["unknowns"].names
        quotes = table[(table["kind"] == QUOTE) & table["what"].str.startswith("DA")]
        worth.append(float(quotes["worth"].sum()))
    assert worth[0] < 1.0 < worth[1] < worth[2]
    more = unknowns(economics, {(MODEL, FAULT): 4.0}, lambda f, k: 5, None)
    quote = more[(more["kind"] == QUOTE) & more["what"].str.startswith("DA")].iloc[0]
    assert quote["worth"] == pytest.approx(2 * worth[2], rel=1e-9)
    assert quote["listings"] == pytest.approx(20.0)
    assert f"worth {quote['worth']:.0f}" in quote["words"]
    aged = unknowns(economics, {(MODEL, FAULT): 4.0}, lambda f, k: 99, None).iloc[0]
    assert aged["listings"] == pytest.approx(4.0 * MOST_MONTHS)


def test_profit_of_a_listing_is_the_bid_s_own() -> None:
    """Before any answer a listing earns the chance of winning times the promise of its bid."""
    economics = Economics(example_outlook(example_family(draws=600, rival=40.0)), FREE)
    unit = economics.unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    known = Outcomes(unit, 0)
    promised = known.expected(unit.landing, unit.exact_bid(0)).per_listing
    mine = FamilyUnits(economics, FAMILY, [(MODEL, FAULT)]).choosable[MODEL, FAULT]
    draws = mine.rival.log_median.size
    found = float(mine.profit(np.full((1, draws), 1.0 / draws))[0])
    assert promised > 5.0
    assert found == pytest.approx(promised, rel=0.02)


def test_models_nobody_lists_need_no_answer() -> None:
    """Without a listing nothing is bought, so nothing is worth knowing."""
    economics = Economics(example_outlook(wide_family(0.3)), example_settings())
    assert unknowns(economics, {}, lambda f, k: 5).empty
    assert unknowns(economics, {(MODEL, FAULT): 2.0}, lambda f, k: 0).empty


def test_the_buy_stop_is_two_rare_months_running() -> None:
    """A rival far above the bid stops at once; one far below never within the months asked."""
    for rival, months in ((4000.0, 0), (5.0, 3)):
        family = example_family(rival=rival)
        unit = Economics(example_outlook(family), example_settings()).unit(FAMILY, MODEL, FAULT)
        assert isinstance(unit, UnitEconomics)
        assert months_worth_bidding(unit, 3) == months


def test_the_demo_lists_its_five_dearest_unknowns() -> None:
    """Five rows, dearest first, of kinds that exist, each in words with its worth."""
    table = demo_shop(300, NO_CHARGES).unknowns()
    assert 1 <= len(table) <= 5
    assert table["worth"].is_monotonic_decreasing
    assert set(table["kind"]) <= {QUOTE, AS_IS_SALE, OUTCOME}
    assert (table["worth"] >= 1.0).all()
    assert (table["lower"] < table["upper"]).all()
    assert table["words"].str.contains("worth").all()


def loose_family(share: float = 0.70):
    """Display, as-is ratio of s1 and success of s1 are not known well; all else is."""
    family, rng = wide_family(0.3), np.random.default_rng(8)
    success = family.success[FAULT].copy()
    success[:, 0] = rng.beta(18.6, 1.4, 600)
    shares = family.shares[FAULT].copy()
    shares[:, 0], shares[:, 1] = share, 0.82 - share
    ratio = family.as_is["s1"] * np.exp(0.3 * rng.standard_normal(600))
    sold = pd.DataFrame({"fault": ["s1"], "noise": [0.25], "basis": [Basis.CLASS.value]})
    return replace(
        family,
        success={FAULT: success},
        shares={FAULT: shares},
        as_is={**family.as_is, "s1": ratio},
        estimates=replace(family.estimates, as_is=sold),
    )


def test_what_could_be_observed_is_what_is_not_known_well() -> None:
    """A quote, an as-is sale and a repair, each with its own draws and the units it bears on."""
    family = loose_family()
    economics = Economics(example_outlook(family), example_settings())
    mine = FamilyUnits(economics, FAMILY, [(MODEL, FAULT)])
    found = {unknown.kind: (unknown, keys) for unknown, keys in mine.unknowns()}
    assert list(found) == [QUOTE, AS_IS_SALE, OUTCOME]
    assert all(keys == [(MODEL, FAULT)] for _, keys in found.values())
    quote, sale, repair = (unknown for unknown, _ in found.values())
    assert (quote.what, sale.what, repair.what) == ("DA, maker_original", "s1", f"s1 of {FAULT}")
    assert sale.basis == Basis.CLASS.value
    # One supplier is off the usual price by 8 % or so, the judgement named in the module.
    np.testing.assert_allclose(quote.weight, measured(np.log(quote.value), 0.08)[0])
    np.testing.assert_allclose(sale.value, family.as_is["s1"])
    np.testing.assert_allclose(sale.weight, measured(np.log(family.as_is["s1"]), 0.25)[0])
    np.testing.assert_allclose(repair.value, family.success[FAULT][:, 0])
    assert repair.chance.tolist() == pytest.approx([repair.value.mean(), 1 - repair.value.mean()])
    table = unknowns(economics, {(MODEL, FAULT): 2.0}, lambda f, k: 5, None).set_index("kind")
    display = next(p for k, p in family.parts.items() if k[1] == "DA").price[:, 0]
    told = table.loc[QUOTE, ["lower", "upper"]].to_list()
    assert told == pytest.approx(np.percentile(display, [10, 90]))
    # Worth goes with listings: one unit of money or more is listed, less is not.
    for worth, listed in ((1.05, True), (0.95, False)):
        rate = 2.0 * worth / float(table.loc[QUOTE, "worth"])
        few = unknowns(economics, {(MODEL, FAULT): rate}, lambda f, k: 5, None)
        assert (QUOTE in set(few["kind"])) == listed


@pytest.mark.parametrize(("share", "kinds"), [(0.0095, 1), (0.0105, 3)])
def test_a_state_hardly_ever_found_is_not_asked_about(share: float, kinds: int) -> None:
    """s1 in fewer than one unit of 100: neither its repair nor its as-is sale would be met with."""
    economics = Economics(example_outlook(loose_family(share)), example_settings())
    mine = FamilyUnits(economics, FAMILY, [(MODEL, FAULT)])
    told = [unknown.kind for unknown, _ in mine.unknowns()]
    assert told == [QUOTE, AS_IS_SALE, OUTCOME][:kinds]


@pytest.mark.parametrize(("spread", "asked"), [(0.019, False), (0.021, True)])
def test_what_is_known_to_two_per_cent_is_not_asked_for(spread: float, asked: bool) -> None:
    family = wide_family(1.0)
    key = next(k for k in family.parts if k[1] == "DA")
    away = np.log(family.parts[key].price[:, :1])
    price = 248.0 * np.exp(spread * (away - away.mean()) / away.std())
    path = replace(family.parts[key], price=price * np.ones_like(family.parts[key].price))
    family = replace(family, parts={**family.parts, key: path})
    economics = Economics(example_outlook(family), example_settings())
    mine = FamilyUnits(economics, FAMILY, [(MODEL, FAULT)])
    assert [unknown.kind for unknown, _ in mine.unknowns()] == [QUOTE] * asked


def test_an_option_that_cannot_be_valued_is_never_chosen() -> None:
    economics = Economics(example_outlook(wide_family(0.3)), example_settings())
    mine = FamilyUnits(economics, FAMILY, [(MODEL, FAULT)])
    unit = mine.units[MODEL, FAULT]
    state = unit.states[0]
    silent = replace(state.options["sell as is"], value=np.full((600, 3), np.nan))
    options = {"repair": state.options["repair"], "sell as is": silent}
    worth = mine._worth(unit, replace(state, options=options))
    repaired = mine.thin(options["repair"].value[:, 0]) * mine.thin(state.share)
    np.testing.assert_allclose(worth[worth.mean(axis=1).argmax()], repaired)


def test_a_repair_with_another_quality_is_worth_what_it_is_where_no_other_is_sold() -> None:
    """Draw by draw: beside a copy, the maker's part as if it stood alone.

    Prices move it one for one, which leaves out that a dearer part also costs more when it fails.
    """
    alone = wide_family(0.3)
    key = (MODEL, "DA", "maker_original")
    luck = np.exp(0.3 * np.random.default_rng(3).standard_normal((600, 1)))
    copy = replace(alone.parts[key], price=120.0 * luck * np.ones_like(alone.parts[key].price))
    both = replace(alone, parts={**alone.parts, (MODEL, "DA", "aftermarket"): copy})
    told = []
    for family in (alone, both):
        mine = FamilyUnits(Economics(example_outlook(family), FREE), FAMILY, {(MODEL, FAULT): 2.0})
        unit = mine.units[MODEL, FAULT]
        state = unit.states[0]
        told.append((list(state.options), mine._worth(unit, state) / mine.thin(state.share)))
    (names, single), (_, pair) = told
    assert len(pair) == len(single) + 1
    repaired, again = single[names.index("repair")], pair[-1]
    assert np.std(repaired) > 20.0
    assert np.corrcoef(again, repaired)[0, 1] > 0.999
    assert again.mean() == pytest.approx(repaired.mean(), abs=6.0)
