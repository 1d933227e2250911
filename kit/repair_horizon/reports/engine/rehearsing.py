"""What pages need for the first time, needed before the first page: imports, also late ones.

Some libraries import parts of themselves only when these are used. Loaded here, they are there in
every fork; loaded in a fork, each would load them again.
"""

from __future__ import annotations

import importlib

# What the family report's cells import, and what those import late.
_WARM = (
    "repair_horizon.reports.sections.bid_story",
    "repair_horizon.reports.sections.repairs_seen",
    "repair_horizon.reports.sections.charts",
    "repair_horizon.reports.sections.records",
    "repair_horizon.reports.sections.family_tables",
    "repair_horizon.reports.family",
    "repair_horizon.reports.last_month",
    "repair_horizon.reports.run_record",
    "repair_horizon.files.writing",
    "plotly.graph_objects",
    "plotly.io",
    "scipy.stats",
    "statsmodels.base.covtype",
    "statsmodels.regression.linear_model",
    "statsmodels.stats.sandwich_covariance",
    "pyarrow.compute",
)


def rehearse() -> None:
    """Import it all, and draw one chart of each kind that pages have."""
    for name in _WARM:
        importlib.import_module(name)
    import pandas as pd

    from repair_horizon.charts.bid_make_up import sensitivity, waterfall
    from repair_horizon.charts.style import Words, add_band, mark_day, new_figure

    words, day = Words("a", "a"), pd.Timestamp("2000-01-01")
    way = {"worse": ["a"], "better": ["a"], "bid_worse": [-1.0], "bid_better": [1.0]}
    band = pd.DataFrame({"month": [day], "lower": [1.0], "upper": [2.0]})
    lines = new_figure(words, "a")
    add_band(lines, band, "#000000", "a")
    lines.add_scatter(x=band["month"], y=band["lower"], marker={"size": 1}, line={"width": 1})
    mark_day(lines, day, "a")
    bars = sensitivity(pd.DataFrame({"input": ["a"], **way}), "a", words)
    steps = pd.DataFrame({"line": ["a"], "amount": [1.0], "kind": ["start"]})
    for figure in (lines, bars, waterfall(steps, "a", words)):
        figure.to_json()
    band.to_csv(date_format="%Y")
    band.to_dict("records")
    band.groupby("month").size()
    band.pivot_table(index="month", columns="upper", values="lower")
