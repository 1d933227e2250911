"""What can be done with a unit in each state: what it is worth, and which of it is advised.

Figures are the trade reference's worked examples where no other source is named.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from outlook_by_hand import (
    FAMILY,
    FAULT,
    FREE,
    MODEL,
    example_economics,
    example_family,
    unit_of,
)
from repair_horizon.decisions.unit.bench import offer_of
from repair_horizon.decisions.unit.certainty_equivalent import (
    Valuation,
)
from repair_horizon.decisions.unit.economics import bench_of, newest
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.logs import CannotSay
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.settings import (
    Maker,
    PartQuality,
)


def test_the_option_of_a_state_is_chosen_once_and_never_per_draw() -> None:
    """Two worlds, in one repair and in the other as-is is better: V is the better mean.

    Choosing in each world would pretend to know which one it is.
    """
    family = example_family(draws=2)
    level = family.level * np.array([0.7, 1.3])[:, None, None]
    unit = unit_of(family=replace(family, level=level))
    state = unit.states[0]
    means = {n: float(o.value[:, 0].mean()) for n, o in state.options.items()}
    each = np.max([o.value[:, 0] for o in state.options.values()], axis=0)
    assert state.certainty[state.best()[0]][0] == pytest.approx(max(means.values()))
    assert float(each.mean()) > max(means.values()) + 1.0


def test_of_options_within_a_euro_the_one_with_less_labour_is_advised() -> None:
    """V takes the maximum all the same."""
    unit = unit_of()
    state = unit.states[0]
    repair, as_is = state.options["repair"], state.options["sell as is"]
    lead = float(repair.value[0, 0] - as_is.value[0, 0])
    for short, advised in ((0.9, "sell as is"), (1.1, "repair")):
        nearer = replace(as_is, value=as_is.value + lead - short)
        options = {"repair": repair, "sell as is": nearer}
        close = replace(state, options=options)
        assert close.best()[0] == "repair"
        assert close.advised(0) == advised


# -- parts


def with_parts(**prices: tuple[float, Basis]) -> FamilyOutlook:
    """The example with its parts at these prices, the basis each rests on told."""
    family = example_family()
    path = next(iter(family.parts.values()))
    parts = {
        (MODEL, code, "maker_original"): replace(
            path,
            price=np.full_like(path.price, price),
            shipping=0.0,
            basis=basis,
            quoted=basis != Basis.CLASS,
        )
        for code, (price, basis) in prices.items()
    }
    return replace(family, parts=parts)


def test_a_dead_unit_found_to_need_little_is_sold_as_a_dead_unit() -> None:
    """As is it fetches between what its state and what its listed fault does, never above either.

    A third of the way in logs (judgement): 620 x 0.6^(2/3) x 0.2^(1/3) a month on at 3.2 % less.
    """
    family = example_family()
    one = np.ones(1)

    def price(**ratios: float) -> float:
        known = {k: v * one for k, v in ratios.items()}
        states = unit_of(family=replace(family, as_is=known)).states
        return float(states[0].options["sell as is"].price[0, 0])

    working = 620.0 * 0.968 ** (30 / 30.4375)
    assert price(s1=0.6) == pytest.approx(0.6 * working, abs=0.01)
    dead = price(s1=0.6, **{FAULT: 0.2})
    assert dead == pytest.approx(0.6 ** (2 / 3) * 0.2 ** (1 / 3) * working, abs=0.01)
    assert price(s1=0.6, **{FAULT: 0.7}) == pytest.approx(0.6 * working, abs=0.01)


def test_a_unit_is_broken_down_for_the_parts_somebody_quoted() -> None:
    """Four parts of 71.25 used at 60 %: 42.38 as in the trade reference (2.4, step 7).

    A part that only the class prices is not sold off: a sum of guesses would win by its errors.
    What the state has broken is not sold either.
    """
    four = {f"P{i}": (71.25, Basis.OWN) for i in range(4)}
    rules = replace(FREE, part_out=replace(FREE.part_out, price_factor=0.6))
    guessed = {"P9": (400.0, Basis.CLASS)}
    for parts in (four, four | guessed):
        family = with_parts(**parts, DA=(248.0, Basis.CLASS), FM=(58.0, Basis.CLASS))
        board = next(s for s in unit_of(rules, family=family).states if s.state == "s3")
        assert board.options["part out"].value[0, 0] == pytest.approx(42.38, abs=0.01)
        assert board.options["part out"].hours == 1.25
    family = with_parts(**four, DA=(248.0, Basis.OWN), FM=(58.0, Basis.CLASS))
    states = {s.state: s for s in unit_of(rules, family=family).states}
    gain = states["s3"].options["part out"].value - states["s1"].options["part out"].value
    more = 0.6 * 248.0 * 0.8 * 0.861 - 0.65 - 4.2
    assert gain[0, 0] == pytest.approx(more, abs=0.02)
    assert states["locked"].missing["part out"] == "not sold while locked or blocked"


def test_a_harvested_part_is_worth_a_share_of_an_original() -> None:
    """What a unit came with is no copy: a copy quoted at half changes nothing.

    Where only a copy was ever quoted the copy's price stands in, not a guess of the original's.
    """
    family = with_parts(P0=(200.0, Basis.OWN))
    original = family.parts[MODEL, "P0", "maker_original"]

    def worth(**parts: PartPath) -> float:
        of_model = {(MODEL, "P0", quality): path for quality, path in parts.items()}
        states = unit_of(family=replace(family, parts=of_model)).states
        board = next(s for s in states if s.state == "s3")
        return float(board.options["part out"].value[0, 0])

    copy = replace(original, price=original.price / 2)
    alone = worth(maker_original=original)
    assert worth(maker_original=original, aftermarket=copy) == alone
    guess = replace(original, price=original.price * 3, quoted=False)
    assert worth(maker_original=guess, aftermarket=copy) == worth(aftermarket=copy)
    assert alone - worth(aftermarket=copy) == pytest.approx(0.45 * 100.0 * 0.8 * 0.861, abs=0.02)


def two_qualities(**rules: object) -> UnitEconomics:
    """The display as the maker's at 248 and as a copy at 150 that nobody named anything of."""
    family = example_family()
    key = (MODEL, "DA", "maker_original")
    copy = replace(family.parts[key], price=family.parts[key].price * 150 / 248, doa_rate=None)
    parts = {**family.parts, (MODEL, "DA", "aftermarket"): copy}
    return unit_of(replace(FREE, **rules), family=replace(family, parts=parts))  # type: ignore[arg-type]


