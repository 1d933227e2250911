"""What is taken for now, which rates and refunds are believed, and which amounts are prices."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.logs import Logs, read_logs
from repair_horizon.logs.partitioning import partition
from repair_horizon.tables.faults import HELD, SET_ASIDE

CATALOGUE = (
    "model_id,family_id,device_class,launch_date,launch_price\n"
    "m1,f,phone,2020-01-01,500\nm2,f,phone,2020-01-01,500\n"
    "m3,g,laptop,2020-01-01,900\nm4,g,laptop,2020-01-01,900\n"
)
HEAD = (
    "sale_id,model_id,sale_date,gross_amount,currency,record_type,refers_to_sale_id,"
    "price_type,quantity,source_ref\n"
)
TODAY = "2026-06-30"
Workspace = Callable[..., Path]


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    def write(sales: str = "", **others: str) -> Path:
        texts = {"catalogue.csv": CATALOGUE, "sales.csv": HEAD + sales}
        texts |= {f"{name}.csv": text for name, text in others.items()}
        texts |= {"settings.toml": others.get("settings", 'currency = "EUR"\n')}
        for name, text in texts.items():
            if name != "settings.csv":
                (tmp_path / name).write_text(text)
        return tmp_path

    return write


def row(sale_id: str, day: str, amount: float = 300, model: str = "m1", **other: str) -> str:
    more = {"currency": "EUR", "record_type": "", "refers": "", "price": "", "quantity": ""}
    more |= {"ref": ""} | other
    return ",".join([sale_id, model, day, f"{amount:g}", *more.values()]) + "\n"


def weekly(n: int = 60, model: str = "m1", start: str = "2025-01-01") -> str:
    days = pd.date_range(start, periods=n, freq="7D")
    return "".join(row(f"{model}-{i}", f"{d:%Y-%m-%d}", 300 + i, model) for i, d in enumerate(days))


def told(logs: Logs, table: str = "sales") -> dict[str, tuple[str, str]]:
    lines = logs.ledger.exceptions
    lines = lines[lines["table"] == table]
    return {
        i: (s, r) for i, s, r in zip(lines["row_id"], lines["status"], lines["reason"], strict=True)
    }


class TestNow:
    def test_a_lone_row_far_ahead_sets_nothing_where_the_clock_is_wrong_too(
        self, workspace
    ) -> None:
        """Most rows lie after the clock's day, so it is not believed; nor is the one of 2031."""
        logs = read_logs(workspace(weekly() + row("late", "2031-02-01")), today="2025-03-01")
        assert f"{logs.newest_day:%Y-%m-%d}" == "2026-02-18"
        assert told(logs)["late"][0] == HELD

    def test_a_lone_row_far_after_all_others_is_held_with_its_line(self, workspace) -> None:
        """Whichever table it is in; it sets neither now nor a forecast's first month."""
        quote = (
            "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency\n"
        )
        late = {
            "sales": (weekly() + row("late", "2026-08-20"), {}),
            "part_quotes": (
                weekly(), {"part_quotes": quote + "late,2026-09-09,m1,DA,pulled,s,9,EUR\n"},
            ),
            "repairs": (
                weekly(),
                {"repairs": "job_id,unit_id,model_id,opened,listed_fault\n"
                 "late,u,m1,2027-02-01,x\n"},
            ),
            "listings": (
                weekly(),
                {"listings": "listing_id,model_id,listed_fault,end_time,result\n"
                 "late,m1,x,2031-02-01,lost\n"},
            ),
            "stock": (
                weekly(),
                {"stock": "unit_id,model_id,buy_date,currency,state,status\n"
                 "late,m1,2031-02-01,EUR,working,bench\n"},
            ),
        }  # fmt: skip
        for table, (sales, others) in late.items():
            day = "2027-12-31"
            folder = workspace(sales, **others)
            logs = read_logs(folder, today=day)
            lines = logs.ledger.exceptions
            assert lines["row_id"].tolist() == ["late"], table
            assert lines["status"].tolist() == [HELD]
            assert lines["line"].tolist() == [62 if table == "sales" else 2]
            assert "2026-02-18" in lines["allowed"].iloc[0]
            assert logs.newest_day == pd.Timestamp("2026-02-18"), table
            for name in others:
                (folder / f"{name}.csv").unlink()

    def test_what_may_lie_ahead_lies_ahead(self, workspace) -> None:
        """An open listing's end, a successor's launch, the end of a part, a quote's last day."""
        quote = (
            "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,"
            "currency,valid_until\nq,2026-02-01,m1,DA,pulled,s,9,EUR,2031-01-01\n"
        )
        listings = "listing_id,model_id,listed_fault,end_time,result\nopen,m1,x,2031-02-01,\n"
        folder = workspace(weekly(), part_quotes=quote, listings=listings)
        (folder / "catalogue.csv").write_text(
            CATALOGUE.replace("launch_price\n", "launch_price,successor_launch_date\n")
            .replace("500\n", "500,2031-01-01\n")
            .replace("900\n", "900,2032-01-01\n")
        )
        logs = read_logs(folder, today=TODAY)
        assert logs.ledger.exceptions.empty
        assert logs.newest_day == pd.Timestamp("2026-02-18")

    def test_now_is_said_with_the_rows_that_set_it(self, workspace) -> None:
        logs = read_logs(workspace(weekly()), today=TODAY)
        said = "Now is 2026-02-18, the day of the newest rows: sales.csv line 61 (m1-59)."
        assert logs.now_words == said
        early = logs.as_of("2001-01-01").now_words
        said = "nothing had been logged by then, so figures are the device classes' alone"
        assert early == f"Now is 2001-01-01: {said}."

    def test_a_day_asked_for_after_the_newest_row_is_answered(self, workspace) -> None:
        """It changes nothing, which nobody could see; the newest day itself needs no word."""
        logs = read_logs(workspace(weekly()), today=TODAY)
        later = logs.as_of("2026-05-31").now_words_asked("2026-05-31")
        assert later == f"{logs.now_words} Nothing is logged after it up to 2026-05-31."
        assert logs.now_words_asked("2026-02-18") == logs.now_words_asked(None) == logs.now_words

    def test_work_taken_up_again_is_believed(self, workspace) -> None:
        """After a pause as long as the log, today's rows are no slip; nor are those of many."""
        again = row("again", "2026-06-20")
        assert told(read_logs(workspace(weekly(20) + again), today=TODAY)) == {}
        many = "".join(row(f"n{i}", f"2026-03-{i + 1:02d}") for i in range(9))
        assert told(read_logs(workspace(weekly(20) + many), today="2027-06-30")) == {}
        sparse = "".join(row(f"s{y}", f"{y}-05-01") for y in range(2020, 2027))
        assert told(read_logs(workspace(sparse), today="2027-06-30")) == {}

    def test_a_clock_that_is_behind_holds_no_log(self, workspace) -> None:
        """Rows by the dozen after today are believed, and that is said."""
        logs = read_logs(workspace(weekly()), today="2025-02-01")
        assert told(logs) == {}
        assert "not the clock" in logs.notes[0]

    def test_every_family_alone_gives_the_same_verdict(self, workspace) -> None:
        """Also where the day that makes a row lone is in parts left unread."""
        late = row("late", "2026-09-20", model="m3")
        folder = workspace(weekly() + weekly(8, "m3") + late)
        for parted in (False, True):
            if parted:
                partition(folder)
            for families in (None, ["g"]):
                assert list(told(read_logs(folder, families, today="2027-01-01"))) == ["late"]
            assert told(read_logs(folder, ["f"], today="2027-01-01")) == {}


