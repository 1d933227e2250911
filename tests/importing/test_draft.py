"""A draft proposes what a file proves, asks about the rest, and gives nothing away."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repair_horizon.cli import main
from repair_horizon.imports import ImportResult, import_file, table_of
from repair_horizon.imports.draft import Draft, draft_mapping
from repair_horizon.imports.layout import is_personal
from repair_horizon.imports.manual import worked
from repair_horizon.tables.faults import LogFault

from .exports import adds_up, workbook

SHOP = (
    "Shop export 2026;;;;;;\n"
    ";;;;;;\n"
    "Beleg;Verkauft am;Artikel;Preis;Zustand;Käufer;Gebühr\n"
    "1001;03.01.2026;Tavora 3 128GB;129,00 €;sehr gut;Ann Ohnesorg;14,19 €\n"
    "1002;15.01.2026;Tavora 3 64GB;1.099,00 €;defekt;Bert Ohnesorg;12,00 €\n"
    "1003;17.01.2026;Hülle für Tavora 3;9,00 €;wie neu;Cem Ohnesorg;1,00 €\n"
    "1004;18.01.2026;Kelmor Pad;209,00 €;B-Ware;Dora Ohnesorg;1,00 €\n"
    "Summe;;;1.446,00 €;;;\n"
)
WORKED = Path(__file__).parents[2] / "kit" / "repair_horizon" / "imports" / "worked_examples"


def drafted(folder: Path, content: str | bytes, name: str = "export.csv", **how: object) -> Draft:
    file = folder / name
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return draft_mapping(file, **how)  # type: ignore[arg-type]


def previewed(folder: Path, draft: Draft) -> ImportResult:
    """Import by the draft as it stands, nothing answered."""
    mapping = folder / "draft.toml"
    mapping.write_text(draft.text, encoding="utf-8")
    return import_file(folder / draft.file, folder, table_of(mapping), mapping, preview=True)


def test_a_german_shop_export_needs_two_answers_only(tmp_path: Path) -> None:
    """Title lines, totals, signs, dates, key, models, grades and broken units are all found."""
    draft = drafted(tmp_path, SHOP)
    assert draft.table == "sales"
    assert len(draft.questions) == 2
    assert "B-Ware" in draft.questions[0]
    assert "hülle" in draft.questions[1]
    result = previewed(tmp_path, draft)
    assert adds_up(result)
    assert (result.added, result.set_aside, result.held) == (3, 1, 1)
    rows = result.rows.set_index("sale_id")
    assert rows.loc["export-1002", "gross_amount"] == "1099"
    assert rows.loc["export-1002", "condition"] == "as_is"
    assert rows.loc["export-1002", "grade"] == ""
    assert rows.loc["export-1001", ["model_id", "grade", "sale_date"]].tolist() == [
        "tavora_3",
        "A",
        "2026-01-03",
    ]


@pytest.mark.parametrize(
    ("values", "grade", "condition"),
    [
        (("very good", "good", "fair"), ("A", "B", "C"), ("", "", "")),
        (("very good", "for parts", "good"), ("A", "", "B"), ("working", "as_is", "working")),
        (("working", "defective", "tested"), ("", "", ""), ("working", "as_is", "working")),
    ],
)
def test_a_column_is_proposed_for_what_its_values_say(
    tmp_path: Path, values: tuple[str, ...], grade: tuple[str, ...], condition: tuple[str, ...]
) -> None:
    """Under one header, 'Condition', stand grades, working or broken, or both."""
    lines = [f"{i},2026-01-1{i},Tavora 3,EUR {100 + i}.50,{v}" for i, v in enumerate(values)]
    export = "\n".join(["Order no,Sold on,Item,Price,Condition", *lines]) + "\n"
    draft = drafted(tmp_path, export)
    assert not any("Condition" in question for question in draft.questions)
    rows = previewed(tmp_path, draft).rows.reindex(columns=["grade", "condition"], fill_value="")
    assert tuple(rows["grade"]) == grade
    assert tuple(rows["condition"]) == condition


def test_nothing_about_persons_stands_in_a_draft(tmp_path: Path) -> None:
    """Names, addresses and accounts are neither shown nor read; only their headers are named."""
    assert "Ohnesorg" not in drafted(tmp_path, SHOP).text
    text = "Order,Sold on,Item,Price,Buyer email,Ship to address\n"
    text += "1,2026-01-03,Tavora 3,EUR 12.50,ann@example.org,1 Lane\n"
    draft = drafted(tmp_path, text)
    assert "ann@example.org" not in draft.text
    assert "1 Lane" not in draft.text
    assert "Buyer email" in draft.text
    assert is_personal("E-Mail")
    assert not is_personal("Artikel")


def test_a_workbook_is_drafted_from_its_longest_sheet_and_typed_cells(tmp_path: Path) -> None:
    grid: list[list[object]] = [
        ["Sales 2025", "", "", ""],
        ["No", "Sold on", "Item", "Price (EUR)"],
        [1, '<c r="AT" s="1"><v>45750</v></c>', "Tavora 3", 1234.5],
        [2, '<c r="AT" s="1"><v>45751</v></c>', "Kelmor Pad", 99],
    ]
    draft = drafted(tmp_path, workbook(grid), "sold.xlsx")
    assert draft.questions == ()
    result = previewed(tmp_path, draft)
    assert result.rows["sale_date"].tolist() == ["2025-04-03", "2025-04-04"]
    assert result.rows["gross_amount"].tolist() == ["1234.5", "99"]
    assert set(result.rows["currency"]) == {"EUR"}
    two = drafted(tmp_path, workbook(grid, ("Old", "New")), "two.xlsx")
    assert "sheet" in two.questions[0]
    assert (
        drafted(tmp_path, workbook(grid, ("Old", "New")), "two.xlsx", sheet="New").questions == ()
    )
    with pytest.raises(LogFault, match="one of Old, New"):
        drafted(tmp_path, workbook(grid, ("Old", "New")), "two.xlsx", sheet="Newer")


@pytest.mark.parametrize(
    ("price", "day", "readings"),
    [
        ("1.234", "2026-01-03", ("1.234", "1234")),
        ("12.50", "03/04/2026", ("2026-04-03", "2026-03-04")),
    ],
)
def test_what_is_not_proved_is_a_question_with_both_readings(
    tmp_path: Path, price: str, day: str, readings: tuple[str, str]
) -> None:
    """The line stays a comment, so that an unanswered draft is refused and never guessed."""
    draft = drafted(tmp_path, f"Order,Sold on,Item,Price EUR\n7,{day},Tavora 3,{price}\n")
    assert len(draft.questions) == 1
    assert all(r in draft.questions[0] for r in readings)
    with pytest.raises(LogFault):
        previewed(tmp_path, draft)


def test_a_currency_nobody_names_is_asked_for(tmp_path: Path) -> None:
    draft = drafted(tmp_path, "Order,Sold on,Item,Price\n7,2026-01-03,Tavora 3,$12.50\n")
    assert len(draft.questions) == 1
    assert "USD or CAD" in draft.questions[0]
    with pytest.raises(LogFault, match="currency"):
        previewed(tmp_path, draft)


def test_rows_without_a_number_are_known_by_their_columns_and_it_says_so(tmp_path: Path) -> None:
    text = "Sold on,Item,Price EUR\n2026-01-03,Tavora 3,12.50\n2026-01-03,Tavora 3,13.50\n"
    draft = drafted(tmp_path, text)
    assert "No column numbers the rows" in draft.questions[0]
    assert previewed(tmp_path, draft).added == 2
    twice = drafted(tmp_path, text + "2026-01-03,Tavora 3,12.50\n")
    assert "no column here is different" in twice.questions[0]
    with pytest.raises(LogFault, match="sale_id"):
        previewed(tmp_path, twice)


def test_models_are_matched_to_the_catalogue_exactly_or_asked_for(tmp_path: Path) -> None:
    """A name inside a longer title is a proposal in a comment; its row is held until settled."""
    models = pd.DataFrame(
        {
            "model_id": ["tavora_3", "tavora_3_pro"],
            "model_name": ["Quelm Tavora 3 (invented)", "Tavora 3 Pro"],
        }
    )
    text = "Order,Sold on,Item,Price EUR\n"
    text += "1,2026-01-03,Tavora 3 Pro 256GB,1.50\n2,2026-01-04,New Tavora 3 Pro!,2.50\n"
    draft = drafted(tmp_path, text, models=models)
    assert '\n"Tavora 3 Pro 256GB" = "tavora_3_pro"' in draft.text
    assert '\n# "New Tavora 3 Pro!" = "tavora_3_pro"' in draft.text
    result = previewed(tmp_path, draft)
    assert (result.added, result.held) == (1, 1)


@pytest.mark.parametrize("mapping", sorted(WORKED.glob("*.toml")), ids=lambda p: p.stem)
def test_exports_of_the_manual_are_recognised(mapping: Path) -> None:
    """The draft finds the table and the columns of the hand-written mapping beside the export."""
    export = next(p for p in WORKED.glob(f"{mapping.stem}.*") if p.suffix != ".toml")
    draft = draft_mapping(export)
    said, hand = tomllib.loads(draft.text), tomllib.loads(mapping.read_text(encoding="utf-8"))
    assert draft.table == hand["table"]
    # A second column of ours from one of theirs is somebody's knowledge, not to be guessed.
    once = {theirs: ours for ours, theirs in reversed(hand["columns"].items())}
    found = {theirs: ours for ours, theirs in said["columns"].items()}
    assert found.items() >= once.items() - {("where", "status")}
    assert worked(export, mapping).added > 0


def test_serial_numbers_are_hashed_and_shown_nowhere(tmp_path: Path) -> None:
    text = "IMEI,Model,Bought on,State\n350000000000001,Tavora 3,2026-01-03,screen\n"
    draft = drafted(tmp_path, text, table="stock")
    assert "350000000000001" not in draft.text
    assert tomllib.loads(draft.text)["hash"] == ["IMEI"]


def test_times_with_an_offset_ask_for_the_zone(tmp_path: Path) -> None:
    text = "Order,Paid at,Item,Price EUR\n1,2026-01-03T23:30:00Z,Tavora 3,12.50\n"
    draft = drafted(tmp_path, text)
    assert "Europe/Berlin" in draft.questions[0]
    with pytest.raises(LogFault, match="timezone"):
        previewed(tmp_path, draft)


def test_months_in_another_language_and_short_years_are_declared(tmp_path: Path) -> None:
    text = "Beleg;Datum;Artikel;Preis EUR\n1;3. März 2026;Tavora 3;12,50\n2;14. Mai 2026;X;13,50\n"
    result = previewed(tmp_path, drafted(tmp_path, text))
    assert result.rows["sale_date"].tolist() == ["2026-03-03", "2026-05-14"]
    short = "Beleg;Datum;Artikel;Preis EUR\n1;3.1.26;Tavora 3;12,50\n2;14.2.26;X;13,50\n"
    result = previewed(tmp_path, drafted(tmp_path, short))
    assert result.rows["sale_date"].tolist() == ["2026-01-03", "2026-02-14"]


@pytest.mark.parametrize(
    ("content", "name", "match"),
    [
        ("", "export.csv", "empty file"),
        ("Order,Sold on,Item\n", "export.csv", "no rows"),
        ("x", "export.pdf", "allowed: one of .csv"),
        (b"PK\x03\x04nothing", "export.xlsx", "workbook"),
        ("A,A,Price\n1,2,3\n", "export.csv", "once"),
        (b"\x00\x01\x02\x03", "export.csv", "encoding"),
    ],
)
def test_a_file_that_holds_no_export_gets_one_message(
    tmp_path: Path, content: str | bytes, name: str, match: str
) -> None:
    with pytest.raises(LogFault, match=match):
        drafted(tmp_path, content, name)


CELL = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=12)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(CELL, min_size=1, max_size=5), min_size=1, max_size=6), st.booleans())
def test_whatever_the_cells_a_draft_is_toml(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]], known: bool
) -> None:
    """Headers and values of any text end in a draft that parses, or in one message."""
    folder = tmp_path_factory.mktemp("any")
    head = ["Sold on", "Item", "Price", "Grade", "Order"]
    grid = [head, *rows] if known else rows
    text = "\n".join(";".join(c.replace('"', "'") for c in row) for row in grid)
    try:
        draft = drafted(folder, text, table="sales")
    except LogFault as fault:
        assert str(fault).startswith("export.csv")  # noqa: PT017
        return
    assert tomllib.loads(draft.text)["table"] == "sales"


def test_the_command_writes_a_draft_once_and_then_previews_by_it(tmp_path: Path, capsys) -> None:
    (tmp_path / "export.csv").write_text(SHOP, encoding="utf-8")
    words = ("import", str(tmp_path / "export.csv"))
    assert main([*words, "--draft"]) == 0
    assert "2 questions" in capsys.readouterr().out
    mapping = str(tmp_path / "export.toml")
    assert main([*words, "--draft"]) == 2
    assert "already there" in capsys.readouterr().err
    assert main([*words, "--mapping", mapping, "--workspace", str(tmp_path), "--preview"]) == 0
    out = capsys.readouterr().out
    assert "line 7, column grade: found 'B-Ware', allowed: a value named in [values.grade]" in out
    assert not (tmp_path / "sales.csv").exists()
    assert main([*words]) == 2
    assert "--draft" in capsys.readouterr().err
    assert main([*words, "--draft", "--table", "sails", "--mapping", str(tmp_path / "n.toml")]) == 2
    assert "one of catalogue, sales" in capsys.readouterr().err


def answered(folder: Path, draft: Draft, *begins: str) -> ImportResult:
    """Import by the draft with the lines that begin so uncommented."""
    text = draft.text
    for line in begins:
        assert f"\n# {line}" in text
        text = text.replace(f"\n# {line}", f"\n{line}")
    return previewed(folder, replace(draft, text=text))


@pytest.mark.parametrize(
    ("days", "form"),
    [
        (("12.10.2026", "03.11.2026"), "day.month.year"),
        (("12.10.2026 19:30", "03.11.2026 20:00"), "day.month.year"),
        (("12/10/2026", "03/11/2026"), "day/month/year"),
        (("20.08.2026", "12.10.2026", "11/24/2026"), "day.month.year"),
        (("08-20-2026", "10-12-2026", "08-21-2026", "24-11-2026"), "month-day-year"),
    ],
)
def test_the_order_of_dates_proposed_reads_the_dates(
    tmp_path: Path, days: tuple[str, ...], form: str
) -> None:
    """With the proposal's # taken away, no row is held but one that writes another order."""
    rows = "".join(f"{i};{day};Tavora 3;12,50 €\n" for i, day in enumerate(days, 1))
    draft = drafted(tmp_path, "Beleg;Datum;Artikel;Preis\n" + rows)
    if "[formats.sale_date]" in draft.text:
        assert f'date = "{form}"' in draft.text
        got = answered(tmp_path, draft, "[formats.sale_date]", "date =")
        assert got.held == (len(days) > 2)


