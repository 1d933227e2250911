"""How prices fall with age, learned from all families at once: what one family's curve starts from.

    coefficients of a family = its class's + the shop's offset + the family's own

Each family's own prices say something of the level and ten slopes of its curve; how much is worked
out by one small regression without the joint model. The shop's offset and how widely families
differ are learned from that (expectation-maximisation over families; the class's width is worth
six of them), and a family starts from what the others say: its own prices are left out.

Laird and Ware, Biometrics 38, 1982 (random effects by EM; from memory).

The same is done for parts: what all quotes of the shop say of a part's qualities, and how widely
models of a family differ.

    log price / launch price = level of a part in its family, by age + the model's own
        + the class's step of the quality + the shop's distance from it + the part's own

Few parts are quoted in two qualities for one model; all parts together tell what a copy costs in
this trade. Random effects by expectation-maximisation, each part's own quotes left out of what it
starts from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property

import numpy as np
import pandas as pd
from scipy import sparse

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.classes.figures import PIVOT_MONTHS
from repair_horizon.estimation.curve.design import (
    KNOTS,
    PIVOT_AGE,
    CurvePrior,
    Priors,
    curve_prior,
    segments,
)
from repair_horizon.estimation.curve.fit import NU
from repair_horizon.estimation.curve.panel import Panel
from repair_horizon.estimation.price_rows import PriceRows, usual_ratio
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.arrays import Bools, Floats, Ints
from repair_horizon.tables.inputs import QUALITIES
from repair_horizon.tables.months import age_in_months

_LAST, WIDER, AT_LAUNCH = 102.0, 1.5, 0.5
LEVEL_SHARED, PACE_SHARED = 0.5, 0.3
"""Part of a class's variance that all families of a shop share: of the level, of all slopes.

Who sells in a cheap market sells every family cheaply. A pace is more a family's own: with 0.65 of
it shared, one that falls by 2.4 % a month beside others that rise (third_world, seeds for choosing)
was 0.11 too high two years ahead and is 0.06 now; mature shops of the profit benchmark lose 0.6 %
less, young ones as much. With 0.8 or 0.65 of the level young ones lose 1 and 0.3 % more."""


@dataclass(frozen=True, eq=False)
class ClassCurve(CurvePrior):
    """What a class says of a curve; ``shared`` is the covariance that a shop's families share."""

    shared: Floats


@cache
def class_curve(device_class: str) -> ClassCurve:
    """Return level and slopes that reproduce the class's share of launch price by age.

    The class's errors are the prior's width: half of the level's at launch, when any device
    fetches near its launch price, all of it from twelve months on, and from then the pace's. On
    top slopes may wander from one segment to the next and the first months may fall quicker, as
    in the engine's own prior. All of it half as much again in variance. On invented shops of
    another make (the profit benchmark's, seeds for choosing) the mean error of a young shop's
    levels fell from 0.213 without the class to 0.180 a year ahead; the level's whole error at
    launch and a pace that turns about twelve months were worse by one to two per cent. Slopes that
    wander by 0.04 a root year and keep all of it (0.03 and 0.8 of it before): loss of levels to a
    year ahead -2 % in its mature shops, -4 % under other laws of fall to two years (third_world).
    """
    curve = class_knowledge(device_class).price_curve
    ends = np.append(KNOTS, _LAST)
    log_share = np.log(curve.at(ends).value)
    mean = np.append(log_share[0], np.diff(log_share) / np.diff(ends) * 12.0)
    first = KNOTS < PIVOT_MONTHS
    level = curve.level_log_sd * np.append(AT_LAUNCH, (1 - AT_LAUNCH) * first * 12 / PIVOT_MONTHS)
    pace = 12 * curve.pace_log_sd * np.append(0.0, ~first)
    shape = Priors(
        first_slope=(0.0, 0.05),
        fast_phase=(0.0, 0.15),
        damp=1.0,
        long_slope=0.0,
        stiffness=0.04,
    )
    slopes = np.outer(pace, pace)
    slopes[1:, 1:] += np.linalg.inv(curve_prior(shape)[1])
    level = np.outer(level, level)
    shared = WIDER * (LEVEL_SHARED * level + PACE_SHARED * slopes)
    precision: Floats = np.asarray(np.linalg.inv(WIDER * (level + slopes)), dtype="float64")
    return ClassCurve(mean, precision, shared)


