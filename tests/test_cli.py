"""The commands: what they print and write, their exit status, and no traceback for bad input."""

import argparse
import io
import json
import re
import shutil
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pandas as pd
import pytest
from demo_copies import some_families
from repair_horizon.cli import WORK, _Visible, main, parser
from repair_horizon.commands.write_down import TOPICS
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.shop import open_shop
from repair_horizon.tables.outputs import OUTPUTS


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four of the demo's families and few draws; fits are kept from one command to the next."""
    families = ["vellfold", "tarnquo_phone", "grabvyx_console", "ulmvrist_watch"]
    folder = some_families(tmp_path_factory.mktemp("shop"), families, draws=100)
    (folder / "out").mkdir()
    return folder


def run(*words: str) -> int:
    return main(list(words))


def test_init_then_check_says_what_is_missing(tmp_path: Path, capsys) -> None:
    assert run("init", "--workspace", str(tmp_path / "new")) == 0
    assert "catalogue.csv" in capsys.readouterr().out
    assert run("check", "--workspace", str(tmp_path / "new")) == 2
    assert "at least one model" in capsys.readouterr().err


def test_init_leaves_files_alone(tmp_path: Path) -> None:
    (tmp_path / "sales.csv").write_text("mine")
    assert run("init", "--workspace", str(tmp_path)) == 0
    assert (tmp_path / "sales.csv").read_text() == "mine"


def test_check_prints_counts_that_add_up_and_every_fault(shop: Path, capsys) -> None:
    assert run("check", "--workspace", str(shop)) == 0
    out = capsys.readouterr().out
    assert "sales.csv, line" in out
    assert "found '31.02.2025', allowed: a date YYYY-MM-DD" in out
    counts = next(line.split() for line in out.splitlines() if line.split()[:1] == ["sales"])
    read, used, aside, held = (int(v) for v in counts[1:])
    assert read == used + aside + held


def test_check_fails_when_too_many_rows_wait(shop: Path, tmp_path: Path) -> None:
    for path in shop.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    text = (tmp_path / "settings.toml").read_text()
    changed = text.replace("[limits]", "[limits]\nheld_share = 0.001")
    assert changed != text
    (tmp_path / "settings.toml").write_text(changed)
    assert run("check", "--workspace", str(tmp_path)) == 1


def test_forecast_in_the_newest_days_money_says_so(shop: Path, tmp_path: Path, capsys) -> None:
    """With every price level equal nothing changes; after a rise by half, old sales count more."""
    tables = {}
    for name, then in (("flat", 100.0), ("risen", 50.0)):
        index = tmp_path / f"{name}.csv"
        index.write_text(f"date,index\n2020-01-01,{then}\n2026-10-31,100\n", encoding="utf-8")
        out = tmp_path / f"{name}_prices.csv"
        words = ("--price-index", str(index), "--months", "1", "--out", str(out))
        assert run("forecast", "--workspace", str(shop), *words) == 0
        assert "amounts in the money of 2026-10-31" in capsys.readouterr().out
        tables[name] = pd.read_csv(out)
    plain = tmp_path / "plain.csv"
    assert run("forecast", "--workspace", str(shop), "--months", "1", "--out", str(plain)) == 0
    same = pd.read_csv(plain)["predicted"]
    assert tables["flat"]["predicted"].to_numpy() == pytest.approx(same.to_numpy())
    # Last month's sales fix today's level; only what was learned long ago is worth more now.
    ratio = (tables["risen"]["predicted"] / same).dropna()
    assert 0.98 < ratio.median() < 1.2
    assert ratio.max() > 1.001


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("date,index\n2020-13-01,100\n", "line 2, column date: found '2020-13-01'"),
        ("date,index\n2020-01-01,0\n2020-02-01,inf\n", "line 3, column index: found 'inf'"),
        ("day,value\n2020-01-01,1\n", "allowed: the columns date and index"),
        ("", "allowed: a CSV"),
    ],
)
def test_a_price_index_that_cannot_be_used_is_named(
    shop: Path, tmp_path: Path, capsys, text: str, said: str
) -> None:
    index = tmp_path / "index.csv"
    index.write_text(text, encoding="utf-8")
    out = tmp_path / "prices.csv"
    words = ("--price-index", str(index), "--out", str(out))
    assert run("forecast", "--workspace", str(shop), *words) == 2
    assert said in capsys.readouterr().err
    assert not out.exists()


