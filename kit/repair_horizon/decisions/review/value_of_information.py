"""What an answer would be worth: a quote, an as-is sale, a repair's outcome.

    worth of one observation = listings until the buy stop x { E_y[ P(w_y) ] - P(E_y[w_y]) }

Each draw of the forecast is a world that may be true. An observation y is drawn from one of them
with its own noise; given y the draws have weights w_y by their likelihood, and everything is
decided again under these: the option in each state and the bid. P(w) is the profit expected of
one listing, won where the highest rival stays below the bid. The weights before are the mean of
the weights after, so nothing is gained by chance and no answer is worth less than nothing (the
expected value of sample information; Raiffa and Schlaifer, 1961, from memory). Draws are common to
all units an answer bears on: a quote to every fault of the model, an as-is sale or a repair to
every model of the family. Risk-neutral, with the month's charges inside; owned units are not
counted, so an answer is worth a little more than told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

import numpy as np
import pandas as pd
from scipy.special import ndtr

from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.unit.bench import Bench, PartOffer
from repair_horizon.decisions.unit.bid import Outcomes
from repair_horizon.decisions.unit.economics import Economics, bench_of, unit_on
from repair_horizon.decisions.unit.options import NOT_FOR_SALE, REPAIR
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.decisions.unit.winning import HighestRival
from repair_horizon.estimation.broken_prices import OTHER
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import fault_words, part_words

QUOTE, AS_IS_SALE, OUTCOME = "quote", "as-is sale", "repair outcome"
IN, OF = ", ", " of "  # parts of ``what``: code and quality, state and fault
OBSERVATIONS, DRAWS = 16, 500
QUOTE_NOISE = 0.08
"""How far one supplier's quote is from the usual price of a part, in logs (judgement)."""
NOTHING = -1e6
"""Worth of an option that cannot be valued in a draw: it is not chosen."""
LEAST_SHARE, LEAST_SPREAD = 0.01, 0.02
MOST_MONTHS = 12
"""An answer ages: it is counted for a year at most (judgement)."""
SHORTLIST = 15


@dataclass(frozen=True, eq=False)
class Choosable:
    """One model and fault while it is decided on anew.

    ``states`` has for each state the options' worth times the state's share, (options, draws).
    """

    states: tuple[Floats, ...]
    rival: HighestRival
    landing: Landing

    def profit(self, weight: Floats) -> Floats:
        """Profit expected of one listing decided under each row of weights, (rows,).

        Parameters
        ----------
        weight
            (rows, draws), each row summing to one.
        """
        total, by_draw = np.zeros(len(weight)), np.zeros_like(weight)
        for worth in self.states:
            mean = weight @ worth.T
            best = mean.argmax(axis=1)
            total += mean[np.arange(len(weight)), best]
            by_draw += worth[best]
        bid = np.maximum(self.landing.bid_for(total), 1e-9)
        segments = [self.landing.segment(float(b)) for b in bid]
        a, k = (np.array([getattr(s, n) for s in segments])[:, None] for n in ("a", "K"))
        middle, spread = self.rival.log_median[None, :], self.rival.spread
        z = (np.log(bid)[:, None] - middle) / spread
        wins = ndtr(z)
        paid = np.exp(middle + spread**2 / 2) * ndtr(z - spread)
        earned = wins * by_draw - (1 + self.landing.kappa) * (a * paid + k * wins)
        return np.asarray(np.maximum((weight * earned).sum(axis=1), 0.0))


@dataclass(frozen=True, eq=False)
class Unknown:
    """Something that could be observed: ``weight`` (observations, draws) given each, ``chance``.

    ``told`` are kind, family, model and what of the table; ``value`` the draws it is unknown by.
    """

    kind: str
    family_id: str
    model_id: str
    what: str
    basis: str
    value: Floats
    weight: Floats
    chance: Floats

    def gain(self, unit: Choosable) -> float:
        """What the observation adds to one listing of a unit, money."""
        before = (self.chance @ self.weight)[None, :]
        after = float(self.chance @ unit.profit(self.weight))
        return max(after - float(unit.profit(before)[0]), 0.0)


def measured(value: Floats, noise: float) -> tuple[Floats, Floats]:
    """Weights of the draws after a measurement of a log value with normal noise, and its chances.

    Observations are the middle ones of equally likely parts of what may be seen.
    """
    rng = np.random.default_rng(12)
    seen = np.sort(value + noise * rng.standard_normal(len(value)))
    at = ((np.arange(OBSERVATIONS) + 0.5) / OBSERVATIONS * len(value)).astype("int64")
    log = -0.5 * ((seen[at][:, None] - value) / noise) ** 2
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    return weight, np.full(OBSERVATIONS, 1.0 / OBSERVATIONS)