CURVE = len(KNOTS) + 1
FAMILIES_WORTH = 6.0
"""What the starting width of families is worth."""
LEFT_OUT_UP_TO = 40
"""Up to so many families, each one's own prices are left out of how widely families differ."""
_PASSES, _SCALE_PASSES = 5, 5
_NOISE, _NOISE_WORTH = 0.10, 4.0
_DRIFT, _MARKET = 0.045, 0.05
_STEP = (-0.05, 0.07)
_TRAIT, _LEVEL, _SLOPE, _UNKNOWN = 0.3, 0.10, 0.03, 0.5


@dataclass(frozen=True, eq=False)
class FamilyCurve:
    """What one family's own prices say of its curve: precision (11, 11) and pull (11,)."""

    family_id: str
    device_class: str
    precision: Floats
    pull: Floats


def base_columns(panel: Panel) -> tuple[Floats, Floats, Floats]:
    """Columns every price meets, prices less the usual step, and priors' sd after the curve.

    The columns are level and slopes (11), the successor's step, and traits.
    """
    step = panel.models.step(panel.model, panel.day, panel.now)[:, None]
    # What a successor takes is no fall with age; the joint model has it apart too.
    y = panel.y - _STEP[0] * step[:, 0]
    x = np.hstack([np.ones((len(y), 1)), segments(panel.age), step, panel.traits.values])
    return x, y, np.append(_STEP[1], np.full(panel.traits.values.shape[1], _TRAIT))


def models_taken_out(
    panel: Panel, y: Floats, x: Floats, prior: Floats, cells: Sequence[tuple[Ints, float]]
) -> tuple[Floats, Floats]:
    """Normal equations of a robust regression, each model's own level and slope taken out.

    Parameters
    ----------
    panel, y, x
        Rows, their values (n,) and columns (n, k).
    prior
        Precision of each coefficient, (k,).
    cells
        Groups of rows that share an error, and its standard deviation: a burst of sales in one
        teaches no more than that leaves.

    Returns
    -------
    tuple of ndarray
        Precision with the prior in it, (k, k), and pull, (k,).
    """
    n, models = len(y), len(panel.models.ids)
    own = np.column_stack([np.ones(n), (panel.age - PIVOT_AGE) / 12.0])
    unknown = np.where(panel.models.price_known, 0.0, _UNKNOWN)
    own_prior = np.zeros((models, 2, 2))
    own_prior[:, 0, 0], own_prior[:, 1, 1] = np.hypot(_LEVEL, unknown) ** -2.0, _SLOPE**-2.0
    by_model = sparse.csr_array((np.ones(n), (panel.model, np.arange(n))), shape=(models, n))
    weight, noise = np.ones(n), _NOISE
    for left in reversed(range(_PASSES)):
        row = weight / noise**2
        for cell, sd in cells:
            row = row / (1.0 + (sd / noise) ** 2 * np.bincount(cell, weight))[cell]
        # A model's level and slope meet no other model's: they are taken out one by one.
        both = np.column_stack([x, y, own]) * row[:, None]
        sums = np.stack([by_model @ (both * own[:, [i]]) for i in range(2)], axis=1)
        loads = np.linalg.solve(sums[:, :, -2:] + own_prior, sums[:, :, :-2])
        whole = x.T @ both[:, :-2] - np.einsum("mic,mid->cd", sums[:, :, :-3], loads)
        gram, right = whole[:, :-1] + np.diag(prior), whole[:, -1]
        if not left:
            break
        mean = np.linalg.solve(gram, right)
        mine = loads[:, :, -1] - loads[:, :, :-1] @ mean
        square = (y - x @ mean - np.einsum("ni,ni->n", own, mine[panel.model])) ** 2
        weight = (NU + 1) / (NU + square / noise**2)
        told = weight @ np.minimum(square, 0.25) + _NOISE_WORTH * _NOISE**2
        noise = float(np.sqrt(told / (n + _NOISE_WORTH)))
    return gram, right


def cells_by(panel: Panel, quarter: Ints) -> Ints:
    """Number the quarters of each model that have a price."""
    return _numbered(panel.model * (quarter.max(initial=0) + 1) + quarter)


