"""Amounts in another currency than the shop's come in converted at their day's rate, or wait."""

from __future__ import annotations

from pathlib import Path

import pytest
from repair_horizon.cli import main
from repair_horizon.imports.draft import draft_mapping
from repair_horizon.tables.faults import LogFault

from .exports import Run, adds_up, stored

LOTS = """
decimal = ","
[columns]
model_id = "Model"
end_time = "Ends"
current_bid = "Bid"
shipping = "Ship"
[constants]
listed_fault = "no_power"
[key]
columns = ["Lot"]
prefix = "ch-"
"""
CHF = 'currency = "CHF"\n'
TWO = (
    "Lot;Ends;Model;Bid;Ship\n"
    "1;2026-12-02 18:00;m1;CHF 95,00;CHF 19,00\n"
    "2;2027-02-03 18:00;m1;CHF 120,00;15,00\n"
)


@pytest.fixture
def euros(workspace: Path) -> Path:
    """The workspace settles in euros and knows one rate, of late November."""
    (workspace / "settings.toml").write_text('currency = "EUR"\n')
    (workspace / "fx_rates.csv").write_text("date,base,quote,rate\n2026-11-20,CHF,EUR,1.06\n")
    return workspace


def test_foreign_amounts_are_stored_in_the_settlement_currency(run: Run, euros: Path) -> None:
    """95 CHF at 1.06 are 100.70 EUR, and the result says so; a lot no rate is near waits."""
    got = run(TWO, CHF, mapping=LOTS, table="listings")
    assert adds_up(got)
    assert [(r["current_bid"], r["shipping"]) for r in stored(euros, "listings")] == [
        ("100.7", "20.14")
    ]
    said = got.summary().set_index("what")
    about = "current_bid: CHF to EUR"
    assert said.loc[about, "value"] == "1 amount"
    assert "95 CHF is 100.70 EUR at the rate of 2026-11-20, 1.06" in (said.loc[about, "how"])
    (fault,) = got.held_lines()
    assert fault.line == 3
    assert "120 CHF" in fault.found
    assert "a rate of CHF to EUR in fx_rates.csv of 2027-01-03 to 2027-02-03" in fault.allowed
    assert "add rate" in fault.allowed


def test_a_rate_of_the_other_direction_does_and_repeats_add_nothing(run: Run, euros: Path) -> None:
    (euros / "fx_rates.csv").write_text("date,base,quote,rate\n2026-11-20,EUR,CHF,0.8\n")
    first = run(TWO, CHF, mapping=LOTS, table="listings")
    again = run(TWO, CHF, mapping=LOTS, table="listings")
    assert stored(euros, "listings")[0]["current_bid"] == "118.75"
    assert (first.added, again.added, again.already_there) == (1, 0, 1)


def test_every_table_without_a_currency_column_is_converted(run: Run, euros: Path) -> None:
    mapping = """
[columns]
job_id = "J"
opened = "D"
parts_cost = "C"
[constants]
unit_id = "u"
model_id = "m"
listed_fault = "f"
"""
    got = run("J;D;C\n1;2026-11-25;5.50\n", CHF, mapping=mapping, table="repairs")
    assert got.rows["parts_cost"].tolist() == ["5.83"]


def test_a_tables_own_column_takes_the_declared_currency(run: Run, euros: Path) -> None:
    """A launch price in francs is stored as francs, and nothing is converted."""
    mapping = """
[columns]
model_id = "M"
launch_price = "P"
[constants]
family_id = "f"
device_class = "phone"
"""
    got = run("M;P\nm1;CHF 95.50\n", CHF, mapping=mapping, table="catalogue")
    assert got.rows[["launch_price", "launch_currency"]].to_numpy().tolist() == [["95.5", "CHF"]]


def test_a_header_that_names_another_currency_is_no_number_of_ours(run: Run, euros: Path) -> None:
    plain = TWO.replace("CHF ", "").replace(";Bid;", ";Bid CHF;")
    mapping = LOTS.replace('"Bid"', '"Bid CHF"')
    with pytest.raises(LogFault, match='currency = "CHF" at the top of the mapping'):
        run(plain, mapping=mapping, table="listings")
    assert run(plain, CHF, mapping=mapping, table="listings").added == 1
    own = plain.replace("Bid CHF", "Bid EUR")
    euro = LOTS.replace('"Bid"', '"Bid EUR"')
    assert run(own, mapping=euro, table="listings", preview=True).added == 1


def test_signs_nobody_declared_are_refused_with_what_to_write(run: Run, euros: Path) -> None:
    with pytest.raises(LogFault, match=r'a declared currency: .*currency = "CHF" at the top'):
        run(TWO, mapping=LOTS, table="listings")


def test_without_a_settlement_currency_nothing_can_be_converted(run: Run, euros: Path) -> None:
    """An empty workspace does not take the first export's francs for its own money."""
    (euros / "settings.toml").unlink()
    with pytest.raises(LogFault, match=r"settings\.toml, column currency: found 'nothing'"):
        run(TWO, CHF, mapping=LOTS, table="listings")
    (euros / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency\nS1,m1,2026-11-01,505,EUR\n"
    )
    assert run(TWO, CHF, mapping=LOTS, table="listings").added == 1


def test_the_draft_of_a_foreign_auction_imports_as_it_is_answered(
    euros: Path, tmp_path: Path, capsys
) -> None:
    file = tmp_path / "lots.csv"
    file.write_text(
        "Lot;Ends;Model;Fault;Bid CHF\n1;02.12.2026 18:00;m1;Display kaputt;CHF 95,00\n"
        "2;13.12.2026 18:00;m1;Akku schwach;CHF 120,00\n"
    )
    draft = draft_mapping(file)
    (tmp_path / "lots.toml").write_text(draft.text)
    words = ["import", str(file), "--mapping", str(tmp_path / "lots.toml")]
    assert main([*words, "--workspace", str(euros)]) == 0
    assert "100.70 EUR" in " ".join(capsys.readouterr().out.split())
    assert [r["current_bid"] for r in stored(euros, "listings")] == ["100.7", "127.2"]
