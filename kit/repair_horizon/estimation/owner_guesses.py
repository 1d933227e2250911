"""How far an owner's guesses can be trusted: offset and spread, learned over all states of a shop.

    logit m = logit guess + offset of the family          success ~ Beta(m S, (1 - m) S)
    offset of the family = the shop's + its own
    S = 1 / (spread^2 m (1 - m)) - 1        so that the logit of success spreads by ``spread``

An owner a logit too hopeful is so about most states, and each state's own jobs are too few to
tell; all of them together are not. Offset and spread are known on a grid with their posterior
weights, so what is unsure of them widens every state's success; a family's weights rest on its own
jobs and, through the shop's offset, on the others'. Before any job the offset starts from what
the classes say of the same states, as far as their level can be trusted: guesses well above it are
more likely hope than skill. Hours have one factor for the shop, from hours spent over hours
declared. Shares of states are Dirichlet around the declared ones with a strength learned likewise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import betaln, expit, gammaln, logit

from repair_horizon.classes import class_knowledge
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.consequences import FIXED
from repair_horizon.tables.arrays import Floats

ATTEMPTED = (*FIXED, "not_fixed")
OFFSET_SD, FAMILY_OFFSET_SD = 0.5, 0.4
SPREAD, SPREAD_LOG_SD = 0.5, 0.5
"""Priors of a shop's offset, of a family's beside it, of single guesses; logits (judgement)."""
CLASS_LEVEL_SD, CLASS_STATE_SD = 0.35, 0.6
"""How far all figures of success of the classes may be off alike, and each by itself; logits."""
HOURS_OFFSET_JOBS, MOST_HOURS_OFF = 8.0, 3.0
"""Jobs the declared hours are worth in all, and how far one job may pull their factor."""
SHARE_STRENGTH, SHARE_LOG_SD = 12.0, 0.7
LEAST_STRENGTH = 1.0
_EDGE = 0.02
_OFFSETS = np.linspace(-2.5, 2.5, 41)
# Mean of a logistic-normal: expit(x / sqrt(1 + pi sd^2 / 8)), close enough (from memory).
_KEEPS_MEAN = float(np.sqrt(1 + np.pi * (OFFSET_SD**2 + FAMILY_OFFSET_SD**2) / 8))
_KERNEL = np.exp(-0.5 * ((_OFFSETS[:, None] - _OFFSETS) / FAMILY_OFFSET_SD) ** 2)
_KERNEL /= _KERNEL.sum(axis=1, keepdims=True)
_SPREADS = np.array([0.12, 0.2, 0.3, 0.45, 0.65, 0.95, 1.4])
_STRENGTHS = np.array([1.5, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0])


@dataclass(frozen=True, eq=False)
class OwnerGuesses:
    """Offsets and spreads, (g,), and what the jobs of each family say of them.

    ``likelihood`` maps a family to the log likelihood of its jobs at each point of the grid.
    ``start_mean`` and ``start_sd`` are of the shop's offset before any job.
    ``share_strength`` is what the declared shares of states are worth, in jobs; ``hours_factor``
    what declared hours are multiplied by; ``jobs`` how many attempted repairs taught it.
    """

    offset: Floats
    spread: Floats
    likelihood: Mapping[str, Floats]
    share_strength: float
    jobs: int
    start_mean: float = 0.0
    start_sd: float = OFFSET_SD
    hours_factor: float = 1.0

    @cached_property
    def _shop(self) -> Floats:
        """Log weight of the shop's offset (rows) and the spread (columns), all families."""
        out = -0.5 * ((_OFFSETS[:, None] - self.start_mean) / self.start_sd) ** 2
        out = out - 0.5 * (np.log(_SPREADS / SPREAD) / SPREAD_LOG_SD) ** 2
        return np.asarray(out + sum((_mixed(v) for v in self.likelihood.values()), np.zeros(1)))

    def weights(self, family_id: str) -> Floats:
        """Posterior weight of each offset and spread for one family, (g,)."""
        own = self.likelihood.get(family_id)
        shop = self._shop if own is None else self._shop - _mixed(own)
        prior = _KERNEL.T @ np.exp(shop - shop.max())
        log = np.log(np.maximum(prior, 1e-300)).ravel()
        log = log if own is None else log + own
        weight = np.exp(log - log.max())
        return np.asarray(weight / weight.sum())

    def success(
        self,
        family_id: str,
        guess: Floats,
        fixed: Floats,
        tried: Floats,
        others: Floats,
        declared: Floats,
    ) -> Floats:
        """Beta parameters of success of some states of a family.

        Parameters
        ----------
        family_id
            The family, whose own jobs tell most of its offset.
        guess
            Success declared for each, (k,).
        fixed, tried
            Own repairs of each, (k,); parts of a job count where its state is not known.
        others
            Fixed and tried repairs of the same states in other families of the class, (k, 2);
            together they weigh no more than the guess.
        declared
            1 for a guess of the owner's, 0 for one of the class's, which shares no offset, (k,).

        Returns
        -------
        ndarray
            (k, 2): the Beta with mean and variance of the mixture over the grid.
        """
        mean, s = _prior(guess, self.offset, self.spread, declared)
        seen = others[:, 1:]
        scale = np.minimum(1.0, s / np.maximum(seen, 1e-9)) * (seen > 0)
        a = mean * s + scale * others[:, :1] + fixed[:, None]
        b = (1 - mean) * s + scale * (seen - others[:, :1]) + (tried - fixed)[:, None]
        return _matched(a, b, self.weights(family_id))


