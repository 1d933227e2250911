"""What the partners read first: words, the index's sentence, shelf, decisions and money."""

import json
import shutil
from dataclasses import replace

import pandas as pd
import pytest
from demo_copies import demo_logs
from family_by_hand import FIRST, NASTY, family_by_hand
from pages_by_hand import DEMO, Elements
from repair_horizon.decisions.month.listings import winning_told
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.logs import read_logs, read_settings
from repair_horizon.reports.made_from import (
    before_tables,
    keep_rules,
    last_month,
    with_last_month,
)
from repair_horizon.reports.month_tables import main_row, of_part, save_tables, short_names
from repair_horizon.reports.sections.prices import alert_lines, broken
from repair_horizon.reports.sections.this_month import (
    decisions,
    money_lines,
    named,
    shelf_section,
    worst_units,
)
from repair_horizon.reports.sentences import (
    headline,
    part_price_words,
    sentence,
    since_words,
    stop_of,
    until_words,
)
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import (
    WITHIN_LIMIT,
    Ahead,
    chance,
    dates_in_words,
    listing,
    money,
    number,
    percent,
    stop_words,
    verdict_words,
)

AHEAD = Ahead(FIRST, 24, 0.8)


class TestWords:
    @pytest.mark.parametrize(
        ("amount", "said"),
        [
            (1234.4, "EUR\u00a01,234"),
            (-12.6, "−EUR\u00a013"),
            (0.5, "under EUR\u00a01"),
            (0.0, "EUR\u00a00"),
            (-0.004, "EUR\u00a00"),
            (-0.2, "just under EUR\u00a00"),
            (float("nan"), "–"),
        ],
    )
    def test_money_has_thousands_sign_and_currency(self, amount, said):
        assert money(amount, "EUR") == said

    @pytest.mark.parametrize(
        ("share", "said"),
        [(0.314, "31"), (0.004, "under 1"), (0.997, "over 99"), (0.0, "0"), (1.0, "100")],
    )
    def test_a_small_chance_is_not_called_none_nor_a_large_one_certain(self, share, said):
        assert percent(share) == f"{said}\u00a0%"

    @pytest.mark.parametrize("output", ["thresholds", "bids", "plan"])
    def test_a_win_that_earns_little_is_not_said_to_earn_nothing(self, output):
        """Nor is an auction that is nearly sure a certainty: the file has the exact figure."""
        profit, win = (OUTPUTS[output].column(n) for n in ("expected_profit", "probability_win"))
        assert [profit.worded(v) for v in (0.3, 0.0, 12.4)] == ["under 1", "0", "12"]
        assert [win.worded(v) for v in (1.0, 0.9999, 0.42)] == [
            *["over 99\u00a0%"] * 2,
            "42\u00a0%",
        ]
        written = OUTPUTS[output].written(
            pd.DataFrame({"expected_profit": [0.304], "probability_win": [0.99996]})
        )
        assert written.to_numpy().tolist() == [[0.3, 1.0]]

    def test_a_price_asked_within_the_limit_is_no_chance_of_100_percent(self):
        rows = pd.DataFrame(
            {
                "terms": ["private", "private", "fixed_price", "auction", ""],
                "probability_win": [1.0, 0.4, float("nan"), 1.0, float("nan")],
                "room": [5.0, -2.0, 3.0, 40.0, 0.0],
            }
        )
        column = OUTPUTS["bids"].column("probability_win")
        said = [column.worded(v) for v in winning_told(rows)]
        assert said == [WITHIN_LIMIT, "40\u00a0%", WITHIN_LIMIT, "over 99\u00a0%", "–"]
        over = rows.assign(room=-1.0)
        assert column.worded(winning_told(over).iloc[2]) == "–"

    def test_numbers_never_show_minus_zero(self):
        assert [number(-0.3), number(-1200), number(None)] == ["0", "−1,200", "–"]

    def test_a_median_month_always_brings_its_interval(self):
        date = pd.Series({"median": "2027-03-01", "lower": "2027-01-01", "upper": "2027-06-01"})
        said = stop_words(date.map(pd.Timestamp), AHEAD)
        assert said == "March 2027 (80\u00a0%: January 2027 to June 2027)"

    def test_an_open_upper_end_is_said_and_not_dropped(self):
        date = pd.Series({"median": FIRST, "lower": FIRST, "upper": pd.NaT})
        assert stop_words(date, AHEAD) == "this month (80\u00a0%: to later than the forecast)"

    def test_until_when_it_pays_is_said_as_a_person_would(self):
        said = {
            "this month (80\u00a0%: to May 2027)": "buying no longer pays (80\u00a0%: to May 2027)",
            "any month now": "buying stops paying any month now",
            "May 2027": "buying stops paying in May 2027",
            "not within the 24 months forecast": "buying pays past the 24 months forecast",
            "cannot say": "buying: cannot say",
        }
        assert {when: until_words("buying", when) for when in said} == said

    def test_a_unit_to_be_bought_has_not_passed_its_stop(self):
        now = {f"buy_stop_{end}": FIRST for end in ("median", "lower", "upper")}
        bought, stopped = ({**now, "verdict": v} for v in (Verdict.BUY, Verdict.STOP))
        assert stop_of(pd.Series(bought), "buy_stop", AHEAD) == "any month now"
        assert stop_of(pd.Series(stopped), "buy_stop", AHEAD) == "this month"

    def test_no_month_within_the_forecast_gives_the_chance_instead(self):
        date = pd.Series({"median": pd.NaT, "lower": pd.NaT, "probability_12": 0.31})
        said = stop_words(date, AHEAD)
        assert said == "not within the 24 months forecast (31\u00a0% chance within 12 months)"

    def test_a_reason_for_silence_is_passed_on(self):
        date = pd.Series({"median": pd.NaT, "reason": "no hammer price seen"})
        assert stop_words(date, AHEAD) == "cannot say: no hammer price seen"

    def test_every_verdict_differs_in_shape_and_in_word(self):
        said = [verdict_words(v) for v in Verdict]
        assert len({s[0] for s in said}) == len({s[2:] for s in said}) == 4

    @pytest.mark.parametrize(
        ("share", "said"), [(0.62, "6 in 10"), (0.02, "hardly ever"), (0.98, "nearly always")]
    )
    def test_a_chance_is_so_many_in_ten_and_its_ends_are_not_certain(self, share, said):
        assert chance(share) == said

    def test_long_lists_are_cut_and_the_rest_counted(self):
        assert listing(["a", "b"]) == "a and b"
        assert listing(list("abcde"), 2) == "a, b and 3 others"

    def test_a_repair_as_likely_to_pay_as_not_is_not_said_to_have_stopped(self):
        """562 repaired against 554 as is, and a chance of 50.4 %: neither yes nor no."""
        unsure = "as likely as not (50\u00a0% chance that it has stopped)"
        date = {"median": FIRST, "lower": FIRST, "upper": None, "unsure": unsure}
        assert stop_words(date, AHEAD) == unsure
        assert until_words("repair", unsure) == f"repair pays {unsure}"
        row = family_by_hand().thresholds.iloc[1].copy()
        assert stop_of(row, "repair_stop", AHEAD).startswith("this month")
        row["repair_stop_said"] = unsure
        assert stop_of(row, "repair_stop", AHEAD) == unsure

    def test_without_a_known_repair_table_and_list_both_cannot_say(self):
        """A locked model: the list of dates has the reason, and so has the row of thresholds."""
        row = family_by_hand().thresholds.iloc[2].copy()
        said = "cannot say: no repair is known for this state"
        row["repair_stop_said"] = said
        assert stop_of(row, "repair_stop", AHEAD) == said
        assert until_words("repair", said) == f"repair: {said}"

    def test_iso_dates_in_a_warning_become_words_and_other_figures_stay(self):
        said = dates_in_words("ended on 2026-09-18, left its band in 2026-10, part 2026-99")
        assert said == "ended on 18 September 2026, left its band in October 2026, part 2026-99"

    def test_the_headline_says_what_to_buy_and_stop_with_the_bid_and_the_chance_of_winning(self):
        said = headline(family_by_hand())
        assert [s.split()[0] for s in said] == ["Buy", "Stop", "Nothing"]
        assert "(up to EUR\u00a0120, to repair, wins 6 in 10)" in said[0]
        assert said[2].endswith("no price is known.")

    def test_the_page_is_about_the_unit_that_earns_most(self):
        assert tuple(main_row(family_by_hand().thresholds)[["model_id", "listed_fault"]]) == (
            "m1",
            "display_dead",
        )

    def test_short_names_leave_out_what_all_share_but_stay_distinct(self):
        assert short_names(["Vonn Tal 1 (x)", "Vonn Tal 2 (x)"]) == ["Tal 1", "Tal 2"]
        assert short_names(["Vonn", "Vonn Tal"]) == ["Vonn", "Vonn Tal"]
        assert short_names(["Tal 1", ""]) == ["Tal 1", ""]


