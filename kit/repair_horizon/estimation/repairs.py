"""How repairs turn out: state found given the listed fault, success, hours and grade.

Shares are Dirichlet and successes Beta, each starting from the priors in fault_states.csv, worth
as many jobs as the owner's guesses have earned (``owner_guesses``), so five of five is not
certainty and no job at all is still an answer.

A first reading at the charger's meter says something of the state behind a listed fault:

    P(state | fault, reading) ~ P(state | fault) P(reading | state)

Both are learned: the first from the family's jobs, the second from
every job of the device class with a reading. Benches disagree on what a current means, so nothing
is taken as a rule: with few units a reading moves the shares little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.owner_guesses import (
    ATTEMPTED,
    OwnerGuesses,
    declared_by_owner,
    owner_guesses,
)
from repair_horizon.logs import Logs
from repair_horizon.logs.consequences import FIXED
from repair_horizon.tables.arrays import Floats, Ints, Texts
from repair_horizon.tables.codes import Basis

HOURS_STRENGTH = 5.0
GRADE_STRENGTH = 6.0
_UNSAID_PASSES = 3


@dataclass(frozen=True, eq=False)
class RepairRates:
    """What the bench has taught about one family.

    ``states`` has one row per listed fault and state: parts, bench hours, Dirichlet weight
    ``alpha``, share with interval, Beta parameters of success with interval, and the jobs behind
    each. ``grades`` has one row per grade: Dirichlet weight and share after repair. ``unlisted``
    are states found that fault_states.csv does not name for that fault.
    """

    states: pd.DataFrame
    grades: pd.DataFrame
    unlisted: pd.DataFrame

    @cached_property
    def by_fault(self) -> dict[str, list[dict[str, Any]]]:
        """The rows of ``states`` by listed fault: every model of the family asks for them."""
        groups = self.states.groupby("listed_fault", sort=False)
        return {str(fault): rows.to_dict("records") for fault, rows in groups}

    def draw_shares(self, fault: str, draws: int, chance: Antithetic) -> Floats:
        """State shares of one listed fault, (draws, states), rows summing to one."""
        return chance.dirichlet(np.maximum(self._of(fault, "alpha"), 1e-6), draws)

    def draw_success(self, fault: str, draws: int, chance: Antithetic) -> Floats:
        """Success rates by state of one listed fault, (draws, states)."""
        able = self._of(fault, "prior_success") > 0
        a, b = (np.maximum(self._of(fault, name), 1e-9) for name in ("success_a", "success_b"))
        out: Floats = np.zeros((draws, len(able)))
        out[:, able] = chance.beta(a[able], b[able], draws)
        return out

    def _of(self, fault: str, column: str) -> Floats:
        """One column of a listed fault's states."""
        return np.array([row[column] for row in self.by_fault[fault]], dtype="float64")

    def draw_grades(self, draws: int, chance: Antithetic) -> Floats:
        """Grade shares after repair, (draws, grades)."""
        return chance.dirichlet(self.grades["alpha"].to_numpy(float), draws)


def beta_interval(a: Floats, b: Floats, level: float = 0.8) -> tuple[Floats, Floats]:
    """Equal-tailed interval of Beta(a, b)."""
    tail = (1 - level) / 2
    return betaincinv(a, b, tail), betaincinv(a, b, 1 - tail)


def success_by_fault(repairs: pd.DataFrame, level: float = 0.8) -> pd.DataFrame:
    """Share of attempted repairs that succeeded, by listed fault, with Jeffreys' interval.

    Parameters
    ----------
    repairs
        Rows of repairs.csv; jobs open or not attempted do not count.

    Returns
    -------
    DataFrame
        ``listed_fault, n, fixed, estimate, lower, upper``, most tried first; estimate and interval
        are those of Beta(fixed + 1/2, rest + 1/2), so that five of five are not all.
    """
    tried = repairs[repairs["outcome"].isin(ATTEMPTED)]
    by = tried["outcome"].isin(FIXED).groupby(tried["listed_fault"])
    table = by.agg(n="size", fixed="sum").reset_index()
    fixed, n = table["fixed"].to_numpy(float), table["n"].to_numpy(float)
    lower, upper = beta_interval(fixed + 0.5, n - fixed + 0.5, level)
    table = table.assign(estimate=(fixed + 0.5) / (n + 1), lower=lower, upper=upper)
    return table.sort_values(["n", "listed_fault"], ascending=[False, True], ignore_index=True)


