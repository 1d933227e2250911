"""What a first reading at the charger's meter says about the state behind a listed fault.

    P(state | fault, reading) ~ P(state | fault) P(reading | state)

Both are learned: the first from the family's jobs (``kit.estimation.rates``), the second from
every job of the device class with a reading. Benches disagree on what a current means, so nothing
is taken as a rule: with few units a reading moves the shares little.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from kit.estimation.rates import RepairRates
from kit.logs import Logs

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Bounds of the current in ampere (common practice, no source). A charger that negotiated more
# than eight volts is charging, whatever the current.
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
    logs
        The workspace's logs.
    family_id
        The family.
    rates
        Its rates, from ``fit_rates``.
    level
        Interval level.

    Returns
    -------
    DataFrame
        ``listed_fault, reading, n_reading, state, n_state, share_before, share, lower, upper``;
        one row for the likeliest state of every listed fault and reading that ``FEWEST`` or more
        jobs of the device class share. ``n_state`` of the ``n_reading`` turned out to be it.
    """
    jobs = _read_jobs(logs, family_id)
    rng = np.random.default_rng([17, *family_id.encode()])
    rows = []
    for fault, states in rates.states.groupby("listed_fault", sort=False):
        mine = jobs[jobs["listed_fault"] == fault]
        alpha = states["alpha"].to_numpy(dtype="float64").clip(1e-9)
        likely = np.stack([_likelihood(jobs, s) for s in states["state"]])
        for reading in range(len(READINGS)):
            same = mine[mine["reading"] == reading]
            if len(same) >= FEWEST:
                rows.append(_row(states, same, (alpha, likely, reading), (level, rng)))
    columns = ["listed_fault", "reading", "n_reading", "state", "n_state"]
    columns += ["share_before", "share", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def _read_jobs(logs: Logs, family_id: str) -> pd.DataFrame:
    """Jobs of the family's device class whose state was found and whose reading was noted."""
    catalogue, jobs = logs.tables["catalogue"], logs.tables["repairs"]
    kind = catalogue.loc[catalogue["family_id"] == family_id, "device_class"].iloc[0]
    models = catalogue.loc[catalogue["device_class"] == kind, "model_id"]
    jobs = jobs[jobs["model_id"].isin(models) & (jobs["state_found"] != "")]
    jobs = jobs.assign(reading=reading_class(jobs["test_volts"], jobs["test_amps"]))
    return jobs[jobs["reading"] >= 0]


def _likelihood(jobs: pd.DataFrame, state: str) -> Floats:
    """Dirichlet weights of the readings of units that turned out to be in a state."""
    seen = jobs.loc[jobs["state_found"] == state, "reading"].to_numpy(dtype="int64")
    counts: Floats = np.bincount(seen, minlength=len(READINGS)).astype("float64")
    return counts + EVEN_STRENGTH / len(READINGS)


def _row(
    states: pd.DataFrame,
    same: pd.DataFrame,
    weights: tuple[Floats, Floats, int],
    spread: tuple[float, np.random.Generator],
) -> tuple[object, ...]:
    """The likeliest state after one reading: its share by Bayes' rule, and how sure that is."""
    (alpha, likely, reading), (level, rng) = weights, spread
    expected = _posterior(alpha / alpha.sum(), (likely / likely.sum(1, keepdims=True))[:, reading])
    best = int(np.argmax(expected))
    chance = np.stack([rng.dirichlet(w, _DRAWS)[:, reading] for w in likely], axis=1)
    drawn = _posterior(rng.dirichlet(alpha, _DRAWS), chance)[:, best]
    lower, upper = np.quantile(drawn, [(1 - level) / 2, (1 + level) / 2])
    state = str(states["state"].iloc[best])
    n_state = int((same["state_found"] == state).sum())
    told = (str(states["listed_fault"].iloc[0]), READINGS[reading], len(same), state, n_state)
    return (*told, float(alpha[best] / alpha.sum()), float(expected[best]), lower, upper)


def _posterior(prior: Floats, likelihood: Floats) -> Floats:
    joint = prior * likelihood
    out: Floats = joint / joint.sum(axis=-1, keepdims=True)
    return out
