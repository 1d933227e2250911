"""What the partners see: words, charts, pages, the month's folder."""

import base64
import hashlib
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from family_by_hand import FIRST, NASTY, family_by_hand
from hypothesis import given
from hypothesis import strategies as st
from pages_by_hand import DEMO, all_charts, all_tables, as_notebook

from kit.decisions import unit_bid
from kit.decisions.economics import unit_economics
from kit.decisions.shelf import shelf
from kit.estimation.estimates import Estimates, fit_family
from kit.estimation.forecast import forecast
from kit.logs import LogFault, read_logs, read_settings
from kit.logs.months import parse_month
from kit.reports import bid_sections, page_charts, records, sections
from kit.reports.agreed import decisions
from kit.reports.bid_sentences import change_sentence
from kit.reports.cautions import CAUTIONS, cautions_for
from kit.reports.choosing import for_page, main_row, short_names
from kit.reports.data_warnings import data_warnings
from kit.reports.decision_tables import THRESHOLD_COLUMNS
from kit.reports.family_month import family_month
from kit.reports.fragments import FIGURE_TYPE, Fragment
from kit.reports.last_month import last_month, with_last_month
from kit.reports.money import money_lines
from kit.reports.month import Order, write_month
from kit.reports.month_sentence import sentence, since_words
from kit.reports.naming import slug, slugs
from kit.reports.pages import PageWords, page_html, read_template, safe_json
from kit.reports.running import FamilyTask, run_family, template_notebook
from kit.reports.sentences import headline
from kit.reports.shelf_sections import shelf_section, worst_units
from kit.reports.wording import (
    CAUSES,
    Ahead,
    listing,
    money,
    number,
    percent,
    stop_words,
    verdict_words,
)
from kit.reports.writing import for_spreadsheet, read_saved, save_tables, write_text

AHEAD = Ahead(FIRST, 24, 0.8)