def test_forecast_writes_the_declared_columns(shop: Path, tmp_path: Path) -> None:
    out = tmp_path / "prices.csv"
    assert run("forecast", "--workspace", str(shop), "--months", "3", "--out", str(out)) == 0
    table = pd.read_csv(out, keep_default_na=False)
    assert list(table) == [
        "model_id",
        "grade",
        "month",
        "age_months",
        "predicted",
        "lower",
        "upper",
        "level",
        "n_sales",
        "reason",
    ]
    assert sorted(table["month"].unique()) == ["2026-11", "2026-12", "2027-01"]
    best, worst = (table[table["grade"] == g].set_index(["model_id", "month"]) for g in "AD")
    said = best["reason"] == ""
    assert (
        best.loc[said, "predicted"].astype(float) > worst.loc[said, "predicted"].astype(float)
    ).all()


def test_forecast_as_of_knows_nothing_later(shop: Path, tmp_path: Path) -> None:
    """A forecast as of the end of 2025 starts in January 2026 and counts fewer sales."""
    now, then = tmp_path / "now.csv", tmp_path / "then.csv"
    assert run("forecast", "--workspace", str(shop), "--months", "1", "--out", str(now)) == 0
    words = ("--as-of", "2025-12-31", "--months", "1", "--out", str(then))
    assert run("forecast", "--workspace", str(shop), *words) == 0
    a, b = (pd.read_csv(p) for p in (now, then))
    assert set(b["month"]) == {"2026-01"}
    assert b["n_sales"].sum() < a["n_sales"].sum()


def test_bids_scores_every_open_listing(shop: Path, capsys) -> None:
    assert run("bids", "--workspace", str(shop)) == 0
    table = pd.read_csv(shop / "out" / "2026-11" / "bids.csv")
    listings = pd.read_csv(shop / "listings.csv", dtype=str, keep_default_na=False)
    waiting = listings[(listings["result"] == "") & (listings["end_time"] >= "2026-10-31")]
    one_bid = waiting["lot_id"].where(waiting["lot_id"] != "", waiting["listing_id"])
    assert set(table["listing_id"]) == set(one_bid)
    assert table["part_quality"].notna().sum() > 15
    assert table["caution"].str.contains("registry, ownership and locks").all()
    bid = table[(table["advice"] == "bid") & (table["terms"] == "auction")]
    assert (bid["max_bid"] > bid["current_bid"].fillna(0)).all()
    # A chance is no rounder than the library's: 0.997 does not read as certain.
    exact = open_shop(shop).bids().set_index("listing_id")["probability_win"]
    told = table.set_index("listing_id")["probability_win"]
    assert (told - exact[told.index]).abs().max() < 1e-4
    passed = table[table["advice"] == "pass"]
    assert passed["reason"].notna().all()
    assert BEFORE_BUYING in " ".join(capsys.readouterr().out.split())


