"""The future of a workspace changed, for tests that nothing is known too early."""

from dataclasses import replace

import pandas as pd
from repair_horizon.logs import Logs
from repair_horizon.tables.inputs import TABLES


def later_changed(logs: Logs, cutoff: pd.Timestamp) -> Logs:
    """Treble every later amount, and change what the catalogue says of later days."""
    tables = dict(logs.tables)
    for name, money in (
        ("sales", "amount"),
        ("part_quotes", "amount"),
        ("listings", "final_price"),
    ):
        rows = tables[name]
        late = rows[TABLES[name].date] > cutoff
        tables[name] = rows.assign(**{money: rows[money].where(~late, 3 * rows[money])})
    catalogue = tables["catalogue"]
    late = catalogue["launch_date"] > cutoff
    known = catalogue["successor_launch_date"] <= cutoff
    tables["catalogue"] = catalogue.assign(
        launch_amount=catalogue["launch_amount"].where(~late, 9999.0),
        successor_launch_date=catalogue["successor_launch_date"].where(known),
    )
    return replace(logs, tables=tables)