def curve_alone(panel: Panel) -> tuple[Floats, Floats]:
    """Precision and pull one family's prices give its curve, traits and models taken out.

    Prices of a model in a quarter, and of a quarter, share what moves them all, so that a burst
    of sales teaches no more than that leaves; Student-t weights keep out what is mislabelled.
    """
    x, y, sd = base_columns(panel)
    prior = np.append(np.full(CURVE, 1e-4), sd**-2.0)
    quarter = panel.month // 3 - panel.month.min(initial=0) // 3
    gram, right = models_taken_out(
        panel, y, x, prior, [(cells_by(panel, quarter), _DRIFT), (_numbered(quarter), _MARKET)]
    )
    gram = gram - np.diag(np.append(np.full(CURVE, 1e-4), np.zeros(len(sd))))
    out = np.linalg.solve(
        gram[CURVE:, CURVE:], np.column_stack([gram[CURVE:, :CURVE], right[CURVE:]])
    )
    precision = gram[:CURVE, :CURVE] - gram[:CURVE, CURVE:] @ out[:, :-1]
    pull = right[:CURVE] - gram[:CURVE, CURVE:] @ out[:, -1]
    if not panel.models.price_known.any():
        # Its launch price is a stand-in made from its own prices: they say nothing of the level.
        pull = pull - precision[:, 0] * pull[0] / precision[0, 0]
        precision = precision - np.outer(precision[:, 0], precision[:, 0]) / precision[0, 0]
    return (precision + precision.T) / 2, pull


def pooled_curves(rows: Mapping[str, PriceRows], classes: Mapping[str, str]) -> PooledCurves:
    """Work out every family's own curve.

    Parameters
    ----------
    rows
        Prices of each family with a sale.
    classes
        Device class of every family, those without a sale too.
    """
    found = [FamilyCurve(f, classes[f], *curve_alone(r.panel)) for f, r in rows.items()]
    return PooledCurves(tuple(found), {c: class_curve(c) for c in sorted(set(classes.values()))})


def _numbered(values: Ints) -> Ints:
    return np.unique(values, return_inverse=True)[1].astype("int64")


@dataclass(frozen=True, eq=False)
class PooledCurves:
    """Every family's own curve; ``prior`` says what one family starts from.

    ``starts`` maps a device class to its curve before any price.
    """

    families: tuple[FamilyCurve, ...] = ()
    starts: Mapping[str, ClassCurve] = field(default_factory=dict)

    def prior(self, family_id: str, device_class: str) -> CurvePrior:
        """Level and slopes a family starts from, its own prices left out."""
        start = self.starts[device_class]
        others = np.array([f.family_id != family_id for f in self.families], dtype=bool)
        if not others.any():
            return start
        whole: Floats = np.asarray(np.linalg.inv(start.precision), dtype="float64")
        own = whole - start.shared
        if len(self.families) <= LEFT_OUT_UP_TO:
            between = self._between(others, own, start.shared)
        else:
            if device_class not in self._of_many:
                every = np.ones_like(others)
                self._of_many[device_class] = self._between(every, own, start.shared)
            between = self._of_many[device_class]
        offset, cov = self._shop(others, between, start.shared)
        return CurvePrior(start.mean + offset, np.asarray(np.linalg.inv(between + cov)))

    @cached_property
    def _of_many(self) -> dict[str, Floats]:
        """How widely a class's families differ where there are too many to leave each out."""
        return {}

    @cached_property
    def _told(self) -> tuple[Floats, Floats]:
        """Precisions (n, 11, 11) and pulls (n, 11) about the families' distance from the class."""
        precision = np.stack([f.precision for f in self.families])
        start = np.stack([self.starts[f.device_class].mean for f in self.families])
        pull = np.stack([f.pull for f in self.families])
        return precision, pull - np.einsum("nij,nj->ni", precision, start)

    def _shop(self, kept: Bools, between: Floats, shared: Floats) -> tuple[Floats, Floats]:
        """Mean and covariance of the shop's offset, the families' own averaged out."""
        precision, pull = (a[kept] for a in self._told)
        own = np.linalg.inv(between)
        gain = own @ np.linalg.inv(precision + own)  # (n, 11, 11)
        information = (gain @ precision).sum(axis=0)
        cov = np.linalg.inv(np.linalg.inv(shared) + (information + information.T) / 2)
        return cov @ np.einsum("nij,nj->i", gain, pull), cov

    def _between(self, kept: Bools, start: Floats, shared: Floats) -> Floats:
        """Covariance of families around the shop's curve, ``start`` worth six of them."""
        precision, pull = (a[kept] for a in self._told)
        between = start
        for _ in range(_SCALE_PASSES):
            own = np.linalg.inv(between)
            offset, unsure = self._shop(kept, between, shared)
            cov = np.linalg.inv(precision + own)
            mean = np.einsum("nij,nj->ni", cov, pull + own @ offset) - offset
            # How far the offset itself is unsure moves every family's distance from it alike.
            moved = cov @ precision
            spread = cov + moved @ unsure @ np.swapaxes(moved, 1, 2)
            second = np.einsum("ni,nj->ij", mean, mean) + spread.sum(axis=0)
            between = (second + FAMILIES_WORTH * start) / (len(pull) + FAMILIES_WORTH)
            between = (between + between.T) / 2
        return between


