"""What is known of the one unit at hand: figures given stand fixed in every draw.

What is not given stays as the shop or the class of devices has it, with its width.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.options import as_typed
from repair_horizon.estimation.broken_prices import OTHER
from repair_horizon.estimation.forecast import FamilyEstimates, FamilyOutlook
from repair_horizon.estimation.part_paths import PartPath, as_paths
from repair_horizon.logs import CannotSay, Fault, LogFault
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.words import part_codes

GIVEN = "given"
GIVEN_QUALITY = "maker_original"
"""A part whose price is given counts as the usual kind: no other returns, no other resale."""
ANY = ""


@dataclass(frozen=True)
class PartGiven:
    """Price of a part now, its shipping, and the share it falls by in a month if that is known."""

    price: float
    shipping: float = 0.0
    fall: float | None = None


@dataclass(frozen=True)
class StateGiven:
    """What the unit may turn out to be: how likely, and what mending it needs.

    ``parts`` are codes; ``success`` 0 means that it cannot be mended.
    """

    state: str
    share: float
    parts: tuple[str, ...] = ()
    hours: float = 0.0
    success: float = 0.0


@dataclass(frozen=True)
class GradeGiven:
    """How often a mended unit comes out in a grade, and its price against the base grade's.

    ``factor`` None: the family's own.
    """

    share: float
    factor: float | None = None


@dataclass(frozen=True)
class Given:
    """Figures of one unit; what is None or empty is not given.

    Attributes
    ----------
    resale
        What the model sells for now, working, money.
    fall
        Share that price, and the as-is price with it, falls by in a month.
    part
        Price of the main part, money.
    parts
        Prices by part code.
    as_is
        Price of the unit sold broken, by state or for ``ANY``, money, when it comes to be sold.
    states
        What it may turn out to be; the family's or the class's if empty.
    grades
        Grades after repair.
    hours, success
        Bench hours and success rate of repairing the likeliest state.
    manufacturer_quote
        What the manufacturer's own service asks, money.
    asking
        What the seller asks, or the bid now, money.
    """

    resale: float | None = None
    fall: float | None = None
    part: float | None = None
    parts: Mapping[str, PartGiven] = field(default_factory=dict)
    as_is: Mapping[str, float] = field(default_factory=dict)
    states: tuple[StateGiven, ...] = ()
    grades: Mapping[str, GradeGiven] = field(default_factory=dict)
    hours: float | None = None
    success: float | None = None
    manufacturer_quote: float | None = None
    asking: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be; the ``LogFault`` has every figure outside its limits."""
        faults = [
            Fault(f.name, None, "", str(value), allowed)
            for f in fields(self)
            if (rule := _RULES.get(f.name)) and (value := getattr(self, f.name)) is not None
            for lowest, highest, allowed in [rule]
            if not lowest <= value <= highest
        ]
        for code, part in self.parts.items():
            if not part.price > 0:
                faults.append(Fault("part", None, code, f"{part.price:g}", "a price above 0"))
        for state, price in self.as_is.items():
            if not price >= 0:
                faults.append(Fault("as_is", None, state, f"{price:g}", "a price of 0 or more"))
        total = sum(s.share for s in self.states)
        if self.states and not np.isclose(total, 1.0, atol=1e-6):
            faults.append(Fault("state", None, "", f"shares of {total:g}", "shares that make 1"))
        total = sum(g.share for g in self.grades.values())
        if self.grades and not np.isclose(total, 1.0, atol=1e-6):
            faults.append(Fault("grade", None, "", f"shares of {total:g}", "shares that make 1"))
        if faults:
            raise LogFault(faults)


_TINY, _MOST = 0.01, 1e9
_RULES: dict[str, tuple[float, float, str]] = {
    "resale": (_TINY, _MOST, "what the model sells for working, a price above 0"),
    "fall": (-0.2, 0.5, "the share the price falls by in a month, from -0.2 to 0.5"),
    "part": (_TINY, _MOST, "a price above 0"),
    "hours": (0.0, 100.0, "bench hours from 0 to 100"),
    "success": (0.0, 1.0, "a share from 0 to 1"),
    "manufacturer_quote": (_TINY, _MOST, "a price above 0"),
    "asking": (0.0, _MOST, "a price of 0 or more"),
}


def with_given(economics: Economics, key: tuple[str, str, str], given: Given) -> Economics:
    """Put the figures given in place of what would be drawn.

    Parameters
    ----------
    economics
        Of the family; left as it is.
    key
        (family_id, model_id, listed_fault).
    given
        The figures.

    Raises
    ------
    LogFault
        If they contradict each other or the rest: a part dearer than the device, an unknown part,
        state or grade.
    """
    family_id, model_id, fault = key
    family = economics.outlook.families[family_id]
    assert not isinstance(family, CannotSay)
    family = _priced(economics, family, (family_id, model_id), given)
    if given.states:
        family = _with_states(family, fault, given)
    family = _on_the_bench(family, fault, given)
    family = _with_parts(family, (model_id, fault), given)
    if given.grades:
        family = _with_grades(family, given, economics.settings.grade_order)
    if given.manufacturer_quote is not None:
        family = replace(family, estimates=_with_quote(family, model_id, fault, given))
    changed = _with(economics, family_id, family)
    _check_parts(changed, key, given)
    if given.as_is:
        changed = _with(changed, family_id, _with_as_is(changed, key, given))
    return changed


