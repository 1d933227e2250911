"""Plain shrinkage on the same tables: what a careful analyst does in an afternoon.

Prices by a ridge regression with recent sales weighing more; parts from a crude guess for every
class to family to model; as-is ratios from all to fault to family; declared shares and successes
as priors of moderate weight. What comes out is a believed world, judged by break-even bids.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from .device_truths import KINDS
from .history import START
from .world import GRADES, FamilyTruth, World

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Guesses for every class alike: share of launch price, fall a month, as-is ratio.
PART_GUESS = {"DA": 0.22, "DAO": 0.10, "FM": 0.10, "BAT": 0.07, "RFC": 0.08, "STO": 0.08}
OTHER_PART, PART_FALL, RATIO_GUESS = 0.045, 0.010, 0.35
SHARE_WEIGHT, SUCCESS_WEIGHT, HOURS_WEIGHT, GRADE_WEIGHT = 10.0, 8.0, 5.0, 8.0
CHEAP = 0.65
HALF_LIFE = 8.0


def believed(
    world: World, tables: dict[str, pd.DataFrame], now: int, level: Floats | None = None
) -> World:
    """Return the world as the tables after ``now`` months make it look.

    Parameters
    ----------
    world
        For names, launches and costs; no truth of it is looked at.
    tables
        From ``Record.at``.
    now
        Months of history known.
    level
        Log working prices from elsewhere in place of the regression's, (models, months).
    """
    families = []
    for k, family in enumerate(world.families):
        families.append(_family(world, family, k, tables))
    log, factors = _prices(world, tables, now)
    if level is not None:
        log = level
    for k in range(len(families)):
        families[k] = replace(families[k], grade_factor=np.exp(factors))
    quoted = {
        (world.model_ids.index(r.model_id), str(r.fault)): float(r.price)
        for r in tables.get("maker_quotes", pd.DataFrame()).itertuples()
    }
    guess = replace(
        world,
        families=tuple(families),
        level=log,
        part_price=_parts(world, tables),
        cheap=np.full(len(world.model_ids), CHEAP),
        maker=quoted,
    )
    return replace(guess, families=_ratios(guess, tables))


def _month(days: pd.Series) -> Floats:
    """Fractional month of the year-and-month count, the middle of a month at whole numbers."""
    day = pd.to_datetime(days, format="%Y-%m-%d")
    number = day.dt.year * 12 + day.dt.month - 1
    return np.asarray(number + (day.dt.day - 15) / 30.4, dtype="float64")


def _prices(world: World, tables: dict[str, pd.DataFrame], now: int) -> tuple[Floats, Floats]:
    """Log median price on the marketplace at grade B, (models, months); log grade factors."""
    sales = tables["sales"]
    sales = sales[sales["condition"] == "working"]
    model = sales["model_id"].map({m: i for i, m in enumerate(world.model_ids)}).to_numpy()
    when = _month(sales["sale_date"]) - START + world.history
    y = np.log(sales["gross_amount"].astype(float).to_numpy()) - np.log(world.launch_price[model])
    grade, own = sales["grade"].to_numpy(), (sales["channel"] == "own_shop").to_numpy()
    traits = np.column_stack([grade == "A", grade == "C", grade == "D", own]).astype("float64")
    weight = 0.5 ** ((now - when) / HALF_LIFE)
    x = _design(world, model, when)
    full = np.hstack([x, traits])
    precision = _precision(world, full.shape[1])
    centre = np.zeros(full.shape[1])
    centre[1:4] = (-0.25, -0.18, -0.35)
    centre[-4:] = (0.10, -0.11, -0.27, -0.02)
    noise, clipped = 0.12, y
    for _ in range(4):
        gram = (full * weight[:, None]).T @ full / noise**2 + np.diag(precision)
        pull = (full * weight[:, None]).T @ clipped / noise**2 + precision * centre
        beta = np.linalg.solve(gram, pull)
        left = y - full @ beta
        clipped = full @ beta + np.clip(left, -2 * noise, 2 * noise)
    months = np.arange(world.months, dtype="float64")
    m, t = (a.ravel() for a in np.meshgrid(np.arange(len(world.model_ids)), months, indexing="ij"))
    log = _design(world, m.astype("int64"), t) @ beta[:-4] + np.log(
        world.launch_price[m.astype("int64")]
    )
    grades = np.array([beta[-4], 0.0, beta[-3], beta[-2]])
    return log.reshape(-1, world.months), grades


def _design(world: World, model: Ints, when: Floats) -> Floats:
    """Common start, two ages and late age; the same by family and a level and slope by model."""
    age = np.maximum(when - world.launch[model], 0.0) / 12
    base = np.column_stack([np.ones(age.size), age, np.sqrt(age)])
    after = np.clip((when - world.successor[model]) / 0.5, 0.0, 1.0)[:, None]
    k = len(world.families)
    family = np.zeros((age.size, 3 * k))
    own = np.zeros((age.size, 2 * len(world.model_ids)))
    for j in range(3):
        family[np.arange(age.size), 3 * world.family[model] + j] = base[:, j]
    own[np.arange(age.size), 2 * model] = 1.0
    own[np.arange(age.size), 2 * model + 1] = age - 1.5
    return np.hstack([base[:, :1] * 0 + 1, base[:, 1:], after * 0.2, family, own])


def _precision(world: World, width: int) -> Floats:
    out = np.empty(width)
    k, m = len(world.families), len(world.model_ids)
    out[:4] = (0.2**-2, 0.2**-2, 0.3**-2, 0.4**-2)
    out[4 : 4 + 3 * k] = np.tile([0.15**-2, 0.12**-2, 0.15**-2], k)
    out[4 + 3 * k : 4 + 3 * k + 2 * m] = np.tile([0.12**-2, 0.06**-2], m)
    out[-4:] = 0.06**-2
    return out


def _family(
    world: World, family: FamilyTruth, k: int, tables: dict[str, pd.DataFrame]
) -> FamilyTruth:
    """Shares, success, hours and grades after the jobs logged."""
    n = len(family.states)
    if "fault_states" in tables:
        shares = {f: s * SHARE_WEIGHT for f, s in family.declared_shares.items()}
        success, hours = family.declared_success, family.declared_hours
    else:  # what every repairer knows, roughly: all classes alike
        centre = KINDS[k][1]
        shares = {
            f: SHARE_WEIGHT * np.array([told.get(s, 0.0) for s in family.states])
            for f, (_, told) in centre.faults.items()
        }
        states = [centre.states[s] for s in family.states]
        success = np.array([0.8 * (s.success > 0) for s in states])
        hours = np.array([1.0 * (s.success > 0) for s in states])
    jobs = tables.get("repairs")
    fixed, tried, spent = np.zeros(n), np.zeros(n), np.zeros(n)
    grades = GRADE_WEIGHT * np.array([0.2, 0.45, 0.25, 0.1])
    if jobs is not None:
        mine = jobs[jobs["model_id"].str.startswith(family.name)]
        for job in mine.itertuples():
            s = family.states.index(job.state_found)
            shares[job.listed_fault] = shares[job.listed_fault] + np.eye(n)[s]
            if job.outcome != "not_attempted":
                tried[s] += 1
                fixed[s] += job.outcome != "not_fixed"
                spent[s] += float(job.bench_hours)
            if job.grade_out:
                grades[GRADES.index(job.grade_out)] += 1
    able = success > 0
    return replace(
        family,
        shares={f: a / a.sum() for f, a in shares.items()},
        success=(SUCCESS_WEIGHT * success + fixed) / (SUCCESS_WEIGHT + tried) * able,
        hours=(HOURS_WEIGHT * hours + spent) / (HOURS_WEIGHT + tried),
        grade_mix=grades / grades.sum(),
    )


def _parts(world: World, tables: dict[str, pd.DataFrame]) -> dict[str, Floats]:
    """Guess -> code of the family -> model, on logs of price over launch price at age nought."""
    months = np.arange(world.months, dtype="float64")
    fall = -PART_FALL * np.maximum(months[None, :] - world.launch[:, None], 0.0)
    seen: dict[tuple[int, str], list[float]] = {}
    for r in _quotes(world, tables):
        seen.setdefault((r[0], r[1]), []).append(r[2])
    out = {}
    for code in {c for f in world.families for c in f.codes}:
        price = np.full((len(world.model_ids), world.months), np.nan)
        for k, family in enumerate(world.families):
            if code not in family.codes:
                continue
            mine = np.flatnonzero(world.family == k)
            guess = np.log(PART_GUESS.get(code, OTHER_PART))
            own = {m: seen[m, code] for m in mine if (m, code) in seen}
            means = np.array([np.mean(v) for v in own.values()])
            noise = np.array([0.18**2 + 0.06**2 / len(v) for v in own.values()])
            pull = np.sum(means / noise) + guess / 0.45**2
            usual = pull / (np.sum(1 / noise) + 1 / 0.45**2)
            for m in mine:
                log = usual
                if m in own:
                    n = len(own[m])
                    log = (np.sum(own[m]) / 0.06**2 + usual / 0.18**2) / (n / 0.06**2 + 1 / 0.18**2)
                price[m] = world.launch_price[m] * np.exp(log + fall[m])
        out[code] = price
    return out


def _quotes(world: World, tables: dict[str, pd.DataFrame]) -> list[tuple[int, str, float]]:
    """Model, code, log share of launch price at age nought, as for an original part."""
    if "part_quotes" not in tables:
        return []
    quotes = tables["part_quotes"]
    when = _month(quotes["quote_date"]) - START + world.history
    out = []
    for r, t in zip(quotes.itertuples(), when, strict=True):
        m = world.model_ids.index(r.model_id)
        log = np.log(float(r.unit_price) / world.launch_price[m])
        log += PART_FALL * max(t - world.launch[m], 0.0)
        log -= np.log(CHEAP) if r.quality_class == "aftermarket" else 0.0
        out.append((m, str(r.part_code), float(log)))
    return out


def _ratios(world: World, tables: dict[str, pd.DataFrame]) -> tuple[FamilyTruth, ...]:
    """As-is ratios of every state: all -> fault or state named -> family."""
    sales = tables["sales"]
    sales = sales[sales["condition"] == "as_is"]
    model = sales["model_id"].map({m: i for i, m in enumerate(world.model_ids)}).to_numpy()
    when = _month(sales["sale_date"]) - START + world.history
    amount = sales["gross_amount"].astype(float).to_numpy()
    log = np.log(amount / world.level_at(model.astype("int64"), when)) if len(sales) else amount
    name = sales["listed_fault"].to_numpy()
    every = (np.log(RATIO_GUESS) * 4 + log.sum()) / (4 + log.size)
    by: dict[str, float] = {}
    for one in set(name):
        mine = log[name == one]
        by[one] = (every * 2 + mine.sum()) / (2 + mine.size)
    out = []
    for k, family in enumerate(world.families):
        ratio = np.zeros(len(family.states))
        for s, state in enumerate(family.states):
            if state == "locked":
                continue
            fault = max(family.shares, key=lambda f: family.shares[f][s])
            # A fault's sales speak for its commonest state; rarer ones get only their own name's.
            main = int(np.argmax(family.shares[fault])) == s
            names = [state, fault] if main else [state]
            start = next((by[x] for x in names if x in by), every)
            mine = log[np.isin(name, names) & (world.family[model.astype("int64")] == k)]
            ratio[s] = np.exp((start * 4 + mine.sum()) / (4 + mine.size))
        out.append(replace(family, ratio=np.clip(ratio, 0.02, 0.9)))
    return tuple(out)
