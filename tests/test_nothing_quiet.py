"""What an attack found, and what happens instead: paths, money notes, rows swallowed, resources."""

from __future__ import annotations

import io
import json
import tracemalloc
import zipfile
from contextlib import suppress
from pathlib import Path

import pytest
import xlsxwriter
from repair_horizon.cli import main
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.imports import import_file
from repair_horizon.imports.draft import draft_mapping
from repair_horizon.logs import Fault, LogFault, read_logs
from repair_horizon.share.bundle import share_month
from repair_horizon.tables.faults import visible

CATALOGUE = "model_id,family_id,device_class,launch_date,launch_price\nm1,f,phone,2020-01-01,500\n"
SALES = "sale_id,model_id,sale_date,gross_amount,currency,source_ref\n"
LISTINGS = (
    "listing_id,model_id,listed_fault,end_time,result\n"
    "L1,m1,x,2025-03-01,\nL2,m1,x,2025-03-01,\nL3,m1,x,2025-01-01,lost\n"
)
MAPPING = (
    'currency = "EUR"\n[columns]\nsale_id = "Order"\nmodel_id = "Model"\nsale_date = "Day"\n'
    'gross_amount = "Paid"\ncurrency = "Unit"\n'
)


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "catalogue.csv").write_text(CATALOGUE)
    (folder / "settings.toml").write_text('currency = "EUR"\n')
    (folder / "listings.csv").write_text(LISTINGS)
    rows = "".join(f"s{i},m1,2025-01-{i + 1:02d},{300 + i},EUR,\n" for i in range(9))
    (folder / "sales.csv").write_text(SALES + rows)
    return folder


class TestPaths:
    @pytest.mark.parametrize(
        "name", ["sales.csv", "settings.toml", "listings.csv", "SALES.csv", "repairs.csv",
                 "sales/x.csv", "review/x.csv", "../work/sales.csv", "link.csv", "hard.csv",
                 ".sales.lock", ".added.json", "sales.csv.before", "sales.before2"],
    )  # fmt: skip
    def test_out_never_names_what_is_read(self, workspace: Path, capsys, name: str) -> None:
        """A log, also one not there yet, the settings, or either through a link."""
        (workspace / "link.csv").symlink_to(workspace / "sales.csv")
        (workspace / "hard.csv").hardlink_to(workspace / "sales.csv")
        before = (workspace / "sales.csv").read_bytes()
        words = ["forecast", "--workspace", str(workspace), "--out", str(workspace / name)]
        assert main(words) == 2
        assert "--out" in capsys.readouterr().err
        assert (workspace / "sales.csv").read_bytes() == before

    @pytest.mark.parametrize("slug", ["../../secret", "/etc/hostname", "a/b", "", "A" * 200, 7])
    def test_a_hostile_record_reads_nothing_outside_the_month(self, tmp_path: Path, slug) -> None:
        month = tmp_path / "out" / "2026-11"
        month.mkdir(parents=True)
        (tmp_path / "secret.html").write_text("secret")
        (month / "index.html").write_text("<html></html>")
        record = {"families": [{"family_id": "f", "slug": slug, "status": "written"}]}
        for status in ("written", "done", "ok"):
            record["families"][0]["status"] = status
            (month / "run.json").write_text(json.dumps(record))
            with suppress(LogFault):
                share_month(month, tmp_path / "o.zip", pictures=False)
        written = tmp_path / "o.zip"
        assert not written.exists() or b"secret" not in written.read_bytes()

    def test_a_link_in_a_month_is_not_followed(self, tmp_path: Path) -> None:
        month = tmp_path / "2026-11"
        month.mkdir()
        (tmp_path / "secret").write_text("secret")
        (month / "index.html").symlink_to(tmp_path / "secret")
        (month / "run.json").write_text("{}")
        with pytest.raises(LogFault, match="a link to another place"):
            share_month(month, tmp_path / "o.zip", pictures=False)
        (month / "run.json").write_text("[" * 100_000)
        with pytest.raises(LogFault, match="no written month"):
            share_month(month, tmp_path / "o.zip", pictures=False)

    def test_a_linked_review_folder_is_refused(self, workspace: Path, tmp_path: Path) -> None:
        elsewhere = tmp_path / "elsewhere"
        elsewhere.mkdir()
        (elsewhere / ".sales-x.tmp").write_text("mine")
        (workspace / "review").symlink_to(elsewhere)
        (tmp_path / "map.toml").write_text(MAPPING)
        (tmp_path / "e.csv").write_text("Order,Model,Day,Paid,Unit\n1,m1,2025-03-01,dear,EUR\n")
        with pytest.raises(LogFault, match="a link to another place"):
            import_file(tmp_path / "e.csv", workspace, "sales", tmp_path / "map.toml")
        assert [p.name for p in elsewhere.iterdir()] == [".sales-x.tmp"]