SHOP_STEP, PART_STEP = 0.12, 0.10
"""How far a quality lies from the class's in a shop, and in one part beside that (judgement)."""
_CELL_SD, _QUOTE_SD, _MODELS_WORTH, _PART_PASSES = 0.08, 0.08, 6.0, 6
_LOOSE, _N = 1e-2, len(QUALITIES)


@dataclass(frozen=True, eq=False)
class PooledParts:
    """How widely models differ, and what each part says of the shop's qualities.

    ``told`` holds the precision (4, 4) and pull (4,) of a family's part about the shop's distances
    from the class's prices of the four qualities.
    """

    model_sd: float
    told: Mapping[tuple[str, str], tuple[Floats, Floats]] = field(default_factory=dict)

    def step(
        self, knowledge: ClassKnowledge, part: tuple[str, str], quality: str, base: str
    ) -> tuple[float, float]:
        """Log price of one quality of a family's part against another, and its deviation."""
        mean, cov = self._shop(part)
        load = np.zeros(_N)
        load[QUALITIES.index(quality)] += 1.0
        load[QUALITIES.index(base)] -= 1.0
        wide = load @ (cov + np.diag(part_steps(knowledge, part[1]) ** 2)) @ load
        return class_step(knowledge, part[1], quality, base) + float(load @ mean), float(wide**0.5)

    def _shop(self, but: tuple[str, str] | None = None) -> tuple[Floats, Floats]:
        """Mean and covariance of the shop's distances from the class, one part left out."""
        precision, pull = self._whole
        if but is not None and but in self.told:
            precision, pull = precision - self.told[but][0], pull - self.told[but][1]
        cov: Floats = np.asarray(np.linalg.inv(precision), dtype="float64")
        return cov @ pull, cov

    @cached_property
    def _whole(self) -> tuple[Floats, Floats]:
        precision, pull = np.eye(_N) * SHOP_STEP**-2.0, np.zeros(_N)
        for more, moved in self.told.values():
            precision, pull = precision + more, pull + moved
        return precision, pull


def class_step(knowledge: ClassKnowledge, code: str, quality: str, base: str) -> float:
    """Log price of one quality of a part against another by the class."""
    for one in (code, *reversed(knowledge.part_codes)):  # a display's copies may be of a kind apart
        shares = [knowledge.part_share(one, q) for q in (quality, base)]
        known = [s.value for s in shares if not isinstance(s, CannotSay)]
        if len(known) == len(shares):
            return float(np.log(known[0] / known[1]))
    return 0.0


def part_steps(knowledge: ClassKnowledge, code: str) -> Floats:
    """How far each quality of a part may lie from the shop's step, as a log deviation, (4,).

    What the class says of one part alone ('copies of a folding display are rare and dear') is a
    guess on top of what it says of all, and as much wider as the class says it is.
    """
    own = [knowledge.quality_apart(code, q) for q in QUALITIES]
    return np.hypot(PART_STEP, np.array(own))