class Elements(HTMLParser):
    """Elements, attributes and text of a page, as a browser would see them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


class TestWords:
    @pytest.mark.parametrize(
        ("amount", "said"),
        [
            (1234.4, "EUR\u00a01,234"),
            (-12.6, "−EUR\u00a013"),
            (-0.2, "EUR\u00a00"),
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

    def test_numbers_never_show_minus_zero(self):
        assert [number(-0.3), number(-1200), number(None)] == ["0", "−1,200", "–"]

    def test_a_median_month_always_brings_its_interval(self):
        date = pd.Series({"median": "2027-03-01", "lower": "2027-01-01", "upper": "2027-06-01"})
        said = stop_words(date.map(pd.Timestamp), AHEAD)
        assert said == "March 2027 (80\u00a0%: January 2027 to June 2027)"

    def test_an_open_upper_end_is_said_and_not_dropped(self):
        date = pd.Series({"median": FIRST, "lower": FIRST, "upper": pd.NaT})
        assert stop_words(date, AHEAD) == "already now (80\u00a0%: to later than the forecast)"

    def test_no_month_within_the_forecast_gives_the_chance_instead(self):
        date = pd.Series({"median": pd.NaT, "lower": pd.NaT, "probability_12": 0.31})
        said = stop_words(date, AHEAD)
        assert said == "not within the 24 months forecast (31\u00a0% chance within 12 months)"

    def test_a_reason_for_silence_is_passed_on(self):
        date = pd.Series({"median": pd.NaT, "reason": "no hammer price seen"})
        assert stop_words(date, AHEAD) == "cannot say: no hammer price seen"

    def test_every_verdict_differs_in_shape_and_in_word(self):
        said = [verdict_words(v) for v in ("buy", "cap", "own stock only", "stop", "cannot say")]
        assert len({s[0] for s in said}) == len({s[2:] for s in said}) == 5

    def test_long_lists_are_cut_and_the_rest_counted(self):
        assert listing(["a", "b"]) == "a and b"
        assert listing(list("abcde"), 2) == "a, b and 3 others"

    def test_the_headline_says_what_to_buy_cap_and_stop_with_the_bid(self):
        said = headline(family_by_hand())
        assert [s.split()[0] for s in said] == ["Buy", "Cap", "Stop", "Nothing"]
        assert "(up to EUR\u00a0120)" in said[0]
        assert said[3].endswith("no price is known.")

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
    """Two families: one bought as before, one that was bought and is now capped."""
    rows = family_by_hand().thresholds.iloc[:2].reset_index(drop=True)
    return rows.assign(
        family_id=["hand", "foot"],
        change=[-6.0, 1.0],
        verdict_before=["buy", "buy"],
    )


class TestFirstPage:
    def test_one_sentence_says_what_to_do_what_changed_and_why(self):
        changes = {"hand": family_by_hand().changes}
        since = since_words(main_rows(), changes, "EUR", "2026-10")
        assert since == (
            "since October 2026: foot from buy to buy, capped and hand down EUR\u00a06 "
            "(resale prices)"
        )
        said = sentence(main_rows(), "EUR", since)
        assert said.startswith("Buy hand with display dead (up to EUR\u00a0120); cap foot")
        assert said.endswith(f"; {since}.")
        assert said.count(". ") == 0

    def test_a_cause_that_pulled_the_other_way_is_not_named(self):
        rows = main_rows().assign(change=[6.0, 1.0])
        said = since_words(rows, {"hand": family_by_hand().changes}, "EUR", "2026-10")
        assert "hand up EUR\u00a06 (parts)" in said

    def test_bids_that_hardly_moved_are_not_news(self):
        rows = main_rows().iloc[:1].assign(change=0.4)
        assert since_words(rows, {}, "EUR", "2026-10").endswith("bids hardly moved")

    def test_last_month_is_read_only_where_it_was_written_whole(self, tmp_path):
        now = tmp_path / "2026-01"
        assert last_month(now) is None
        old = tmp_path / "2025-12"
        save_tables(family_by_hand(), old / "tables" / "hand")
        assert last_month(now) is None
        record = {"cutoff": "2025-11-30", "settings_sha256": "x"}
        record["families"] = [{"slug": "hand", "status": "done"}]
        (old / "run.json").write_text(json.dumps(record), encoding="utf-8")
        before = last_month(now)
        assert (before.month, before.cutoff) == ("2025-12", "2025-11-30")
        rows = family_by_hand().thresholds.assign(max_bid=[125.0, 80.0, 0.0, None])
        joined = with_last_month(rows, before)
        assert list(joined["change"].iloc[:3]) == [5.0, 0.0, 0.0]
        assert joined["verdict_before"].iloc[1] == "cap"
        (old / "run.json").write_text("[]", encoding="utf-8")
        assert last_month(now) is None

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
        said = decisions(rows, family_by_hand().shelf, "EUR", FIRST)
        assert len(said) == 3
        assert said[0].endswith("hand EUR\u00a0120 and foot EUR\u00a080.")
        assert "Jan 2027 (80\u00a0%: now to Mar 2027)" in said[1]
        assert "u2 erase first, then repair; u1 repair" in said[2]
        assert decisions(rows.iloc[:0], pd.DataFrame(), "EUR", FIRST) == []

    def test_money_that_the_logs_do_not_tell_is_said_with_its_reason(self):
        logs, settings = read_logs(DEMO).as_of("2026-09-30"), read_settings(DEMO)
        lines = money_lines(logs, settings, pd.Timestamp("2026-10-01"))
        assert next(iter(lines)) == "Profit in September 2026"
        assert all("cannot say: " in lines[k] for k in list(lines)[:2])

    def test_profit_of_the_month_is_that_of_the_units_sold_in_it(self, tmp_path):
        """One unit whose chain is whole, sold in October; its parts come from the job."""
        for file in DEMO.iterdir():
            shutil.copy(file, tmp_path / file.name)
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


class TestBid:
    def test_a_bid_that_rose_and_fell_says_why_in_the_largest_shares(self):
        month = family_by_hand()
        said = change_sentence(month, main_row(month.thresholds), month.changes)
        assert "the bid fell by about EUR\u00a06 since 30 September 2026" in said
        assert said.index("resale prices −EUR\u00a08") < said.index("parts +EUR\u00a03")
        assert "fees" not in said

    def test_a_change_that_cannot_be_told_gives_its_reason(self):
        month = family_by_hand()
        silent = month.changes.iloc[:1].assign(change=None, reason="no sale was known")
        said = change_sentence(month, main_row(month.thresholds), silent)
        assert said.endswith("cannot be said: no sale was known.")

    def test_the_part_share_is_part_over_resale_with_a_guide_at_half(self):
        month = family_by_hand()
        shares = bid_sections.part_shares(month, ("m1", "DA"))
        assert shares["share"].to_numpy() == pytest.approx(60.0 / 420.0)
        figure = bid_sections.part_share_piece(month).figure
        assert [s.y0 for s in figure.layout.shapes if s.xref == "paper"] == [50.0]
        assert "14\u00a0% of resale, below the guide" in figure.layout.meta["title"]

    def test_both_ways_of_a_step_differ_in_hatching_and_not_only_in_colour(self):
        figure = bid_sections.sensitivity_piece(family_by_hand()).figure
        assert len({t.marker.pattern.shape for t in figure.data}) == 2
        assert "resale 5.1 % lower or display 12.00 dearer" in figure.layout.meta["sentence"]

    def test_taxes_are_called_arithmetic_only_where_a_scheme_is_set(self):
        settings, month = read_settings(DEMO), family_by_hand()
        assert bid_sections.tax_note(month, settings).html == ""
        taxed = replace(settings, tax=replace(settings.tax, scheme="margin", rate=0.2))
        assert "not tax advice" in bid_sections.tax_note(month, taxed).html

    def test_every_name_of_what_sets_a_bid_stands_in_the_glossary(self):
        source = Path(unit_bid.__file__).read_text(encoding="utf-8")
        names = set(re.findall(r'(?:wanted|out|bids)\["([a-z ,-]+)"\]', source))
        assert {"profit target", "chance of loss, lot", "loss cap", "return on cash"} <= names
        words = "".join(Elements(records.glossary().html).words)
        for name in names:
            assert name in words


@pytest.fixture(scope="module")
def worked_out():
    """The smallest family of the demo business, worked out on few draws."""
    logs, settings = read_logs(DEMO), replace(read_settings(DEMO), draws=200)
    counts = {f: len(logs.family(f).tables["sales"]) for f in logs.families}
    family = min(counts, key=counts.__getitem__)
    return logs, settings, family_month(logs, settings, family, parse_month("2026-11"))


class TestShortView:
    def test_the_shelf_is_the_one_that_the_stock_command_shows(self, worked_out):
        logs, settings, month = worked_out
        start = parse_month("2026-11")
        estimates = Estimates(
            logs.currency, logs.newest_day, {month.family_id: fit_family(logs, month.family_id)}
        )
        outlook = forecast(estimates, 3, settings.seed, settings.draws, start)
        owned = logs.family(month.family_id).tables["stock"]
        mine = replace(logs, tables={**logs.tables, "stock": owned})
        expected = shelf(mine, unit_economics(outlook, settings))
        assert len(expected)
        pd.testing.assert_frame_equal(month.shelf, expected)

    def test_inputs_are_sorted_by_how_far_they_move_the_bid(self, worked_out):
        moves = worked_out[2].moves
        reach = moves[["bid_worse", "bid_better"]].abs().max(axis=1).to_numpy()
        assert 1 <= len(moves) <= 5
        assert (reach[:-1] >= reach[1:]).all()
        price = moves[moves["input"] == "resale price"].iloc[0]
        assert price["bid_worse"] < 0 < price["bid_better"]

    def test_causes_of_a_change_are_told_from_the_day_last_month_knew(self, worked_out):
        logs, settings, month = worked_out
        assert set(month.changes["known_before"]) == {pd.Timestamp("2026-09-30")}
        assert set(month.changes["block"]) == set(CAUSES)
        start = parse_month("2026-11")
        same = family_month(logs, settings, month.family_id, start, "2026-10-31").changes
        moved = same.set_index("block")["change"].abs()
        assert moved.drop("time").max() == pytest.approx(0.0, abs=1e-9)
        assert moved["time"] > 0


class TestCautions:
    def test_locks_are_warned_of_only_where_a_unit_may_be_locked(self):
        with_lock = cautions_for("buying", "phone", ["display dead", "locked"])
        without = cautions_for("buying", "phone", ["display dead"])
        assert {c.heading for c in with_lock} - {c.heading for c in without} == {"Locked units"}

    def test_battery_repairs_bring_the_lithium_caution_and_name_the_fault(self):
        chosen = {c.heading: c for c in cautions_for("repairing", "watch", ["battery worn"])}
        assert chosen["Lithium cells"].concerns == ("battery worn",)

    def test_mains_caution_stays_with_devices_that_have_a_power_supply(self):
        headings = [c.heading for c in cautions_for("repairing", "phone", ["no power"])]
        assert "Mains parts" not in headings
        assert "Mains parts" in [c.heading for c in cautions_for("repairing", "console", [])]

    def test_every_box_defers_to_law_and_licensed_practice(self):
        month = family_by_hand()
        for step in {c.step for c in CAUTIONS}:
            box = sections.cautions(month, step).html
            assert "local law, codes and licensed practice come first" in box


class TestCharts:
    def test_each_chart_has_conclusion_sentence_and_unit(self):
        for chart in all_charts(family_by_hand()):
            layout = chart.figure.layout
            assert layout.meta["title"]
            assert layout.meta["sentence"]
            axes = f"{layout.xaxis.title.text} {layout.yaxis.title.text}"
            assert "EUR" in axes or "%" in axes

    def test_charts_stand_on_any_ground(self):
        for chart in all_charts(family_by_hand()):
            assert chart.figure.layout.paper_bgcolor == "rgba(0,0,0,0)"
            assert chart.figure.layout.plot_bgcolor == "rgba(0,0,0,0)"

    def test_names_from_the_data_never_stand_in_templates_nor_as_markup(self):
        for chart in all_charts(family_by_hand()):
            for trace in chart.figure.data:
                assert "script" not in (trace.hovertemplate or "")
                assert "onerror" not in (trace.hovertemplate or "")
            written = chart.figure.to_json()
            assert "<script" not in json.dumps(json.loads(written)["data"])
            assert "<img" not in json.dumps(json.loads(written)["data"])

    def test_won_lost_and_skipped_auctions_differ_in_shape(self):
        figure = page_charts.bid_pieces(family_by_hand())[0].figure
        shapes = [t.marker.symbol for t in figure.data if t.mode == "markers"]
        assert len(shapes) == len(set(shapes)) == 3

    def test_the_price_chart_draws_every_sale_of_the_shown_models(self):
        month = family_by_hand()
        figure = page_charts.price_piece(month).figure
        dots = sum(len(t.x) for t in figure.data if t.mode == "markers")
        assert dots == len(month.price_points)

    def test_the_crossing_band_runs_to_the_end_where_its_upper_month_is_open(self):
        figure = page_charts.scissors_piece(family_by_hand()).figure
        band = next(s for s in figure.layout.shapes if s.type == "rect")
        assert pd.Timestamp(band.x0) == pd.Timestamp("2027-01-01")
        assert pd.Timestamp(band.x1) == pd.Timestamp("2028-10-01")

    def test_a_family_of_which_nothing_is_known_gets_notes_instead_of_charts(self):
        month = family_by_hand()
        empty = {
            name: table.iloc[:0]
            for name, table in vars(month).items()
            if isinstance(table, pd.DataFrame)
        }
        blank = type(month)(**{**vars(month), **empty})
        pieces = all_charts(blank)
        assert all(isinstance(p, Fragment) and 'class="note"' in p.html for p in pieces)
        assert "Nothing is known" in sections.opening(blank).html
        for piece in all_tables(blank):
            assert isinstance(piece, Fragment)


@pytest.fixture(scope="module")
def page():
    month = for_page(family_by_hand())
    notebook = as_notebook([*all_tables(month), *all_charts(month)])
    return page_html(notebook, PageWords(f"Page of {NASTY[0]}", "invented <b>note</b>"))


class TestPage:
    def test_names_from_the_data_show_as_text_and_nothing_else(self, page):
        seen = Elements(page)
        words = "".join(seen.words)
        for name in NASTY:
            assert name in words
        assert not [t for t, _ in seen.tags if t in ("img", "iframe", "object", "b")]
        assert not [a for _, a in seen.tags if any(k.startswith("on") for k in a)]

    def test_the_only_scripts_are_ours(self, page):
        scripts = [a for t, a in Elements(page).tags if t == "script"]
        running = [a for a in scripts if a.get("type") != "application/json"]
        assert running == [{"src": "plotly.min.js"}, {}]

    def test_the_policy_names_the_hash_of_the_drawing_script(self, page):
        digest = hashlib.sha256(read_template("draw.js").encode()).digest()
        policy = next(a["content"] for t, a in Elements(page).tags if "http-equiv" in a)
        assert f"'sha256-{base64.b64encode(digest).decode()}'" in policy
        assert policy.startswith("default-src 'none'")
        assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]
        assert f"<script>{read_template('draw.js')}</script>" in page

    def test_nothing_on_the_page_points_outside(self, page):
        for tag, attributes in Elements(page).tags:
            for name in ("src", "href", "action", "data"):
                assert "//" not in attributes.get(name, ""), tag
        assert "mathjax" not in page.lower()
        assert "require.js" not in page.lower()

    def test_dollar_amounts_stay_as_they_are(self, page):
        assert "$5 and $6" in "".join(Elements(page).words)

    def test_header_cells_have_a_scope_and_charts_a_label(self, page):
        tags = Elements(page).tags
        assert all(a.get("scope") in ("row", "col") for t, a in tags if t == "th")
        charts = [a for _, a in tags if a.get("class") == "chart"]
        assert len(charts) == len(all_charts(family_by_hand()))
        assert all(a["role"] == "img" and len(a["aria-label"]) > 40 for a in charts)
        assert ("html", {"lang": "en"}) in tags

    def test_an_output_the_page_cannot_show_is_refused_not_dropped(self):
        notebook = as_notebook([Fragment("<p>x</p>")])
        notebook.cells[0].outputs[0]["data"] = {"image/png": "AAAA"}
        with pytest.raises(ValueError, match="image/png"):
            page_html(notebook, PageWords("x"))

    def test_chart_data_cannot_end_the_element_it_stands_in(self):
        value = {"a": "</script><!-- & \u2028"}
        written = safe_json(value)
        assert not set("<>&") & set(written)
        assert json.loads(written) == value

    def test_making_a_page_leaves_the_notebook_as_it_was(self):
        notebook = as_notebook(all_charts(family_by_hand()))
        before = json.dumps(notebook)
        page_html(notebook, PageWords("x"))
        assert json.dumps(notebook) == before
        assert FIGURE_TYPE in notebook.cells[0].outputs[0]["data"]

    def test_a_page_to_be_sent_alone_carries_the_drawing_library(self):
        page = page_html(as_notebook([]), PageWords("x"), whole=True)
        assert len(page) > 3_000_000
        assert 'plotly.min.js"' not in page


class TestFiles:
    @given(st.text(max_size=80))
    def test_file_names_are_safe_whatever_the_identifier(self, name):
        assert re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,80}", slug(name))

    def test_identifiers_that_look_alike_get_files_of_their_own(self):
        names = ["a", "A", "a/", "../a", "a\x00", "CON", "index", "", "é", "e", "..", "a" * 300]
        names.append(slug("A"))
        assert len({s.lower() for s in slugs(names).values()}) == len(names)
        assert not {"con", "index", "", "nul"} & set(slugs(names).values())

    def test_text_that_a_spreadsheet_would_run_is_marked_and_figures_are_not(self):
        table = pd.DataFrame({"model_id": ["=1+1", "-2", "+x", "ok", "-x"], "bid": [-1.5] * 5})
        safe = for_spreadsheet(table)
        assert list(safe["model_id"]) == ["'=1+1", "-2", "'+x", "ok", "'-x"]
        assert list(safe["bid"]) == [-1.5] * 5

    def test_a_write_that_fails_leaves_the_old_file_and_no_other(self, tmp_path, monkeypatch):
        write_text(tmp_path / "a.html", "old")

        def refuse(*_):
            raise OSError("disk full")

        monkeypatch.setattr("kit.reports.writing.os.replace", refuse)
        with pytest.raises(OSError, match="disk full"):
            write_text(tmp_path / "a.html", "new")
        assert [p.name for p in tmp_path.iterdir()] == ["a.html"]
        assert (tmp_path / "a.html").read_text() == "old"

    def test_saved_tables_read_back_with_identifiers_as_text(self, tmp_path):
        month = family_by_hand()
        odd = month.thresholds.assign(model_id=["007", "NA", "null", "1e5"])
        save_tables(type(month)(**{**vars(month), "thresholds": odd}), tmp_path)
        back = read_saved(tmp_path / "thresholds.csv")
        assert list(back["model_id"]) == ["007", "NA", "null", "1e5"]
        assert list(back["buy_stop_median"].dropna()) == list(odd["buy_stop_median"].dropna())


class TestNotebook:
    def test_the_template_is_bare_and_only_calls_the_library(self):
        notebook = nbformat.read(str(template_notebook()), as_version=4)
        code = [c for c in notebook.cells if c.cell_type == "code"]
        assert all(not c.outputs and c.execution_count is None for c in code)
        assert not any(re.search(r"^\s*(def|class|lambda)\b", c.source, re.M) for c in code)
        assert all(len(c.source.splitlines()) <= 16 for c in code)
        assert [c.metadata.get("tags") for c in code].count(["parameters"]) == 1


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    """The demo business; its last family's notebook is made to fail by ``broken_template``."""
    folder = tmp_path_factory.mktemp("workspace {braces}")
    for file in DEMO.iterdir():
        shutil.copy(file, folder / file.name)
    return folder