def test_bids_use_the_quality_that_costs_least_with_its_consequences() -> None:
    """By the class a copy is returned 1.35 and fails 1.7 times as often: 98 cheaper, it wins.

    Named in the settings as fetching 25 % less it loses; an owner's order decides where he gives
    one.
    """
    plain = two_qualities()
    assert plain.planned_parts["DA"].price[0, 0] == pytest.approx(150.0)
    reserve = FREE.reserve
    worse = 0.35 * reserve.return_rate * reserve.return_cost
    worse += 0.7 * reserve.warranty_rate * reserve.warranty_cost
    repair = plain.states[0].repair
    usual = unit_of().states[0].repair
    assert repair is not None
    assert usual is not None
    cheaper = (248.0 - 150.0) * (1 + 0.12 * 22 / 365)
    gain = repair.by_grade[0, 0] - usual.by_grade[0, 0]
    assert gain == pytest.approx(np.full(3, cheaper - worse), abs=0.03)
    named = [PartQuality("aftermarket", 0.75, reserve.return_rate, reserve.warranty_rate)]
    dear = two_qualities(repair=replace(FREE.repair, qualities=named))
    assert dear.planned_parts["DA"].price[0, 0] == pytest.approx(248.0)
    forced = replace(FREE.repair, qualities=named, quality_order=["aftermarket"])
    copy = two_qualities(repair=forced)
    assert copy.planned_parts["DA"].price[0, 0] == pytest.approx(150.0)
    sold = copy.states[0].repair
    assert sold is not None
    assert sold.price_by_grade[0, 0] == pytest.approx(0.75 * usual.price_by_grade[0, 0], abs=0.02)


def test_a_quality_is_costed_line_by_line() -> None:
    """Price, shipping, wait, dead parts, returns and resale against the usual, by hand.

    14 days at what the unit loses a day; 4 % of 30.50; returns and warranty by their multiples.
    """
    named = [PartQuality("aftermarket", 0.9, 0.105, 0.06)]
    rules = replace(FREE, repair=replace(FREE.repair, qualities=named))
    bench = bench_of(example_economics(rules), FAMILY, MODEL)
    assert not isinstance(bench, CannotSay)
    path = replace(next(iter(example_family().parts.values())), doa_rate=0.08, lead_days=10.0)
    offer = offer_of(bench, "aftermarket", path)
    dead = 7.5 + 0.5 * 28.0 + 9.0
    mix = 0.25 * 1.08 + 0.60 + 0.15 * 0.88
    total = 248.0 + 8.9 + 0.08 * dead + 10.0 * bench.loss_per_day
    total += 0.5 * 0.07 * 38.0 + 1.0 * 0.03 * 145.0 + 0.1 * 620.0 * mix * 0.861
    assert offer.total == pytest.approx(total)
    assert (offer.returns, offer.warranty, offer.resale) == pytest.approx((1.5, 2.0, 0.9))
    silent = offer_of(bench, "aftermarket", replace(path, doa_rate=None, lead_days=None))
    assert (silent.dead_rate, silent.lead_days) == (0.04, 14.0)


# -- what the month charges