AUCTIONS = (
    "Los;Ende;Modell;Fehler;Aktuell;Aufgeld;Ausgang;Zuschlag;Art\n"
    "700;25.11.2026 19:30;Ostrelle 4;geht nicht an;;8,5 %;nicht geboten;62,37;Auktion\n"
    "801;02.12.2026 20:00;Ostrelle 5;Display kaputt;75,50;0 %;;;privat\n"
)


def test_a_premium_in_percent_is_found_and_read(tmp_path: Path) -> None:
    """'8,5 %' is 0.085; so are the bid now and the kind of sale no columns to be lost."""
    draft = drafted(tmp_path, AUCTIONS, "auktionen.csv")
    rows = previewed(tmp_path, draft).rows.set_index("listing_id")
    assert rows["premium_rate"].tolist() == ["0.085", "0"]
    assert rows["current_bid"].tolist() == ["", "75.5"]
    assert rows["terms"].tolist() == ["auction", "private"]


def test_the_catalogues_currency_is_proposed(tmp_path: Path) -> None:
    text = "Modell;Serie;Typ;Erschienen;UVP\nOstrelle 4;Ostrelle;Handy;15.09.2023;649,00 €\n"
    draft = drafted(tmp_path, text, "modelle.csv")
    assert draft.table == "catalogue"
    got = previewed(tmp_path, draft)
    assert got.added == 1
    assert got.rows[["launch_price", "launch_currency"]].to_numpy().tolist() == [["649", "EUR"]]
    bare = drafted(tmp_path, text.replace(" €", ""), "bare.csv")
    assert (bare.questions, previewed(tmp_path, bare).added) == ((), 1)


