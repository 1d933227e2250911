"""Outputs are declared once: what is written has the declared columns, and is read back by them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.columns import OUTPUT_KINDS, Output, declared
from repair_horizon.tables.outputs import OUTPUTS, THRESHOLDS


@pytest.mark.parametrize("output", OUTPUTS.values(), ids=lambda o: o.name)
def test_every_column_is_declared_whole(output: Output) -> None:
    assert output.meaning
    assert len(set(output.names)) == len(output.names)
    for column in output.columns:
        assert column.kind in OUTPUT_KINDS
        assert column.heading
        assert column.meaning


@pytest.mark.parametrize("output", OUTPUTS.values(), ids=lambda o: o.name)
def test_an_empty_table_is_read_back_as_it_was_written(output: Output, tmp_path: Path) -> None:
    output.empty().to_csv(tmp_path / "t.csv", index=False)
    pd.testing.assert_frame_equal(output.read(tmp_path / "t.csv"), output.empty())


def test_a_row_with_a_column_that_is_not_declared_is_refused() -> None:
    """Dropped in silence it would be missing wherever the table is read."""
    table = THRESHOLDS.table([{"model_id": "X", "max_bid": 10.0}])
    assert list(table) == THRESHOLDS.names
    assert table["verdict"].isna().all()
    with pytest.raises(KeyError, match="thresholds declares no column 'bid_max'"):
        THRESHOLDS.table([{"model_id": "X", "bid_max": 10.0}])


def test_identifiers_stay_text_and_months_and_figures_come_back(tmp_path: Path) -> None:
    table = THRESHOLDS.empty().reindex([0, 1])
    table = table.assign(
        model_id=["007", "NA"],
        max_bid=[10.126, np.nan],
        probability_win=[0.123456, np.nan],
        buy_stop_median=pd.to_datetime(["2027-03-01", None]),
        n_sales=[3.0, np.nan],
        verdict=["buy", "cap"],
    )
    THRESHOLDS.written(table).to_csv(tmp_path / "t.csv", index=False)
    text = (tmp_path / "t.csv").read_text()
    assert "10.13" in text
    assert "2027-03," in text
    assert ",3," in text
    back = THRESHOLDS.read(tmp_path / "t.csv")
    assert list(back["model_id"]) == ["007", "NA"]
    assert back["probability_win"].iloc[0] == 0.1235
    assert back["buy_stop_median"].iloc[0] == pd.Timestamp("2027-03-01")
    assert OUTPUTS["thresholds"].column("verdict").worded("cap").endswith(Verdict.BUY.words)


def test_a_file_of_other_columns_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    """A month written before a column was added still opens; a stranger's column is left out."""
    (tmp_path / "t.csv").write_text("model_id,n_sales,odd\nm1,4,x\n")
    back = THRESHOLDS.read(tmp_path / "t.csv")
    assert list(back) == THRESHOLDS.names
    assert back["n_sales"].iloc[0] == 4
    assert back["max_bid"].isna().all()


def test_a_value_of_another_kind_is_refused(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("model_id,max_bid\nm1,much\n")
    with pytest.raises(ValueError, match="much"):
        THRESHOLDS.read(tmp_path / "t.csv")


def test_headings_carry_the_unit_of_amounts_only() -> None:
    columns = declared("a | money | Worth | what it is worth\nb | share | Chance | of it")
    assert [c.headed("EUR") for c in columns.values()] == ["Worth, EUR", "Chance"]