def _prior(
    guess: Floats, offset: Floats, spread: Floats, declared: Floats | float = 1.0
) -> tuple[Floats, Floats]:
    """Mean and strength of each state's Beta at each point of the grid, (k, g)."""
    own = np.broadcast_to(np.asarray(declared, dtype="float64"), guess.shape)
    # A logit that may be off by some either way lowers the mean of a high rate: made up for, so
    # that the guess is the mean where nothing else is known.
    usual = logit(np.clip(guess, _EDGE, 1 - _EDGE)) * np.where(own > 0, _KEEPS_MEAN, 1.0)
    mean = expit(usual[:, None] + own[:, None] * offset)
    strength = 1.0 / (spread**2 * mean * (1 - mean)) - 1.0
    return mean, np.maximum(strength, LEAST_STRENGTH)


def _mixed(likelihood: Floats) -> Floats:
    """Log likelihood of the shop's offset and the spread, the family's own offset averaged out."""
    table = likelihood.reshape(len(_OFFSETS), len(_SPREADS))
    top = table.max()
    return np.asarray(np.log(np.maximum(_KERNEL @ np.exp(table - top), 1e-300)) + top)


def _matched(a: Floats, b: Floats, weight: Floats) -> Floats:
    """Beta with the mean and variance of a mixture of Betas, (k, 2)."""
    mean = a / (a + b)
    middle = mean @ weight
    spread = (mean * (1 - mean) / (a + b + 1) + mean**2) @ weight - middle**2
    total = middle * (1 - middle) / np.maximum(spread, 1e-12) - 1
    return np.column_stack([middle * total, (1 - middle) * total])


def declared_by_owner(fault_states: pd.DataFrame) -> pd.DataFrame:
    """Rows of fault_states.csv that the owner wrote, without the class's starter rows."""
    if "basis" not in fault_states:
        return fault_states
    return fault_states[fault_states["basis"] != "class"]


