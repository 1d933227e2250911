"""The truth of one invented business: prices, parts, faults, and where the owner is wrong.

Prices fall by a law drawn for each family (logistic, stretched exponential or hyperbolic), step
down when a successor comes, and share a market that walks; each model drifts quarter by quarter
by itself. Nothing here is the kit's model or the demo's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .costs import Costs
from .device_truths import KINDS, DeviceTruth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

YEAR, PAD = 12, 7
GRADES = ("A", "B", "C", "D")
# A sale's own noise: mostly careful buyers, now and then a hasty or a fond one.
NOISE_SHARE, NOISE_SD = (0.92, 0.08), (0.075, 0.20)
NOISE_MEAN = float(
    sum(p * np.exp(s * s / 2) for p, s in zip(NOISE_SHARE, (0.075, 0.20), strict=True))
)
AS_IS_SD = 0.22
AS_IS_MEAN = float(np.exp(AS_IS_SD**2 / 2))


@dataclass(frozen=True, eq=False)
class FamilyTruth:
    """One family; arrays are by state unless said.

    ``shares`` maps a listed fault to the true share of each state; ``declared_*`` is what the
    owner wrote into fault_states.csv. ``grade_factor`` and ``grade_mix`` are by grade.
    """

    name: str
    device_class: str
    states: tuple[str, ...]
    parts: tuple[tuple[str, ...], ...]
    codes: tuple[str, ...]
    hours: Floats
    success: Floats
    ratio: Floats
    shares: dict[str, Floats]
    fault_weight: dict[str, float]
    declared_hours: Floats
    declared_success: Floats
    declared_shares: dict[str, Floats]
    grade_factor: Floats
    grade_mix: Floats


@dataclass(frozen=True, eq=False)
class World:
    """A business's truth over ``history`` months, the year of the replay and some months more.

    ``launch`` and ``successor`` (infinite if none comes) are months on the same count; level is
    the log median price of a working unit of grade B on the marketplace, (models, months);
    ``part_price`` maps a code to (models, months), missing where a family has no such part;
    ``cheap`` is an aftermarket part's price over the original's, by model; ``maker`` maps
    (model, fault) to the manufacturer's quote.
    """

    seed: int
    history: int
    costs: Costs
    families: tuple[FamilyTruth, ...]
    model_ids: tuple[str, ...]
    family: Ints
    launch: Floats
    successor: Floats
    launch_price: Floats
    popularity: Floats
    level: Floats
    part_price: dict[str, Floats]
    cheap: Floats
    maker: dict[tuple[int, str], float]

    @property
    def months(self) -> int:
        """Months the truth reaches."""
        return self.level.shape[1]

    @property
    def units(self) -> list[tuple[int, str]]:
        """Every model with every fault its family is listed with."""
        return [(m, f) for m, k in enumerate(self.family) for f in self.families[k].shares]

    @property
    def widest(self) -> int:
        """States of the family that has most."""
        return max(len(f.states) for f in self.families)

    def level_at(self, model: Ints, when: Floats) -> Floats:
        """Median working price on the marketplace, grade B, at a fractional month."""
        at = np.clip(when, 0.0, self.months - 1.001)
        low = at.astype("int64")
        part = at - low
        log = (1 - part) * self.level[model, low] + part * self.level[model, low + 1]
        return np.asarray(np.exp(log))


def draw_world(seed: int, history: int, costs: Costs, families: int = 6) -> World:
    """Draw one business's truth; the seed fixes everything."""
    rng = np.random.default_rng([seed, 501])
    months = history + YEAR + PAD
    truths, family, launch, successor, price, popularity = [], [], [], [], [], []
    laws: list[Floats] = []
    time = np.arange(months, dtype="float64")
    market = _walk(rng, (months,), 0.03, 0.9)
    # The owner is too hopeful or too grim, by half to one logit, much the same in all families.
    hope = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.0))
    for k, (kind, centre, name) in enumerate(KINDS[:families]):
        truths.append(_family(rng, kind, centre, name, hope))
        n = int(rng.integers(3, 6))
        gap = rng.uniform(9, 14)
        newest = history - rng.uniform(1.5, 9.0)
        came = newest - gap * np.arange(n)[::-1] + rng.normal(0, 0.7, n)
        after = np.append(came[1:], came[-1] + gap)
        law, step = _law(rng), rng.uniform(0.0, 0.09)
        cost = centre.launch_price * np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.10, n))
        age = time[None, :] - came[:, None]
        turned = step / (1 + np.exp(-(time[None, :] - after[:, None]) / 0.5))
        log = np.log(law(np.maximum(age, 0.0))) - turned + rng.normal(0, 0.08, n)[:, None]
        log = log + np.log(cost)[:, None] + market + _quarters(rng, n, months)
        laws.append(log)
        family += [k] * n
        launch.append(came)
        successor.append(np.where(after < history + YEAR, after, np.inf))
        price.append(np.round(cost / 10) * 10 - 1)
        popularity.append(rng.gamma(2.0, 0.5, n) + 0.25)
    world = World(
        seed,
        history,
        costs,
        tuple(truths),
        tuple(f"{truths[k].name}_{i}" for i, k in enumerate(family)),
        np.array(family),
        np.concatenate(launch),
        np.concatenate(successor),
        np.concatenate(price),
        np.concatenate(popularity),
        np.concatenate(laws),
        {},
        np.exp(rng.normal(np.log(0.62), 0.10, len(family))),
        {},
    )
    world.part_price.update(_parts(rng, world))
    world.maker.update(_makers(rng, world))
    return world


