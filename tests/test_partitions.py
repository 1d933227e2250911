"""Logs partitioned by family: the same rows and the same verdicts as from CSV, and nothing lost."""

import csv
import io
import shutil
from pathlib import Path

import pandas as pd
import pytest
from demo_copies import DEMO
from repair_horizon.cli import main
from repair_horizon.imports import ImportResult, import_file
from repair_horizon.logs import LogFault, Logs, read_logs
from repair_horizon.logs.partitioning import partition
from repair_horizon.logs.partitions import NO_FAMILY, ORDER, Part, can_be_partitioned
from repair_horizon.tables.inputs import TABLES

# The demo has no answers: nobody gave any.
PARTED = [n for n, t in TABLES.items() if can_be_partitioned(t) and n != "answers"]
CATALOGUE = (
    "model_id,family_id,device_class,launch_date,launch_price\n"
    "a1,alder,phone,2024-01-01,500\n"
    "a2,alder,phone,2024-06-01,600\n"
    "b1,birch / oak,phone,2024-01-01,500\n"
)
HEADER = "sale_id,model_id,sale_date,gross_amount,currency,record_type,refers_to_sale_id\n"
SALES = (
    "s1,a1,2025-01-01,400,EUR,,\n"
    "s2,b1,2025-01-02,300,EUR,,\n"
    "s3,a2,2025-01-03,410,EUR,,\n"
    "s4,b1,2025-01-04,310,EUR,,\n"
)


def workspace(folder: Path, sales: str = SALES) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "catalogue.csv").write_text(CATALOGUE)
    (folder / "sales.csv").write_text(HEADER + sales)
    (folder / "settings.toml").write_text('currency = "EUR"\n')
    return folder


def copy(source: Path, target: Path) -> Path:
    return Path(shutil.copytree(source, target, ignore=shutil.ignore_patterns("out", "sales")))


def verdicts(logs: Logs) -> list[tuple[str, ...]]:
    """What became of the rows not used, in the ledger's order, but for where each stands."""
    lines = logs.ledger.exceptions[logs.ledger.exceptions["table"].isin(TABLES)]
    told = lines[["table", "row_id", "status", "reason", "column", "found", "allowed"]]
    keyed = told["table"].map(lambda n: bool(TABLES[n].key))
    return list(told.assign(row_id=told["row_id"].where(keyed, "")).itertuples(index=False))


def assert_same_tables(one: Logs, other: Logs) -> None:
    for name in TABLES:
        left, right = (g.tables[name].reset_index(drop=True) for g in (one, other))
        keyed = [] if TABLES[name].key else ["row_id"]
        pd.testing.assert_frame_equal(
            left.drop(columns=["line", *keyed]), right.drop(columns=["line", *keyed])
        )


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The demo as CSV, and the same with every log partitioned that can be."""
    folder = tmp_path_factory.mktemp("both")
    plain, parted = copy(DEMO, folder / "plain"), copy(DEMO, folder / "parted")
    for name in PARTED:
        partition(parted, name)
    return plain, parted


@pytest.fixture(scope="module")
def whole(both: tuple[Path, Path]) -> Logs:
    return read_logs(both[0])


def test_rows_and_ledger_are_those_of_the_csv(both: tuple[Path, Path], whole: Logs) -> None:
    parted = read_logs(both[1])
    assert_same_tables(whole, parted)
    assert verdicts(whole) == verdicts(parted)
    pd.testing.assert_frame_equal(whole.ledger.counts(), parted.ledger.counts())
    assert len(verdicts(whole)) > 100


def test_each_row_not_used_is_found_where_the_ledger_says(both: tuple[Path, Path]) -> None:
    """File and line lead to the very row, in the part as in the CSV."""
    for folder in both:
        lines = read_logs(folder).ledger.exceptions
        lines = lines[lines["table"] == "sales"]
        for file, group in lines.groupby("file"):
            if file.endswith(".csv"):
                reader = csv.reader(io.StringIO((folder / file).read_text(), newline=""))
                header, place, ids = next(reader), 1, {}
                for record in reader:
                    ids[place + 1] = record[header.index("sale_id")]
                    place = reader.line_num
            else:
                stored = pd.read_parquet(folder / file)["sale_id"]
                ids = dict(enumerate(stored, 1))
            assert [ids[n].strip() for n in group["line"]] == group["row_id"].tolist()


@pytest.mark.parametrize("form", [0, 1], ids=["csv", "parts"])
def test_families_chosen_get_the_verdicts_of_the_whole(
    both: tuple[Path, Path], whole: Logs, form: int
) -> None:
    """Of the demo's families, planted faults and all: in a pair; every other alone, from parts."""
    raw = {n: pd.read_csv(DEMO / f"{n}.csv", dtype=str, na_filter=False) for n in PARTED}
    family = whole.tables["catalogue"].set_index("model_id")["family_id"]
    owner: dict[tuple[str, str], str] = {}
    for name, rows in raw.items():
        of = rows["family_id"] if "family_id" in rows else rows["model_id"].str.strip().map(family)
        owner |= {(name, str(k).strip()): f for k, f in zip(rows.iloc[:, 0], of, strict=True)}
    cases = [whole.families[1:3], *([f] for f in whole.families[::2])]
    for families in cases if form else cases[:2]:
        read = read_logs(both[form], families=families)
        assert_same_tables(read, whole.of(families))
        mine = [v for v in verdicts(whole) if v[0] == "repairs" or v[0] not in PARTED]
        mine += [v for v in verdicts(whole) if v[0] != "repairs" and owner.get(v[:2]) in families]
        assert sorted(verdicts(read)) == sorted(mine)
        counts = read.ledger.counts()
        used = counts.set_index("table")["used"]
        assert used.to_dict() == {n: len(read.tables[n]) for n in used.index}


