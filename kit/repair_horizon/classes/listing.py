"""Every figure known of a class as a line to read: what, how much, how sure, from where."""

from __future__ import annotations

import math
from dataclasses import dataclass

from repair_horizon.classes.figures import Chance, Figure
from repair_horizon.classes.knowledge import ClassKnowledge, class_knowledge
from repair_horizon.tables.faults import CannotSay

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
