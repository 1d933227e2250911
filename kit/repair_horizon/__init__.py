"""Which broken handheld devices to buy, up to which bid, and when repair stops paying.

The steps of the work are the folders, and data flows down the list: ``logs`` (what the
business wrote down), ``estimation`` (what the logs say), ``decisions`` (what to do),
``backtest`` (how well it would have worked), ``reports`` (what the partners see).

Nothing is imported here, so that ``import repair_horizon`` stays cheap: statsmodels
and plotly load only inside the stage that owns them.
"""
