"""What is known of a device class before any log, one record per class."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import pandas as pd
from numpy.typing import ArrayLike

from repair_horizon.classes.figures import (
    Chance,
    Figure,
    Figures,
    Mark,
    PriceCurve,
    figure_of,
    mixture,
    price_curve,
    rows_of,
)
from repair_horizon.tables.faults import CannotSay, Fault, LogFault
from repair_horizon.tables.inputs import CLASSES, FAULT_STATES, QUALITIES

UNSAID = "for_parts"


@dataclass(frozen=True)
class FaultMeaning:
    """What a listed fault is taken for: a fault of the starter table, a key of as_is.csv.

    ``understood`` is false where no word was known and 'for parts, fault unsaid' stands in.
    """

    listed_fault: str
    as_is_key: str
    understood: bool


def meaning_of(fault: str, device_class: str) -> FaultMeaning:
    """Return what the words of a listing say, by the words declared in fault_words.csv.

    Parameters
    ----------
    fault
        A code such as ``display_dead`` or a few words such as ``"won't turn on"``.
    device_class
        Some words mean another fault in one class (the screen of a foldable is its inner one).

    Examples
    --------
    >>> meaning_of("Won't turn on", "phone").as_is_key
    'no_power'
    >>> meaning_of("screen cracked", "foldable").listed_fault
    'inner_display_dead'
    >>> meaning_of("as pictured", "phone")
    FaultMeaning(listed_fault='for_parts', as_is_key='for_parts', understood=False)
    """
    said = f" {_plain(fault)} "
    for row in rows_of("fault_words", device_class):
        if f" {row['words']} " in said:
            return FaultMeaning(row["listed_fault"], row["as_is_key"], True)
    return FaultMeaning(UNSAID, UNSAID, False)


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", " ", text.lower().replace("'", "").replace("’", "")).strip()


GRADES = ("very_good", "good", "fair", "poor")
"""What grades A, B, C, D are taken for (common practice, no source)."""
FIRST_MONTHS = 6.0
"""Part prices hold this long after launch before they fall (common practice, no source)."""


@dataclass(frozen=True)
class ClassState:
    """What a listed fault may turn out to be: its chance, and what the unit then needs.

    ``success`` of a state without a repair (locked) is 0 with certainty.
    """

    state: str
    share: Chance
    part_codes: tuple[str, ...]
    hours: Figure
    success: Chance
    meaning: str


@dataclass(frozen=True)
class Bounds:
    """Where a fault's success lies by open repair records: fixed on the day, never given up.

    ``floor`` is the share fixed at a repair event (parts not at hand), ``ceiling`` one less the
    share declared at its end of life; both of the ``n`` attempts with a known end.
    """

    floor: float
    ceiling: float
    n: int
    mark: Mark
    source: str


@dataclass(frozen=True)
class PartConsequences:
    """What a part of one quality brings with it, besides its price.

    ``returns`` and ``warranty`` multiply the usual rates, ``resale`` the price.
    """

    dead_on_arrival: Figure
    resale: Figure
    returns: Figure
    warranty: Figure
    lead_days: Figure


@dataclass(frozen=True)
class ClassKnowledge:
    """Everything known of a device class before any log; get one by ``class_knowledge``.

    Examples
    --------
    >>> phone = class_knowledge("phone")
    >>> phone.as_is_ratio("no_power").value
    0.3
    >>> phone.part_share("DA", "aftermarket").words()
    'class, a guess'
    """

    device_class: str

    @cached_property
    def price_curve(self) -> PriceCurve:
        """Share of launch price by age."""
        return price_curve(self.device_class)

    def share_of_launch(self, age_months: ArrayLike) -> Figures:
        """Return the share of launch price at ages in months, any shape."""
        return self.price_curve.at(age_months)

    def grade_step(self, grade: str, grade_order: Sequence[str] = ("A", "B", "C", "D")) -> Figure:
        """Return the log price step of a grade against "good" (B of A to D).

        Parameters
        ----------
        grade
            A word of grades.csv (sealed, as_new, very_good, good, fair, poor), or a code of
            ``grade_order``; an unknown one has step 0 and the width of all grades.
        grade_order
            The shop's codes, best first; they are spread evenly from very good to poor.
        """
        steps = self._figures("grades", "grade")
        if grade in steps:
            return steps[grade]
        if grade not in grade_order:
            spread = math.sqrt(sum(steps[g].value ** 2 for g in GRADES) / len(GRADES))
            return Figure(0.0, spread, Mark.COMMON_PRACTICE, "grade unknown: all grades alike")
        place = list(grade_order).index(grade) * (len(GRADES) - 1) / max(len(grade_order) - 1, 1)
        lower = min(int(place), len(GRADES) - 2)
        a, b, w = steps[GRADES[lower]], steps[GRADES[lower + 1]], place - lower
        if w in (0.0, 1.0):
            return b if w else a
        value = (1 - w) * a.value + w * b.value
        return Figure(value, max(a.log_sd, b.log_sd), Mark.COMMON_PRACTICE, a.source)

    def as_is_ratio(self, fault: str) -> Figure:
        """Return the price as is against the price working, by the words of the fault."""
        key = meaning_of(fault, self.device_class).as_is_key
        ratios = self._figures("as_is", "as_is")
        return ratios.get(key, ratios[UNSAID])

    @property
    def part_codes(self) -> tuple[str, ...]:
        """Codes of the parts whose price the class knows."""
        return tuple(self._figures("part_prices", "part"))

    def part_share(
        self, code: str, quality: str = "maker_original", age_months: float = 0.0
    ) -> Figure | CannotSay:
        """Return a part's price as a share of the model's launch price.

        Parameters
        ----------
        code
            A part code of part_quotes.csv.
        quality
            A quality class of part_quotes.csv.
        age_months
            Months since launch; after ``FIRST_MONTHS`` the price falls by the quality's pace.

        Returns
        -------
        Figure or CannotSay
            CannotSay where the class knows no such part or no such quality of it.
        """
        parts, prices = self._figures("part_prices", "part"), self._quality("price")
        if code not in parts:
            known = ", ".join(parts)
            return CannotSay(f"no class price of part {code} for a {self.device_class}: {known}")
        if quality not in prices:
            return CannotSay(f"no quality class {quality!r}: one of " + ", ".join(QUALITIES))
        months = max(age_months - FIRST_MONTHS, 0.0)
        against_original = prices.get(f"{code} {quality}", prices[quality])
        share = parts[code] if quality == "maker_original" else parts[code].times(against_original)
        if months == 0:
            return share
        pace = self._quality("pace")[quality]
        fall = Figure(math.exp(pace.value * months), pace.log_sd * months, pace.mark, pace.source)
        return share.times(fall)

    def quality_apart(self, code: str, quality: str) -> float:
        """Log deviation of a part's own price of a quality beyond that of all parts'; 0 if none."""
        prices = self._quality("price")
        own = prices.get(f"{code} {quality}", prices[quality])
        return math.sqrt(max(own.log_sd**2 - prices[quality].log_sd ** 2, 0.0))

    def part_consequences(self, quality: str) -> PartConsequences:
        """Return what a quality class of parts brings with it besides its price."""
        if quality not in QUALITIES:
            raise LogFault([Fault("", None, "quality", quality, "one of " + ", ".join(QUALITIES))])
        names = ("dead_on_arrival", "resale", "returns", "warranty", "lead_days")
        return PartConsequences(**{name: self._quality(name)[quality] for name in names})

    def market(self, what: str) -> Figure:
        """Return a figure of markets.csv by its name (``market_names`` lists them)."""
        known = self._markets
        if what not in known:
            raise LogFault([Fault("", None, "figure", what, "one of " + ", ".join(known))])
        return known[what]

    @property
    def market_names(self) -> tuple[str, ...]:
        """Names of the figures of selling, auctions and costs."""
        return tuple(self._markets)

    @property
    def hammer_ratio(self) -> Figure:
        """Hammer price against as-is market value."""
        return self.market("hammer_ratio")

    @property
    def serious_bidders(self) -> Figure:
        """Bidders who bid at least half the usual price."""
        return self.market("serious_bidders")

    @property
    def bid_spread(self) -> Figure:
        """Log standard deviation of the serious bidders' best bids in one auction."""
        return self.market("bid_spread")

    @property
    def listed_faults(self) -> tuple[str, ...]:
        """Listed faults of the starter table."""
        return tuple(dict.fromkeys(r["listed_fault"] for r in self._shares))

    @property
    def state_codes(self) -> tuple[str, ...]:
        """States a unit of the class may be found in."""
        return tuple(self._states)

    def likely_state(self, words: str) -> str:
        """Return the state that words on a bench most likely mean; empty if none is understood."""
        meaning = meaning_of(words, self.device_class)
        states = self.states(meaning.listed_fault) if meaning.understood else ()
        return max(states, key=lambda s: s.share.mean).state if states else ""

    def starter_fault(self, fault: str) -> str:
        """Return the listed fault of the starter table that words or a code are taken for."""
        if fault in self.listed_faults:
            return fault
        found = meaning_of(fault, self.device_class).listed_fault
        return found if found in self.listed_faults else UNSAID

    def states(self, fault: str) -> tuple[ClassState, ...]:
        """Return what a listed fault may turn out to be; shares sum to 1."""
        listed = self.starter_fault(fault)
        return tuple(self._state(r) for r in self._shares if r["listed_fault"] == listed)

    def success(self, fault: str, state: str) -> Chance | CannotSay:
        """Return the success rate of repairing a state, and the cases it is worth."""
        for found in self.states(fault):
            if found.state == state:
                return found.success
        row = self._states.get(state)
        if row is None:
            known = ", ".join(self._states)
            return CannotSay(f"no state {state!r} known of a {self.device_class}: {known}")
        return _success(row)

    def success_bounds(self, fault: str) -> Bounds | CannotSay:
        """Return floor and ceiling of a listed fault's success by open repair records."""
        listed = self.starter_fault(fault)
        for row in rows_of("success_floors", self.device_class):
            if row["listed_fault"] == listed:
                floor, ceiling = float(row["floor"]), float(row["ceiling"])
                return Bounds(floor, ceiling, int(row["n"]), Mark(row["mark"]), row["source"])
        return CannotSay(f"no repair records of {listed} of a {self.device_class}")

    def fault_states(self, family_id: str, listed_fault: str = "") -> pd.DataFrame:
        """Return the starter table of a family, with the columns of fault_states.csv.

        Parameters
        ----------
        family_id
            Filled into the rows.
        listed_fault
            Only the rows of this fault, under this name (words are read as in
            ``starter_fault``); all faults of the class if empty.
        """
        wanted = [(f, f) for f in self.listed_faults] if not listed_fault else [
            (listed_fault, self.starter_fault(listed_fault))
        ]  # fmt: skip
        found = [
            (family_id, name, s.state, s.share.mean, ";".join(s.part_codes), s.hours.value,
             s.success.mean)
            for name, fault in wanted
            for s in self.states(fault)
        ]  # fmt: skip
        return pd.DataFrame(found, columns=[c.name for c in FAULT_STATES.columns])

    @cached_property
    def _markets(self) -> dict[str, Figure]:
        return {r["what"]: figure_of(r) for r in rows_of("markets", self.device_class)}

    @cached_property
    def _shares(self) -> list[dict[str, str]]:
        return rows_of("fault_shares", self.device_class)

    @cached_property
    def _states(self) -> dict[str, dict[str, str]]:
        return {r["state"]: r for r in rows_of("states", self.device_class)}

    def _state(self, row: dict[str, str]) -> ClassState:
        known = self._states[row["state"]]
        mark = Mark(known["hours_mark"])
        return ClassState(
            row["state"],
            Chance(float(row["share"]), float(row["cases"]), Mark(row["mark"]), row["source"]),
            tuple(c for c in known["part_codes"].split(";") if c),
            Figure(
                float(known["bench_hours"]), float(known["hours_log_sd"]), mark, known["source"]
            ),
            _success(known),
            known["meaning"],
        )

    def _quality(self, what: str) -> dict[str, Figure]:
        return self._figures("part_qualities", what)

    def _figures(self, name: str, what: str) -> dict[str, Figure]:
        return _figures(name, what, self.device_class)