class TestRefunds:
    def test_what_came_later_does_not_reach_back(self, workspace) -> None:
        """Before the refund's day the sale stands, at its whole price; from then on it does not."""
        sales = weekly() + (
            row("r1", "2025-06-01", -300, record_type="refund", refers="m1-1")
            + row("r2", "2025-06-01", -50, record_type="partial_refund", refers="m1-2")
            + row("r3", "2025-08-01", -20, record_type="partial_refund", refers="m1-2")
        )
        logs = read_logs(workspace(sales), today=TODAY)

        def amounts(day: str) -> dict[str, float]:
            rows = logs.as_of(day).tables["sales"].set_index("sale_id")["amount"]
            return rows[rows.index.isin(["m1-1", "m1-2"])].to_dict()

        assert amounts("2025-05-31") == {"m1-1": 301, "m1-2": 302}
        assert amounts("2025-06-01") == pytest.approx({"m1-2": 252})
        assert amounts("2026-01-01") == pytest.approx({"m1-2": 232})
        earlier = logs.as_of("2025-07-01").as_of("2025-05-31").tables["sales"]
        pd.testing.assert_frame_equal(earlier, logs.as_of("2025-05-31").tables["sales"])
        family = logs.of(["f"]).as_of("2025-05-31").tables["sales"]
        pd.testing.assert_frame_equal(family, earlier)
        assert len(logs.family("g").as_of("2025-05-31").tables["sales"]) == 0

    def test_a_refund_in_another_currency_is_converted_at_its_day(self, workspace) -> None:
        rates = "date,base,quote,rate\n2025-05-30,USD,EUR,0.5\n2025-06-20,USD,EUR,0.6\n"
        sales = weekly() + (
            row(
                "r", "2025-06-21", -100, currency="USD", record_type="partial_refund", refers="m1-2"
            )
            + row(
                "x", "2025-06-01", -9, currency="CHF", record_type="partial_refund", refers="m1-3"
            )
        )
        logs = read_logs(workspace(sales, fx_rates=rates), today=TODAY)
        rows = logs.tables["sales"].set_index("sale_id")["amount"]
        assert rows["m1-2"] == pytest.approx(302 - 60)
        assert told(logs)["m1-3"] == (HELD, "no exchange rate for what was paid back")

    def test_a_sale_paid_back_in_parts_until_nothing_is_left_counted_until_then(
        self, workspace
    ) -> None:
        """Also one whose refund has no rate: held from the refund's day on, a sale before it."""
        back = {"record_type": "partial_refund"}
        sales = weekly() + (
            row("r", "2025-06-01", -200, refers="m1-1", **back)
            + row("q", "2025-06-21", -101, refers="m1-1", **back)
            + row("x", "2025-06-21", -9, currency="CHF", refers="m1-3", **back)
        )
        logs = read_logs(workspace(sales), today=TODAY)
        assert told(logs)["m1-1"] == (HELD, "all of it was paid back, or more")
        assert told(logs)["m1-3"] == (HELD, "no exchange rate for what was paid back")
        assert not logs.tables["sales"]["sale_id"].isin(["m1-1", "m1-3"]).any()
        early = logs.as_of("2025-06-20").tables["sales"].set_index("sale_id")["amount"]
        assert early[["m1-1", "m1-3"]].to_list() == [301, 303]

    def test_refunds_of_sales_nobody_knows_are_told(self, workspace) -> None:
        sales = weekly() + (
            row("a", "2025-06-01", -300, record_type="refund", refers="gone")
            + row("bad", "2025-06-31", 300)
            + row("b", "2025-06-02", -300, record_type="refund", refers="bad")
            + row("c", "2025-06-02", -300, record_type="refund")
            + row("d", "2025-06-02", -300, record_type="refund", refers="m1-1")
        )
        got = told(read_logs(workspace(sales), today=TODAY))
        assert {i: got[i][1] for i in "abcd"} == {
            "a": "a refund or cancellation of a sale the log does not have",
            "b": "a refund or cancellation of a sale held for review",
            "c": "a refund or cancellation that names no sale",
            "d": "a refund or cancellation record, not a sale",
        }


