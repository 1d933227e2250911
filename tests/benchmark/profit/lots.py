"""The lots that come up and everybody's luck in them, drawn once so that all policies meet them.

English auctions: each rival has a value of his own around a common one, and stays in up to it.
The highest bidder wins and pays what the second highest gave; that price is what is seen after.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from .world import AS_IS_SD, GRADES, NOISE_SD, NOISE_SHARE, World
from .worth import SELL_CHANCE, Luck, Place, Worth

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

RIVALS, PRIVATE_SD, COMMON_SD, HABIT_SD = 4.5, 0.21, 0.24, 0.30
INFORMED, OPENING = 0.30, 0.10
EAGERNESS = 0.66
SEASON = 0.35  # lots come in waves, so that a bench binds in some months only
ASK_LOW, ASK_HIGH, RESERVE_SD, RESERVE = 0.05, 0.40, 0.28, 0.72


@dataclass(frozen=True, eq=False)
class Lots:
    """Lots in order of time, (n,).

    ``unit`` counts ``World.units``; ``highest`` and ``second`` are what the two keenest rivals
    would give (the opening price where there is none); ``reserve`` is the least a private
    seller takes and ``ask`` what is asked; both missing at auctions.
    """

    unit: Ints
    month: Ints
    day: Floats
    state: Ints
    highest: Floats
    second: Floats
    reserve: Floats
    ask: Floats
    luck: Luck
    model: Ints

    @property
    def place(self) -> Place:
        """Where each lot stands in the tables of worth."""
        return Place(self.model, self.state, self.month.astype("float64"))

    @property
    def private(self) -> npt.NDArray[np.bool_]:
        """Offered by a private seller."""
        return np.isfinite(self.reserve)

    def chosen(self, kept: npt.NDArray[np.bool_] | Ints) -> Lots:
        """Some of the lots."""
        luck = Luck(**{f.name: getattr(self.luck, f.name)[kept] for f in fields(Luck)})
        own = {f.name: getattr(self, f.name)[kept] for f in fields(Lots) if f.name != "luck"}
        return Lots(**own, luck=luck)


def draw_luck(world: World, at: Place, rng: np.random.Generator) -> Luck:
    """Draw what happens to units once bought."""
    n, c = at.model.size, world.costs
    worth = Worth(world)
    family = world.family[at.model]
    mix = np.cumsum(np.stack([f.grade_mix for f in world.families]), axis=1)[family]
    grade = (rng.random(n)[:, None] > mix).sum(axis=1).clip(0, len(GRADES) - 1)
    hasty = rng.random(n) < NOISE_SHARE[1]
    back = (rng.random(n) < c.return_rate) * c.return_cost
    back = back + (rng.random(n) < c.warranty_rate) * c.warranty_cost
    return Luck(
        rng.choice(SELL_CHANCE.size, n, p=SELL_CHANCE),
        grade,
        (rng.random(n) < worth.success[family, at.state]).astype("float64"),
        (rng.random(n) < c.maker_success).astype("float64"),
        np.exp(rng.normal(0, 1, n) * np.where(hasty, NOISE_SD[1], NOISE_SD[0])),
        np.exp(rng.normal(0, AS_IS_SD, n)),
        np.exp(rng.normal(-0.045, 0.30, n)),
        back,
    )


def draw_lots(
    world: World,
    worth: Worth,
    months: range,
    per_month: float,
    private: float,
    rng: np.random.Generator,
) -> Lots:
    """Draw the lots of some months; ``private`` is the share offered by private sellers."""
    unit, month = _comers(world, months, per_month, rng)
    n = unit.size
    day = rng.uniform(0, 1, n)
    order = np.lexsort((day, month))
    unit, month, day = unit[order], month[order], day[order]
    model = np.array([m for m, _ in world.units])[unit]
    shares = np.cumsum(worth.shares[unit], axis=1)
    state = (rng.random(n)[:, None] > shares).sum(axis=1).clip(0, shares.shape[1] - 1)
    common = common_value(world, worth, unit, month) * np.exp(rng.normal(0, COMMON_SD, n))
    highest, second = _rivals(common, _known_worth(world, worth, model, state, month), rng)
    by_hand = rng.random(n) < private
    reserve = common * RESERVE / EAGERNESS * np.exp(rng.normal(0, RESERVE_SD, n))
    ask = reserve * np.exp(rng.uniform(ASK_LOW, ASK_HIGH, n))
    at = Place(model, state, month.astype("float64"))
    luck = draw_luck(world, at, rng)
    blank = np.where(by_hand, 1.0, np.nan)
    return Lots(unit, month, day, state, highest, second, reserve * blank, ask * blank, luck, model)


def _comers(
    world: World, months: range, per_month: float, rng: np.random.Generator
) -> tuple[Ints, Ints]:
    """Which units come up in which month: popular models more, only after their launch."""
    rate = np.array(
        [
            world.popularity[m] * world.families[world.family[m]].fault_weight[f]
            for m, f in world.units
        ]
    )
    rate = rate / rate.sum() * per_month
    launch = world.launch[[m for m, _ in world.units]]
    out_unit, out_month = [], []
    for t in months:
        wave = 1.0 + SEASON * np.sin(2 * np.pi * t / 12)
        count = rng.poisson(rate * wave * (t > launch + 1.0))
        out_unit.append(np.repeat(np.arange(rate.size), count))
        out_month.append(np.full(count.sum(), t))
    return np.concatenate(out_unit), np.concatenate(out_month)


def common_value(world: World, worth: Worth, unit: Ints, month: Ints) -> Floats:
    """What rivals take a lot to be worth: partly its true worth, partly a habit by fault."""
    bids, _ = worth.charged()
    model = np.array([m for m, _ in world.units])
    level = np.exp(world.level[model])
    share = np.clip(bids / level, 0.03, None)
    rng = np.random.default_rng([world.seed, 502])
    habit = np.empty(len(world.units))
    names: dict[tuple[int, str], float] = {}
    middle = np.median(share, axis=1)
    for u, (m, fault) in enumerate(world.units):
        key = (int(world.family[m]), fault)
        if key not in names:
            alike = [v for v, k in enumerate(world.units) if (world.family[k[0]], k[1]) == key]
            names[key] = float(np.log(middle[alike]).mean() + rng.normal(0, HABIT_SD))
        habit[u] = names[key]
    log = 0.6 * np.log(share[unit, month]) + 0.4 * habit[unit]
    return np.asarray(EAGERNESS * np.exp(log) * level[unit, month])


def _known_worth(world: World, worth: Worth, model: Ints, state: Ints, month: Ints) -> Floats:
    """Break-even bid of who knows the state."""
    value, days, _ = (x[model, state, :, month] for x in worth.table)
    best = value.argmax(axis=1)
    at = np.arange(model.size)
    rate = world.costs.capital_rate / 365.0 * days[at, best]
    return world.costs.break_even(value[at, best], rate)


def _rivals(common: Floats, known: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Highest and second value among the rivals; in some lots one of them knows the state."""
    n, most = common.size, 14
    count = np.minimum(rng.poisson(RIVALS, n), most)
    value = common[:, None] * np.exp(rng.normal(0, PRIVATE_SD, (n, most)))
    knows = rng.random(n) < INFORMED
    value[:, 0] = np.where(knows, 0.85 * known * np.exp(rng.normal(0, 0.08, n)), value[:, 0])
    value[np.arange(most)[None, :] >= count[:, None]] = 0.0
    opening = OPENING * common
    top = np.sort(value, axis=1)[:, ::-1]
    return np.maximum(top[:, 0], opening), np.maximum(top[:, 1], opening)
