"""Intervals for repair success against published tables.

Sources: R's binom.test reference output, R package binom through statsmodels' results file
results_proportion.py, R DescTools through its test_proportion.py (all seen); Newcombe (1998),
Statistics in Medicine 17:857-872 (from memory); Gelman et al., Bayesian Data Analysis, 437 of 980
(seen). Printed to seven digits unless rounded here.
"""

import pandas as pd
import pytest
from repair_horizon.estimation.repairs import beta_interval, success_by_fault


@pytest.mark.parametrize(
    ("fixed", "n", "lower", "upper"),
    [
        (4, 20, 0.0715201, 0.4082258),
        (18, 20, 0.7161467, 0.9786275),
        (100, 200, 0.4311217, 0.5688783),
    ],
)
def test_success_by_fault_gives_jeffreys_intervals(
    fixed: int, n: int, lower: float, upper: float
) -> None:
    """Jobs not attempted, or still open, must not count; the interval is Jeffreys'."""
    outcomes = ["fixed_first_pass"] * (fixed - 1) + ["fixed_after_rework"]
    outcomes += ["not_fixed"] * (n - fixed) + ["not_attempted"] * 3 + [""] * 2
    jobs = pd.DataFrame({"listed_fault": "no_power", "outcome": outcomes})
    row = success_by_fault(jobs, level=0.95).iloc[0]
    assert (row["n"], row["fixed"]) == (n, fixed)
    assert (row["lower"], row["upper"]) == pytest.approx((lower, upper), abs=5e-8)


def test_five_of_five_are_not_all_and_none_of_two_is_not_none() -> None:
    """The mean of Beta(fixed + 1/2, rest + 1/2): 11/12 and 1/6."""
    outcomes = {"screen": ["fixed_first_pass"] * 5, "board": ["not_fixed"] * 2}
    rows = [(fault, outcome) for fault, each in outcomes.items() for outcome in each]
    jobs = pd.DataFrame(rows, columns=["listed_fault", "outcome"])
    estimate = success_by_fault(jobs).set_index("listed_fault")["estimate"]
    assert estimate.to_dict() == pytest.approx({"screen": 11 / 12, "board": 1 / 6})


@pytest.mark.parametrize(
    ("fixed", "n", "lower", "upper", "digits"),
    [
        (682, 925, 0.7076683, 0.7654066, 7),
        (4, 20, 0.0573340, 0.4366140, 7),
        (18, 20, 0.6830173, 0.9876515, 7),
        (1, 30, 0.0008436, 0.1721695, 7),
        (100, 200, 0.4286584, 0.5713416, 7),
        (81, 263, 0.2527, 0.3676, 4),
        (15, 148, 0.0578, 0.1617, 4),
        (1, 29, 0.0009, 0.1776, 4),
    ],
)
def test_beta_quantiles_reproduce_exact_intervals(
    fixed: int, n: int, lower: float, upper: float, digits: int
) -> None:
    """Clopper and Pearson's limits are the outer quantiles of two Beta laws."""
    found = (
        beta_interval(fixed, n - fixed + 1, 0.95)[0],
        beta_interval(fixed + 1, n - fixed, 0.95)[1],
    )
    assert found == pytest.approx((lower, upper), abs=0.51 * 10**-digits)


@pytest.mark.parametrize(("n", "upper", "digits"), [(30, 0.1157033, 7), (20, 0.1684, 4)])
def test_no_success_at_all(n: int, upper: float, digits: int) -> None:
    """None of n: the exact upper limit, and by symmetry the lower limit of all of n."""
    assert beta_interval(1, n, 0.95)[1] == pytest.approx(upper, abs=0.51 * 10**-digits)
    assert beta_interval(n, 1, 0.95)[0] == pytest.approx(1 - upper, abs=0.51 * 10**-digits)


def test_posterior_of_a_proportion() -> None:
    """437 of 980 with a uniform prior: Beta(438, 544), interval as printed."""
    lower, upper = beta_interval(438, 544, 0.95)
    assert (lower, upper) == pytest.approx((0.41506549, 0.47719977), abs=5e-9)
