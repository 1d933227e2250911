"""One fact in one line: filled in, checked as files are, written whole, and taken back."""

from pathlib import Path

import pytest
from repair_horizon.cli import main
from repair_horizon.imports import import_file
from repair_horizon.logs import LogFault, read_logs
from repair_horizon.logs.adding import add_row, next_identifier, undo
from repair_horizon.new_facts import add
from repair_horizon.shop import open_shop

TODAY = "2026-11-20"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A workspace of one phone with two sales; settings keep the draws few."""
    (tmp_path / "catalogue.csv").write_text(
        "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
        "veld1,veld,phone,2026-01-10,899,EUR\n"
    )
    (tmp_path / "sales.csv").write_text(
        "sale_id,model_id,sale_date,gross_amount,currency\n"
        "S0009,veld1,2026-10-02,505,EUR\nS0010,veld1,2026-10-20,498.50,EUR\n"
    )
    (tmp_path / "settings.toml").write_text("draws = 60\n")
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.suffix in (".csv", ".toml")}


def test_what_can_be_known_is_filled_in(shop: Path) -> None:
    """An identifier, today and the workspace's currency; what stood there stays."""
    before = (shop / "sales.csv").read_text()
    row = add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 490}, TODAY).row
    assert row["sale_id"] == "added-20261120-1"
    assert row["sale_date"] == TODAY
    assert row["currency"] == "EUR"
    assert (shop / "sales.csv").read_text() == before + f"added-20261120-1,veld1,{TODAY},490,EUR\n"
    assert len(read_logs(shop).tables["sales"]) == 3


def test_rows_added_have_a_series_of_their_own() -> None:
    """No export's: its next number is taken by its own next row."""
    assert next_identifier([], "2026-11-20") == "added-20261120-1"
    assert next_identifier(["shop-4091", "added-20261120-9"], "2026-11-20") == "added-20261120-10"
    assert next_identifier(["added-20261119-3", "added-20261120-x"], "2026-11-20").endswith("-1")


def test_an_exports_next_row_finds_its_own_number_free(shop: Path) -> None:
    """A sale added between two exports takes no number of theirs."""
    mapping = shop / "shop.toml"
    mapping.write_text(
        'table = "sales"\n[columns]\nmodel_id = "Item"\nsale_date = "Day"\n'
        'gross_amount = "Price"\n[constants]\ncurrency = "EUR"\n'
        '[key]\ncolumns = ["No"]\nprefix = "shop-"\n'
    )
    first = "No,Item,Day,Price\n4090,veld1,2026-11-01,490.50\n4091,veld1,2026-11-02,470.50\n"
    (shop / "shop.csv").write_text(first)
    assert import_file(shop / "shop.csv", shop, "sales", mapping).added == 2
    add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 455}, TODAY)
    (shop / "shop.csv").write_text(first + "4092,veld1,2026-11-21,480.50\n")
    got = import_file(shop / "shop.csv", shop, "sales", mapping)
    assert (got.added, got.already_there, got.held) == (1, 2, 0)


@pytest.mark.parametrize(
    ("table", "values", "told"),
    [
        ("salse", {"model_id": "veld1"}, "did you mean sale?"),
        ("sale", {"model_id": "veld1", "gross_amont": 3}, "did you mean gross_amount?"),
        ("sale", {"model_id": "veld", "gross_amount": 3}, "did you mean veld1?"),
        ("sale", {"model_id": "veld1", "gross_amount": "1,5"}, "found '1,5'"),
        ("sale", {"model_id": "veld1"}, "gross_amount: found 'nothing'"),
        ("sale", {"sale_id": "S0009", "model_id": "veld1", "gross_amount": 9}, "has this sale_id"),
        (
            "sale",
            {"model_id": "veld1", "gross_amount": 450, "sale_date": "2025-01-01"},
            "before the model's launch",
        ),
        ("sale", {"model_id": "veld1", "gross_amount": 450, "currency": "GBP"}, "names EUR, GBP"),
        ("unit", {"model_id": "veld1", "state": "x", "status": "asleep"}, "one of in_transit"),
        ("quote", {"model_id": "veld1", "part_code": "DA"}, "quality_class: found 'nothing'"),
    ],
)
def test_a_row_that_would_not_be_used_is_refused_and_nothing_is_written(
    shop: Path, table: str, values: dict[str, object], told: str
) -> None:
    before = contents(shop)
    with pytest.raises(LogFault) as refused:
        add_row(shop, table, values, TODAY)
    assert told in str(refused.value)
    assert contents(shop) == before


def test_whatever_stops_the_check_leaves_the_log_as_it_was(shop: Path, monkeypatch) -> None:
    """A failure after the row was written, of whatever kind, takes it out again."""
    before = contents(shop)

    def fails(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("repair_horizon.logs.adding._check_whole", fails)
    with pytest.raises(KeyboardInterrupt):
        add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 490}, TODAY)
    assert contents(shop) == before


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_undo_takes_the_last_row_back_and_then_the_one_before(shop: Path, ending: str) -> None:
    sales = shop / "sales.csv"
    sales.write_bytes(sales.read_bytes().replace(b"\n", ending.encode()))
    before = sales.read_bytes()
    add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 490}, TODAY)
    add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 470}, TODAY)
    assert undo(shop).row["gross_amount"] == "470"
    assert undo(shop).row["gross_amount"] == "490"
    assert sales.read_bytes() == before
    with pytest.raises(LogFault, match="nothing added here"):
        undo(shop)