def tried(success: Floats) -> tuple[Floats, Floats]:
    """Weights of the draws after a repair that worked and one that failed, and the chances."""
    good = float(success.mean())
    rows = [success / max(success.sum(), 1e-12), (1 - success) / max((1 - success).sum(), 1e-12)]
    return np.stack(rows), np.array([good, 1.0 - good])


class FamilyUnits:
    """One family's units and what is unknown of them, thinned to ``DRAWS`` draws."""

    def __init__(self, economics: Economics, family_id: str, keys: Sequence[tuple[str, str]]):
        self.economics, self.family_id, self.keys = economics, family_id, keys
        self._benches: dict[str, Bench | None] = {}

    @cached_property
    def units(self) -> dict[tuple[str, str], UnitEconomics]:
        """Models and faults that were listed lately and can be bid for."""
        out = {}
        for key in self.keys:
            bench = self.bench(key[0])
            unit = None if bench is None else unit_on(bench, key[1])
            if unit is not None and Outcomes(unit, 0).rival is not None:
                out[key] = unit
        return out

    @cached_property
    def step(self) -> int:
        """Every which draw is taken."""
        first = next(iter(self.units.values()))
        return max(len(first.family.unit_noise) // DRAWS, 1)

    def thin(self, value: Floats) -> Floats:
        """Take every so many draws."""
        return np.asarray(value[:: self.step], dtype="float64")

    def bench(self, model_id: str) -> Bench | None:
        """Prices of a model, shared by its faults; None where nothing can be said of it."""
        if model_id not in self._benches:
            found = bench_of(self.economics, self.family_id, model_id)
            self._benches[model_id] = found if isinstance(found, Bench) else None
        return self._benches[model_id]

    def offers(self, model_id: str, code: str) -> list[PartOffer]:
        """Every quality of a part of a model, the one planned with first."""
        bench = self.bench(model_id)
        planned = None if bench is None else bench.offer(code)
        if bench is None or planned is None:
            return []
        return [planned, *(o for o in bench.offers(code) if o is not planned)]

    @cached_property
    def choosable(self) -> dict[tuple[str, str], Choosable]:
        """The units, ready to be decided on anew."""
        out = {}
        for key, unit in self.units.items():
            rival = Outcomes(unit, 0).rival
            assert rival is not None
            thin = HighestRival(self.thin(rival.log_median), rival.spread)
            states = tuple(self._worth(unit, s) for s in unit.states)
            out[key] = Choosable(states, thin, unit.landing)
        return out

    def _worth(self, unit: UnitEconomics, state: StateOptions) -> Floats:
        """Options' worth times the share; repair with every other quality of a part is one more."""
        share = self.thin(state.share)
        rows = [self.thin(o.value[:, 0]) for o in state.options.values()]
        for code in state.codes if state.repair is not None else ():
            planned, *others = self.offers(unit.model_id, code)
            for other in others:
                moved = planned.now.price[:, 0] - other.now.price[:, 0]
                fixed = planned.total - other.total - float(moved.mean())
                rows.append(self.thin(state.options[REPAIR].value[:, 0] + moved) + fixed)
        return np.nan_to_num(np.stack(rows), nan=NOTHING) * share

    def unknowns(self) -> Iterable[tuple[Unknown, list[tuple[str, str]]]]:
        """What could be observed, with the units it bears on."""
        yield from self._quotes()
        yield from self._sales()
        yield from self._outcomes()

    def _quotes(self) -> Iterable[tuple[Unknown, list[tuple[str, str]]]]:
        needs: dict[tuple[str, str], list[tuple[str, str]]] = {}
        for key, unit in self.units.items():
            codes = [c for s in unit.states if s.repair is not None for c in s.codes]
            for code in dict.fromkeys(codes):
                needs.setdefault((key[0], code), []).append(key)
        for (model_id, code), keys in needs.items():
            for offer in self.offers(model_id, code):
                value = self.thin(np.log(offer.now.price[:, 0]))
                what = f"{code}{IN}{offer.quality}"
                basis = offer.now.basis.value
                if value.std() >= LEAST_SPREAD:
                    shown = measured(value, QUOTE_NOISE)
                    names = (QUOTE, self.family_id, model_id, what, basis)
                    yield Unknown(*names, np.exp(value), *shown), keys

    def _sales(self) -> Iterable[tuple[Unknown, list[tuple[str, str]]]]:
        needs: dict[str, list[tuple[str, str]]] = {}
        for key, unit in self.units.items():
            as_is = unit.family.as_is
            for state in unit.states:
                known = [k for k in (state.state, key[1], OTHER) if k in as_is]
                if known and state.state not in NOT_FOR_SALE and state.usual >= LEAST_SHARE:
                    needs.setdefault(known[0], []).append(key)
        for name, keys in needs.items():
            family = self.units[keys[0]].family
            rows = family.estimates.as_is
            row = rows[rows["fault"] == name]
            value = self.thin(np.log(family.as_is[name]))
            if len(row) and value.std() >= LEAST_SPREAD:
                noise, basis = float(row["noise"].iloc[0]), str(row["basis"].iloc[0])
                names = (AS_IS_SALE, self.family_id, "", name, basis)
                yield (
                    Unknown(*names, np.exp(value), *measured(value, noise)),
                    list(dict.fromkeys(keys)),
                )

    def _outcomes(self) -> Iterable[tuple[Unknown, list[tuple[str, str]]]]:
        faults: dict[str, list[tuple[str, str]]] = {}
        for key in self.units:
            faults.setdefault(key[1], []).append(key)
        for fault, keys in faults.items():
            for state in self.units[keys[0]].states:
                if state.repair is None or state.usual < LEAST_SHARE:
                    continue
                value = self.thin(state.repair.success)
                basis = Basis.OWN.value
                if value.std() >= LEAST_SPREAD:
                    what = f"{state.state}{OF}{fault}"
                    names = (OUTCOME, self.family_id, "", what, basis)
                    yield Unknown(*names, value, *tried(value)), keys


Answer = tuple[Unknown, list[tuple[tuple[str, str], float]]]
"""Something unknown, and what knowing it adds to one listing of each (model, fault)."""


def family_unknowns(
    economics: Economics, family_id: str, keys: Sequence[tuple[str, str]]
) -> list[Answer]:
    """What could be observed of a family, for its models and faults that are listed."""
    mine, out = FamilyUnits(economics, family_id, keys), list[Answer]()
    for unknown, touched in mine.unknowns() if mine.units else ():
        gains = [(key, unknown.gain(mine.choosable[key])) for key in touched]
        gains = [(key, gain) for key, gain in gains if gain > 1e-6]
        if gains:
            out.append((unknown, gains))
    return out


def dearest(
    found: Sequence[Answer],
    rates: Mapping[tuple[str, str], float],
    months_left: Callable[[str, tuple[str, str]], int],
    most: int | None,
    names: Mapping[str, str] = MappingProxyType({}),
    currency: str = "",
) -> pd.DataFrame:
    """Put the answers in order of their worth; see ``unknowns``.

    ``names`` are models' and families' in words, ``currency`` stands before amounts in words.
    """
    rough = [sum(rates[key] * gain for key, gain in gains) for _, gains in found]
    rows = []
    for at in sorted(range(len(found)), key=lambda i: -rough[i])[:SHORTLIST]:
        unknown, gains = found[at]
        each = [
            (rates[key] * min(months_left(unknown.family_id, key), MOST_MONTHS), gain)
            for key, gain in gains
        ]
        worth = sum(n * gain for n, gain in each)
        lower, upper = np.quantile(unknown.value, [0.1, 0.9])
        told = {c: getattr(unknown, c) for c in ("kind", "family_id", "model_id", "what", "basis")}
        about = {"lower": lower, "upper": upper, "listings": sum(n for n, _ in each)}
        words = f"{_words(unknown, names)}: worth {currency}{worth:.0f}"
        rows.append({**told, **about, "worth": worth, "words": words})
    table = OUTPUTS["unknowns"].table(rows)
    table = table[table["worth"] >= 1.0].sort_values("worth", ascending=False, kind="stable")
    return table.head(most if most is not None else len(table)).reset_index(drop=True)


def _words(unknown: Unknown, names: Mapping[str, str]) -> str:
    """Say what to find out."""
    model, family = (names.get(n, n) for n in (unknown.model_id, unknown.family_id))
    what, _, of = unknown.what.partition(OF)
    if unknown.kind == QUOTE:
        part, _, quality = what.partition(IN)
        return f"get a quote for the {part_words(part)} ({fault_words(quality)}) of {model}"
    if unknown.kind == AS_IS_SALE:
        return f"sell one {family} with {fault_words(what)} as is"
    return f"repair one more {family} with {fault_words(of)} that turns out {fault_words(what)}"


def months_worth_bidding(unit: UnitEconomics, months: int) -> int:
    """Months until the maximum bid itself wins too rarely, two running; at most ``months``.

    So long verdicts say buy. It is not the buy stop, which is a date in every drawn future.
    """
    bids, least = unit.exact_bids(), unit.settings.limits.least_win_chance
    lowest = unit.settings.limits.lowest_lot_cost
    before = False
    for month in range(months):
        rival = Outcomes(unit, month).rival
        rare = bids[month] < lowest or (rival is not None and rival.chance(bids[month]) < least)
        if rare and before:
            return month - 1
        before = rare
    return months