class TestRates:
    @pytest.mark.parametrize(
        ("odd", "reason"),
        [
            ("2025-02-01,USD,EUR,9.1", "the rate jumps against those of the days around"),
            ("2025-02-01,USD,EUR,0.091", "the rate jumps against those of the days around"),
            ("2025-02-01,USD,EUR,1.1111", "the rate stands the wrong way round"),
            ("2025-02-01,EUR,USD,0.9", "the rate stands the wrong way round"),
            ("2025-01-31,USD,EUR,0.95", "another rate of the day contradicts it"),
            ("2025-02-01,EUR,EUR,1", "a rate between a currency and itself"),
        ],
    )
    def test_a_rate_that_cannot_be_is_held_alone(self, workspace, odd: str, reason: str) -> None:
        """Its neighbours, in either direction, stay."""
        days = pd.date_range("2025-01-01", periods=12, freq="5D")
        good = [f"{d:%Y-%m-%d},USD,EUR,{0.9 + 0.002 * (i % 3)}" for i, d in enumerate(days)]
        good[3] = f"{days[3]:%Y-%m-%d},EUR,USD,1.11"
        text = "\n".join(["date,base,quote,rate", *good[:5], odd, *good[5:]]) + "\n"
        logs = read_logs(workspace(weekly(), fx_rates=text), today=TODAY)
        assert told(logs, "fx_rates") == {"line 7": (HELD, reason)}
        assert len(logs.tables["fx_rates"]) == 12
        shown = logs.ledger.exceptions.iloc[0]["found"]
        assert all(part in shown for part in odd.split(",")[1:3])

    def test_two_that_contradict_each_other_are_both_held(self, workspace) -> None:
        text = "date,base,quote,rate\n2025-01-01,USD,EUR,0.9\n2025-02-01,USD,EUR,9\n"
        logs = read_logs(workspace(weekly(), fx_rates=text), today=TODAY)
        assert set(told(logs, "fx_rates")) == {"line 2", "line 3"}

    def test_rates_that_move_as_rates_do_are_used(self, workspace) -> None:
        rng = np.random.default_rng(4)
        path = 0.9 * np.exp(np.cumsum(rng.normal(0, 0.02, 200)))
        days = pd.date_range("2025-01-01", periods=200)
        lines = [f"{d:%Y-%m-%d},USD,EUR,{r:.4f}" for d, r in zip(days, path, strict=True)]
        yen = [f"{d:%Y-%m-%d},EUR,JPY,{160 * r:.2f}" for d, r in zip(days, path, strict=True)]
        text = "\n".join(["date,base,quote,rate", *lines, *yen, lines[0]]) + "\n"
        assert told(read_logs(workspace(weekly(), fx_rates=text), today=TODAY), "fx_rates") == {}