def _with(economics: Economics, family_id: str, family: FamilyOutlook) -> Economics:
    outlook = replace(economics.outlook, families={family_id: family})
    return replace(economics, outlook=outlook)


def _priced(
    economics: Economics, family: FamilyOutlook, of: tuple[str, str], given: Given
) -> FamilyOutlook:
    """Working price now and its fall a month; without a fall given the drawn path goes on."""
    if given.resale is None and given.fall is None:
        return family
    bench = bench_of(economics, *of)
    if isinstance(bench, CannotSay):
        raise LogFault([Fault("resale", None, "", bench.reason, "a launch price and launch month")])
    at, level = family.models.index(of[1]), family.level.copy()
    if given.resale is not None:
        level[:, at] *= (given.resale / bench.level[:, 0])[:, None]
    if given.fall is not None:
        ahead = np.arange(level.shape[2])
        level[:, at] = level[:, at, :1] * (1.0 - given.fall) ** ahead
    return replace(family, level=level)


def _with_states(family: FamilyOutlook, fault: str, given: Given) -> FamilyOutlook:
    """Declare what the fault may be; a fault nobody listed yet is bid on like any other."""
    draws = len(family.unit_noise)
    rows = pd.DataFrame(
        {
            "listed_fault": fault,
            "state": [s.state for s in given.states],
            "part_codes": [";".join(s.parts) for s in given.states],
            "share": [s.share for s in given.states],
            "prior_share": [s.share for s in given.states],
            "bench_hours": [s.hours for s in given.states],
            "hours": [s.hours for s in given.states],
            "prior_success": [s.success for s in given.states],
            "success": [s.success for s in given.states],
            "basis": Basis.OWN.value,
            "words": GIVEN,
        }
    )
    rates = family.estimates.rates
    others = rates.states[rates.states["listed_fault"] != fault]
    rates = replace(rates, states=pd.concat([others, rows], ignore_index=True))
    hammer, rivals = dict(family.hammer), dict(family.rivals)
    if OTHER in hammer:
        hammer.setdefault(fault, hammer[OTHER])
    if OTHER in rivals:
        rivals.setdefault(fault, rivals[OTHER])
    return replace(
        family,
        estimates=replace(family.estimates, rates=rates),
        shares={**family.shares, fault: np.tile(rows["share"].to_numpy(float), (draws, 1))},
        success={**family.success, fault: np.tile(rows["success"].to_numpy(float), (draws, 1))},
        hammer=hammer,
        rivals=rivals,
    )


def _main_at(family: FamilyOutlook, fault: str) -> int:
    """Row of the likeliest state that a repair with parts can mend; of equals the last."""
    rows = family.estimates.rates.by_fault[fault]
    shares = family.shares[fault].mean(axis=0)
    able = [i for i, r in enumerate(rows) if r["prior_success"] > 0 and str(r["part_codes"])]
    able = able or [i for i, r in enumerate(rows) if r["prior_success"] > 0]
    return max(able or range(len(rows)), key=lambda i: float(shares[i]))


def _on_the_bench(family: FamilyOutlook, fault: str, given: Given) -> FamilyOutlook:
    """Hours and success of mending the likeliest state."""
    if given.hours is None and given.success is None:
        return family
    at = _main_at(family, fault)
    if given.success is not None:
        success = family.success[fault].copy()
        success[:, at] = given.success
        family = replace(family, success={**family.success, fault: success})
    rates = family.estimates.rates
    states = rates.states.copy()
    row = states.index[states["listed_fault"] == fault][at]
    if given.hours is not None:
        states.loc[row, "hours"] = given.hours
    rates = replace(rates, states=states)
    return replace(family, estimates=replace(family.estimates, rates=rates))


def main_codes(family: FamilyOutlook, fault: str) -> list[str]:
    """Codes of the parts that mending the likeliest state needs."""
    row = family.estimates.rates.by_fault[fault][_main_at(family, fault)]
    return part_codes(row["part_codes"])