def test_stock_advises_every_unit_held_and_locks_the_dangerous_ones(shop: Path) -> None:
    assert run("stock", "--workspace", str(shop)) == 0
    table = pd.read_csv(shop / "out" / "2026-11" / "stock.csv", keep_default_na=False)
    stock = pd.read_csv(shop / "stock.csv", dtype=str, keep_default_na=False)
    gone = ["sold", "parted", "scrapped", "returned"]
    assert set(table["unit_id"]) == set(stock.loc[~stock["status"].isin(gone), "unit_id"])
    flagged = stock[stock["flags"].str.contains("swollen|wet|blocked")]["unit_id"]
    advice = table.set_index("unit_id")["advice"]
    held = [u for u in flagged if u in advice]
    assert held
    assert not set(advice[held]) & {"repair", "sell as is", "sell now", "part out"}
    assert (table.set_index("unit_id").loc[held, "caution"] != "").all()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["forecast", "--out", "x.csv", "--by", "colour"], "found 'colour', allowed: grade"),
        (["forecast", "--out", "x.csv", "--months", "0"], "--months"),
        (["forecast", "--out", "x.csv", "--as-of", "soon"], "a date YYYY-MM-DD"),
        (["report", "--month", "2026-13"], "a month such as 2026-11"),
        (["report", "--month", "2026-11", "--family", "nobody"], "found 'nobody', allowed"),
        (["bids", "--month", "yesterday"], "a month such as 2026-11"),
    ],
)
def test_bad_words_give_one_message_and_status_2(shop: Path, capsys, words, told) -> None:
    assert run(*words, "--workspace", str(shop)) == 2
    captured = capsys.readouterr()
    assert told in captured.err
    assert "Traceback" not in captured.err


def test_a_missing_workspace_is_said(tmp_path: Path, capsys) -> None:
    assert run("check", "--workspace", str(tmp_path / "nowhere")) == 2
    assert "catalogue.csv: found 'no such file'" in capsys.readouterr().err


def test_catalogue_and_sales_alone_are_enough(shop: Path, tmp_path: Path, capsys) -> None:
    """What needs another log says which; check, forecast and stock do not fail for it."""
    for name in ("catalogue.csv", "sales.csv", "fx_rates.csv"):
        shutil.copy(shop / name, tmp_path)
    (tmp_path / "settings.toml").write_text('currency = "EUR"\ndraws = 20\n')
    (tmp_path / "out").mkdir()  # so that one command finds what another kept
    assert run("check", "--workspace", str(tmp_path)) == 0
    out = tmp_path / "prices.csv"
    assert run("forecast", "--workspace", str(tmp_path), "--months", "2", "--out", str(out)) == 0
    assert run("stock", "--workspace", str(tmp_path)) == 0
    assert run("bids", "--workspace", str(tmp_path)) == 0


def test_plan_writes_part_orders_and_what_would_be_worth_knowing(shop: Path, capsys) -> None:
    assert run("plan", "--workspace", str(shop), "--months", "3") == 0
    out = capsys.readouterr().out
    assert BEFORE_BUYING in " ".join(out.split())
    folder = shop / "out" / "2026-11"
    items = pd.read_csv(folder / "plan.csv")
    assert items["do"].any()
    for file in ("plan", "part_orders", "part_quotes_ranked", "unknowns"):
        rows = pd.read_csv(folder / f"{file}.csv")
        again = OUTPUTS[file].written(rows)  # digits as declared: nothing is left to round
        for name in rows.select_dtypes("float").columns:
            assert rows[name].equals(again[name].astype("float64")), (file, name)
    answers = pd.read_csv(folder / "unknowns.csv")
    assert 1 <= len(answers) <= 5
    assert all(words in out for words in answers["words"])
    orders = pd.read_csv(folder / "part_orders.csv")
    assert (orders["order"].dropna() >= 0).all()
    ranked = pd.read_csv(folder / "part_quotes_ranked.csv")
    assert (ranked.groupby(["model_id", "part_code"])["rank"].min() == 1).all()