def fit_rates(logs: Logs, family_id: str, guesses: OwnerGuesses | None = None) -> RepairRates:
    """Learn a family's states, successes, hours and grades from its jobs and its class's.

    Parameters
    ----------
    logs
        The workspace's; repairs and the catalogue must be whole.
    guesses
        ``owner_guesses`` of the whole workspace; worked out from ``logs`` if None.

    Notes
    -----
    Shares and successes start from what the owner declared, worth as much as such guesses have
    proved to be, or from the class's starter table where a family or a fault seen in its listings
    and jobs has no row; then from the other families of the device class, which together weigh no
    more than that; then from the family's own jobs. A job without a state found teaches its
    listed fault: it counts in parts for the states it may have been, by their share and success.
    """
    family = logs.family(family_id)
    guesses = owner_guesses(logs) if guesses is None else guesses
    jobs, others = family.tables["repairs"], _class_jobs(logs, family_id)
    declared = _declared(logs, family_id)
    found = jobs[jobs["state_found"] != ""]
    states = _with_shares(declared, found, others, guesses.share_strength)
    states = _with_success(states, jobs, others, guesses, family_id)
    known = pd.MultiIndex.from_frame(declared[_KEYS])
    extra = [k not in known for k in zip(found["listed_fault"], found["state_found"], strict=True)]
    unlisted = found[np.array(extra, dtype=bool)]
    grades = _grades(family, jobs, others)
    return RepairRates(_with_basis(states), grades, unlisted)


_KEYS = ["listed_fault", "state"]


def _declared(logs: Logs, family_id: str) -> pd.DataFrame:
    """What a listed fault may be: the owner's rows, the class's for faults he has none of."""
    family = logs.family(family_id)
    own = declared_by_owner(family.tables["fault_states"]).reset_index(drop=True)
    kind = class_knowledge(logs.class_of[family_id])
    if own.empty:
        missing = [kind.fault_states(family_id)]
    else:
        seen = pd.concat([family.tables[n]["listed_fault"] for n in ("listings", "repairs")])
        unknown = sorted(set(seen) - {""} - set(own["listed_fault"]))
        missing = [kind.fault_states(family_id, fault) for fault in unknown]
    parts = [own.assign(of_class=False), *(m.assign(of_class=True) for m in missing)]
    return pd.concat([p for p in parts if len(p)], ignore_index=True)


def _with_shares(
    declared: pd.DataFrame, found: pd.DataFrame, others: pd.DataFrame, strength: float
) -> pd.DataFrame:
    own, elsewhere = _found(declared, found), _found(declared, others)
    states = declared.assign(n_found=own.astype("int64"))
    fault = states["listed_fault"]
    seen = pd.Series(elsewhere).groupby(fault).transform("sum").to_numpy("float64")
    lent = elsewhere * np.minimum(1.0, strength / np.maximum(seen, 1e-9))
    states["alpha"] = strength * states["prior_share"] + lent + own
    total = states.groupby("listed_fault")["alpha"].transform("sum")
    states["share"] = states["alpha"] / total
    states["share_lower"], states["share_upper"] = beta_interval(
        states["alpha"].to_numpy(float).clip(1e-9),
        (total - states["alpha"]).to_numpy(float).clip(1e-9),
    )
    return states


def _found(declared: pd.DataFrame, jobs: pd.DataFrame) -> Floats:
    """Jobs of each fault that turned out to be each state."""
    counted = jobs[jobs["state_found"] != ""].groupby(["listed_fault", "state_found"]).size()
    return np.array([float(counted.get((f, s), 0)) for f, s in declared[_KEYS].to_numpy()])


def _with_basis(states: pd.DataFrame) -> pd.DataFrame:
    """Say what each row rests on most."""
    own = (states["n_found"] > 0) | (states["n_tried"] > 0)
    lent = states["n_class"] > 0
    basis = np.select(
        [own, lent | ~states["of_class"]], [Basis.OWN.value, Basis.FAMILY.value], Basis.CLASS.value
    )
    guessed = np.where(states["of_class"], "from the class, wide", "declared by the owner")
    words = np.select(
        [own, lent],
        [
            states["n_found"].astype("str") + " own jobs",
            states["n_class"].astype("int64").astype("str") + " jobs of other families",
        ],
        guessed,
    )
    return states.assign(basis=basis, words=words)


def _class_jobs(logs: Logs, family_id: str) -> pd.DataFrame:
    """Jobs of the other families of the same device class."""
    catalogue = logs.tables["catalogue"]
    kind = logs.class_of[family_id]
    others = catalogue[(catalogue["device_class"] == kind) & (catalogue["family_id"] != family_id)]
    jobs = logs.tables["repairs"]
    return jobs[jobs["model_id"].isin(others["model_id"])]


