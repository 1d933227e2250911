"""The benchmark itself, at its smallest: it runs, scores every method, and sees faults."""

from __future__ import annotations

import pandas as pd
import pytest

from .all_figures import parts, success
from .forecasts import KNOWING, OURS, TUNING, figures, run
from .robustness import KINDS, failures
from .scale import bare, fit, growth, project, read, slope
from .scale_simulator import FAULTS, Extent, write_workspace
from .stops import figures as stop_figures
from .stops import run as stop_run
from .third_world import CURVED, scored

pytestmark = pytest.mark.filterwarnings("ignore:The design matrix is rank-deficient")


def test_the_benchmark_scores_every_method_on_the_same_sales() -> None:
    """Eight methods, each on all sales of one big and one small family; the kit's is the best.

    Only knowing the truth does better.
    """
    scores = run(TUNING, 1, 1, origins=(42,))
    assert scores["method"].nunique() == 9
    assert scores.groupby("method").size().nunique() == 1
    assert list(scores.groupby("method")["loss"].mean().sort_values().index[:2]) == [KNOWING, OURS]
    assert all(value == value for _, value, _ in figures(scores))


def test_by_other_laws_the_curve_is_nearer_than_the_last_level() -> None:
    """Straight, logistic, hyperbolic and stretched falls, one shop; bands hold 70 % or more."""
    table = pd.concat(scored(CURVED, "", TUNING))
    assert table["held"].mean() > 0.7
    assert table["error"].abs().mean() < 0.6 * table["last"].abs().mean()


def test_degenerate_families_do_not_fail() -> None:
    assert list(failures(TUNING, 2 * len(KINDS))) == []


def test_months_drawn_independently_and_point_estimates_are_seen_to_fail() -> None:
    """Whole paths hold the true stop month far more often than either fault."""
    table = stop_run(TUNING, 2, 2)
    said = {name: value for name, value, _ in stop_figures(table)}
    assert said["cases"] > 20
    held = said["true month in the 80 % interval"]
    assert said["fault: months drawn independently, held"] < held - 0.15
    assert said["fault: point estimate, held"] < held - 0.4


def test_the_scale_benchmark_measures_what_it_says(tmp_path) -> None:
    """At its smallest: the same rows read by both, every model met by both, every fault costed."""
    extent = Extent(rows=1500, families=2, models=8)
    folder = write_workspace(tmp_path / "small", extent)
    ours, plain = read(folder), bare(folder)
    assert ours["rows"] == plain["rows"] == extent.rows
    assert 0.9 * extent.rows < ours["used"] < extent.rows
    fitted = fit(folder)
    assert fitted["ols_models"] == fitted["ols_enough_models"] == fitted["models"] == extent.models
    assert min(fitted["joint"][0], fitted["ols"][0]) > 0
    projected = project(folder)
    assert projected["units"] == extent.models * len(FAULTS)
    assert projected["silent"] == 0
    assert slope(tmp_path, extent)["joint"][0] > 0
    assert growth([10, 100, 1000], [1.0, 10.0, 100.0]) == pytest.approx(1.0)


def test_parts_and_success_are_among_all_figures() -> None:
    """Part prices lie nearer than the last quote, and success intervals are neither empty nor all.

    What cannot be taken here is said in a line of its own.
    """
    told = {name: value for name, value, _ in [*parts(TUNING, 1), *success(TUNING, 1)]}
    assert told["invented parts: error / last quote"] < 0.95
    assert all(0.5 < told[f"success: 80 % interval holds, {n} jobs"] < 1 for n in (3, 5, 10, 20))
    assert pd.isna(told["computer part offers: error / last quote"])