@cache
def _figures(name: str, what: str, device_class: str) -> dict[str, Figure]:
    found: dict[str, list[Figure]] = {}
    for row in rows_of(name, device_class):
        if row["what"] == what:
            found.setdefault(row["key"], []).append(figure_of(row))
    return {key: mixture(figures) for key, figures in found.items()}


def _success(row: dict[str, str]) -> Chance:
    mark = Mark(row["success_mark"])
    return Chance(float(row["success"]), float(row["cases"]), mark, row["source"])


@cache
def class_knowledge(device_class: str) -> ClassKnowledge:
    """Return what is known of a device class before any log.

    Raises
    ------
    LogFault
        For a class the catalogue does not allow, with the allowed ones.

    Examples
    --------
    >>> class_knowledge("foldable").share_of_launch(12).value.round(2)
    np.float64(0.41)
    """
    if device_class not in CLASSES:
        allowed = "one of " + ", ".join(CLASSES)
        raise LogFault([Fault("", None, "device_class", device_class, allowed)])
    return ClassKnowledge(device_class)


_STEPS = ("sealed", "as_new", "very_good", "good", "fair", "poor")
_EIGHT_OF_TEN = 1.2816
"""Normal standard deviations to either side that hold 80 %."""
_QUALITIES = ("original_refurbished", "aftermarket", "pulled")