def main_rows():
    """Two families: one bought as before, one that was bought and is now stopped."""
    rows = family_by_hand().thresholds.iloc[:2].reset_index(drop=True)
    return rows.assign(
        family_id=["hand", "foot"],
        change=[-6.0, 1.0],
        verdict=["buy", "stop"],
        model_name=["Hand 1", "Foot 2"],
        verdict_before=["buy", "buy"],
    )


def hand_changes():
    return family_by_hand().changes


def kept(before):
    """What a page is told of the month before: the day known then, and its own settings."""
    return before.known, before.rules


class TestFirstPage:
    def test_one_sentence_says_what_to_do_what_changed_and_why(self):
        since = since_words(main_rows(), hand_changes(), "EUR", "2026-10")
        assert since == (
            "since October 2026: Foot 2 with display dead from buy to stop and "
            "Hand 1 with display dead down EUR\u00a06 (resale prices)"
        )
        said = sentence(main_rows(), "EUR", since)
        assert said.startswith(
            "Buy Hand 1 with display dead (up to EUR\u00a0120, to repair); buy nothing of "
        )
        assert said.endswith(f"; {since}.")
        assert said.count(". ") == 0

    def test_a_cause_that_pulled_the_other_way_is_not_named(self):
        rows = main_rows().assign(change=[6.0, 1.0])
        said = since_words(rows, hand_changes(), "EUR", "2026-10")
        assert "Hand 1 with display dead up EUR\u00a06 (parts)" in said

    def test_bids_that_hardly_moved_are_not_news(self):
        rows = main_rows().iloc[:1].assign(change=0.4)
        none = hand_changes().head(0)
        assert since_words(rows, none, "EUR", "2026-10").endswith("bids hardly moved")

    def test_last_month_is_read_only_where_it_was_written_whole(self, tmp_path):
        now = tmp_path / "2026-01"
        assert not last_month(now).month
        old = tmp_path / "2025-12"
        save_tables(family_by_hand(), old / "tables" / "hand")
        assert not last_month(now).month
        record = {"cutoff": "2025-11-30", "settings_sha256": "x"}
        record["families"] = [{"slug": "hand", "status": "done"}]
        (old / "run.json").write_text(json.dumps(record), encoding="utf-8")
        before = last_month(now)
        assert (before.month, before.known) == ("2025-12", "2025-11-30")
        rows = family_by_hand().thresholds.assign(max_bid=[125.0, 80.0, 0.0, None])
        joined = with_last_month(rows, before)
        assert list(joined["change"].iloc[:3]) == [5.0, 0.0, 0.0]
        assert joined["verdict_before"].iloc[2] == "stop"
        (old / "run.json").write_text("[]", encoding="utf-8")
        assert not last_month(now).month

    def test_last_months_own_settings_are_kept_beside_it(self, tmp_path):
        """What cannot be read any more counts as not kept, and the month still compares."""
        old, tables = tmp_path / "out" / "2025-12", tmp_path / "out" / "2026-01" / "tables" / "hand"
        save_tables(family_by_hand(), old / "tables" / "hand")
        record = {"cutoff": "2025-11-30", "settings_sha256": "x"}
        record["families"] = [{"slug": "hand", "status": "done"}]
        (old / "run.json").write_text(json.dumps(record), encoding="utf-8")
        assert kept(before_tables("2025-11-30", tables)) == ("2025-11-30", None)
        shutil.copy(DEMO / "settings.toml", tmp_path)
        keep_rules(tmp_path, old, Valuation())
        (tmp_path / "settings.toml").write_text("draws = 7\n", encoding="utf-8")
        own = read_settings(DEMO)
        assert kept(before_tables("2025-11-30", tables)) == ("2025-11-30", own)
        assert kept(before_tables("", tables)) == kept(before_tables("", "")) == ("", None)
        (old / "used" / "settings.toml").write_text("no = 1\n", encoding="utf-8")
        assert kept(before_tables("2025-11-30", tables)) == ("2025-11-30", None)

    def test_the_shelf_shows_the_dearest_delay_first_with_its_caution_as_text(self):
        owned = family_by_hand().shelf.assign(margin=5.0)
        assert list(worst_units(owned)["unit_id"]) == ["u2", "u1"]
        html = shelf_section(owned, {"m1": NASTY[0]}, "EUR").html
        seen = Elements(html)
        assert not [t for t, _ in seen.tags if t in ("script", "img")]
        words = "".join(seen.words)
        assert words.index("u2") < words.index("u1")
        assert "erase first, then repair" in words
        assert "1 more must not be worked on" in words
        assert NASTY[0] in words

    def test_at_most_five_units_are_named(self):
        owned = pd.concat([family_by_hand().shelf] * 5, ignore_index=True)
        assert len(worst_units(owned)) == 5

    def test_decisions_are_three_at_most_and_a_stop_month_keeps_its_interval(self):
        rows = main_rows()
        rows["buy_stop_median"] = pd.Timestamp("2027-01-01")
        rows["buy_stop_lower"] = FIRST
        rows["buy_stop_upper"] = pd.Timestamp("2027-03-01")
        said = decisions(rows, family_by_hand().shelf, "EUR", AHEAD)
        assert len(said) == 3
        assert said[0].endswith("maximum bids: Hand 1 with display dead EUR\u00a0120.")
        assert said[1].startswith("Buy no more of Foot 2 with display dead; say how many more")
        assert "Jan 2027 (80\u00a0%: now to Mar 2027)" in said[1]
        assert "u2 erase first, then repair; u1 repair" in said[2]
        assert decisions(rows.iloc[:0], pd.DataFrame(), "EUR", AHEAD) == []

    def test_money_that_the_logs_do_not_tell_is_said_with_its_reason(self, tmp_path):
        """Without a forecast and a sale that names its unit neither profit can be said."""
        logs, settings = demo_logs().as_of("2026-09-30"), read_settings(DEMO)
        nameless = logs.tables["sales"].assign(unit_id="")
        logs = replace(logs, folder=tmp_path, tables={**logs.tables, "sales": nameless})
        lines = money_lines(logs, settings, pd.Timestamp("2026-10-01"))
        assert next(iter(lines)) == "Profit in September 2026"
        assert all("cannot say: " in lines[k] for k in list(lines)[:2])

    def test_the_demo_says_what_its_forecasts_were_worth(self):
        """A year of won lots has forecasts and whole records, so both lines have figures."""
        lines = list(money_lines(demo_logs(), read_settings(DEMO), FIRST).values())
        assert "units sold; of " in lines[0]
        assert "lots came out" in lines[1]

    def test_profit_of_the_month_is_that_of_the_units_sold_in_it(self, tmp_path):
        """One unit whose chain is whole, sold in October; its parts come from the job."""
        for file in DEMO.iterdir():
            if file.stem != "forecasts":
                shutil.copy(file, tmp_path / file.name)
        stock = pd.read_csv(tmp_path / "stock.csv", dtype=str)
        stock[~stock["unit_id"].str.startswith("U7")].to_csv(tmp_path / "stock.csv", index=False)
        sales = pd.read_csv(tmp_path / "sales.csv", dtype=str)
        sold = sales["sale_date"].eq("2026-10-20") & sales["unit_id"].isna()
        at = sales[sold & sales["model_id"].eq("pellvarn_4")]
        row = (at if len(at) else sales[sales["model_id"].eq("pellvarn_4")]).index[-1]
        sales.loc[row, ["unit_id", "sale_date"]] = ["U2018", "2026-10-30"]
        sales.to_csv(tmp_path / "sales.csv", index=False)
        logs, settings = read_logs(tmp_path), read_settings(tmp_path)
        said = money_lines(logs, settings, FIRST)["Profit in October 2026"]
        assert "from 1 unit sold; no forecast of theirs was noted" in said
        (tmp_path / "forecasts.csv").write_text("entry_id,price\nx,much\n", encoding="utf-8")
        said = money_lines(logs, settings, FIRST)["Profit in October 2026"]
        assert "against forecast cannot say: forecasts.csv" in said


