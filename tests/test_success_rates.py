"""Success and hours of repairs: own jobs between the owner's guesses and the class.

Worlds are drawn here, so what is right is known.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.owner_guesses import (
    _OFFSETS,
    _SPREADS,
    _STRENGTHS,
    _hours_factor,
    _share_strength,
    owner_guesses,
)
from repair_horizon.estimation.repairs import fit_rates
from scant_logs import FAMILY, workspace
from scipy.special import expit, logit
from scipy.stats import beta, betabinom, dirichlet_multinomial, norm


def jobs_of(state: list[str], good: list[bool]) -> pd.DataFrame:
    outcome = np.where(good, "fixed_first_pass", "not_fixed")
    table = pd.DataFrame({"state_found": state, "outcome": outcome, "bench_hours": np.nan})
    return table.assign(model_id="ulver_1", listed_fault="display_dead")


@pytest.mark.parametrize("offset", [0.0, -1.0])
def test_success_intervals_hold_what_they_say(tmp_path: Path, offset: float) -> None:
    """80 % intervals hold 72-92 % of true rates, also for an owner a logit too hopeful.

    In every shop some states were never tried, some 3, 5, 10 and 20 times.
    With the owner's word taken as it stands they held 52-56 % there (an audit's figure).
    """
    logs, rng = workspace(tmp_path / "w"), np.random.default_rng(2)
    names, held = [f"s{i}" for i in range(20)], []
    n = np.repeat([0, 3, 5, 10, 20], 4)
    for _ in range(38):
        guess = rng.choice([0.5, 0.7, 0.85, 0.9, 0.93, 0.95], 20)
        true = expit(logit(guess) + offset + 0.55 * rng.standard_normal(20))
        fixed = rng.binomial(n, true)
        good = [j < k for k, m in zip(fixed, n, strict=True) for j in range(m)]
        declared = pd.DataFrame({"state": names, "prior_success": guess})
        declared = declared.assign(
            family_id=FAMILY, listed_fault="x", prior_share=0.05, bench_hours=1.0
        )
        tables = {"fault_states": declared, "repairs": jobs_of(list(np.repeat(names, n)), good)}
        guesses = owner_guesses(replace(logs, tables={**logs.tables, **tables}))
        told = fixed.astype(float), n.astype(float), np.zeros((20, 2))
        ab = guesses.success(FAMILY, guess, *told, np.ones(20))
        lower, upper = (beta.ppf(p, *ab.T) for p in (0.1, 0.9))
        held.append((lower <= true) & (true <= upper))
    shares = np.mean(held, axis=0).reshape(5, 4).mean(axis=1)
    assert ((shares >= 0.72) & (shares <= 0.92)).all(), shares


def test_what_families_tell_of_one_another_is_bayes_rule_written_out(tmp_path: Path) -> None:
    """Shop's offset 0.5 about its start, a family's 0.4 about that, spreads log 0.5 about 0.5.

    Three families with any likelihoods; one sums over everything but its own offset and spread.
    """
    rng, n = np.random.default_rng(3), len(_OFFSETS)
    told = {f: 2 * rng.standard_normal((n, len(_SPREADS))) for f in "abc"}
    start = owner_guesses(workspace(tmp_path / "w"))
    known = replace(
        start, likelihood={f: v.ravel() for f, v in told.items()}, start_mean=0.3, start_sd=0.5
    )
    family = norm.pdf(_OFFSETS[:, None], _OFFSETS, 0.4).T
    family /= family.sum(axis=1, keepdims=True)
    for name in ("b", "new"):
        weight = np.zeros((n, len(_SPREADS)))
        for j, spread in enumerate(_SPREADS):
            shop = norm.pdf(_OFFSETS, 0.3, 0.5) * norm.pdf(np.log(spread / 0.5), 0, 0.5)
            for other in set(told) - {name}:
                shop = shop * (family @ np.exp(told[other][:, j]))
            own = np.exp(told[name][:, j]) if name in told else 1.0
            weight[:, j] = own * (shop @ family)
        np.testing.assert_allclose(known.weights(name), (weight / weight.sum()).ravel(), rtol=1e-8)


def test_success_has_the_mean_and_variance_of_its_mixture_of_betas(tmp_path: Path) -> None:
    """Each point of the grid gives a Beta (scipy's moments); own jobs and those lent are in it."""
    known = owner_guesses(workspace(tmp_path / "w"))
    weight = known.weights(FAMILY)
    moved = np.sqrt(1 + np.pi * (0.5**2 + 0.4**2) / 8) * logit(0.8) + known.offset
    for declared, usual in ((1.0, expit(moved)), (0.0, np.full(len(weight), 0.8))):
        worth = np.maximum(1 / (known.spread**2 * usual * (1 - usual)) - 1, 1.0)
        lent = np.minimum(1.0, worth / 40.0)
        law = beta(usual * worth + 3 + 30 * lent, (1 - usual) * worth + 2 + 10 * lent)
        mean = weight @ law.mean()
        variance = weight @ (law.var() + law.mean() ** 2) - mean**2
        ((a, b),) = known.success(
            FAMILY, np.array([0.8]), np.array([3.0]), np.array([5.0]), np.array([[30.0, 40.0]]),
            np.array([declared]),
        )  # fmt: skip
        assert beta(a, b).stats() == pytest.approx((mean, variance), rel=1e-9)


def test_jobs_tell_of_offset_and_spread_by_the_beta_binomial(tmp_path: Path) -> None:
    """By scipy, up to what is the same everywhere: two of three, at every point of the grid."""
    shop = workspace(tmp_path / "w", repairs=jobs("board", "yyn"))
    known = owner_guesses(shop)
    mean = expit(np.sqrt(1 + np.pi * 0.41 / 8) * logit(0.5) + known.offset)
    worth = np.maximum(1 / (known.spread**2 * mean * (1 - mean)) - 1, 1.0)
    log = betabinom.logpmf(2, 3, mean * worth, (1 - mean) * worth) - np.log(3)
    np.testing.assert_allclose(known.likelihood[FAMILY], log, atol=1e-9)
    assert known.jobs == 3


def test_an_owners_offset_starts_between_none_and_the_classs_distance(tmp_path: Path) -> None:
    """None 0.5 wide; the mean distance of two states, 0.35 wide alike and 0.6 each by itself."""
    known, kind = owner_guesses(workspace(tmp_path / "w")), class_knowledge("phone")
    told = (("display_only", 0.9), ("board", 0.5))
    away = [logit(kind.success("display_dead", s).mean) - logit(g) for s, g in told]
    sure = 0.5**-2, 1 / (0.35**2 + 0.6**2 / 2)
    assert known.start_mean == pytest.approx(np.average([0.0, np.mean(away)], weights=sure))
    assert known.start_sd == pytest.approx(sum(sure) ** -0.5)


def test_one_job_pulls_the_hours_by_three_times_at_most() -> None:
    """Ten times and a tenth of the hours count as three times and a third, beside eight at one."""
    key = {"family_id": FAMILY, "state": "board"}
    declared = pd.DataFrame([{**key, "bench_hours": 2.0}, {**key, "bench_hours": 0.0}])
    jobs = pd.DataFrame([{**key, "bench_hours": h} for h in (20.0, 0.2, np.nan, 0.0)])
    assert _hours_factor(declared, jobs) == pytest.approx((8 + 3 + 1 / 3) / 10)


def declared_states(success: dict[str, float]) -> str:
    head = "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
    shares = (0.5, 0.3, 0.2) if len(success) == 3 else (0.5, 0.5)
    rows = [
        f"{FAMILY},display_dead,{s},{share},DA,1.0,{p:.4f}"
        for (s, p), share in zip(success.items(), shares, strict=True)
    ]
    return head + "\n".join(rows) + "\n"


def test_guesses_far_from_the_class_start_nearer_to_it(tmp_path: Path) -> None:
    """An owner surer than the class is told less than he guessed, a grimmer one more.

    The class's figures are cited in states.csv: common practice, within repair records' bounds.
    A fault with none of the owner's rows keeps the class's own figures.
    """
    usual = {s.state: s.success.mean for s in class_knowledge("phone").states("display_dead")}
    some = {s: usual[s] for s in ("display_only", "display_and_back", "board")}
    for off in (1.0, -1.0):
        guess = {s: float(expit(logit(p) + off)) for s, p in some.items()}
        listings = (
            "listing_id,model_id,listed_fault,end_time\nL1,ulver_1,no_power,2024-06-01 10:00\n"
        )
        shop = workspace(
            tmp_path / f"{off}", fault_states=declared_states(guess), listings=listings
        )
        states = fit_rates(shop, FAMILY).states.set_index(["listed_fault", "state"])["success"]
        for state, p in some.items():
            told = states["display_dead", state]
            assert min(p, guess[state]) < told < max(p, guess[state])
        charge_port = class_knowledge("phone").success("no_power", "charge_port")
        assert states["no_power", "charge_port"] == pytest.approx(charge_port.mean, abs=0.01)


def test_hours_that_run_over_run_over_for_all_states(tmp_path: Path) -> None:
    """Ten jobs of twice the hours declared: other states' hours rise too, by less."""
    states = declared_states({"display_only": 0.9, "board": 0.5})
    rows = "".join(
        f"J{i},U{i},ulver_1,2024-05-{i + 1:02d},display_dead,display_only,fixed_first_pass,2.0\n"
        for i in range(10)
    )
    head = REPAIRS.strip() + ",bench_hours\n"
    shop = workspace(tmp_path / "w", fault_states=states, repairs=head + rows)
    hours = fit_rates(shop, FAMILY).states.set_index("state")["hours"]
    # (8 + 10 x 2) / 18 = 1.556 for a state without a job; (5 x 1.556 + 20) / 15 with ten.
    assert hours["board"] == pytest.approx(28 / 18)
    assert hours["display_only"] == pytest.approx((5 * 28 / 18 + 20) / 15)


REPAIRS = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome\n"


def jobs(state: str, outcomes: str) -> str:
    words = {"y": "fixed_first_pass", "n": "not_fixed"}
    rows = [
        f"J{i},U{i},ulver_1,2024-05-0{i + 1},display_dead,{state},{words[o]}"
        for i, o in enumerate(outcomes)
    ]
    return REPAIRS + "\n".join(rows) + "\n"


def success_in(tmp_path: Path, name: str, **files: str) -> pd.Series:
    states = fit_rates(workspace(tmp_path / name, **files), FAMILY).states
    return states.set_index("state")["success"]


def test_success_is_always_shrunk(tmp_path: Path) -> None:
    """Five of five is between its prior and one, none of two between zero and its prior."""
    none = success_in(tmp_path, "a")["display_only"]
    five = success_in(tmp_path, "b", repairs=jobs("display_only", "yyyyy"))["display_only"]
    lost = success_in(tmp_path, "c", repairs=jobs("display_only", "nn"))["display_only"]
    assert none < five < 0.999
    assert 0.05 < lost < none


def test_a_job_without_a_state_found_teaches_its_listed_fault(tmp_path: Path) -> None:
    """Six failures of unknown state lower every state that may be mended, the doubtful one more."""
    before = success_in(tmp_path, "a")
    after = success_in(tmp_path, "b", repairs=jobs("", "nnnnnn"))
    assert after["display_only"] < before["display_only"] - 0.02
    assert after["board"] < before["board"] - 0.02
    assert after["locked"] == 0


@pytest.mark.parametrize("loyal", [True, False])
def test_what_declared_shares_are_worth_is_the_dirichlet_multinomials_posterior_mean(
    loyal: bool,
) -> None:
    """Against scipy's likelihood on the same grid; a state declared never to be met says nothing.

    Before any job they are worth twelve, log-normal with 0.7.
    Jobs that follow the declared shares make them worth more than jobs that do not.
    """
    shares = np.array([0.6, 0.3, 0.1])
    found = np.array([[6, 3, 1], [12, 6, 2]] if loyal else [[0, 1, 9], [1, 18, 1]])
    rows, jobs = [], []
    for fault, counts in zip("ab", found, strict=True):
        for state, (share, n) in enumerate(zip([*shares, 0.0], [*counts, 0], strict=True)):
            key = {"family_id": FAMILY, "listed_fault": fault, "state": f"s{state}"}
            rows.append({**key, "prior_share": share})
            jobs += [key] * n
    told = _share_strength(pd.DataFrame(rows), pd.DataFrame(jobs))
    log = [
        norm.logpdf(np.log(s / 12.0) / 0.7)
        + sum(dirichlet_multinomial.logpmf(c, s * shares, c.sum()) for c in found)
        for s in _STRENGTHS
    ]
    weight = np.exp(np.array(log) - max(log))
    assert told == pytest.approx(np.exp(weight @ np.log(_STRENGTHS) / weight.sum()), rel=1e-6)
    assert (told > 12.0) == loyal