def _with_parts(family: FamilyOutlook, of: tuple[str, str], given: Given) -> FamilyOutlook:
    model_id, fault = of
    wanted = dict(given.parts)
    if given.part is not None:
        codes = main_codes(family, fault)
        if not codes:
            allowed = "no part: the likeliest state of this fault needs none"
            raise LogFault([Fault("part", None, "", f"{given.part:g}", allowed)])
        wanted = {_dearest(family, model_id, codes): PartGiven(given.part), **wanted}
    known = {k[1] for k in family.parts if k[0] == model_id}
    known.update(*(part_codes(r["part_codes"]) for r in family.estimates.rates.by_fault[fault]))
    faults = [
        Fault("part", None, "", code, "one of " + ", ".join(sorted(known)))
        for code in wanted
        if code not in known
    ]
    if faults:
        raise LogFault(faults)
    if not wanted:
        return family
    length = family.level.shape[2]
    fixed = {
        (model_id, code, GIVEN_QUALITY): _path(family, (model_id, code), part, length)
        for code, part in wanted.items()
    }
    return replace(family, parts=as_paths(family.parts).of_model(model_id, fixed))


def _dearest(family: FamilyOutlook, model_id: str, codes: list[str]) -> str:
    def price(code: str) -> float:
        mine = [k for k in family.parts if k[0] == model_id and k[1] == code]
        return max((float(family.parts[k].price[:, 0].mean()) for k in mine), default=0.0)

    return max(codes, key=price)


def _path(family: FamilyOutlook, of: tuple[str, str], part: PartGiven, length: int) -> PartPath:
    """Price ahead: by the fall given, else as the part's own draws go, else level."""
    draws = len(family.unit_noise)
    drawn = [k for k in family.parts if k[:2] == of]
    if part.fall is not None or not drawn:
        fall = part.fall or 0.0
        price = part.price * (1.0 - fall) ** np.arange(length) * np.ones((draws, 1))
    else:
        usual = family.parts[sorted(drawn)[0]].price[:, :length]
        price = part.price * usual / usual[:, :1]
    return PartPath(price, part.shipping, None, None, 1, pd.NaT, Basis.OWN, GIVEN)


def _check_parts(economics: Economics, key: tuple[str, str, str], given: Given) -> None:
    """Refuse a part that costs more than the working device: mostly a slip of the pen."""
    bench = bench_of(economics, key[0], key[1])
    if isinstance(bench, CannotSay):
        raise LogFault([Fault("ask", None, "", bench.reason, "a launch price and launch month")])
    worth = float(bench.level[:, 0].mean())
    asked = {code: part.price for code, part in given.parts.items()}
    if given.part is not None:
        asked["part"] = given.part
    if given.manufacturer_quote is not None:
        asked["manufacturer_quote"] = given.manufacturer_quote
    faults = [
        Fault(name, None, "", f"{price:g}", f"less than the device sells for working, {worth:.0f}")
        for name, price in asked.items()
        if price >= worth
    ]
    if faults:
        raise LogFault(faults)


def _with_grades(family: FamilyOutlook, given: Given, order: list[str]) -> FamilyOutlook:
    unknown = [g for g in given.grades if g not in order]
    if unknown:
        raise LogFault([Fault("grade", None, "", unknown[0], "one of " + ", ".join(order))])
    draws = len(family.unit_noise)
    told = {g: m.factor for g, m in given.grades.items() if m.factor is not None}
    shares = [given.grades[g].share if g in given.grades else 0.0 for g in order]
    own = {g: family.grade.get(g, np.ones(draws)) for g in order}
    return replace(
        family,
        grade=own | {g: np.full(draws, factor) for g, factor in told.items()},
        grade_shares=np.tile(shares, (draws, 1)),
    )


def _with_quote(family: FamilyOutlook, model_id: str, fault: str, given: Given) -> FamilyEstimates:
    row = {"quote_date": pd.NaT, "model_id": model_id, "fault": fault}
    row |= {"amount": given.manufacturer_quote, "lead_days": np.nan, "refused_quote_fee": np.nan}
    return replace(family.estimates, maker=pd.DataFrame([row]))


def _with_as_is(economics: Economics, key: tuple[str, str, str], given: Given) -> FamilyOutlook:
    """Ratios at which the unit sells broken for the prices given, bought now."""
    family_id, model_id, fault = key
    family = economics.outlook.families[family_id]
    bench = bench_of(economics, family_id, model_id)
    assert not isinstance(family, CannotSay)
    assert not isinstance(bench, CannotSay)
    states = [str(r["state"]) for r in family.estimates.rates.by_fault[fault]]
    unknown = [s for s in given.as_is if s not in (*states, ANY)]
    if unknown:
        raise LogFault([Fault("as_is", None, "", unknown[0], "one of " + ", ".join(states))])
    # The ratios hold the mean as-is sale against the median working one.
    working = bench.price_after(bench.settings.delay.untouched_days)[:, 0] / family.mean_factor
    prices = dict.fromkeys(states, given.as_is[ANY]) if ANY in given.as_is else {}
    prices |= {s: p for s, p in given.as_is.items() if s != ANY}
    given_ratios = {as_typed(s, fault): p / working for s, p in prices.items()}
    return replace(family, as_is={**family.as_is, **given_ratios})