def _with_success(
    states: pd.DataFrame,
    jobs: pd.DataFrame,
    others: pd.DataFrame,
    guesses: OwnerGuesses,
    family_id: str,
) -> pd.DataFrame:
    """Add Beta parameters of success, jobs behind them, and hours."""
    fixed, tried, hours = _tally(jobs[jobs["state_found"] != ""])
    class_fixed, class_tried, _ = _tally(others[others["state_found"] != ""])
    k, n, spent = (_by_state(states, t) for t in (fixed, tried, hours))
    lent = np.column_stack([_by_state(states, t) for t in (class_fixed, class_tried)])
    guess, able = states["prior_success"].to_numpy(float), states["prior_success"] > 0
    own = (~states["of_class"]).to_numpy(float)
    declared_hours = states["bench_hours"] * np.where(own, guesses.hours_factor, 1.0)
    more = np.zeros((len(states), 2))
    unsaid = _unsaid(jobs)
    for _ in range(_UNSAID_PASSES if len(unsaid) else 1):
        ab = guesses.success(family_id, guess, k + more[:, 0], n + more[:, 1], lent, own)
        more = _shared_out(states, unsaid, ab[:, 0] / ab.sum(axis=1))
    ab = guesses.success(family_id, guess, k + more[:, 0], n + more[:, 1], lent, own)
    a, b = ab.T
    lower, upper = beta_interval(a.clip(1e-9), b.clip(1e-9))
    return states.assign(
        success_a=a,
        success_b=b,
        n_tried=n.astype("int64"),
        n_fixed=k.astype("int64"),
        n_class=lent[:, 1],
        hours=(HOURS_STRENGTH * declared_hours + spent) / (HOURS_STRENGTH + n),
        success=(a / (a + b)) * able,
        success_lower=lower * able,
        success_upper=upper * able,
    )


def _by_state(states: pd.DataFrame, tally: pd.Series) -> Floats:
    return states["state"].map(tally.to_dict()).fillna(0.0).to_numpy("float64")


def _unsaid(jobs: pd.DataFrame) -> pd.DataFrame:
    """Attempted jobs without a state found, by listed fault: ``fixed`` and ``tried``."""
    rows = jobs[(jobs["state_found"] == "") & jobs["outcome"].isin(ATTEMPTED)]
    by = rows["outcome"].isin(FIXED).groupby(rows["listed_fault"])
    return by.agg(fixed="sum", tried="size")


def _shared_out(states: pd.DataFrame, unsaid: pd.DataFrame, success: Floats) -> Floats:
    """Parts of fixed and tried jobs each state may have been, (states, 2), by Bayes' rule."""
    out = np.zeros((len(states), 2))
    for fault, row in unsaid.iterrows():
        at = np.flatnonzero((states["listed_fault"] == fault) & (states["prior_success"] > 0))
        if not len(at):
            continue
        share, p = states["share"].to_numpy(float)[at], success[at]
        good, bad = share * p, share * (1 - p)
        mended = float(row["fixed"]) * good / good.sum()
        out[at, 0] = mended
        out[at, 1] = mended + float(row["tried"] - row["fixed"]) * bad / bad.sum()
    return out