def owner_guesses(logs: Logs) -> OwnerGuesses:
    """Learn offset and spread of the owner's guesses from every family's jobs.

    Parameters
    ----------
    logs
        The whole workspace's. Guesses are those of fault_states.csv; without any, or without
        jobs, the priors stand.
    """
    declared, jobs = declared_by_owner(logs.tables["fault_states"]), logs.tables["repairs"]
    jobs = jobs[jobs["state_found"] != ""]
    jobs = jobs.assign(family_id=jobs["model_id"].map(logs.family_of), state=jobs["state_found"])
    offset, spread = (g.ravel() for g in np.meshgrid(_OFFSETS, _SPREADS, indexing="ij"))
    tried = jobs[jobs["outcome"].isin(ATTEMPTED)]
    guesses = declared[declared["prior_success"] > 0]
    keys = ["family_id", "state"]
    told = tried["outcome"].isin(FIXED).groupby([tried[k] for k in keys]).agg(["sum", "size"])
    table = guesses.groupby(keys)["prior_success"].mean().to_frame("guess").join(told, how="inner")
    found = {}
    for family_id, rows in table.groupby(level="family_id"):
        mean, strength = _prior(rows["guess"].to_numpy("float64"), offset, spread)
        k, n = (rows[c].to_numpy("float64")[:, None] for c in ("sum", "size"))
        a, b = mean * strength, (1 - mean) * strength
        found[str(family_id)] = (betaln(a + k, b + n - k) - betaln(a, b)).sum(axis=0)
    return OwnerGuesses(
        offset,
        spread,
        found,
        _share_strength(declared, jobs),
        len(tried),
        *_offset_by_class(logs, guesses),
        hours_factor=_hours_factor(declared, tried),
    )


def _offset_by_class(logs: Logs, guesses: pd.DataFrame) -> tuple[float, float]:
    """Mean and sd of the shop's offset, from its guesses against the classes' figures."""
    told = guesses[guesses["family_id"].isin(logs.class_of)].drop_duplicates(["family_id", "state"])
    away = []
    for row in told.itertuples():
        known = class_knowledge(logs.class_of[row.family_id]).success(row.listed_fault, row.state)
        if not isinstance(known, CannotSay) and known.mean > 0:
            both = np.clip([known.mean, row.prior_success], _EDGE, 1 - _EDGE)
            away.append(float(np.subtract(*logit(both))))
    if not away:
        return 0.0, OFFSET_SD
    noise = CLASS_LEVEL_SD**2 + CLASS_STATE_SD**2 / len(away)
    precision = OFFSET_SD**-2 + 1 / noise
    return float(np.mean(away)) / noise / precision, float(precision**-0.5)


def _hours_factor(declared: pd.DataFrame, tried: pd.DataFrame) -> float:
    """Hours spent over hours declared, all jobs together, shrunk to 1."""
    keys = ["family_id", "state"]
    usual = declared[declared["bench_hours"] > 0].groupby(keys)["bench_hours"].mean()
    told = pd.Index(zip(tried["family_id"], tried["state"], strict=True)).map(usual.to_dict())
    off = pd.Series(tried["bench_hours"].to_numpy() / told.to_numpy("float64")).dropna()
    off = off[off > 0].clip(1 / MOST_HOURS_OFF, MOST_HOURS_OFF)
    return float((HOURS_OFFSET_JOBS + off.sum()) / (HOURS_OFFSET_JOBS + len(off)))


def _share_strength(declared: pd.DataFrame, jobs: pd.DataFrame) -> float:
    """What the declared shares are worth in jobs, by the Dirichlet-multinomial likelihood."""
    keys = ["family_id", "listed_fault", "state"]
    seen = jobs.groupby(keys).size().rename("found")
    table = declared[[*keys, "prior_share"]].merge(seen.reset_index(), on=keys, how="left")
    table = table[table["prior_share"] > 0].fillna({"found": 0.0})
    fault = table.groupby(keys[:2])
    share = (table["prior_share"] / fault["prior_share"].transform("sum")).to_numpy("float64")
    found, total = table["found"].to_numpy("float64"), fault["found"].sum().to_numpy("float64")
    log_weight = -0.5 * (np.log(_STRENGTHS / SHARE_STRENGTH) / SHARE_LOG_SD) ** 2
    for i, s in enumerate(_STRENGTHS):
        log_weight[i] += np.sum(gammaln(s) - gammaln(s + total))
        log_weight[i] += np.sum(gammaln(s * share + found) - gammaln(s * share))
    weight = np.exp(log_weight - log_weight.max())
    return float(np.exp((weight / weight.sum()) @ np.log(_STRENGTHS)))