class TestWon:
    def won(self, workspace: Path, *words: str) -> int:
        return main(["bids", "--workspace", str(workspace), "--won", *words])

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (("L1", "u1", "nan"), "PRICE"), (("L1", "u1", "inf"), "PRICE"),
            (("L1", "u1", "1e3"), "PRICE"), (("L1", "u1", "99999999999"), "PRICE"),
            (("L9", "u1", "5"), "LISTING"), (("L1", "", "5"), "UNIT"),
            (("L1", "u\x1b[2J", "5"), "UNIT"), (("L1", "=1+2", "5"), "UNIT"),
            (("L3", "u1", "5"), "one that was not lost"),
        ],
    )  # fmt: skip
    def test_a_note_that_cannot_be_is_refused(self, workspace: Path, capsys, words, told) -> None:
        assert self.won(workspace, *words) == 2
        said = capsys.readouterr().err
        assert told in said
        assert "\x1b" not in said
        assert not (workspace / "forecasts.csv").exists()

    def test_a_note_can_be_put_right_and_stays_one(self, workspace: Path, capsys) -> None:
        """Noted twice it is one; noted otherwise it needs --correct, and then the last counts."""
        assert self.won(workspace, "L1", "u1", "50") == 0
        assert self.won(workspace, "L1", "u1", "50") == 0
        assert self.won(workspace, "L1", "u1", "60") == 2
        assert "u1 at 50" in capsys.readouterr().err
        assert self.won(workspace, "L2", "u1", "60") == 2
        assert self.won(workspace, "L1", "u2", "60", "--correct") == 0
        notes = read_ledger(workspace).drop_duplicates("listing_id", keep="last")
        assert notes[["listing_id", "unit_id", "price"]].to_numpy().tolist() == [["L1", "u2", 60]]


