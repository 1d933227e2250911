"""What a first reading says about the state: Bayes' rule on counts, and little from few units."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_copies import demo_shop
from family_by_hand import family_by_hand
from repair_horizon.estimation.antithetic import Antithetic
from repair_horizon.estimation.repairs import (
    READINGS,
    fit_rates,
    reading_class,
    shares_after_reading,
)
from repair_horizon.logs import read_logs
from repair_horizon.reports.sections.prices import fault_tree

STATES = """family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success
ulver,no_power,battery_worn,0.5,BAT,0.5,0.9
ulver,no_power,board,0.5,,2,0.5
"""


def workspace(folder: Path, jobs: list[tuple[str, str, str]]) -> Path:
    """One family; each job is (state found, volts, amps)."""
    folder.mkdir()
    (folder / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date\nulver_1,ulver,phone,2022-01-01\n",
        encoding="utf-8",
    )
    (folder / "fault_states.csv").write_text(STATES, encoding="utf-8")
    (folder / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency\nS1,ulver_1,2024-01-10,240,EUR\n",
        encoding="utf-8",
    )
    rows = [
        f"J{i},U{i},ulver_1,2024-01-10,no_power,{s},fixed_first_pass,{v},{a}"
        for i, (s, v, a) in enumerate(jobs)
    ]
    head = "job_id,unit_id,model_id,opened,listed_fault,state_found,outcome,test_volts,test_amps"
    (folder / "repairs.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return folder


def table(folder: Path, jobs: list[tuple[str, str, str]]) -> pd.DataFrame:
    logs = read_logs(workspace(folder, jobs))
    assert len(logs.tables["repairs"]) == len(jobs)
    return shares_after_reading(logs, "ulver", fit_rates(logs, "ulver"))


def test_currents_fall_into_the_classes_of_their_bounds() -> None:
    """Bounds as in the module (common practice, no source); a raised voltage is a charge."""
    volts = pd.Series([5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 9.0, np.nan, 5.0])
    amps = pd.Series([0.0, 0.019, 0.02, 0.149, 0.15, 0.7, 0.01, 0.1, np.nan])
    assert reading_class(volts, amps).tolist() == [0, 0, 1, 1, 2, 3, 3, 1, -1]


def test_shares_follow_bayes_rule_on_the_smoothed_counts(tmp_path: Path) -> None:
    """20 worn batteries (16 trickle, 4 nothing), 20 boards (4 trickle, 16 nothing), by hand.

    Shares: (12 x 0.5 + 20) / 52 = 0.5 each; P(trickle | battery) = 16.5 / 22, P(trickle | board)
    = 4.5 / 22, so P(battery | trickle) = 16.5 / 21.
    """
    jobs = [("battery_worn", "5", "0.1")] * 16 + [("battery_worn", "5", "0")] * 4
    jobs += [("board", "5", "0.1")] * 4 + [("board", "5", "0")] * 16
    found = table(tmp_path / "w", jobs).set_index("reading")
    row = found.loc["trickle"]
    assert (row["state"], row["n_reading"], row["n_state"]) == ("battery_worn", 20, 16)
    assert row["share_before"] == pytest.approx(0.5)
    assert row["share"] == pytest.approx(16.5 / 21)
    assert row["lower"] < row["share"] < row["upper"]
    assert found.loc["nothing drawn", "state"] == "board"
    assert set(found.index) <= set(READINGS)


def test_few_units_say_less_and_less_surely(tmp_path: Path) -> None:
    """The same proportions from a quarter of the units: nearer to before, and a wider interval."""
    many = [("battery_worn", "5", "0.1")] * 16 + [("battery_worn", "5", "0")] * 4
    many += [("board", "5", "0.1")] * 4 + [("board", "5", "0")] * 16
    wide = table(tmp_path / "few", many[::4]).set_index("reading").loc["trickle"]
    narrow = table(tmp_path / "many", many).set_index("reading").loc["trickle"]
    assert wide["share"] < narrow["share"]
    assert wide["upper"] - wide["lower"] > narrow["upper"] - narrow["lower"]


def test_a_reading_four_units_share_says_nothing(tmp_path: Path) -> None:
    """Below five units with a reading there is no row for it."""
    jobs = [("battery_worn", "5", "0.1")] * 4 + [("board", "5", "0")] * 6
    assert table(tmp_path / "w", jobs)["reading"].tolist() == ["nothing drawn"]
    bare = table(tmp_path / "v", [("board", "", "")] * 9)
    assert bare.empty


def test_the_page_shows_the_counts_and_the_caution_beside_them() -> None:
    """'9 of 14' stands in the fault tree's section, with the warning about cells and shorts."""
    shown = fault_tree(family_by_hand()).html
    assert "9 of 14" in shown
    assert "no power, trickle" in shown
    assert shown.index("9 of 14") < shown.index("Never charge a swollen")
    assert (
        "Never charge" not in fault_tree(family_by_hand().with_tables(readings=pd.DataFrame())).html
    )


def test_drawn_shares_of_states_lie_around_the_shares_told() -> None:
    """The mean of a Dirichlet is each weight over their sum: 20,000 draws agree to 0.01."""
    rates = demo_shop().estimates("vellfold").rates
    for fault, states in rates.states.groupby("listed_fault"):
        drawn = rates.draw_shares(str(fault), 20_000, Antithetic.seeded(1))
        assert drawn.mean(axis=0) == pytest.approx(states["share"].to_numpy(), abs=0.01), fault
        assert states["share"].sum() == pytest.approx(1.0), fault