CROSSING = {
    "a refund stands in the other family": "r1,b1,2025-02-01,-400,EUR,refund,s1\n",
    "a part of the price was paid back there": "r1,b1,2025-02-01,-50,EUR,partial_refund,s1\n",
    "the same identifier comes again": "s1,b1,2025-02-01,350,EUR,,\ns2,a1,2025-02-02,90,EUR,,\n",
    "the refund is itself a second row under its identifier": (
        "r1,b1,2025-01-05,300,EUR,,\nr1,b1,2025-02-01,-400,EUR,refund,s1\n"
    ),
    "the refund comes second to a row of a third folder": (
        "r1,z,2025-01-05,300,EUR,,\nr1,b1,2025-02-01,-400,EUR,refund,s1\n"
    ),
    "the row that decides cannot be read": "s5,b1,2025-02-31,35,EUR,,\ns5,a1,2025-02-01,90,EUR,,\n",
    "the row that decides is of an unknown model": (
        "s5,z,2025-02-01,350,EUR,,\ns5,a1,2025-02-01,90,EUR,,\n"
    ),
    "a refund of an unknown model counts for nothing": "r1,z,2025-02-01,-400,EUR,refund,s1\n",
}


@pytest.mark.parametrize("rows", CROSSING.values(), ids=CROSSING)
def test_rows_of_one_family_that_decide_over_another_are_not_missed(
    tmp_path: Path, rows: str
) -> None:
    """A worker that reads one partition gives the verdicts of the whole."""
    plain = read_logs(workspace(tmp_path / "plain", SALES + rows))
    partition(workspace(tmp_path / "parted", SALES + rows))
    assert verdicts(read_logs(tmp_path / "parted")) == verdicts(plain)
    assert verdicts(plain)
    for family in plain.families:
        one = read_logs(tmp_path / "parted", families=[family])
        assert_same_tables(one, plain.of([family]))
        csv_one = read_logs(tmp_path / "plain", families=[family])
        assert verdicts(one) == verdicts(csv_one)