def test_cash_an_option_ties_up_is_charged_and_so_is_the_purchase() -> None:
    """Cash at 0.001 a day: parts 265.40 for 22 days, and the landed cost for its 45 days."""
    plain, charged = unit_of(), unit_of(worth=Valuation(cash_day=0.001))
    values = [u.states[0].options["repair"].value[0, 0] for u in (plain, charged)]
    assert values[0] - values[1] == pytest.approx(0.001 * 22 * 265.40, abs=0.01)
    assert charged.landing.kappa - plain.landing.kappa == pytest.approx(0.001 * 45)


def test_the_makers_service_by_its_formula() -> None:
    """Rho (N - Q - carriage - admin) + (1 - rho)(as is - carriage - admin - fee), hour at 5.

    Trade reference 2.4, step 12: sale day 38, factor 0.98, reserve 4.50, carriage 14.00, 0.3 h of
    paperwork, fee 25.00 on 2 %; the quote is 200.00. Genuine parts fetch 3 % more here.
    """
    family = example_family()
    quote = {"quote_date": pd.Timestamp("2026-10-01"), "model_id": MODEL, "fault": "s1",
             "amount": 200.0, "lead_days": np.nan, "refused_quote_fee": np.nan}  # fmt: skip
    estimates = replace(family.estimates, maker=pd.DataFrame([quote]))
    rules = replace(FREE, maker=Maker(lead_days=12.0, price_factor=1.03))
    terms = rules.maker
    unit = unit_of(rules, Valuation(hour=5.0), replace(family, estimates=estimates))
    state = unit.states[0]
    days = 5 + 12 + 1 + 20
    price = 620.0 * 0.968 ** (days / 30.4375) * (0.25 * 1.08 + 0.60 + 0.15 * 0.88) * 1.03
    net = price * 0.861 - 0.65 - 12.20 - terms.reserve
    admin = 14.0 + 0.3 * 28.0
    good = net - 200.0 - 21.0 - 5.0 * (0.3 + 0.75)
    as_is = state.options["sell as is"].value[0, 0]
    refused = as_is - 25.0 - 5.0 * 0.3
    by_hand = terms.success * good + (1 - terms.success) * refused - admin
    assert state.options["maker's service"].value[0, 0] == pytest.approx(by_hand, abs=0.02)
    assert terms.success == 0.98
    assert state.options["maker's service"].hours == 0.3


def test_a_failed_repair_of_what_nobody_buys_broken_leaves_its_part_alone() -> None:
    """Trade reference 2.4, step 5, without the 68.95: display 173.60 less 323.97 and 21.00."""
    family = replace(example_family(), as_is={})
    repair = unit_of(family=family).states[0].repair
    assert repair is not None
    assert repair.failed[0, 0] == pytest.approx(173.60 - 323.97 - 21.00, abs=0.011)


def test_a_repair_without_parts_costs_labour_alone_and_waits_for_none() -> None:
    """31 days to the sale, 49.00 of labour, 21.00 of testing; failure gives no part back."""
    family = example_family()
    states = family.estimates.rates.states
    states = states.assign(part_codes=states["part_codes"].where(states["state"] != "s1", ""))
    rates = replace(family.estimates.rates, states=states)
    family = replace(family, estimates=replace(family.estimates, rates=rates))
    repair = unit_of(family=family).states[0].repair
    assert repair is not None
    price = 620.0 * 0.968 ** (31 / 30.4375)
    for at, factor in enumerate((1.08, 1.0, 0.88)):
        gross = price * factor
        net = gross * (1 - 0.139) - 0.65 - 12.20 - 7.01
        assert repair.price_by_grade[0, 0, at] == pytest.approx(gross, abs=0.006)
        assert repair.by_grade[0, 0, at] == pytest.approx(net - 49.00 - 21.00, abs=0.02)
    assert repair.failed[0, 0] == pytest.approx(68.95 - 49.00 - 21.00, abs=0.02)


def test_of_close_options_with_the_same_labour_the_dearer_is_advised() -> None:
    state = unit_of().states[0]
    plain = state.options["sell as is"]
    more = replace(plain, value=plain.value + 0.5)
    for options in ({"a": plain, "b": more}, {"b": more, "a": plain}):
        assert replace(state, options=options).advised(0) == "b"


def test_the_newest_answers_are_kept_so_many_and_one_at_least() -> None:
    """What was asked for last is the newest; what fell out is worked out again."""
    kept: dict[str, int] = {}
    worked: list[str] = []

    def asked(key: str, most: int) -> int:
        return newest(kept, key, lambda: worked.append(key) or len(worked), most)

    assert [asked(k, 2) for k in ("a", "b", "a", "c")] == [1, 2, 1, 3]
    assert list(kept) == ["a", "c"]
    assert [asked("b", 0), asked("b", 0)] == [4, 4]
    assert list(kept) == ["b"]