def test_a_slope_from_one_quote_is_never_told_as_a_fall() -> None:
    """With quotes of fewer than three days no rise or fall of a part is told; with three it is."""
    family = family_by_hand()
    curve = of_part(family.part_curve, ("m1", "DA"))
    curve = curve.assign(predicted=lambda t: t["predicted"] * 0.97**t.index)
    part = of_part(family.part_points, ("m1", "DA")).head(1)

    def title(days: list[str]) -> str:
        quotes = pd.concat([part] * len(days)).assign(quote_date=pd.to_datetime(days))
        return part_price_words(family, "Model, display", curve, quotes).title

    assert title(["2026-10-01"]).endswith("no trend of its own from 1 quote")
    assert "no trend" in title(["2026-10-01", "2026-10-01", "2026-10-02"])
    assert "parts fall by" in title(["2026-08-01", "2026-09-01", "2026-10-01"])


def test_a_lot_of_several_models_is_told_by_their_names() -> None:
    """Never by identifiers; a single listing reads as before."""
    models, about = pd.Series(["m1;m2", "m1"]), pd.Series(["no_power;battery_worn", "no_power"])
    said = named(models, about, {"m1": "Hand 1", "m2": "Hand 2"})
    assert said == ["Lot of Hand 1 and Hand 2: no power, battery worn", "Hand 1, no power"]