class TestRows:
    def test_a_quote_mark_nobody_closed_is_held_with_what_it_swallowed(
        self, workspace: Path
    ) -> None:
        with (workspace / "sales.csv").open("a") as file:
            file.write('t1,m1,2025-02-01,300,EUR,"seen at\nt2,m1,2025-02-02,301,EUR,\n')
            file.write('t3,m1,2025-02-03,302,EUR,a 5" one\nt4,m1,2025-02-04,303,EUR,"fine, two\n')
            file.write('lines"\n')
        text = (workspace / "sales.csv").read_text()
        (workspace / "sales.csv").write_text(text.replace('a 5" one', 'x"'))
        logs = read_logs(workspace, today="2026-01-01")
        held = logs.ledger.exceptions.iloc[0]
        assert (held["row_id"], held["line"], held["status"]) == ("t1", 11, "held for review")
        assert "2 lines like records: t2,m1,2025-02-02,301,EUR," in held["found"]
        assert logs.tables["sales"]["sale_id"].tolist()[-1] == "t4"

    def test_the_same_in_an_export(self, workspace: Path, tmp_path: Path) -> None:
        (tmp_path / "map.toml").write_text(MAPPING)
        (tmp_path / "e.csv").write_text(
            'Order;Model;Day;Paid;Unit;Note\n1;m1;2025-03-01;5.50;EUR;"broken\n'
            '2;m1;2025-03-02;6.50;EUR;\n3;m1;2025-03-03;7.50;EUR;x"\n4;m1;2025-03-04;8.50;EUR;\n'
        )
        got = import_file(tmp_path / "e.csv", workspace, "sales", tmp_path / "map.toml")
        assert got.rows["sale_id"].tolist() == ["4"]
        assert "2 lines like records" in " ".join(got.ledger.iloc[0].astype(str))

    @pytest.mark.parametrize(
        ("cells", "odd", "kept"),
        [
            ([f"{i},50" for i in range(40)], "9.50", "0.5"),
            (
                [f"{1 + i % 12:02d}/{13 + i % 15}/2025" for i in range(40)],
                "25/03/2025",
                "2025-01-13",
            ),
            (["03/14/2025", "03/15/2025"] * 20, "25/03/2025", "2025-03-14"),
        ],
    )
    def test_one_cell_does_not_decide_a_column_against_forty(
        self, workspace: Path, tmp_path: Path, cells: list[str], odd: str, kept: str
    ) -> None:
        """It is held by itself; with three against forty the column is refused as ever."""
        (tmp_path / "map.toml").write_text(MAPPING)
        money = "," in cells[0]

        def export(*more: str) -> Path:
            values = [*cells, *more]
            rows = [f"{i};m1;2025-03-01;{v};EUR" if money else f"{i};m1;{v};5.50;EUR"
                    for i, v in enumerate(values)]  # fmt: skip
            path = tmp_path / "e.csv"
            path.write_text("\n".join(["Order;Model;Day;Paid;Unit", *rows]) + "\n")
            return path

        got = import_file(export(odd), workspace, "sales", tmp_path / "map.toml", preview=True)
        assert (got.added, got.held) == (40, 1)
        assert got.rows["gross_amount" if money else "sale_date"].iloc[0] == kept
        assert any("against 1" in i.how for i in got.inferred)
        others = ("9.51", "9.52", "9.53") if money else ("26/3/2025", "27/3/2025", "28/3/2025")
        with pytest.raises(LogFault, match=r"one (sign|order)"):
            import_file(export(*others), workspace, "sales", tmp_path / "map.toml", preview=True)

    def test_error_cells_and_what_is_hidden_in_a_workbook_are_told(
        self, workspace: Path, tmp_path: Path
    ) -> None:
        (tmp_path / "map.toml").write_text(MAPPING)
        with xlsxwriter.Workbook(tmp_path / "e.xlsx") as book:
            sheet = book.add_worksheet("sold & more")
            book.add_worksheet("secret").hide()
            sheet.write_row(0, 0, ["Order", "Model", "Day", "Paid", "Unit"])
            for i in range(1, 5):
                sheet.write_row(i, 0, [f"n{i}", "m1", f"2025-03-0{i}", 5.5, "EUR"])
            sheet.write_formula(2, 3, "=NA()", None, "#N/A")
            sheet.write_formula(3, 0, "=A99", None, "#REF!")
            sheet.set_row(1, None, None, {"hidden": True})
        got = import_file(tmp_path / "e.xlsx", workspace, "sales", tmp_path / "map.toml")
        assert got.rows["sale_id"].tolist() == ["n1", "n4"]
        assert set(got.ledger["found"]) == {"#N/A", "#REF!"}
        told = {i.what: i.value for i in got.inferred}
        assert told["hidden sheets"] == "secret"
        assert told["hidden rows"] == "1"

    def test_identifiers_that_look_alike_are_named(self, workspace: Path) -> None:
        """With a character of no width, in another form of the same letters, in capitals."""
        (workspace / "catalogue.csv").write_text(CATALOGUE + "caf\u00e9,f,phone,2020-01-01,500\n")
        with (workspace / "sales.csv").open("a") as file:
            for i, name in enumerate(("m1\u200b", "cafe\u0301", "M1", "m2")):
                file.write(f"z{i},{name},2025-02-01,300,EUR,\n")
        lines = read_logs(workspace, today="2026-01-01").ledger.exceptions.set_index("row_id")
        assert "looks like m1" in lines.loc["z0", "allowed"]
        assert "\\u200b" in lines.loc["z0", "found"]
        assert "looks like caf\u00e9" in lines.loc["z1", "allowed"]
        assert "looks like m1" in lines.loc["z2", "allowed"]
        assert lines.loc["z3", "allowed"] == ""
        (workspace / "catalogue.csv").write_text(CATALOGUE + "m1\u200b,f,phone,2020-01-01,500\n")
        notes = read_logs(workspace, today="2026-01-01").notes
        assert any("look alike" in n and "\\u200b" in n for n in notes)

    def test_identifiers_that_look_alike_are_printed_so_that_they_differ(
        self, workspace: Path, capsys
    ) -> None:
        """``check`` writes out what cannot be seen, of the catalogue and of a row held for it."""
        more = "m2,f,phone,2020-01-01,500\nm2\u200b,f,phone,2020-01-01,500\n"
        (workspace / "catalogue.csv").write_text(CATALOGUE + more, encoding="utf-8")
        with (workspace / "sales.csv").open("a", encoding="utf-8") as file:
            file.write("z0,\u200bm1,2025-01-05,300,EUR,\n")
        main(["check", "--workspace", str(workspace)])
        lines = "".join(capsys.readouterr()).splitlines()
        (alike,) = [line for line in lines if "look alike" in line]
        (held,) = [line for line in lines if "looks like m1" in line]
        assert r"'m2' and 'm2\u200b'" in alike
        assert "\\u200bm1" in held
        assert "\u200b" not in alike + held