@pytest.fixture(scope="module")
def smallest(workspace):
    """The two families with the fewest sales, so that the month is made quickly."""
    logs = read_logs(workspace)
    counts = {f: len(logs.family(f).tables["sales"]) for f in logs.families}
    return sorted(counts, key=counts.__getitem__)[:2]


@pytest.fixture(scope="module")
def month(workspace, smallest):
    """A month in which the first of two families fails inside its notebook."""
    notebook = nbformat.read(str(template_notebook()), as_version=4)
    planted = f"if family_id == {smallest[0]!r}:\n    raise ValueError('planted <failure>')"
    notebook.cells.insert(3, nbformat.v4.new_code_cell(planted))
    broken = workspace / "broken.ipynb"
    nbformat.write(notebook, str(broken))
    seen = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("kit.reports.running.template_notebook", lambda: broken)
        run = write_month(
            workspace,
            "2026-11",
            order=Order(families=smallest, draws=200),
            progress=lambda *said: seen.append(said),
        )
    return run, seen


class TestMonth:
    def test_a_family_that_fails_is_marked_and_the_others_finish(self, month, smallest):
        run, seen = month
        assert run.failed == {smallest[0]: "ValueError: planted <failure>"}
        assert sorted((f, s) for f, s, _ in seen) == sorted(
            [(smallest[0], "failed"), (smallest[1], "done")]
        )
        index = run.index.read_text(encoding="utf-8")
        assert "planted &lt;failure&gt;" in index
        assert f'href="{smallest[1]}.html"' in index
        assert not (run.folder / f"{smallest[0]}.html").exists()
        assert (run.folder / f"{smallest[1]}.html").stat().st_size > 50_000

    def test_thresholds_have_the_agreed_columns_and_months(self, month):
        table = pd.read_csv(month[0].folder / "thresholds.csv", dtype=str)
        assert list(table.columns) == THRESHOLD_COLUMNS
        assert ",".join(THRESHOLD_COLUMNS) == (
            "family_id,model_id,listed_fault,max_bid,binding_limit,expected_profit,"
            "probability_loss,bid_next_month,buy_stop_lower,buy_stop_median,buy_stop_upper,"
            "repair_stop_lower,repair_stop_median,repair_stop_upper,n_sales,confidence,reason"
        )
        assert table["buy_stop_median"].dropna().str.fullmatch(r"\d{4}-\d{2}").all()
        assert len(table) > 5

    def test_rows_set_aside_are_those_of_the_whole_workspace(self, month, workspace):
        listed = pd.read_csv(month[0].folder / "set_aside.csv", dtype=str)
        assert len(listed) == len(read_logs(workspace).ledger.exceptions)

    def test_the_record_names_inputs_by_hash_and_no_place(self, month, workspace):
        text = (month[0].folder / "run.json").read_text(encoding="utf-8")
        record = json.loads(text)
        digest = hashlib.sha256((workspace / "sales.csv").read_bytes()).hexdigest()
        assert record["data_sha256"]["sales"] == digest
        assert (record["month"], record["draws"], record["seed"]) == ("2026-11", 200, 1)
        assert [f["status"] for f in record["families"]].count("failed") == 1
        assert str(workspace) not in text

    def test_the_page_has_charts_and_tables_and_says_the_data_are_invented(self, month, smallest):
        page = (month[0].folder / f"{smallest[1]}.html").read_text(encoding="utf-8")
        tags = Elements(page).tags
        assert len([a for _, a in tags if a.get("class") == "chart"]) >= 5
        assert len([t for t, _ in tags if t == "table"]) >= 6
        assert 'class="invented"' in page
        assert "Traceback" not in page

    def test_one_family_run_again_keeps_the_others_of_the_same_inputs(
        self, month, workspace, smallest
    ):
        run = write_month(workspace, "2026-11", order=Order(families=smallest[:1], draws=200))
        assert not run.failed
        assert sorted(r.family_id for r in run.families) == sorted(smallest)
        table = pd.read_csv(run.folder / "thresholds.csv", dtype=str)
        assert set(table["family_id"]) == set(smallest)

    def test_what_cannot_be_asked_for_is_said_before_anything_is_written(self, workspace):
        for order in (Order(families=["nobody"]), Order(as_of="31.10.2026")):
            with pytest.raises(LogFault, match="allowed"):
                write_month(workspace, "2025-01", order=order)
        with pytest.raises(LogFault, match="2026-13"):
            write_month(workspace, "2026-13")
        assert not (workspace / "out" / "2025-01").exists()

    def test_a_notebook_that_leaves_early_is_a_failure(self, tmp_path):
        cells = [nbformat.v4.new_code_cell(s) for s in ("import sys", "sys.exit(0)", "1")]
        for cell in cells[:1]:
            cell.metadata["tags"] = ["parameters"]
        path = tmp_path / "leaves.ipynb"
        nbformat.write(nbformat.v4.new_notebook(cells=cells), str(path))
        run = run_family(FamilyTask("f", "f", "F", "", tmp_path, {}), path)
        assert run.status == "failed"
        assert "did not run" in run.reason
        assert not (tmp_path / "f.html").exists()

    def test_stale_logs_are_warned_of(self, workspace):
        logs, settings = read_logs(workspace), read_settings(workspace)
        fresh = data_warnings(logs, settings, pd.Timestamp("2026-11-01"))
        stale = data_warnings(logs, settings, pd.Timestamp("2027-06-01"))
        assert next(w for w in stale if w not in fresh).startswith("The newest of the sales")


def test_part_warnings_name_shifts_and_only_count_old_quotes() -> None:
    html = bid_sections.part_warnings(for_page(family_by_hand())).html
    assert "left its band in 2026-10" in html
    assert "300 days" not in html
    assert "1 kinds of part have no quote newer than 180 days" in html
