"""Reading logs: typed values, every fault named, and no row lost."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.price_rows import price_rows
from repair_horizon.logs import CannotSay, LogFault, Logs, read_logs, read_settings
from repair_horizon.logs.reading import read_table
from repair_horizon.tables.faults import HELD, SET_ASIDE
from repair_horizon.tables.inputs import SALES, TABLES
from repair_horizon.tables.months import age_in_months, month_number, month_word, parse_month

CATALOGUE = (
    "model_id,family_id,device_class,launch_date,launch_price\n"
    "m1,f1,phone,2024-01-01,500\n"
    "m2,f1,phone,2025-01-01,\n"
)
HEADER = (
    "sale_id,model_id,sale_date,gross_amount,currency,grade,"
    "record_type,refers_to_sale_id,price_type,quantity\n"
)


@pytest.fixture
def workspace(tmp_path: Path):
    def write(sales: str = "", catalogue: str = CATALOGUE, **others: str) -> Path:
        (tmp_path / "catalogue.csv").write_text(catalogue, encoding="utf-8")
        (tmp_path / "sales.csv").write_text(HEADER + sales, encoding="utf-8")
        for name, text in others.items():
            (tmp_path / name.replace("_toml", ".toml").replace("_csv", ".csv")).write_text(text)
        return tmp_path

    return write


def reasons(folder: Path) -> dict[str, tuple[str, str]]:
    rows = read_logs(folder).ledger.exceptions
    return {r.row_id: (r.status, r.reason) for r in rows.itertuples()}


def test_every_unreadable_value_is_named_with_file_line_column_found_and_allowed(workspace) -> None:
    folder = workspace('s1,m1,31.02.2025,"1,5",EUR,A,,,,\ns2,m1,2025-01-01,10,EUR,A,,,,\n')
    row = read_logs(folder).ledger.exceptions.iloc[0]
    assert (row["line"], row["status"]) == (2, HELD)
    assert row["column"] == "sale_date; gross_amount"
    assert row["found"] == "31.02.2025; 1,5"
    assert "YYYY-MM-DD" in row["allowed"]


def test_line_numbers_count_line_breaks_inside_quotes(tmp_path: Path) -> None:
    path = tmp_path / "sales.csv"
    path.write_text(
        "sale_id,model_id,sale_date,gross_amount,currency,source_ref\n"
        's1,m1,2025-01-01,10,EUR,"two\nlines"\n'
        "s2,m1,2025-01-01,x,EUR,plain\n"
    )
    assert read_table(path, SALES).held["line"].tolist() == [4]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("sale_id,model_id\n1,2\n", "a column named sale_date"),
        (HEADER.replace("grade", "grad") + "s,m,2025-01-01,1,EUR,A,,,,\n", "found 'grad'"),
        (HEADER + "s,m1,2025-01-01,1,EUR\n", "5 fields"),
        (HEADER.replace("grade", "model_id") + "s,m,2025-01-01,1,EUR,A,,,,\n", "named twice"),
        ("", "an empty file"),
    ],
)
def test_a_broken_frame_is_refused_in_one_message(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "sales.csv"
    path.write_text(text)
    with pytest.raises(LogFault, match=r"sales\.csv") as error:
        read_table(path, SALES)
    assert told in str(error.value)


def test_all_faults_of_all_files_come_at_once(workspace) -> None:
    folder = workspace(stock_csv="unit_id\n1\n", repairs_csv="job_id\n1\n")
    with pytest.raises(LogFault) as error:
        read_logs(folder)
    assert {f.file for f in error.value.faults} == {"stock.csv", "repairs.csv"}


def test_not_utf_8_is_said_and_not_guessed(tmp_path: Path) -> None:
    path = tmp_path / "sales.csv"
    path.write_bytes((HEADER + "s,m1,2025-01-01,1,EUR,é,,,,\n").encode("cp1252"))
    with pytest.raises(LogFault, match="UTF-8"):
        read_table(path, SALES)


def test_own_columns_may_ride_along(tmp_path: Path) -> None:
    path = tmp_path / "sales.csv"
    path.write_text(
        "sale_id,model_id,sale_date,gross_amount,currency,x_shelf\ns,m,2025-01-01,1,EUR,B2\n"
    )
    assert len(read_table(path, SALES).rows) == 1


def test_rules_for_sales(workspace) -> None:
    """One row for each rule of ``repair_horizon.logs.checking``, and what becomes of it."""
    folder = workspace(
        "ok,m1,2025-01-01,400,EUR,A,,,,\n"
        "ok,m1,2025-01-01,400,EUR,A,,,,\n"
        "same,m1,2025-01-02,400,EUR,A,,,,\n"
        "same,m1,2025-01-02,401,EUR,A,,,,\n"
        "full,m1,2025-01-03,400,EUR,A,,,,\n"
        "back,m1,2025-01-09,-400,EUR,A,refund,full,,\n"
        "lot,m1,2025-01-03,800,EUR,A,,,,2\n"
        "offer,m1,2025-01-03,300,EUR,A,,,offer,\n"
        "zero,m1,2025-01-03,0,EUR,A,,,,\n"
        "early,m2,2024-12-31,400,EUR,A,,,,\n"
        "odd,m1,2025-01-03,99999,EUR,A,,,,\n"
        "typo,m1,2025-01-03,9123.5,EUR,A,,,,\n"
        "stranger,m9,2025-01-03,400,EUR,A,,,,\n"
        "usd,m1,2025-01-03,400,USD,A,,,,\n"
        "ask,m1,2025-01-03,413.37,EUR,A,,,asking,\n"
        "round,m1,2025-01-03,410,EUR,A,,,asking,\n"
        "round2,m1,2025-01-10,410,EUR,A,,,asking,\n"
        "again,m1,2025-01-10,413.37,EUR,A,,,asking,\n",
        settings_toml='currency = "EUR"\n',
    )
    assert reasons(folder) == {
        "ok": (SET_ASIDE, "the same row again (sale_id)"),
        "same": (HELD, "another row has this sale_id"),
        "full": (SET_ASIDE, "sale refunded in full, cancelled or charged back"),
        "back": (SET_ASIDE, "a refund or cancellation record, not a sale"),
        "lot": (SET_ASIDE, "several pieces in one price"),
        "offer": (SET_ASIDE, "an offer, not a price"),
        "zero": (HELD, "amount is zero or negative"),
        "early": (SET_ASIDE, "sold before the model's launch date"),
        "odd": (SET_ASIDE, "placeholder amount"),
        "typo": (SET_ASIDE, "far off the model's usual price (above 8 or below 1/12)"),
        "stranger": (HELD, "model_id is not in catalogue.csv"),
        "usd": (HELD, "no exchange rate to EUR within 31 days"),
        "again": (SET_ASIDE, "the same offer again within 14 days"),
    }


def test_a_partial_refund_lowers_the_price_kept(workspace) -> None:
    folder = workspace(
        "s1,m1,2025-01-03,400,EUR,A,,,,\nr1,m1,2025-01-09,-50,EUR,A,partial_refund,s1,,\n"
    )
    assert read_logs(folder).tables["sales"]["gross_amount"].tolist() == [350.0]


def test_amounts_are_converted_at_the_rate_of_their_own_day(workspace) -> None:
    """Rates in either direction; the newest one not older than 31 days."""
    folder = workspace(
        "a,m1,2025-01-03,110,USD,A,,,,\nb,m1,2025-02-03,110,USD,A,,,,\n",
        settings_toml='currency = "EUR"\n',
        fx_rates_csv="date,base,quote,rate\n2025-01-01,EUR,USD,1.10\n2025-02-01,USD,EUR,0.80\n",
    )
    assert read_logs(folder).tables["sales"]["amount"].round(6).tolist() == [100.0, 88.0]


def test_as_of_forgets_what_came_later(workspace) -> None:
    folder = workspace("a,m1,2025-01-03,110,EUR,A,,,,\nb,m1,2025-02-03,110,EUR,A,,,,\n")
    assert read_logs(folder).as_of("2025-01-31").tables["sales"]["sale_id"].tolist() == ["a"]


FIELDS = st.one_of(
    st.sampled_from(
        ["", "m1", "m2", "EUR", "USD", "A", "2025-03-01", "400", "-3", "refund", "sold"]
    ),
    st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8),
)


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=st.lists(st.lists(FIELDS, min_size=10, max_size=10), max_size=12))
def test_used_set_aside_and_held_always_add_up(tmp_path: Path, rows: list[list[str]]) -> None:
    """Whatever stands in the fields, every row is accounted for once and nothing crashes."""
    (tmp_path / "catalogue.csv").write_text(CATALOGUE)
    (tmp_path / "settings.toml").write_text('currency = "EUR"\n')
    frame = pd.DataFrame(rows, columns=HEADER.strip().split(","))
    frame.to_csv(tmp_path / "sales.csv", index=False, lineterminator="\n", quoting=1)
    try:
        logs = read_logs(tmp_path)
    except LogFault:
        return
    counts = logs.ledger.counts().set_index("table").loc["sales"]
    assert counts["read"] == counts["used"] + counts["set_aside"] + counts["held"]
    assert counts["used"] == len(logs.tables["sales"])
    assert logs.ledger.exceptions.duplicated(["table", "line"]).sum() == 0


def test_parquet_gives_the_same_logs_as_csv(workspace) -> None:
    folder = workspace("a,m1,2025-01-03,110.5,EUR,A,,,,\nb,m1,x,110,EUR,A,,,,\n")
    before = read_logs(folder)
    text = pd.read_csv(folder / "sales.csv", dtype=str, keep_default_na=False)
    text.to_parquet(folder / "sales.parquet")
    (folder / "sales.csv").unlink()
    after = read_logs(folder)
    pd.testing.assert_frame_equal(before.tables["sales"], after.tables["sales"])
    assert after.ledger.exceptions["found"].tolist() == ["x"]


def test_settings_name_every_fault_at_once(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(
        'currency = 3\nseeds = 1\n[bench]\ntest_hours = "x"\n[tax]\nscheme = "vat"\n'
        "[limits]\nprobability_loss = 1.5\n[by_class.car]\n[by_class.laptop.sale]\ncarriage = -1\n"
        '[sale]\nchannel = "nowhere"\n'
    )
    with pytest.raises(LogFault) as error:
        read_settings(tmp_path)
    assert [f.column for f in error.value.faults] == [
        "currency",
        "seeds",
        "bench.test_hours",
        "tax.scheme",
        "limits.probability_loss",
        "by_class.car",
        "by_class.laptop.sale.carriage",
        "sale.channel",
    ]


def test_settings_of_a_class_replace_only_themselves(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("[by_class.laptop.sale]\ncarriage = 18.0\n")
    general = read_settings(tmp_path)
    laptop = general.for_class("laptop")
    assert (laptop.sale.carriage, laptop.sale.packaging) == (18.0, general.sale.packaging)
    assert general.for_class("phone").sale.carriage == general.sale.carriage


def test_starter_files_can_be_read_once_filled(tmp_path: Path) -> None:
    from repair_horizon.tables.dictionary import write_starter

    write_starter(tmp_path)
    assert read_settings(tmp_path) == read_settings(tmp_path / "nowhere")
    with pytest.raises(LogFault, match="at least one model"):
        read_logs(tmp_path)
    every = [t.name for t in TABLES.values()]
    assert sorted(p.stem for p in tmp_path.glob("*.csv")) == sorted(every)


def test_months_count_from_the_launch_day() -> None:
    assert parse_month("2026-11") - parse_month("2026-01") == 10
    assert month_word(int(month_number(["2026-12-31"])[0])) == "2026-12"
    assert age_in_months(["2025-01-31"], ["2025-01-01"])[0] == pytest.approx(30 / 30.4375)
    with pytest.raises(LogFault, match="2026-13"):
        parse_month("2026-13")


OPTIONAL = {
    "catalogue": (
        "model_id,family_id,device_class,launch_date,launch_price\n"
        "m1,f,phone,2024-01-01,500\nm2,f,phone,,600\nm3,f,phone,,600\n"
    ),
    "sales": (
        "sale_id,model_id,sale_date,gross_amount,currency,n_averaged\n"
        "s1,m1,2025-01-01,400,EUR,\ns2,m2,2025-03-02,300,EUR,12\ns3,m2,2025-02-02,300,EUR,0\n"
    ),
    "stock": (
        "unit_id,model_id,buy_date,landed_cost,currency,state,status,listed_date,asking_price\n"
        "u1,m1,2025-01-01,90,EUR,working,listed,2025-01-09,250\n"
        "u2,m1,2025-01-01,90,USD,working,bench,,250\n"
    ),
    "fx_rates": "date,base,quote,rate\n2024-12-30,USD,EUR,0.5\n",
    "listings": (
        "listing_id,model_id,listed_fault,end_time,terms,quantity,lot_id,offer,offer_result\n"
        "l1,m1,dead,2025-01-09,private,2,lot 7,80,refused\nl2,m1,dead,2025-01-09,,,,,\n"
        "l3,m1,dead,2025-01-09,swap,,,,\n"
    ),
    "answers": (
        "answer_id,month,model_id,listed_fault,answer,amount,note\n"
        "a1,2025-01,m1,dead,other_bid,70,=1+1\na2,2025-13,m1,dead,no,,\na3,2025-02,m1,dead,maybe,,\n"
    ),
}


@pytest.fixture(scope="module")
def optional(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    folder = tmp_path_factory.mktemp("optional")
    for name, text in OPTIONAL.items():
        (folder / f"{name}.csv").write_text(text)
    return read_logs(folder)


def test_optional_columns_are_read_and_checked(optional: Logs) -> None:
    """What may be left out is missing where it is, and a value that cannot be read is held."""
    sales, stock, listings, answers = (
        optional.tables[n] for n in ("sales", "stock", "listings", "answers")
    )
    assert sales["n_averaged"].fillna(1).tolist() == [1, 12]
    priced = price_rows(optional, "f", Priors())
    assert not isinstance(priced, CannotSay)
    assert priced.panel.counts.tolist() == [1, 12]
    assert stock["asking_amount"].tolist() == [250, 125]
    assert listings["terms"].tolist() == ["private", ""]
    assert listings.iloc[0][["quantity", "lot_id", "offer", "offer_result"]].tolist() == [
        2, "lot 7", 80, "refused",
    ]  # fmt: skip
    assert answers[["month", "answer", "amount"]].to_numpy().tolist() == [
        [pd.Timestamp("2025-01-01"), "other_bid", 70.0]
    ]
    held = optional.ledger.exceptions.groupby("table")["row_id"].agg(list).to_dict()
    assert held == {"sales": ["s3"], "listings": ["l3"], "answers": ["a2", "a3"]}


def test_a_model_without_a_launch_date_ages_from_the_first_day_it_is_seen(optional: Logs) -> None:
    """Its launch price anchors nothing; a model nobody saw counts from the newest day."""
    rows = optional.tables["catalogue"].set_index("model_id")
    assert rows["launch_known"].tolist() == [True, False, False]
    assert [str(d.date()) for d in rows["launch_date"]] == [
        "2024-01-01",
        "2025-03-02",
        "2025-03-02",
    ]
    assert rows["launch_amount"].fillna(0).tolist() == [500, 0, 0]


def test_answers_given_later_are_not_known_as_of_a_day(optional: Logs) -> None:
    assert len(optional.as_of("2024-12-31").tables["answers"]) == 0
    assert len(optional.as_of("2025-01-01").tables["answers"]) == 1