class TestSaid:
    def test_nothing_a_log_holds_acts_on_the_terminal(self, workspace: Path, capsys) -> None:
        """Written out in what is printed and in messages, whatever command prints it."""
        with (workspace / "sales.csv").open("a") as file:
            file.write("z\x9b31m\u202e,m1,2025-02-01,dear,EUR,\n")
        main(["check", "--workspace", str(workspace)])
        assert main(["bids", "\x1b]0;title\x07.csv", "--workspace", str(workspace)]) == 2
        got = capsys.readouterr()
        assert not set("\x1b\x9b\x07\u202e") & set(got.out + got.err)
        assert "\\x1b" in got.err

    def test_a_header_of_many_characters_is_a_message(self, workspace: Path, capsys) -> None:
        name = "h" * 200_000
        (workspace / "sales.csv").write_text(SALES.strip() + f",{name}\n")
        assert main(["check", "--workspace", str(workspace)]) == 2
        assert len(capsys.readouterr().err) < 1000
        assert len(str(Fault(name, 1, name, name, name))) < 3000
        assert visible("a\tb\nc") == "a\tb\nc"


class TestResources:
    def refused(self, workspace: Path, path: Path, told: str) -> None:
        (workspace.parent / "map.toml").write_text(MAPPING)
        tracemalloc.start()
        try:
            with pytest.raises(LogFault, match=told):
                import_file(path, workspace, "sales", workspace.parent / "map.toml")
            assert tracemalloc.get_traced_memory()[1] < 100e6
        finally:
            tracemalloc.stop()

    @pytest.mark.parametrize("place", [(1_000_000, 30), (30_000, 900)])
    def test_a_stray_far_cell_is_refused_by_its_cost(
        self, workspace: Path, tmp_path: Path, place: tuple[int, int]
    ) -> None:
        out = io.BytesIO()
        with xlsxwriter.Workbook(out) as book:
            sheet = book.add_worksheet()
            sheet.write_row(0, 0, ["Order", "Model", "Day", "Paid", "Unit"])
            sheet.write(*place, "x")
        (tmp_path / "far.xlsx").write_bytes(out.getvalue())
        self.refused(workspace, tmp_path / "far.xlsx", "cells far from all others")

    @pytest.mark.parametrize("place", ["A99999999", "zzz9", "JJJJJJJJJJJJJJJJJJJC4"])
    @pytest.mark.parametrize("sheets", ["worksheets", "elsewhere"])
    def test_a_cell_beyond_every_sheet_is_refused_before_room_is_made_for_it(
        self, workspace: Path, tmp_path: Path, place: str, sheets: str
    ) -> None:
        """The reader of workbooks asks for as much memory as a cell's name says, and is killed."""
        out = io.BytesIO()
        with xlsxwriter.Workbook(out) as book:
            book.add_worksheet().write_column(0, 0, ["Order", "far away"])
        with zipfile.ZipFile(out) as old, zipfile.ZipFile(tmp_path / "far.xlsx", "w") as new:
            for name in old.namelist():
                part = old.read(name).replace(b"worksheets/", f"{sheets}/".encode())
                part = part.replace(b'r="A2"', f'r="{place}"'.encode())
                new.writestr(name.replace("worksheets/", f"{sheets}/"), part)
        self.refused(workspace, tmp_path / "far.xlsx", "columns|cells far from all others")

    @pytest.mark.parametrize("extra", [{"content.xml": b"<x/>"}, {"xl/workbook.bin": b""}])
    def test_another_programs_workbook_is_refused(
        self, workspace: Path, tmp_path: Path, extra: dict[str, bytes]
    ) -> None:
        with zipfile.ZipFile(tmp_path / "other.xlsx", "w") as book:
            for name, content in {**extra, "xl/workbook.xml": b"<workbook/>"}.items():
                book.writestr(name, content)
        self.refused(workspace, tmp_path / "other.xlsx", "no .xlsx inside")

    def test_a_hundred_thousand_columns_are_refused_by_their_header(
        self, workspace: Path, tmp_path: Path
    ) -> None:
        wide = ",".join(f"c{i}" for i in range(100_000))
        (tmp_path / "wide.csv").write_text(
            "Order,Model,Day,Paid,Unit," + wide + "\n" + "," * 100_004
        )
        self.refused(workspace, tmp_path / "wide.csv", "100005 columns")
        with pytest.raises(LogFault, match="100005 columns"):
            draft_mapping(tmp_path / "wide.csv")
        (workspace / "sales.csv").write_text("\n\n" + wide + "\n" + "," * 99_999 + "\n")
        with pytest.raises(LogFault, match="100000 columns"):
            read_logs(workspace)

    def test_a_header_of_200000_characters_is_a_message(
        self, workspace: Path, tmp_path: Path
    ) -> None:
        (tmp_path / "long.csv").write_text("Order,Model,Day,Paid,Unit," + "h" * 200_000 + "\n1,1\n")
        self.refused(workspace, tmp_path / "long.csv", "at most 131,072 characters")
        with pytest.raises(LogFault, match="at most 131,072 characters"):
            draft_mapping(tmp_path / "long.csv")

    def test_json_a_hundred_thousand_deep_is_held(self, workspace: Path, tmp_path: Path) -> None:
        (tmp_path / "map.toml").write_text(MAPPING)
        good = {"Order": "1", "Model": "m1", "Day": "2025-03-01", "Paid": 5.5, "Unit": "EUR"}
        lines = [json.dumps(good), '{"a":' * 100_000, "[" * 100_000]
        (tmp_path / "deep.jsonl").write_text("\n".join(lines) + "\n")
        got = import_file(tmp_path / "deep.jsonl", workspace, "sales", tmp_path / "map.toml")
        assert (got.added, got.held) == (1, 2)


@pytest.mark.parametrize(
    "words", ["check", "bids", "stock", "plan", "ask --model m1 --fault no_power"]
)
def test_now_is_printed_by_every_command_of_the_day(workspace: Path, capsys, words: str) -> None:
    command, *rest = words.split()
    main([command, "--workspace", str(workspace), *rest])
    said = " ".join("".join(capsys.readouterr()).split())
    assert said.count("Now is 2025-01-09, the day of the newest rows: sales.csv line") == 1