def test_one_family_touches_one_partition(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the others only identifiers and days are read, until one of them bears on a chosen row."""
    partition(workspace(tmp_path / "w"))
    seen = []
    text = Part.text
    monkeypatch.setattr(Part, "text", lambda p, c=None: seen.append((p.family_id, c)) or text(p, c))
    read_logs(tmp_path / "w", families=["alder"])
    assert seen == [
        ("alder", None),
        ("birch / oak", ["sale_id", "refers_to_sale_id", "sale_date", "result"]),
    ]


def test_without_a_currency_in_the_settings_all_sales_must_tell_it(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w", SALES.replace("300,EUR", "300,USD"))
    (folder / "settings.toml").unlink()
    partition(folder)
    with pytest.raises(LogFault, match="EUR, USD"):
        read_logs(folder, families=["alder"])


def test_what_is_newest_stays_that_of_all_families(whole: Logs) -> None:
    """Sent one family's rows, a worker still knows up to which day the others were seen."""
    stale = "ulmvrist_watch"
    assert whole.family(stale).newest_day < whole.newest_day
    one = whole.of([stale])
    assert len(one.tables["sales"]) == len(whole.family(stale).tables["sales"])
    for day in ("2026-12-31", "2026-10-30", "2025-06-30"):
        assert one.as_of(day).newest_day == whole.as_of(day).newest_day
    assert one.family(stale).newest_day == whole.family(stale).newest_day
    assert one.of([stale]).newest_day == whole.newest_day


def test_an_unknown_family_is_named(tmp_path: Path) -> None:
    with pytest.raises(LogFault, match="'cedar', allowed: alder, birch / oak"):
        read_logs(workspace(tmp_path / "w"), families=["cedar"])


def _stray(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("sale_id\n1\n")


def _part(folder: Path, family: str) -> Path:
    return next((folder / "sales" / f"family_id={family}").glob("*.parquet"))


def _without_amount(folder: Path) -> None:
    path = _part(folder, "alder")
    pd.read_parquet(path).drop(columns="gross_amount").to_parquet(path)


BROKEN = {
    "a folder of no family": (
        lambda w: (w / "sales" / "family_id=alder").rename(w / "sales" / "family_id=Alder"),
        "sales/family_id=Alder, column family_id: found 'Alder', allowed: a family of catalogue",
    ),
    "both forms": (
        lambda w: (w / "sales.csv.before").rename(w / "sales.csv"),
        "sales.csv and sales/: found 'the same log more than once', allowed: one of them",
    ),
    "a CSV among the parts": (
        lambda w: _stray(w / "sales" / "family_id=alder" / "more.csv"),
        "sales/family_id=alder/more.csv: found 'more.csv', allowed: Parquet files",
    ),
    "a part outside the families": (
        lambda w: _stray(w / "sales" / "part.parquet"),
        "sales/part.parquet: found 'part.parquet', allowed: folders named family_id=FAMILY",
    ),
    "a part that is none": (
        lambda w: _part(w, "alder").write_bytes(b"PAR1 not at all"),
        "allowed: a Parquet file",
    ),
    "a part without a column": (_without_amount, "column gross_amount: found 'no such column'"),
}


@pytest.mark.parametrize(("broken", "told"), BROKEN.values(), ids=BROKEN)
def test_a_broken_partition_is_one_clear_message(tmp_path: Path, broken, told: str) -> None:
    folder = workspace(tmp_path / "w")
    partition(folder)
    broken(folder)
    with pytest.raises(LogFault) as error:
        read_logs(folder)
    assert told in str(error.value)
    assert len(error.value.faults) == 1


def test_the_catalogue_is_never_a_folder(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    (folder / "catalogue").mkdir()
    pd.read_csv(folder / "catalogue.csv").to_parquet(folder / "catalogue" / "part.parquet")
    (folder / "catalogue.csv").unlink()
    with pytest.raises(LogFault, match=r"catalogue.csv or catalogue.parquet, in one file"):
        read_logs(folder)


def test_notes_of_other_programs_beside_the_parts_are_passed_over(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w")
    partition(folder)
    _stray(folder / "sales" / "_SUCCESS")
    _stray(folder / "sales" / "family_id=alder" / ".part.crc")
    assert len(read_logs(folder).tables["sales"]) == 4


def test_a_row_in_the_folder_of_another_family_is_held_and_can_be_set_right(tmp_path: Path) -> None:
    """The model says the family and the folder another: neither is guessed to be right."""
    folder = workspace(tmp_path / "w")
    partition(folder)
    moved = CATALOGUE.replace("a2,alder", "a2,birch / oak")
    (folder / "catalogue.csv").write_text(moved)
    logs = read_logs(folder)
    told = logs.ledger.exceptions.iloc[0]
    assert (told["row_id"], told["reason"]) == ("s3", "in the folder of another family")
    assert (told["found"], told["line"]) == ("a2", 2)
    for family in logs.families:
        mine = read_logs(folder, families=[family]).ledger.exceptions["row_id"].tolist()
        assert mine == (["s3"] if family == "alder" else [])
    partition(folder)
    assert read_logs(folder).ledger.exceptions.empty


def test_a_model_struck_from_the_catalogue_is_said_as_ever(tmp_path: Path) -> None:
    """Its rows stand in the folder of the family it had, which is no fault of the folder."""
    folder = workspace(tmp_path / "w")
    partition(folder)
    left = [line for line in CATALOGUE.splitlines(keepends=True) if not line.startswith("a2")]
    (folder / "catalogue.csv").write_text("".join(left))
    for families in (None, ["alder"]):
        told = read_logs(folder, families=families).ledger.exceptions
        assert told["reason"].tolist() == ["model_id is not in catalogue.csv"]


def test_a_model_named_later_leaves_the_folder_of_no_family(tmp_path: Path) -> None:
    folder = workspace(tmp_path / "w", SALES + "s5,c1,2025-01-05,90,EUR,,\n")
    partition(folder)
    assert (folder / "sales" / f"family_id={NO_FAMILY}").is_dir()
    known = CATALOGUE + "c1,cedar,phone,2024-01-01,300\n"
    (folder / "catalogue.csv").write_text(known)
    assert read_logs(folder).ledger.exceptions["row_id"].tolist() == ["s5"]
    assert partition(folder).rows["cedar"] == 1
    assert read_logs(folder).ledger.exceptions.empty


def test_partitioning_keeps_every_field_as_it_was(tmp_path: Path) -> None:
    """Spaces, quotes, line breaks, empty and unreadable fields come back, and the file stays."""
    odd = 's1, a1 ,2025-13-01,"1,5",EUR,,\ns2,b1,,"two\nlines ""quoted""",EUR,,\n'
    folder = workspace(tmp_path / "w", odd)
    before = (folder / "sales.csv").read_bytes()
    done = partition(folder)
    assert done.rows == {"alder": 1, "birch / oak": 1}
    assert (done.before, done.before.read_bytes()) == (folder / "sales.csv.before", before)
    text = pd.concat(pd.read_parquet(p) for p in sorted((folder / "sales").rglob("*.parquet")))
    text = text.sort_values(ORDER).drop(columns=ORDER)
    records = list(csv.reader(io.StringIO(before.decode(), newline="")))
    assert [list(text), *text.to_numpy().tolist()] == records
    again = partition(folder)
    assert (again.rows, again.before) == (done.rows, folder / "sales.before")
    assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == [".sales.lock"]


def test_nothing_is_lost_when_partitioning_stops_halfway(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk leaves the log as it was, one message, and no half-written folder."""
    folder = workspace(tmp_path / "w")
    before, written = read_logs(folder), []

    def full(table: object, path: Path) -> None:
        if written:
            raise OSError(28, "No space left on device")
        written.append(path)
        path.write_bytes(b"half")

    monkeypatch.setattr("repair_horizon.logs.partitioning.pq.write_table", full)
    with pytest.raises(LogFault, match="No space left on device"):
        partition(folder)
    assert_same_tables(read_logs(folder), before)
    left = {p.name for p in folder.iterdir()}
    assert left == {"catalogue.csv", "sales.csv", "settings.toml", ".sales.lock"}


@pytest.mark.parametrize("name", ["catalogue", "fx_rates", "nothing"])
def test_only_logs_of_families_are_partitioned(tmp_path: Path, name: str) -> None:
    with pytest.raises(LogFault, match="sales, part_quotes"):
        partition(workspace(tmp_path / "w"), name)


def _import(folder: Path, export: str) -> ImportResult:
    columns = HEADER.strip().split(",")[:5]
    (folder / "export.csv").write_text(",".join(columns) + "\n" + export)
    mapping = "[columns]\n" + "".join(f'{c} = "{c}"\n' for c in columns)
    (folder / "export.toml").write_text(mapping)
    return import_file(folder / "export.csv", folder, "sales", folder / "export.toml")


def test_an_import_into_parts_is_the_import_into_csv(tmp_path: Path) -> None:
    """Old, new, contradicting and unknown rows end alike, and again adds nothing."""
    export = (
        "s2,b1,2025-01-02,300,EUR\ns3,a2,2025-01-03,999,EUR\n"
        "s8,b1,2025-01-08,320,EUR\ns9,a1,2025-01-09,420,EUR\ns10,zz,2025-01-09,42,EUR\n"
    )
    plain, parted = workspace(tmp_path / "plain"), workspace(tmp_path / "parted")
    partition(parted)
    results = [_import(folder, export) for folder in (plain, parted)]
    assert results[0].summary().equals(results[1].summary())
    assert results[1].added == 3
    one, other = read_logs(plain), read_logs(parted)
    assert_same_tables(one, other)
    assert verdicts(one) == verdicts(other)
    assert _import(parted, export).added == 0


def test_the_command_says_what_it_wrote(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    folder = workspace(tmp_path / "w", SALES + "s5,c1,2025-01-05,90,EUR,,\n")
    assert main(["partition", "--workspace", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "birch / oak: 2 rows" in said
    assert "models the catalogue does not name: 1 rows" in said
    assert "sales.csv.before" in said
    assert main(["check", "--workspace", str(folder)]) == 1
    assert "5 rows" not in capsys.readouterr().err
    assert main(["partition", "--workspace", str(folder), "--table", "fx_rates"]) == 2