def _tally(jobs: pd.DataFrame) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Fixed, tried and hours spent per state; hours only where they were noted."""
    tried = jobs[jobs["outcome"].isin(ATTEMPTED)]
    by = tried.groupby("state_found")
    mean = by["bench_hours"].mean()
    return (
        tried["outcome"].isin(FIXED).groupby(tried["state_found"]).sum(),
        by.size(),
        (mean * by.size()).dropna(),
    )


def _grades(family: Logs, own: pd.DataFrame, others: pd.DataFrame) -> pd.DataFrame:
    """Grade mix after repair; the class's mix is worth six jobs.

    The class's starts from the mix that working units of the family were sold in, worth a job a
    grade; from an even one where no sale notes a grade.
    """
    order = list(family.grade_order)
    mine = _count_grades(own, order)
    working = family.tables["sales"].loc[family.tables["sales"]["listed_fault"] == "", "grade"]
    sold = np.array([(working == g).sum() for g in order]) + 1.0
    prior = _count_grades(others, order) + len(order) * sold / sold.sum()
    prior = GRADE_STRENGTH * prior / prior.sum()
    alpha = prior + mine
    return pd.DataFrame({"grade": order, "n": mine, "alpha": alpha, "share": alpha / alpha.sum()})


def _count_grades(jobs: pd.DataFrame, order: list[str]) -> Floats:
    grades = jobs.loc[jobs["outcome"].isin(FIXED), "grade_out"]
    return np.array([(grades == g).sum() for g in order], dtype="float64")


# Bounds of the current in ampere (common practice, no source). A charger that negotiated eight
# volts or more is charging, whatever the current.
READINGS = ("nothing drawn", "trickle", "low and steady", "charges normally")
BOUNDS = (0.02, 0.15, 0.70)
NEGOTIATED_VOLTS = 8.0
# Two units' worth of "any reading is as likely as another" for every state.
EVEN_STRENGTH = 2.0
FEWEST = 5
_DRAWS = 4000


def reading_class(volts: pd.Series, amps: pd.Series) -> Ints:
    """Class of each reading, a position in ``READINGS``; -1 where no current was noted."""
    current = amps.to_numpy(dtype="float64")
    out = np.digitize(np.nan_to_num(current), BOUNDS)
    out = np.where(volts.to_numpy(dtype="float64") >= NEGOTIATED_VOLTS, len(BOUNDS), out)
    return np.where(np.isnan(current), -1, out).astype("int64")


def shares_after_reading(
    logs: Logs, family_id: str, rates: RepairRates, level: float = 0.8
) -> pd.DataFrame:
    """Share of each state of a listed fault once the first reading is known.

    Parameters
    ----------
    rates
        Its rates, from ``fit_rates``.

    Returns
    -------
    DataFrame
        ``listed_fault, reading, n_reading, state, n_state, share_before, share, lower, upper``;
        one row for the likeliest state of every listed fault and reading that ``FEWEST`` or more
        jobs of the device class share. ``n_state`` of the ``n_reading`` turned out to be it.
    """
    jobs = _read_jobs(logs, family_id)
    faults, found, read = (
        jobs[name].to_numpy() for name in ("listed_fault", "state_found", "reading")
    )
    likely = {s: _likelihood(read[found == s]) for s in dict.fromkeys(rates.states["state"])}
    rng = np.random.default_rng([17, *family_id.encode()])
    rows = []
    for fault, states in rates.by_fault.items():
        mine = faults == fault
        names = [str(row["state"]) for row in states]
        alpha = np.array([row["alpha"] for row in states], dtype="float64").clip(1e-9)
        weights = alpha, np.stack([likely[name] for name in names])
        for reading in np.flatnonzero(np.bincount(read[mine], minlength=1) >= FEWEST):
            same = found[mine & (read == reading)]
            told = _row(names, same, (*weights, int(reading)), (level, rng))
            rows.append((fault, READINGS[reading], len(same), *told))
    columns = ["listed_fault", "reading", "n_reading", "state", "n_state"]
    columns += ["share_before", "share", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def _read_jobs(logs: Logs, family_id: str) -> pd.DataFrame:
    """Jobs of the family's device class whose state was found and whose reading was noted."""
    catalogue, jobs = logs.tables["catalogue"], logs.tables["repairs"]
    kind = logs.class_of[family_id]
    models = catalogue.loc[catalogue["device_class"] == kind, "model_id"]
    jobs = jobs[jobs["model_id"].isin(models) & (jobs["state_found"] != "")]
    jobs = jobs.assign(reading=reading_class(jobs["test_volts"], jobs["test_amps"]))
    return jobs[jobs["reading"] >= 0]


def _likelihood(readings: Ints) -> Floats:
    """Dirichlet weights of the readings of units that turned out to be in a state."""
    counts: Floats = np.bincount(readings, minlength=len(READINGS)).astype("float64")
    return counts + EVEN_STRENGTH / len(READINGS)


def _row(
    states: Sequence[str],
    same: Texts,
    weights: tuple[Floats, Floats, int],
    spread: tuple[float, np.random.Generator],
) -> tuple[object, ...]:
    """The likeliest state after one reading: its share by Bayes' rule, and how sure that is.

    ``same`` are the states found of the units that were read so.
    """
    (alpha, likely, reading), (level, rng) = weights, spread
    expected = _posterior(alpha / alpha.sum(), (likely / likely.sum(1, keepdims=True))[:, reading])
    best = int(np.argmax(expected))
    # One share of a Dirichlet is Beta of its weight and of the rest.
    seen, all_seen = likely[:, reading], likely.sum(axis=1)
    chance = rng.beta(seen, all_seen - seen, (_DRAWS, len(likely)))
    drawn = _posterior(rng.dirichlet(alpha, _DRAWS), chance)[:, best]
    lower, upper = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    n_state = int((same == states[best]).sum())
    return (
        states[best],
        n_state,
        float(alpha[best] / alpha.sum()),
        float(expected[best]),
        lower,
        upper,
    )


def _posterior(prior: Floats, likelihood: Floats) -> Floats:
    joint = prior * likelihood
    out: Floats = joint / joint.sum(axis=-1, keepdims=True)
    return out
