"""Every command on every beginner's workspace: an answer or one sentence, never a traceback."""

import json
from pathlib import Path

import pytest
from repair_horizon.cli import main

HEAD = {
    "catalogue": "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n",
    "sales": "sale_id,model_id,sale_date,gross_amount,currency\n",
}
MODEL = "veld1,veld,phone,2026-01-10,899,EUR\n"
FEW = "draws = 20\n"


def _write(folder: Path, **tables: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "settings.toml").write_text(FEW)
    for name, rows in tables.items():
        (folder / f"{name}.csv").write_text(HEAD[name] + rows)


def nowhere(folder: Path) -> None:
    """No folder at all."""


def after_init(folder: Path) -> None:
    """What ``init`` writes, and nothing else."""
    main(["init", "--workspace", str(folder)])


def header_only(folder: Path) -> None:
    _write(folder, catalogue="", sales="")


def catalogue_alone(folder: Path) -> None:
    _write(folder, catalogue=MODEL)


def one_row(folder: Path) -> None:
    """One model and one sale of it."""
    _write(folder, catalogue=MODEL, sales="s1,veld1,2026-10-02,505,EUR\n")


def only_held_rows(folder: Path) -> None:
    """Sales nobody can read: an amount in words, an unknown model."""
    rows = "s1,veld1,2026-10-02,many,EUR\ns2,veld9,2026-10-03,400,EUR\n"
    _write(folder, catalogue=MODEL, sales=rows)


def no_launch_dates(folder: Path) -> None:
    """Two models, one sold and one never, of which nobody knows when they came out."""
    rows = "veld1,veld,phone,,,\nveld2,veld,phone,,,\n"
    sales = "s1,veld1,2026-08-02,505,EUR\ns2,veld1,2026-10-02,480,EUR\n"
    _write(folder, catalogue=rows, sales=sales)


def launched_later(folder: Path) -> None:
    """A model that comes out only next year."""
    _write(folder, catalogue="veld3,veld,phone,2027-05-10,999,EUR\n")


WORKSPACES = (
    nowhere,
    after_init,
    header_only,
    catalogue_alone,
    one_row,
    only_held_rows,
    no_launch_dates,
    launched_later,
)
COMMANDS = {
    "check": ["check"],
    "bids": ["bids"],
    "stock": ["stock"],
    "plan": ["plan", "--months", "3"],
    "forecast": ["forecast", "--months", "3", "--out", "OUT/prices.csv"],
    "changes of prices": ["forecast", "--of", "changes"],
    "broken units": ["forecast", "--of", "broken", "--format", "json"],
    "explore": ["explore", "--write-only"],
    "backtest": ["backtest"],
    "ask": ["ask", "--model", "veld1", "--fault", "cracked screen", "--asking", "90"],
    "share": ["share", "--month", "2026-11"],
    "a month before the data": ["bids", "--month", "2019-01"],
    "a day before the data": ["stock", "--as-of", "2019-01-01"],
    "check as JSON": ["check", "--format", "json"],
    "bids as JSON": ["bids", "--format", "json"],
    # From here on the workspace is changed.
    "add": ["add", "sale", "model_id=veld1", "gross_amount=480", "--today", "2026-11-20"],
    "add --undo": ["add", "--undo"],
    "partition": ["partition"],
    "import": ["import", "OUT/sales.csv", "--mapping", "OUT/none.toml"],
}


def _told(capsys) -> str:
    shown = capsys.readouterr()
    return shown.out + shown.err


@pytest.fixture(scope="module", params=WORKSPACES, ids=lambda w: w.__name__)
def beginners(request, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One workspace for all commands, as a beginner has: one finds what another kept."""
    folder = tmp_path_factory.mktemp("beginner") / "shop"
    request.param(folder)
    return folder


@pytest.mark.parametrize("command", COMMANDS)
def test_it_answers_or_says_why(beginners: Path, tmp_path: Path, capsys, command: str) -> None:
    """A status of ours, words to read, no empty frame; a refusal is short."""
    capsys.readouterr()
    words = [w.replace("OUT", str(tmp_path)) for w in COMMANDS[command]]
    status = main([*words, "--workspace", str(beginners)])
    shown = capsys.readouterr()
    told = shown.out + shown.err
    assert status in (0, 1, 2)
    assert told.strip()
    assert "Traceback" not in told
    assert "Empty DataFrame" not in told
    assert "NaT" not in told
    assert "nan" not in shown.out.split()
    if "JSON" in command and status != 2:
        assert isinstance(json.loads(shown.out), dict)
    if status == 2:
        assert len(shown.err.strip().splitlines()) <= 3, shown.err
        assert not shown.out.strip() or command == "backtest", shown.out


@pytest.mark.parametrize("workspace", [catalogue_alone, no_launch_dates], ids=lambda w: w.__name__)
def test_the_report_is_written_or_says_why(tmp_path: Path, capsys, workspace) -> None:
    workspace(tmp_path)
    status = main(["report", "--month", "2026-12", "--workspace", str(tmp_path)])
    told = _told(capsys)
    assert "Traceback" not in told
    assert status == 0, told
    for name in ("thresholds", "price_changes", "broken_prices"):
        rows = (tmp_path / "out" / "2026-12" / f"{name}.csv").read_text().splitlines()
        assert len(rows) > 1, name


@pytest.mark.parametrize("workspace", WORKSPACES[3:], ids=lambda w: w.__name__)
def test_a_familys_month_can_be_worked_out(tmp_path: Path, workspace) -> None:
    """All tables of a page, also for a month before anything was known."""
    from repair_horizon.reports.family import family_month
    from repair_horizon.shop import open_shop

    workspace(tmp_path)
    for day, month in ((None, None), ("2019-01-01", "2019-02")):
        shop = open_shop(tmp_path, day)
        page = family_month(shop, "veld", shop.month(month))
        assert set(page.thresholds["verdict"]) <= {"buy", "own stock only", "stop", "cannot say"}


def test_a_few_listings_in_a_sellers_words_are_scored(tmp_path: Path, capsys) -> None:
    """No row is lost for how its fault is written, and none is said to be missing."""
    one_row(tmp_path)
    rows = "l1,veld1,cracked screen,2026-11-20,40\nl2,veld1,no power,2026-11-21,40\n"
    head = "listing_id,model_id,listed_fault,end_time,current_bid\n"
    (tmp_path / "listings.csv").write_text(head + rows + "l3,veld1,haunted,2026-11-22,40\n")
    assert main(["bids", "--workspace", str(tmp_path), "--format", "json"]) == 0
    shown = capsys.readouterr()
    told = json.loads(shown.out)
    faults = {r["listing_id"]: r["listed_fault"] for r in told["bids"]}
    assert faults == {"l1": "display_dead", "l2": "no_power", "l3": "haunted"}
    assert [r["advice"] == "cannot say" for r in told["bids"] if r["listing_id"] == "l3"] == [True]
    assert sum(r["max_bid"] is not None for r in told["bids"]) == 2
    assert "listing" not in told["said"][0].lower()
    assert "Now is 2026-10-02, the day of the newest rows: sales.csv line 2" in shown.err