def test_bids_note_forecasts_once_and_wins_beside_them(shop: Path, capsys) -> None:
    """A second run on the same day adds nothing; a won lot is a row more and no longer bid for."""
    assert run("bids", "--workspace", str(shop)) == 0
    ledger = pd.read_csv(shop / "forecasts.csv")
    assert ledger["entry_id"].is_unique
    before = len(ledger)
    assert run("bids", "--workspace", str(shop)) == 0
    assert len(pd.read_csv(shop / "forecasts.csv")) == before
    listing = str(ledger["listing_id"].iloc[-1])
    assert run("bids", "--workspace", str(shop), "--won", listing, "U9999", "40.5") == 0
    won = pd.read_csv(shop / "forecasts.csv").tail(1).iloc[0]
    assert (won["record_type"], won["unit_id"], won["price"]) == ("bought", "U9999", 40.5)
    capsys.readouterr()
    assert run("bids", "--workspace", str(shop)) == 0
    told = capsys.readouterr().out
    assert f"Noted as won, not shown: {listing}" in " ".join(told.split())
    assert listing not in set(pd.read_csv(shop / "out" / "2026-11" / "bids.csv")["listing_id"])
    chosen = open_shop(shop).plan().items
    assert listing not in set(chosen["item"])
    assert run("bids", "--workspace", str(shop), "--won", listing, "U9999", "cheap") == 2


def test_costs_that_nobody_named_are_told(tmp_path: Path, capsys) -> None:
    """Without settings.toml every figure stands on usual costs, which a reader must know."""
    shop = some_families(tmp_path / "shop", ["ulmvrist_watch"], draws=20)
    assert run("stock", "--workspace", str(shop)) == 0
    assert "No settings.toml" not in capsys.readouterr().err
    (shop / "settings.toml").unlink()
    for log in shop.glob("*.csv"):
        log.write_text(log.read_text(encoding="utf-8").replace("USD", "EUR"), encoding="utf-8")
    (shop / "fx_rates.csv").unlink()
    assert run("stock", "--workspace", str(shop)) == 0
    assert "are usual ones, not yours" in " ".join(capsys.readouterr().err.split())


def test_a_report_is_of_the_month_after_the_newest_data(tmp_path: Path, capsys) -> None:
    """As bids, stock and plan are, where no month is named."""
    shop = some_families(tmp_path / "shop", ["ulmvrist_watch"], draws=20)
    assert run("report", "--workspace", str(shop)) == 0
    assert [p.name for p in (shop / "out").glob("20*")] == ["2026-11"]


def test_a_shell_is_told_commands_and_options(capsys) -> None:
    """The script completes every command there is; a shell it cannot serve is refused."""
    with pytest.raises(SystemExit) as ended:
        run("--completion", "bash")
    assert ended.value.code == 0
    told = capsys.readouterr().out
    for names in WORK.values():
        assert all(re.search(rf"subparsers=.*\b{name}\b", told) for name in names)
    assert "--manufacturer-quote" in told
    with pytest.raises(SystemExit) as ended:
        run("--completion", "fish")
    assert ended.value.code == 2


def test_every_command_that_prints_a_table_prints_json() -> None:
    """All but those that hand out a manual, a file or a program take --format json."""
    does = next(a for a in parser()._actions if isinstance(a, argparse._SubParsersAction))
    without = {n for n, p in does.choices.items() if "--format" not in p._option_string_actions}
    assert without == {"init", "explain", "partition", "share", "explore"}


def test_what_moves_prices_and_what_broken_units_fetch_are_written(shop: Path, capsys) -> None:
    """Each with its interval, in the month's folder, as JSON that says the same as the file."""
    for of, name, n in (("changes", "price_changes", 4), ("broken", "broken_prices", 4)):
        assert run("forecast", "--of", of, "--workspace", str(shop), "--format", "json") == 0
        told = json.loads(capsys.readouterr().out)
        file = pd.read_csv(shop / "out" / told["month"] / f"{name}.csv", keep_default_na=False)
        assert list(file.columns) == OUTPUTS[name].names
        assert len(file) == len(told[name]) >= n
        some = [r for r in told[name] if r["lower"] is not None]
        middle = "change" if of == "changes" else "ratio"
        assert some
        assert all(r["lower"] <= r[middle] <= r["upper"] for r in some)
    assert run("forecast", "--of", "changes", "--workspace", str(shop)) == 0
    shown = capsys.readouterr()
    assert "Change a month" in shown.out
    assert "Now is" in shown.err


class Terminal(io.StringIO):
    """What a terminal of 80 columns is given."""

    def isatty(self) -> bool:
        return True