def pooled_parts(logs: Logs, priors: Priors) -> PooledParts:
    """Take all quotes of the shop together.

    Parameters
    ----------
    logs
        The whole workspace's.
    priors
        Those of part prices: the usual fall with age, and how widely models differ at first.
    """
    cells = _cells(logs, priors)
    if cells.empty:
        return PooledParts(priors.model_level)
    load = (cells["quality"].to_numpy()[:, None] == np.array(QUALITIES)).astype("float64")
    x, y = np.column_stack([np.ones(len(cells)), load]), cells["y"].to_numpy("float64")
    variance = _CELL_SD**2 + _QUOTE_SD**2 / cells["n"].to_numpy("float64")
    part, keys = pd.factorize(pd.MultiIndex.from_frame(cells[["family", "code"]]))
    model, whose = pd.factorize(part * 10**6 + pd.factorize(cells["model"])[0])
    part_of = whose // 10**6
    kinds = cells.groupby(part)["kind"].first()
    inner = np.zeros((len(keys), _N + 1, _N + 1))
    inner[:, 0, 0] = _LOOSE
    for at, (kind, (_, code)) in enumerate(zip(kinds, keys, strict=True)):
        steps = part_steps(class_knowledge(str(kind)), str(code))
        inner[at, 1:, 1:] = np.diag(steps**-2.0)
    out, weight = PooledParts(priors.model_level), np.ones(len(y))
    for _ in range(_PART_PASSES):
        row = (weight / variance)[:, None]
        both = np.column_stack([x, y, np.ones(len(y))]) * row
        sums = np.zeros((len(whose), both.shape[1]))
        np.add.at(sums, model, both)
        kept = 1.0 / (out.model_sd**-2.0 + sums[:, -1])
        gram = np.zeros((len(keys), _N + 1, _N + 2))
        np.add.at(gram, part, x[:, :, None] * both[:, None, :-1])
        taken = kept[:, None, None] * sums[:, : _N + 1, None] * sums[:, None, :-1]
        np.subtract.at(gram, part_of, taken)
        precision, pull = gram[:, :, :-1], gram[:, :, -1]
        cov = np.linalg.inv(precision + inner)
        # What a part says of the shop: its level and its own distances averaged out.
        left = (np.eye(_N + 1) - precision @ cov)[:, 1:]
        told = zip(left @ precision[:, :, 1:], np.einsum("pij,pj->pi", left, pull), strict=True)
        out = replace(out, told=dict(zip(map(tuple, keys), told, strict=True)))
        start = inner @ np.append(0.0, out._shop()[0])
        own = np.einsum("pij,pj->pi", cov, pull + start)
        level = kept * (sums[:, -2] - np.einsum("gi,gi->g", sums[:, : _N + 1], own[part_of]))
        moved = kept[:, None] * sums[:, : _N + 1]
        unsure = kept + np.einsum("gi,gij,gj->g", moved, cov[part_of], moved)
        off = y - np.einsum("ni,ni->n", x, own[part]) - level[model]
        weight = (NU + 1) / (NU + off**2 / variance)
        second = np.sum(level**2 + unsure) + _MODELS_WORTH * priors.model_level**2
        out = replace(out, model_sd=float(np.sqrt(second / (len(whose) + _MODELS_WORTH))))
    return out


def _cells(logs: Logs, priors: Priors) -> pd.DataFrame:
    """Quotes of one model's part in one quality taken together: distance from the class."""
    catalogue = logs.tables["catalogue"].drop_duplicates("model_id").set_index("model_id")
    quotes = logs.tables["part_quotes"]
    quotes = quotes[quotes["amount"] > 0]
    about = catalogue.loc[quotes["model_id"]]
    days = pd.DatetimeIndex(quotes["quote_date"])
    age = np.maximum(age_in_months(days, about["launch_date"]), 0.0)
    price = np.log(quotes["amount"].to_numpy() / about["launch_amount"].to_numpy())
    kinds = about["device_class"].to_numpy()
    names = list(zip(kinds, quotes["part_code"], quotes["quality_class"], strict=True))
    step = {n: class_step(class_knowledge(n[0]), n[1], n[2], QUALITIES[0]) for n in set(names)}
    table = pd.DataFrame(
        {
            "family": about["family_id"].to_numpy(),
            "kind": kinds,
            "code": quotes["part_code"].to_numpy(),
            "model": quotes["model_id"].to_numpy(),
            "quality": quotes["quality_class"].to_numpy(),
            "y": price - usual_ratio(priors, age) - np.array([step[n] for n in names]),
        }
    )
    table = table[np.isfinite(table["y"])]
    by = table.groupby(["family", "kind", "code", "model", "quality"], sort=True)
    return by.agg(y=("y", "median"), n=("y", "size")).reset_index()