class TestAmounts:
    def test_digits_of_a_placeholder_are_held_near_the_usual_price_and_set_aside_far_off(
        self, workspace
    ) -> None:
        usual = "".join(row(f"u{i}", f"2025-03-{i + 1:02d}", 1150 + i, "m3") for i in range(20))
        odd = {"p1": 1111, "p2": 1234, "p3": 99999, "p4": 12345, "p5": 1}
        rows = "".join(row(i, "2025-03-15", a, "m3") for i, a in odd.items())
        near = (HELD, "digits of a placeholder, near the usual price")
        far = (SET_ASIDE, "placeholder amount")
        assert told(read_logs(workspace(usual + rows), today=TODAY)) == {
            "p1": near, "p2": near, "p3": far, "p4": far, "p5": far,
        }  # fmt: skip

    def test_a_price_just_under_a_round_one_is_a_price(self, workspace) -> None:
        usual = "".join(row(f"u{i}", f"2025-03-{i + 1:02d}", 9900 + i, "m3") for i in range(20))
        rows = usual + "".join(row(f"n{i}", f"2025-04-{i + 1:02d}", 9999, "m3") for i in range(4))
        assert told(read_logs(workspace(rows), today=TODAY)) == {}

    def test_an_amount_that_fills_gaps_of_several_models_is_held_everywhere(
        self, workspace
    ) -> None:
        """Repetition tells it, though near one model's price and not of odd digits."""
        usual = [200, 300, 700, 1400]
        rows = "".join(
            row(f"m{m}-{i}", f"2025-03-{i + 1:02d}", usual[m - 1] + i, f"m{m}")
            for m in range(1, 5)
            for i in range(20)
        )
        fill = "".join(
            row(f"f{m}{i}", f"2025-03-2{i}", 711.5, f"m{m}") for m in range(1, 5) for i in (1, 2)
        )
        got = told(read_logs(workspace(rows + fill), today=TODAY))
        assert set(got) == {f"f{m}{i}" for m in range(1, 5) for i in (1, 2)}
        assert {s for s, _ in got.values()} == {HELD}

    def test_a_lot_at_the_price_of_one_is_told(self, workspace) -> None:
        lots = row("one", "2025-06-02", 320, quantity="3") + row(
            "three", "2025-06-02", 900, quantity="3"
        )
        got = told(read_logs(workspace(weekly() + lots), today=TODAY))
        assert got["one"][1] == "several pieces at the usual price of one: is the quantity right?"
        assert got["three"][1] == "several pieces in one price"

    @pytest.mark.parametrize("ref", ["", "list of March"])
    def test_equal_prices_of_different_offers_all_count(self, workspace, ref: str) -> None:
        """A price list asks the same for many units: that says nothing of one seen again."""
        rows = "".join(
            row(
                f"a{i}", f"2025-03-{1 + i % 28:02d}", 1299.99 + i % 3, "m3", price="asking", ref=ref
            )
            for i in range(300)
        )
        logs = read_logs(workspace(rows), today=TODAY)
        assert told(logs) == {}

    def test_where_equal_prices_are_usual_none_is_taken_and_that_is_told(self, workspace) -> None:
        """Every price of a list comes a second time days later: other units, or all seen again."""
        rows = "".join(
            row(f"{when}{i}", f"2025-03-{day + i % 9:02d}", 700.01 + 3.37 * i, "m3", price="asking")
            for when, day in (("a", 1), ("b", 11))
            for i in range(60)
        )
        logs = read_logs(workspace(rows), today=TODAY)
        assert told(logs) == {}
        said = [n for n in logs.notes if "asking prices return within 14 days" in n]
        assert said[0].startswith("59 of 120"), said  # 791.00 is too round to tell

    def test_the_same_offer_is_counted_once_unless_a_setting_says_no(self, workspace) -> None:
        """Its reference of its own returns, at a round price too; after a month it is anew."""
        ask = {"price": "asking", "ref": "offer-7"}
        rows = weekly() + row("a", "2025-03-01", 410, **ask) + row("b", "2025-03-10", 410, **ask)
        rows += row("c", "2025-06-10", 410, **ask)
        rows += row("d", "2025-03-01", 410, price="asking", ref="offer-8")
        folder = workspace(rows)
        assert told(read_logs(folder, today=TODAY)) == {
            "b": (SET_ASIDE, "the same offer again within 14 days")
        }
        (folder / "settings.toml").write_text('currency = "EUR"\n[reading]\nrepost_days = 0\n')
        assert told(read_logs(folder, today=TODAY)) == {}


def test_families_without_fault_states_get_those_of_their_class(workspace) -> None:
    """And they are named as such; a family with rows of its own keeps just those."""
    states = (
        "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
        "f,cracked,display,1,DA,1,0.9\n"
    )
    logs = read_logs(workspace(weekly(), fault_states=states), today=TODAY)
    rows = logs.tables["fault_states"]
    assert rows.loc[rows["family_id"] == "f", "basis"].tolist() == ["own"]
    class_rows = rows[rows["family_id"] == "g"]
    assert set(class_rows["basis"]) == {"class"}
    assert class_rows.groupby("listed_fault")["prior_share"].sum().to_numpy() == pytest.approx(1.0)
    assert len(class_rows) > 10
    assert logs.notes == ("Fault states of the device class are used for g: fault_states.csv has "
                          "none.",)  # fmt: skip
    assert len(logs.family("g").tables["fault_states"]) == len(class_rows)