def _law(rng: np.random.Generator) -> Callable[[Floats], Floats]:
    """One of three laws of fall: share of the launch price at an age in months."""
    start, floor = rng.uniform(0.74, 0.90), rng.uniform(0.03, 0.09)
    kind = int(rng.integers(3))
    if kind == 0:
        middle, width = rng.uniform(22, 34), rng.uniform(17, 23)
        whole = 1 / (1 + np.exp(-middle / width))
        return lambda age: floor + (start - floor) / (1 + np.exp((age - middle) / width)) / whole
    if kind == 1:
        scale, power = rng.uniform(26, 44), rng.uniform(0.75, 1.05)
        return lambda age: floor + (start - floor) * np.exp(-((age / scale) ** power))
    scale, power = rng.uniform(22, 40), rng.uniform(1.1, 1.7)
    return lambda age: floor + (start - floor) * (1 + age / scale) ** -power


def _quarters(rng: np.random.Generator, n: int, months: int) -> Floats:
    """Each model's own drift: one step a quarter, straight between."""
    steps = _walk(rng, (n, months // 3 + 3), 0.035, 0.85)
    at = np.arange(months) / 3.0
    return np.stack([np.interp(at, np.arange(s.size), s) for s in steps])


def _walk(rng: np.random.Generator, shape: tuple[int, ...], sd: float, rho: float) -> Floats:
    shocks = rng.normal(0, sd * np.sqrt(1 - rho**2), shape)
    out = np.empty(shape)
    out[..., 0] = rng.normal(0, sd, shape[:-1])
    for t in range(1, shape[-1]):
        out[..., t] = rho * out[..., t - 1] + shocks[..., t]
    return out


def _logit(p: Floats) -> Floats:
    q = np.clip(p, 1e-6, 1 - 1e-6)
    return np.asarray(np.log(q / (1 - q)))


def _expit(x: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-x)))


def _family(
    rng: np.random.Generator, kind: str, centre: DeviceTruth, name: str, hope: float
) -> FamilyTruth:
    names = [s for s in centre.states if any(s in f for _, f in centre.faults.values())]
    states = [centre.states[s] for s in names]
    n = len(names)
    able = np.array([s.success > 0 for s in states])
    sold = np.array([s.ratio > 0 for s in states])
    success = _expit(_logit(np.array([s.success for s in states])) + rng.normal(0, 0.35, n)) * able
    hours = np.array([s.hours for s in states]) * np.exp(rng.normal(0, 0.15, n))
    ratio = np.array([s.ratio for s in states]) * np.exp(
        rng.normal(0, 0.12) + rng.normal(0, 0.10, n)
    )
    off = hope + rng.normal(0, 0.2)
    shares, declared, weight = {}, {}, {}
    for fault, (common, told) in centre.faults.items():
        base = np.array([told.get(s, 0.0) for s in names])
        shares[fault] = _around(rng, base, 0.25)
        bad = np.array([s in ("board", "locked") for s in names])
        declared[fault] = _normal(shares[fault] * np.exp(-0.7 * off * bad + rng.normal(0, 0.25, n)))
        weight[fault] = common
    said = _expit(_logit(success) + off + rng.normal(0, 0.2, n)) * able
    return FamilyTruth(
        name,
        kind,
        tuple(names),
        tuple(s.parts for s in states),
        tuple(centre.parts),
        hours,
        success,
        np.clip(ratio, 0.0, 0.9) * sold,
        shares,
        weight,
        np.round(hours * np.exp(-0.15 * np.sign(off) + rng.normal(0, 0.15, n)), 1),
        np.round(np.clip(said, 0.0, 0.99), 2),
        declared,
        np.exp(np.array([0.10, 0.0, -0.11, -0.27]) * rng.uniform(0.7, 1.4)),
        rng.dirichlet([4, 9, 5, 1.5]),
    )


def _around(rng: np.random.Generator, base: Floats, sd: float) -> Floats:
    return _normal(base * np.exp(rng.normal(0, sd, base.size)))


def _normal(x: Floats) -> Floats:
    return np.asarray(x / x.sum())


def _parts(rng: np.random.Generator, world: World) -> dict[str, Floats]:
    """Part prices: share of launch price by class, family and model; decline; shortage late."""
    n, months = world.launch.size, world.months
    time = np.arange(months, dtype="float64")
    out: dict[str, Floats] = {}
    for k, (_, centre, _) in enumerate(KINDS[: len(world.families)]):
        mine = np.flatnonzero(world.family == k)
        for code, share in centre.parts.items():
            price = out.setdefault(code, np.full((n, months), np.nan))
            level = np.log(share) + rng.normal(0, 0.22)
            fall = rng.uniform(0.004, 0.022)
            for m in mine:
                age = np.maximum(time - world.launch[m], 0.0)
                short = rng.uniform(0.1, 0.35) if rng.random() < 0.25 else 0.0
                late = short / (1 + np.exp(-(age - rng.uniform(26, 44)) / 1.5))
                log = level + rng.normal(0, 0.16) - fall * np.minimum(age, 40) + late
                log = log + _walk(rng, (months,), 0.03, 0.85)
                price[m] = world.launch_price[m] * np.exp(log)
    return out


def _makers(rng: np.random.Generator, world: World) -> dict[tuple[int, str], float]:
    """The manufacturer repairs some models' displays and batteries, at a price near the part's."""
    out = {}
    for m, k in enumerate(world.family):
        truth = world.families[k]
        for fault, code in (("display_dead", "DA"), ("battery_worn", "BAT")):
            if fault in truth.shares and rng.random() < 0.3:
                now = world.part_price[code][m, world.history]
                out[m, fault] = float(np.round(now * rng.uniform(1.25, 1.9) + 25.0))
    return out
