"""What pages need for the first time, needed before the first page: imports, also late ones.

Some libraries import parts of themselves only when these are used. Loaded here, they are there in
every fork; loaded in a fork, each would load them again.
"""

from __future__ import annotations

import importlib

# What the family report's cells import, and what those import late.
_WARM = (
    "kit.reports.bid_sections",
    "kit.reports.fault_sections",
    "kit.reports.page_charts",
    "kit.reports.records",
    "kit.reports.sections",
    "kit.reports.family_month",
    "kit.reports.rules",
    "kit.reports.writing",
    "plotly.graph_objects",
    "plotly.io",
    "scipy.stats",
    "statsmodels.regression.linear_model",
    "pyarrow.compute",
)


def rehearse() -> None:
    """Import it all, and draw one chart of each kind that pages have."""
    for name in _WARM:
        importlib.import_module(name)
    import pandas as pd
    import plotly.graph_objects as go

    place = {"x": [1, 2], "y": [1.0, 2.0], "marker": {"color": "#000"}}
    traces = [
        go.Scatter(**place, line={"width": 1}, mode="lines"),
        go.Bar(**place),
        go.Waterfall(x=[1], y=[1.0], increasing={"marker": {"color": "#000"}}),
    ]
    figure = go.Figure(traces)
    figure.update_layout(
        title={"text": "a", "font": {"size": 1}},
        legend={"orientation": "h"},
        hoverlabel={"align": "left"},
        margin={"l": 1},
        xaxis={"title": {"text": "a"}},
        yaxis={"title": {"text": "a"}},
    )
    figure.add_hline(1.0, annotation_text="a")
    figure.to_json()
    frame = pd.DataFrame({"a": ["b"], "c": [1.0]})
    frame.to_csv()
    frame.to_dict("records")
    frame.groupby("a").size()