def test_the_currency_of_a_table_without_a_column_for_it_is_proposed(tmp_path: Path) -> None:
    draft = drafted(tmp_path, AUCTIONS.replace("62,37", "CHF 62,37"), "auktionen.csv")
    assert tomllib.loads(draft.text)["currency"] == "CHF"
    header = drafted(tmp_path, AUCTIONS.replace("Zuschlag", "Zuschlag CHF"), "auktionen.csv")
    assert tomllib.loads(header.text)["currency"] == "CHF"
    dollars = drafted(tmp_path, AUCTIONS.replace("62,37", "$62,37"), "auktionen.csv")
    assert "currency" not in tomllib.loads(dollars.text)
    assert "USD or CAD" in dollars.questions[0]


STOCK = (
    "Unit;Modell;Gekauft am;Zustand;Status;Kasten;Besonderes;Akku Zyklen;Käufer\n"
    "G341;Ostrelle 4;20.08.2026;board;bench;K1;;411;A. Muster\n"
    "G342;Ostrelle 6;15.11.2026;battery_only;bench;K2;aufgebläht;380;\n"
)


def test_columns_left_out_are_named_with_an_example_at_the_top(tmp_path: Path, capsys) -> None:
    """Whoever reads 'no questions' also reads what is dropped; nothing of a person is shown."""
    draft = drafted(tmp_path, STOCK, "lager.csv", table="stock")
    head = draft.text.partition("\ntable =")[0]
    assert "everything that must be known is proved" not in head
    assert "Akku Zyklen (such as '411')" in head
    assert "Käufer (about persons: not shown)" in head
    assert "Muster" not in draft.text
    assert "Besonderes (such as 'aufgebläht')" in head
    (warning,) = [line for line in head.split("\n") if "must not be sold" in line]
    assert "Besonderes" in warning
    assert "flags" in warning
    assert main(["import", str(tmp_path / "lager.csv"), "--draft", "--table", "stock"]) == 0
    out = capsys.readouterr().out
    assert "Akku Zyklen (such as '411')" in out
    assert "must not be sold" in out
    whole = drafted(tmp_path, AUCTIONS, "auktionen.csv")
    assert "No questions: everything that must be known is proved by the file." in whole.text


def test_a_stock_list_in_german_is_found_with_its_flags(tmp_path: Path) -> None:
    """What it cost, where it stands, whose it is and what is wrong with it are columns of ours."""
    text = (
        "Gerät-ID;Modell;Gekauft;Einstand;Zustand;Wo;Gelöscht am;Eigentum;Warnung\n"
        "G341;Ostrelle 4;20.08.2026;74,00 €;board;Werkbank;;geprüft;\n"
        "G342;Ostrelle 6;15.11.2026;181,00 €;battery_only;wartet;;offen;aufgebläht\n"
        "G347;Ostrelle 5;02.11.2026;190,00 €;locked;Quarantäne;;gesperrt;\n"
    )
    rows = previewed(tmp_path, drafted(tmp_path, text, "lager.csv")).rows.set_index("unit_id")
    assert rows["landed_cost"].tolist() == ["74", "181", "190"]
    assert rows["status"].tolist() == ["bench", "awaiting_part", "quarantine"]
    assert rows["ownership_check"].tolist() == ["clear", "open", "blocked"]
    assert rows["flags"].tolist() == ["", "swollen", ""]