@dataclass(frozen=True)
class KnownFigure:
    """One line: the figure in words with its width, 'class average' or 'class, a guess'."""

    device_class: str
    what: str
    said: str
    words: str
    source: str


def known_figures(device_class: str) -> list[KnownFigure]:
    """Return every figure of a class, in the order of the work.

    Raises
    ------
    LogFault
        For an unknown class.
    """
    known = class_knowledge(device_class)
    found = [*_prices(known), *_parts(known), *_faults(known)]
    found += [(name.replace("_", " "), *_said(known.market(name))) for name in known.market_names]
    return [KnownFigure(device_class, *line) for line in found]


_Line = tuple[str, str, str, str]


def _said(figure: Figure) -> tuple[str, str, str]:
    """Say a figure with its 80 % interval."""
    reach = math.exp(_EIGHT_OF_TEN * figure.log_sd)
    lower, upper = figure.value / reach, figure.value * reach
    width = f", 80 % interval {lower:.2g} to {upper:.2g}" if figure.log_sd else ""
    return f"{figure.value:.3g}{width}", figure.words(), figure.source


def _prices(known: ClassKnowledge) -> list[_Line]:
    curve, out = known.price_curve, []
    ages = curve.ages
    at = curve.at(ages)
    for age, share, width in zip(ages, at.value, at.log_sd, strict=True):
        figure = Figure(float(share), float(width), curve.mark, curve.source)
        out.append((f"share of launch price at {age:.0f} months", *_said(figure)))
    for grade in _STEPS:
        step = known.grade_step(grade)
        said = f"{100 * step.value:+.0f} log per cent, standard error {100 * step.log_sd:.0f}"
        out.append((f"grade {grade.replace('_', ' ')}", said, step.words(), step.source))
    return out


