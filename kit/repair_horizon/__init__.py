"""Which broken handheld devices to buy, up to which bid, and when repair stops paying.

The steps of the work are the folders, and data flows down the list: ``logs`` (what the
business wrote down), ``estimation`` (what the logs say), ``decisions`` (what to do),
``backtest`` (how well it would have worked), ``reports`` (what the partners see).

Nothing is imported here, so that ``import repair_horizon`` stays cheap: statsmodels
and plotly load only inside the stage that owns them.
"""

import os

# The problems are small: threads of the linear algebra library only wait for each other (fits
# were more than ten times slower with them), and reports run several processes anyway. Whoever
# wants threads sets the variable; it must be set before numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
