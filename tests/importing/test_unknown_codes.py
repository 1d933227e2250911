"""Faults and states in words nobody knows come in, and are told: by draft, import and check."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.cli import main
from repair_horizon.imports.draft import Draft, draft_mapping
from repair_horizon.logs import read_logs
from repair_horizon.logs.consequences import unknown_codes

from .exports import Run

CATALOGUE = (
    "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
    "m1,fam,phone,2026-01-10,899,EUR\nk1,kon,console,2026-01-10,399,EUR\n"
)
JOBS = (
    "job_id,unit_id,model_id,opened,listed_fault,state_found\n"
    "J1,u1,m1,2026-10-01,no_power,nur Akku\n"
    "J2,u2,m1,2026-10-02,no_power,board\n"
    "J3,u3,m1,2026-10-03,no_power,nur Akku\n"
    "J4,u4,k1,2026-10-04,stick_drift,own_state\n"
    "J5,u5,m1,2026-10-05,Komisch,\n"
)
MAPPING = "[columns]\n" + "".join(
    f'{n} = "{n}"\n'
    for n in ("job_id", "unit_id", "model_id", "opened", "listed_fault", "state_found")
)


@pytest.fixture
def shop(workspace: Path) -> Path:
    (workspace / "catalogue.csv").write_text(CATALOGUE)
    (workspace / "fault_states.csv").write_text(
        "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
        "kon,stick_drift,own_state,1,STK,1,0.9\n"
    )
    return workspace


def test_an_import_says_which_words_tell_nothing(run: Run, shop: Path) -> None:
    """They come in all the same; codes of the family or the class are no matter."""
    got = run(JOBS, mapping=MAPPING, table="repairs")
    assert (got.added, got.held) == (5, 0)
    state, fault = map(str, got.unknown)
    assert state.startswith("export.csv, line 2, column state_found: found 'nur Akku', allowed: ")
    assert "battery_only" in state
    assert "2 rows come in and tell nothing by it" in state
    assert '[values.state_found] "nur Akku" = "battery_only"' in state
    assert "line 6, column listed_fault: found 'Komisch'" in fault
    again = run(JOBS, mapping=MAPPING, table="repairs")
    assert again.unknown == got.unknown


def test_the_import_and_check_commands_print_them(shop: Path, tmp_path: Path, capsys) -> None:
    (tmp_path / "jobs.csv").write_text(JOBS)
    (tmp_path / "jobs.toml").write_text(MAPPING)
    here = ["--workspace", str(shop)]
    words = ["import", str(tmp_path / "jobs.csv"), "--mapping", str(tmp_path / "jobs.toml")]
    for more in (["--table", "repairs", "--preview"], ["--table", "repairs"]):
        assert main([*words, *more, *here]) == 0
        assert "jobs.csv, line 2, column state_found: found 'nur Akku'" in capsys.readouterr().out
    assert main(["check", *here]) == 0
    out = capsys.readouterr().out
    assert "Every row is used." not in out
    assert "repairs.csv, line 2, column state_found: found 'nur Akku'" in out
    assert "2 rows are used and tell nothing by it: write battery_only there" in out
    assert "line 6, column listed_fault: found 'Komisch'" in out
    assert main(["check", *here, "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)["unknown_codes"]
    assert [t["found"] for t in told] == ["nur Akku", "Komisch"]


@pytest.mark.parametrize(
    ("name", "rows", "found"),
    [
        (
            "stock",
            "unit_id,model_id,buy_date,currency,state,status\n"
            "u1,m1,2026-10-01,EUR,working,listed\nu2,m1,2026-10-01,EUR,Platine,bench\n",
            ("state", 3, "Platine"),
        ),
        (
            "maker_quotes",
            "quote_date,model_id,fault,price,currency\n2026-10-01,m1,Scheibe,90,EUR\n"
            "2026-10-01,m1,display_dead,90,EUR\n",
            ("fault", 2, "Scheibe"),
        ),
        (
            "listings",
            "listing_id,model_id,listed_fault,end_time\nL1,m1,Display kaputt,2026-10-01\n"
            "L2,m1,irgendwas,2026-10-01\nL3,k1,Stick driftet,2026-10-01\n",
            ("listed_fault", 3, "irgendwas"),
        ),
    ],
)
def test_each_column_of_faults_and_states_is_looked_at(
    shop: Path, name: str, rows: str, found: tuple[str, int, str]
) -> None:
    """A listing in words that are understood needs no map; a unit that works is in a state."""
    (shop / f"{name}.csv").write_text(rows)
    (told,) = unknown_codes(read_logs(shop).tables)
    assert (told.table, told.column, told.lines[0], told.code) == (name, *found)


def test_no_code_is_proposed_that_would_be_unknown_too(shop: Path) -> None:
    """A keyboard is a fault of laptops; a phone has none."""
    (shop / "listings.csv").write_text(
        "listing_id,model_id,listed_fault,end_time\nL1,m1,keyboard,2026-10-01\n"
    )
    (told,) = unknown_codes(read_logs(shop).tables)
    assert told.near == ""
    assert "write one of them there" in str(told.in_log())


def test_words_of_a_fault_the_family_does_not_name_are_told() -> None:
    """They are read as the family's faults only: the class's alone do not make them taught."""
    catalogue = {"model_id": ["m"], "family_id": ["f"], "device_class": ["phone"]}
    rows = {"model_id": ["m"], "listed_fault": ["broken screen"], "line": [2]}
    meant = unknown_codes(_frames(catalogue, rows, "battery_worn"))
    assert [u.code for u in meant] == ["broken screen"]
    assert unknown_codes(_frames(catalogue, rows, meant[0].near)) == []


def _frames(catalogue: dict, rows: dict, own: str) -> dict[str, pd.DataFrame]:
    faults = {"family_id": ["f"], "listed_fault": [own], "state": [own]}
    tables = {"catalogue": catalogue, "listings": rows, "fault_states": faults}
    return {name: pd.DataFrame(columns) for name, columns in tables.items()}


def test_logs_in_known_codes_are_told_of_nothing(shop: Path) -> None:
    (shop / "repairs.csv").write_text(JOBS.replace("nur Akku", "battery_only").split("J5")[0])
    assert unknown_codes(read_logs(shop).tables) == []


JOB_EXPORT = (
    "Auftrag;Gerät-ID;Modell;Angenommen;Fehler;Befund;Ergebnis\n"
    "A1;G1;m1;13.10.2026;Display kaputt;nur Display;repariert\n"
    "A2;G2;m1;14.10.2026;geht nicht an;Rätsel;repariert\n"
    "A3;G3;m1;15.10.2026;Akku schwach;nur Akku;repariert\n"
)


def drafted(folder: Path, text: str, states: str = "") -> Draft:
    (folder / "jobs.csv").write_text(text)
    models = pd.DataFrame([{"model_id": "m1", "family_id": "fam", "device_class": "phone"}])
    own = pd.DataFrame({"state": states.split()}) if states else None
    return draft_mapping(folder / "jobs.csv", "repairs", models, states=own)


def test_a_draft_asks_for_states_and_proposes_those_it_understands(tmp_path: Path) -> None:
    draft = drafted(tmp_path, JOB_EXPORT)
    (question,) = [q for q in draft.questions if "Befund" in q]
    assert "'Rätsel' (1 row)" in question
    assert "battery_only" in question
    assert tomllib.loads(draft.text)["values"]["state_found"] == {
        "nur Display": "display_only",
        "nur Akku": "battery_only",
    }
    assert '# "Rätsel" = ""' in draft.text
    known = drafted(tmp_path, JOB_EXPORT.replace("nur ", ""), "Display Akku Rätsel")
    assert not any("Befund" in q for q in known.questions)
    assert "state_found" not in tomllib.loads(known.text)["values"]


def test_a_draft_of_states_it_understands_asks_whether_they_are_right(tmp_path: Path) -> None:
    draft = drafted(tmp_path, JOB_EXPORT.replace("Rätsel", "board"))
    (question,) = [q for q in draft.questions if "Befund" in q]
    assert "'nur Display' is display_only" in question
    assert tomllib.loads(draft.text)["values"]["state_found"]["board"] == "board"


def test_the_command_knows_the_workspaces_own_states(shop: Path, tmp_path: Path, capsys) -> None:
    (tmp_path / "jobs.csv").write_text(
        JOB_EXPORT.replace("m1", "k1").replace("Rätsel", "own_state")
    )
    assert main(["import", str(tmp_path / "jobs.csv"), "--draft", "--workspace", str(shop)]) == 0
    assert "what is 'own_state'" not in capsys.readouterr().out
    mapped = tomllib.loads((tmp_path / "jobs.toml").read_text())["values"]["state_found"]
    assert mapped["own_state"] == "own_state"