def test_undo_refuses_a_row_changed_since(shop: Path) -> None:
    add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 490}, TODAY)
    sales = shop / "sales.csv"
    sales.write_text(sales.read_text().replace(",490,", ",480,"))
    with pytest.raises(LogFault, match="as it was added"):
        undo(shop)
    assert ",480," in sales.read_text()


def test_undo_takes_its_own_row_when_others_came_after(shop: Path) -> None:
    add_row(shop, "sale", {"model_id": "veld1", "gross_amount": 490}, TODAY)
    with (shop / "sales.csv").open("a") as file:
        file.write("S0050,veld1,2026-11-19,480,EUR\n")
    undo(shop)
    assert list(read_logs(shop).tables["sales"]["sale_id"]) == ["S0009", "S0010", "S0050"]


def test_a_units_life_follows_from_what_was_logged(shop: Path) -> None:
    """Bought, found, mended and sold: each is typed once, and known only from its day on."""
    values = {"model_id": "veld1", "state": "display_only", "status": "bench", "landed_cost": 90}
    unit = add_row(shop, "unit", values, "2026-11-01").row["unit_id"]
    job = {"unit_id": unit, "listed_fault": "display_dead", "state_found": "board"}
    assert add_row(shop, "repair", job, "2026-11-05").row["model_id"] == "veld1"

    def stands(day: str | None = None) -> tuple[str, str]:
        logs = read_logs(shop) if day is None else read_logs(shop).as_of(day)
        row = logs.tables["stock"].iloc[0]
        return row["state"], row["status"]

    assert stands() == ("board", "bench")
    mended = {**job, "outcome": "fixed_after_rework", "grade_out": "B"}
    add_row(shop, "repair", mended, "2026-11-08")
    assert stands() == ("working", "bench")
    sale = add_row(shop, "sale", {"unit_id": unit, "gross_amount": 470}, "2026-11-18").row
    assert (sale["model_id"], sale["grade"], sale["own_sale"]) == ("veld1", "B", "yes")
    assert stands() == ("working", "sold")
    assert stands("2026-11-10") == ("working", "bench")
    assert stands("2026-11-06") == ("board", "bench")
    assert stands("2026-11-03") == ("display_only", "bench")
    undo(shop)
    assert stands() == ("working", "bench")


def test_a_unit_sold_unmended_is_an_as_is_sale(shop: Path) -> None:
    values = {"model_id": "veld1", "state": "display_only", "status": "bench"}
    unit = add_row(shop, "unit", values, "2026-11-01").row["unit_id"]
    sale = add_row(shop, "sale", {"unit_id": unit, "gross_amount": 170}, "2026-11-18").row
    assert sale["condition"] == "as_is"


def test_a_quote_says_what_it_changed(shop: Path) -> None:
    """The bids told are those of the shop before and after."""
    before = open_shop(shop).thresholds("2026-12").set_index("listed_fault")["exact_bid"]
    fact = add(
        shop,
        "quote",
        today=TODAY,
        model_id="veld1",
        part_code="DA",
        quality_class="aftermarket",
        supplier_id="s1",
        unit_price=40,
    )
    after = open_shop(shop).thresholds("2026-12").set_index("listed_fault")["exact_bid"]
    changed = fact.changes.set_index("listed_fault")
    assert changed.loc["display_dead", "bid_now"] == pytest.approx(after["display_dead"])
    assert changed.loc["display_dead", "bid_before"] == pytest.approx(before["display_dead"])
    assert changed.loc["display_dead", "bid_now"] > changed.loc["display_dead", "bid_before"]
    assert f"display dead {before['display_dead']:.0f} -> " in fact.words()


def test_the_command_adds_and_takes_back(shop: Path, capsys) -> None:
    at = ["--workspace", str(shop)]
    listing = ["add", "listing", "model_id=veld1", "listed_fault=display_dead", "current_bid=40"]
    assert main([*listing, "--today", TODAY, *at]) == 0
    out = capsys.readouterr().out
    assert "added: listings: listing_id=added-20261120-1" in out
    assert "maximum bid" in out
    assert main(["add", "--undo", "--quiet", *at]) == 0
    assert "taken back" in capsys.readouterr().out
    assert main(["add", "sale", "veld1", *at]) == 2
    assert "column=value" in capsys.readouterr().err
    assert main(["add", *at]) == 2


@pytest.mark.parametrize(
    "words",
    [
        ("add", "sale", "--workspace", "SHOP", "model_id=veld1", "gross_amount=455", "--quiet"),
        ("add", "--workspace", "SHOP", "sale", "model_id=veld1", "--quiet", "gross_amount=455"),
        ("add", "--workspace=SHOP", "--quiet", "sale", "model_id=veld1", "gross_amount=455"),
    ],
)
def test_options_may_stand_before_the_fields(shop: Path, capsys, words: tuple[str, ...]) -> None:
    assert main([w.replace("SHOP", str(shop)) for w in words]) == 0
    assert "model_id=veld1" in capsys.readouterr().out
    assert len(read_logs(shop).tables["sales"]) == 3


def test_an_option_add_does_not_know_is_named(shop: Path, capsys) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["add", "sale", "--workspac", str(shop), "--todya", TODAY, "model_id=veld1"])
    assert ended.value.code == 2
    assert "--todya" in capsys.readouterr().err