def _parts(known: ClassKnowledge) -> list[_Line]:
    out = []
    for code in known.part_codes:
        for quality in ("maker_original", *_QUALITIES):
            share = known.part_share(code, quality)
            if not isinstance(share, CannotSay):
                what = f"part {code} {quality.replace('_', ' ')}, of launch price"
                out.append((what, *_said(share)))
    return out


def _faults(known: ClassKnowledge) -> list[_Line]:
    out = []
    for fault in known.listed_faults:
        out.append((f"{fault} as is, of the working price", *_said(known.as_is_ratio(fault))))
        for state in known.states(fault):
            need = "+".join(state.part_codes) or "no part"
            said = (
                f"{100 * state.share.mean:.0f} % of them; {need}, {state.hours.value:g} h, "
                f"success {_chance(state.success)}"
            )
            source = f"{state.share.source}; {state.success.source}"
            out.append((f"{fault} turns out {state.state}", said, state.share.words(), source))
        bounds = known.success_bounds(fault)
        if not isinstance(bounds, CannotSay):
            said = f"{100 * bounds.floor:.0f} % fixed at events to {100 * bounds.ceiling:.0f} %"
            what = f"{fault} success by open records ({bounds.n} attempts)"
            out.append((what, said, "class average", bounds.source))
    return out


def _chance(chance: Chance) -> str:
    return f"{100 * chance.mean:.0f} % (worth {chance.cases:g} cases)"
