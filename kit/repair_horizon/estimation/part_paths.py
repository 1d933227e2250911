"""Paths of part prices: joint draws month by month, with the terms of the newest quotes.

Of a part quoted in the family its curves are drawn (`part_prices`); one nobody quoted stands on the
class's share of the launch price.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property

import numpy as np
import pandas as pd

from repair_horizon.classes import ClassKnowledge, Figure, class_knowledge
from repair_horizon.classes.knowledge import FIRST_MONTHS
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.curve.panel import Models
from repair_horizon.estimation.curve.predict import Draws, draw, level_paths, trait_paths, until
from repair_horizon.estimation.part_prices import PART_PRIORS, PartCurves
from repair_horizon.logs import CannotSay
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.inputs import QUALITIES
from repair_horizon.tables.months import age_in_months, month_number

COMMON_PACE, DIFFERING_MONTHS = "original_refurbished", 12.0
"""Pace of every quality after a year of its own.

A copy of a display costs 30 to 60 % of the maker's (common practice, no source); its own pace
throughout would take it to a quarter in its fourth year. On invented shops of another make (profit
benchmark, seeds for choosing) the mean error of a part nobody quoted fell from 0.489 to 0.459,
that of all copies from 0.475 to 0.429."""
UNKNOWN_LAUNCH_SD = 0.4
"""Log sd of a launch price read off the model's or its family's sales (judgement)."""
USUAL_QUALITIES = ("maker_original", "original_refurbished", "aftermarket")


@dataclass(frozen=True, eq=False)
class PartPath:
    """One part of one model in one quality: price per draw and month, and its terms.

    ``lead_days`` and ``doa_rate`` are None where no quote tells them. ``words`` say what the price
    rests on; ``newest`` is missing where the model has no quote of this quality, ``quoted`` says
    whether any model of the family has one.
    """

    price: Floats
    shipping: float
    lead_days: float | None
    doa_rate: float | None
    n_quotes: int
    newest: pd.Timestamp
    basis: Basis = Basis.OWN
    words: str = "own quotes"
    quoted: bool = True


Key = tuple[str, str, str]
"""Model, part code, quality class."""
_KEPT = 2048  # months of paths: 16 MB at 1,000 draws


@dataclass(frozen=True, eq=False)
class PartPaths(Mapping[Key, PartPath]):
    """Every part of every model in every quality; a path is worked out when it is asked for.

    A family of a hundred models has thousands of them. The draws are fixed, so a path asked for
    again is the same; the newest ones are kept.
    """

    sources: Mapping[str, FittedPart | ClassPart]
    keyed: Mapping[Key, None]
    months: int | None = None
    before: PartPaths | None = None
    change: Callable[[Key, PartPath], PartPath] | None = None
    given: Mapping[Key, PartPath] = field(default_factory=dict)

    def __getitem__(self, key: Key) -> PartPath:
        """Return one path; a KeyError where nothing prices the part."""
        if key not in self.keyed:
            raise KeyError(key)
        if key in self.given:
            return self.given[key]
        kept = self._kept
        if key not in kept:
            self._fill(key)
        kept[key] = kept.pop(key)
        return kept[key]

    def __iter__(self) -> Iterator[Key]:
        """Go through the keys, which costs nothing."""
        return iter(self.keyed)

    def __len__(self) -> int:
        """Number of paths there could be."""
        return len(self.keyed)

    def __contains__(self, key: object) -> bool:
        """Whether a part is priced, without pricing it."""
        return key in self.keyed

    def of(self, model_id: str) -> tuple[tuple[str, str], ...]:
        """Part codes and qualities priced for one model."""
        return self._by_model.get(model_id, ())

    def codes(self, model_id: str) -> tuple[str, ...]:
        """Part codes priced for one model."""
        return tuple(dict.fromkeys(code for code, _ in self.of(model_id)))

    def basis(self, key: Key) -> Basis:
        """What a price rests on, without working it out."""
        if key in self.given:
            return self.given[key].basis
        return self.sources[key[1]].told(key[0], key[2])[0]

    def quoted(self, key: Key) -> bool:
        """Whether any model of the family has a quote of it, without working a path out."""
        if key in self.given:
            return self.given[key].quoted
        if self.before is not None:
            return self.before.quoted(key)
        return self.sources[key[1]].quoted(key[2])

    def changed(self, change: Callable[[Key, PartPath], PartPath]) -> PartPaths:
        """Return the same parts with each path changed when it is asked for."""
        return replace(self, before=self, change=change, given={})

    def of_model(self, model_id: str, given: Mapping[Key, PartPath]) -> PartPaths:
        """Return one model's parts, with paths given in place of every quality of their part."""
        named = {code for _, code, _ in given}
        own = ((model_id, c, q) for c, q in self.of(model_id) if c not in named)
        keyed = dict.fromkeys([*own, *given])
        return replace(self, keyed=keyed, given={**self.given, **given})

    def on(self, days: pd.DatetimeIndex) -> PartPaths:
        """Return the same parts on other days, up to the last that was drawn."""
        return replace(self, sources={c: replace(s, days=days) for c, s in self.sources.items()})

    def first(self, months: int) -> PartPaths:
        """Return the same parts looked at for fewer months, which cost less."""
        if self.before is None or self.change is None:
            sources = {code: source.first(months) for code, source in self.sources.items()}
            return replace(self, months=months, sources=sources)
        before = self.before.first(months)
        return replace(before.changed(self.change), keyed=self.keyed, given=self.given)

    @cached_property
    def now(self) -> PartPaths:
        """The same parts in the first month alone, which tells the quality to plan with."""
        if self.before is None or self.change is None:
            return replace(self, months=1)
        return replace(self.before.now.changed(self.change), keyed=self.keyed, given=self.given)

    def _fill(self, key: Key) -> None:
        """Work out one path."""
        if self.before is not None and self.change is not None:
            self._kept[key] = self.change(key, self.before[key])
            return
        model_id, code, quality = key
        path = self._kept[key] = self.sources[code].path(model_id, quality, self.months)
        while len(self._kept) > max(_KEPT // path.price.shape[1], 1):
            self._kept.pop(next(iter(self._kept)))

    @cached_property
    def _kept(self) -> dict[Key, PartPath]:
        return {}

    @cached_property
    def _by_model(self) -> dict[str, tuple[tuple[str, str], ...]]:
        out: dict[str, list[tuple[str, str]]] = {}
        for model_id, code, quality in self.keyed:
            out.setdefault(model_id, []).append((code, quality))
        return {model_id: tuple(found) for model_id, found in out.items()}


def as_paths(parts: Mapping[Key, PartPath]) -> PartPaths:
    """Return parts that may be a plain map of paths as ``PartPaths``."""
    if isinstance(parts, PartPaths):
        return parts
    return PartPaths({}, dict.fromkeys(parts), given=parts)


@dataclass(frozen=True, eq=False)
class FittedPart:
    """A part quoted in the family: its curves, draws of them, and draws of what a quality costs.

    ``unseen`` holds, for each quality this part was never quoted in, its log price against the
    base quality per draw, from the class.
    """

    curves: PartCurves
    drawn: Draws
    days: pd.DatetimeIndex
    unseen: Mapping[str, Floats]

    def path(self, model_id: str, quality: str, months: int | None = None) -> PartPath:
        """Path of one model in one quality, over the first months or all."""
        fit, days = self.curves.fit, self.days[:months]
        at = fit.panel.models.ids.index(model_id)
        model, shared = np.full(len(days), at), self._shared(at)[:, : len(days)]
        traits = trait_paths(fit, self.drawn, self.curves.points(model, days, quality))
        off = self.unseen[quality][:, None] if quality in self.unseen else 0.0
        price: Floats = np.exp(shared + traits + off) * fit.panel.models.launch_price[at]
        terms, told = self.terms(model_id, quality), self.told(model_id, quality)
        return PartPath(price, *terms, *told, quoted=self.quoted(quality))

    def _shared(self, at: int) -> Floats:
        """What all qualities of a model share, (draws, days); that of the newest model is kept."""
        if at not in self._newest:
            self._newest.clear()
            points = self.curves.points(np.full(len(self.days), at), self.days, "")
            bare = replace(points, traits=np.zeros_like(points.traits))
            self._newest[at] = level_paths(self.curves.fit, self.drawn, bare)
        return self._newest[at]

    @cached_property
    def _newest(self) -> dict[int, Floats]:
        return {}

    def first(self, months: int) -> FittedPart:
        """The same draws without what lies beyond the first months, which is most of them."""
        days = self.days[:months]
        return replace(self, drawn=until(self.curves.fit, self.drawn, days), days=days)

    def terms(
        self, model_id: str, quality: str
    ) -> tuple[float, float | None, float | None, int, pd.Timestamp]:
        """Shipping, lead days, share arriving dead, quotes, newest day: own, else siblings'."""
        own = self.curves.terms.get((model_id, quality))
        if own is not None:
            return _terms(own.shipping, own.lead_days, own.doa_rate, own.n_quotes, own.newest)
        return _terms(*self.curves.usual_terms.get(quality, (np.nan, np.nan, np.nan)), 0, pd.NaT)

    def quoted(self, quality: str) -> bool:
        """Whether the part is quoted in a quality."""
        return quality not in self.unseen

    def told(self, model_id: str, quality: str) -> tuple[Basis, str]:
        """What the price of a model's part rests on."""
        if (model_id, quality) in self.curves.terms:
            return Basis.OWN, "own quotes"
        others = self.curves.quotes.get(model_id, 0)
        if others:
            return (
                Basis.FAMILY,
                f"estimated from {others} quote{'s' * (others > 1)} of another quality",
            )
        siblings = len(self.curves.quotes)
        words = f"estimated from {siblings} sibling{'s' * (siblings > 1)}"
        unseen = ", quality from the class" if quality in self.unseen else ""
        return Basis.FAMILY, words + unseen


def _terms(
    shipping: float, lead: float, doa: float, n: int, newest: pd.Timestamp
) -> tuple[float, float | None, float | None, int, pd.Timestamp]:
    return (
        0.0 if np.isnan(shipping) else float(shipping),
        None if np.isnan(lead) else float(lead),
        None if np.isnan(doa) else float(doa),
        int(n),
        pd.Timestamp(newest),
    )


@dataclass(frozen=True, eq=False)
class ClassPart:
    """A part nobody quoted in the family: the class's share of launch price, wide.

    ``error`` (draws, 1 + models) holds standard normal numbers: the part's own, which all models
    share, and one a model; ``by_quality`` one per draw for each quality.
    """

    device_class: str
    code: str
    models: Models
    days: pd.DatetimeIndex
    error: Floats
    by_quality: Mapping[str, Floats]

    def path(self, model_id: str, quality: str, months: int | None = None) -> PartPath:
        """Path of one model in one quality, over the first months or all."""
        at, days = self.models.ids.index(model_id), self.days[:months]
        age = np.maximum(age_in_months(days, self.models.launch[at]), 0.0)
        whole = self._share("maker_original", 0.0)
        unknown = 0.0 if self.models.price_known[at] else UNKNOWN_LAUNCH_SD
        own = np.hypot(PART_PRIORS.model_level, unknown) * self.error[:, 1 + at]
        log_share, log_sd = self._shares(quality, age)
        more = np.sqrt(np.maximum(log_sd**2 - whole.log_sd**2, 0.0))
        # The mean of the draws is the class's figure, however wide they are.
        spread = whole.log_sd**2 + np.hypot(PART_PRIORS.model_level, unknown) ** 2 + more**2
        centre = log_share - spread / 2
        error = (whole.log_sd * self.error[:, 0] + own)[:, None]
        error = error + self.by_quality[quality][:, None] * more
        price: Floats = np.exp(centre + error) * self.models.launch_price[at]
        terms = _terms(np.nan, np.nan, np.nan, 0, pd.NaT)
        return PartPath(price, *terms, *self.told(model_id, quality), quoted=False)

    def first(self, months: int) -> ClassPart:
        """The same part for fewer months: nothing of it is drawn by month."""
        return replace(self, days=self.days[:months])

    def quoted(self, quality: str) -> bool:
        """Nobody quoted it, in any quality."""
        return False

    def told(self, model_id: str, quality: str) -> tuple[Basis, str]:
        """Say that the class stands behind it."""
        return Basis.CLASS, "from the class, wide"

    def _shares(self, quality: str, age: Floats) -> tuple[Floats, Floats]:
        """Log share of launch price at each age and its log sd, by the quality's own pace.

        It differs from the others' for a year only (see ``DIFFERING_MONTHS``).
        """
        new, later = self._share(quality, 0.0), self._share(quality, FIRST_MONTHS + 1.0)
        usual = self._share(COMMON_PACE, FIRST_MONTHS + 1.0).value
        common = np.log(usual / self._share(COMMON_PACE, 0.0).value)
        months = np.maximum(age - FIRST_MONTHS, 0.0)
        apart = np.minimum(months, DIFFERING_MONTHS)
        own = np.log(later.value / new.value)
        log_share = np.log(new.value) + own * apart + common * (months - apart)
        pace_variance = max(later.log_sd**2 - new.log_sd**2, 0.0)
        return log_share, np.sqrt(new.log_sd**2 + pace_variance * months**2)

    def _share(self, quality: str, age: float) -> Figure:
        return _class_share(self.device_class, self.code, quality, age)


@cache
def _class_share(device_class: str, code: str, quality: str, age: float) -> Figure:
    found = class_knowledge(device_class).part_share(code, quality, age)
    assert not isinstance(found, CannotSay), found.reason
    return found


def part_paths(
    parts: Mapping[str, PartCurves],
    models: Models,
    device_class: str,
    needed: Sequence[str],
    days: pd.DatetimeIndex,
    draws: int,
    chance: Antithetic,
) -> PartPaths:
    """Draw every part of a family's models.

    Parameters
    ----------
    parts
        Curves of the parts quoted in the family.
    models
        Its models, with launch prices.
    device_class
        Whose shares of launch price stand in for parts nobody quoted.
    needed
        Codes of the parts that some state needs; the class's own codes are added.
    days, draws, chance
        Where, how many and from which chance.

    Returns
    -------
    PartPaths
        Qualities are the usual ones and those quoted in the family; a quality that the class
        says there is none of is left out unless quoted.
    """
    quoted = {str(q) for curves in parts.values() for q in curves.offers["quality_class"]}
    qualities = [q for q in QUALITIES if q in quoted or q in USUAL_QUALITIES]
    knowledge = class_knowledge(device_class)
    sources: dict[str, FittedPart | ClassPart] = {}
    keyed: dict[Key, None] = {}
    for part, curves in parts.items():
        ahead = max(int(month_number(days[-1:])[0]) - curves.fit.layout.last_month, 1)
        drawn = draw(curves.fit, ahead, draws, chance)
        seen = {str(q) for q in curves.offers["quality_class"]}
        possible = [q for q in qualities if q in seen or _known(knowledge, part, q)]
        steps = {q: curves.unseen[q] for q in possible if q not in seen}
        unseen = {q: mean + sd * chance.normal(draws) for q, (mean, sd) in steps.items()}
        sources[part] = FittedPart(curves, drawn, days, unseen)
        keyed |= {(m, part, q): None for m in models.ids for q in possible}
    # The class's parts follow the quoted ones, so that those keep their draws.
    for part in sorted({*needed, *knowledge.part_codes} - set(parts)):
        possible = [q for q in qualities if _known(knowledge, part, q)]
        priced = models.price_known.any() or np.any(models.launch_price != 1.0)
        if possible and priced and not isinstance(knowledge.part_share(part), CannotSay):
            error = chance.normal(draws, 1 + len(models.ids))
            each = {q: chance.normal(draws) for q in possible}
            sources[part] = ClassPart(device_class, part, models, days, error, each)
            keyed |= {(m, part, q): None for m in models.ids for q in possible}
    return PartPaths(sources, keyed)


def _known(knowledge: ClassKnowledge, part: str, quality: str) -> bool:
    """Whether there is such a quality of a part; of a part the class does not know, all are."""
    if part not in knowledge.part_codes:
        return True
    return not isinstance(knowledge.part_share(part, quality), CannotSay)