def test_a_warning_is_told_once_for_all_parts_it_concerns() -> None:
    """Two parts of one model share a line, another quality has its own, stale ones are counted."""
    rows = [
        ("DA", "m1", "", "end of supply", "supply ends on 2026-11-06"),
        ("BAT", "m1", "", "end of supply", "supply ends on 2026-11-06"),
        ("DA", "m1", "pulled", "left its band", "left its band in 2026-10"),
        ("DA", "m2", "", "stale", "newest quote is 300 days old"),
    ]
    names = ["part_code", "model_id", "quality_class", "kind", "words"]
    said = alert_lines(pd.DataFrame(rows, columns=names), {"m1": "Hand 1"})
    assert said == [
        "Hand 1, display and battery: supply ends on 6 November 2026.",
        "Hand 1, display (pulled): left its band in October 2026.",
        "1 kind of part has no quote newer than 180 days: ask again first.",
    ]


def test_what_broken_units_fetch_is_told_with_its_interval_rows_and_basis() -> None:
    """Sold as is and under the hammer; rivals stand in the CSV, and a family without has none."""
    month = family_by_hand()
    words = Elements(broken(month).html).words
    assert words[words.index("display dead") :] == [
        *("display dead", "as is", "31\u00a0%", "27\u00a0%", "36\u00a0%", "7", "own data"),
        *("display dead", "hammer price", "28\u00a0%", "22\u00a0%", "33\u00a0%", "12", "own data"),
    ]
    assert broken(month.with_tables(broken_prices=OUTPUTS["broken_prices"].empty())).html == ""
