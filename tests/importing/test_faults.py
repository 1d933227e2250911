"""Faults of mappings, all named at once."""

from __future__ import annotations

import pytest
from repair_horizon.logs import LogFault

from .exports import HEADER, Run


def test_every_fault_of_a_mapping_is_named_at_once(run: Run) -> None:
    """Unknown names, wrong kinds, missing columns and impossible values, in one message."""
    mapping = """
table = "repairs"
encoding = "latin-17"
skip_rows = "two"
colour = "red"
separator = ";;"
[columns]
sale_dat = "Day"
gross_amount = 3
[constants]
currency = "euro"
condition = "broken"
[formats.model_id]
decimal = ","
[formats.sale_date]
date = "day.year"
[values.grade]
"Very good" = "A"
[[set_aside]]
column = "x"
[unpivot]
columns = ["a"]
[filter]
column = "condition"
"""
    with pytest.raises(LogFault) as caught:
        run(HEADER, mapping=mapping)
    places = {f.column for f in caught.value.faults}
    assert places >= {
        "table",
        "encoding",
        "skip_rows",
        "colour",
        "separator",
        "columns.sale_dat",
        "columns.gross_amount",
        "constants.currency",
        "constants.condition",
        "formats.model_id",
        "formats.sale_date.date",
        "values.grade",
        "set_aside[1]",
        "unpivot",
        "filter",
        "filter.column",
        "sale_id",
        "model_id",
        "sale_date",
    }
    assert all(f.file == "map.toml" and f.allowed for f in caught.value.faults)


def test_broken_toml_and_unknown_tables_are_faults(run: Run) -> None:
    """A mapping that is no TOML, and a table there is not, give a message."""
    with pytest.raises(LogFault, match="TOML"):
        run(HEADER, mapping="[columns\n")
    with pytest.raises(LogFault, match="one of catalogue"):
        run(HEADER, table="sale")