def on_terminal(*words: str) -> tuple[int, str]:
    """Run a command whose streams are both that terminal; return its status and all it says."""
    screen = Terminal()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(screen), redirect_stderr(screen):
        patch.setenv("COLUMNS", "80")
        patch.setenv("NO_COLOR", "1")
        try:
            status = run(*words)
        except SystemExit as ended:
            status = int(str(ended.code))
    return status, screen.getvalue()


def too_wide(text: str) -> list[str]:
    """Lines over 80 columns, but for a path or an address, and for a command to copy."""
    return [
        line
        for line in text.splitlines()
        if len(line) > 80
        and not re.fullmatch(r" *\S*(/|://)\S*", line)
        and not re.match(r" *(repair-horizon|jupyter) ", line)
    ]


@pytest.mark.parametrize("topic", TOPICS)
def test_the_manual_keeps_to_80_columns(capsys, topic: str) -> None:
    """Piped or not."""
    assert run("explain", topic) == 0
    assert too_wide(capsys.readouterr().out) == []


@pytest.mark.parametrize("command", ["", *(n for names in WORK.values() for n in names)])
def test_every_help_keeps_to_80_columns(command: str) -> None:
    status, said = on_terminal(*command.split(), "--help")
    assert (status, too_wide(said)) == (0, [])
    assert "\x1b" not in said, "coloured, though NO_COLOR is set"


def test_every_command_keeps_to_80_columns_on_a_terminal(tmp_path: Path) -> None:
    """Tables as cards, sentences and faults broken between words; paths and commands whole."""
    copied, export = tmp_path / "w", tmp_path / "export.csv"
    some_families(copied, ["vellfold", "ulmvrist_watch"], draws=40)
    (copied / "out").mkdir()
    rows = (f"2026-03-0{i},Vellfold Five,very good,{300 + i},a long remark" for i in range(1, 9))
    export.write_text("\n".join(["Paid at,Item,Condition,Total,Remark", *rows]) + "\n")
    here = ("--workspace", str(copied))
    asked = "--class phone --fault locked --launch 2025-09 --launch-price 899"
    for words, status in (
        (("check", *here), 0),
        (("forecast", "--months", "3", *here), 0),
        (("forecast", "--of", "changes", *here), 0),
        (("forecast", "--of", "broken", *here), 0),
        (("bids", *here), 0),
        (("stock", *here), 0),
        (("plan", *here, "--months", "3"), 0),
        (("ask", "--model", "vellfold_5", "--fault", "no power", "--asking", "250", *here), 0),
        (("ask", *asked.split()), 0),
        (("add", "sale", "model_id=vellfold_5", "gross_amount=612", "grade=B", *here), 0),
        (("add", "--undo", *here), 0),
        (("add", "sale", "model_id=nobody's", "gross_amount=2,5", *here), 2),
        (("import", str(export), "--draft", *here), 0),
        (("explore", "--write-only", *here), 0),
        (("partition", *here), 0),
        (("init", "--workspace", str(tmp_path / "new")), 0),
        (("check", "--workspace", str(tmp_path / "none")), 2),
        (("share", "--month", "2026-11", *here), 2),
    ):
        ended, said = on_terminal(*words)
        assert ended == status, (words, said)
        assert said.strip(), words
        assert "\x1b" not in said, words
        assert too_wide(re.sub(r"[^\n]*\r", "", said)) == [], words


def test_how_far_the_work_is_goes_when_something_is_said() -> None:
    """Each step takes the place of the one before; nothing of it is left beside the answer."""
    terminal = Terminal()
    monitor = _Visible(terminal)
    for text in ("\r  1 of 2: one", "\r  2 of 2: another", "answer", "\n"):
        monitor.write(text)
    shown = ""
    for piece in re.split(r"(?=\r)", terminal.getvalue()):
        shown = piece[1:] + shown[len(piece) - 1 :] if piece.startswith("\r") else shown + piece
    assert shown.rstrip() == "answer"
    assert "x0d" not in terminal.getvalue()
