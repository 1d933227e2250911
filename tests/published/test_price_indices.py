"""Price indices read by the kit, its rates of fall, and the experience curve.

Index tables: README.md in this folder.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.estimation.price_rows import deflated, read_index
from repair_horizon.estimation.simple_curves import fit_shape
from repair_horizon.logs import read_logs

from .shapes import POWER

HERE = Path(__file__).parent


@pytest.mark.parametrize(
    ("name", "last", "rounded", "yearly", "slope"),
    [
        ("computers", 4.2, 0.96, 0.1643, -0.013512),
        ("televisions", 5.5, 0.94, 0.1514, -0.015114),
    ],
)
def test_electronics_in_consumer_prices(
    name: str, last: float, rounded: float, yearly: float, slope: float
) -> None:
    """US consumer prices, December 1997 to August 2015: computers fell 96 %, televisions 94 %.

    The rounded falls were seen in an economics site's article on the table; levels are the
    table's, yearly rates and slopes of log index by month reproduced from it. "94 %" of 94.5 is
    cut, not rounded.
    """
    index = read_index(HERE / f"cpi_{name}.csv")
    assert len(index) == 213
    assert (index.index[0], index.index[-1]) == (
        pd.Timestamp("1997-12-01"),
        pd.Timestamp("2015-08-01"),
    )
    assert (index.iloc[0], index.iloc[-1]) == (100.0, last)
    assert rounded - 0.005 <= 1 - index.iloc[-1] / index.iloc[0] < rounded + 0.01
    fall = float(np.log(index.iloc[-1] / index.iloc[0])) / (len(index) - 1)
    assert -np.expm1(12 * fall) == pytest.approx(yearly, abs=6e-5)
    line = np.polyfit(np.arange(len(index)), np.log(index.to_numpy()), 1)
    assert line[0] == pytest.approx(slope, abs=6e-7)


def test_amounts_follow_the_computer_index_into_another_days_money(tmp_path: Path) -> None:
    """A hundred of December 1997 is 4.2 of August 2015 in computers, launch prices likewise.

    Sale and launch lie on days of the table, so nothing is interpolated.
    """
    (tmp_path / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
        "desk_1,desk,laptop,1997-12-01,200,USD\n"
    )
    (tmp_path / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency,grade,channel,condition,price_type\n"
        "S1,desk_1,1997-12-01,100,USD,A,market,working,sold\n"
        "S2,desk_1,2015-08-01,100,USD,A,market,working,sold\n"
    )
    (tmp_path / "settings.toml").write_text('currency = "USD"\n')
    index = read_index(HERE / "cpi_computers.csv")
    logs = deflated(read_logs(tmp_path), index, pd.Timestamp("2015-08-01"))
    assert logs.tables["sales"]["amount"].tolist() == pytest.approx([4.2, 100.0])
    assert logs.tables["catalogue"]["launch_amount"].tolist() == pytest.approx([8.4])


def test_experience_curve_at_eighty_percent() -> None:
    """Averages 100, 80, 64, 51.2, 40.96 at 1, 2, 4, 8, 16 units: the power is log2 of 0.8.

    Table of cumulative averages, a management-accounting text (seen); the third unit's average
    70.2104 reproduced. Its last increment is printed 254.76, which its own totals make 245.76.
    """
    units = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    curve = fit_shape(POWER, units, [100.0, 80.0, 64.0, 51.2, 40.96])
    assert curve["unit"] == pytest.approx(100.0)
    assert curve["power"] == pytest.approx(np.log2(0.8), rel=1e-9)
    assert curve.predict([3.0])[0] == pytest.approx(70.2104, abs=6e-5)
    totals = units * curve.predict(units)
    assert np.diff(totals) == pytest.approx([60.0, 96.0, 153.6, 245.76])
