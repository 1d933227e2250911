"""A family's page: its bid, its cautions, its charts, and the HTML around them."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from demo_copies import demo_logs_of
from family_by_hand import NASTY, family_by_hand
from pages_by_hand import DEMO, Elements, all_charts, all_tables, as_notebook
from repair_horizon.charts.style import plain
from repair_horizon.decisions.cautions import CAUTIONS, cautions_for
from repair_horizon.decisions.unit import bid as unit_bid
from repair_horizon.logs import read_settings
from repair_horizon.reports.family import family_month
from repair_horizon.reports.html import FIGURE_TYPE, Column, Fragment, table
from repair_horizon.reports.made_from import Before
from repair_horizon.reports.month_tables import for_page, main_row
from repair_horizon.reports.page import page_html, page_parts, read_template, safe_json
from repair_horizon.reports.sections import back, bids, prices
from repair_horizon.reports.sentences import change_sentence
from repair_horizon.shop import shop_of
from repair_horizon.tables.codes import Cause
from repair_horizon.tables.months import parse_month
from repair_horizon.tables.outputs import OUTPUTS


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
        shares = prices.part_shares(month, ("m1", "DA"))
        assert shares["share"].to_numpy() == pytest.approx(60.0 / 420.0)
        figure = prices.part_share_piece(month).figure
        assert [s.y0 for s in figure.layout.shapes if s.xref == "paper"] == [50.0]
        assert "14\u00a0% of resale, below the guide" in figure.layout.meta["title"]

    def test_both_ways_of_a_step_differ_in_hatching_and_not_only_in_colour(self):
        figure = bids.sensitivity_piece(family_by_hand()).figure
        assert len({t.marker.pattern.shape for t in figure.data}) == 2
        assert "resale 5.1 % lower or display 12.00 dearer" in figure.layout.meta["sentence"]

    def test_taxes_are_called_arithmetic_only_where_a_scheme_is_set(self):
        settings, month = read_settings(DEMO), family_by_hand()
        assert bids.tax_note(month, settings).html == ""
        taxed = replace(settings, tax=replace(settings.tax, scheme="margin", rate=0.2))
        assert "not tax advice" in bids.tax_note(month, taxed).html

    def test_every_name_of_what_sets_a_bid_stands_in_the_glossary(self):
        source = Path(unit_bid.__file__).read_text(encoding="utf-8")
        names = set(re.findall(r'(?:wanted|out|bids)\["([a-z ,-]+)"\]', source))
        assert {"profit target", "chance of loss, lot", "loss cap", "return on cash"} <= names
        words = "".join(Elements(back.glossary().html).words)
        for name in names:
            assert name in words


@pytest.fixture(scope="module")
def worked_out():
    """The smallest family of the demo business beside another, worked out on few draws."""
    settings = replace(read_settings(DEMO), draws=200)
    shop = shop_of(demo_logs_of("ulmvrist_watch", "grabvyx_console"), settings)
    return shop, settings, family_month(shop, "ulmvrist_watch", parse_month("2026-11"))


class TestShortView:
    def test_the_shelf_is_the_one_that_the_stock_command_shows(self, worked_out):
        shop, _, month = worked_out
        expected = shop.stock("2026-11")
        mine = shop.logs.family(month.family_id).tables["catalogue"]["model_id"]
        expected = expected[expected["model_id"].isin(mine)].reset_index(drop=True)
        assert len(expected)
        pd.testing.assert_frame_equal(
            month.shelf.sort_values("unit_id", ignore_index=True),
            expected[list(month.shelf)].sort_values("unit_id", ignore_index=True),
        )

    def test_inputs_are_sorted_by_how_far_they_move_the_bid(self, worked_out):
        moves = worked_out[2].moves
        reach = moves[["bid_worse", "bid_better"]].abs().max(axis=1).to_numpy()
        assert 1 <= len(moves) <= 5
        assert (reach[:-1] >= reach[1:]).all()
        price = moves[moves["input"] == "resale price"].iloc[0]
        assert price["bid_worse"] < 0 < price["bid_better"]

    def test_causes_of_a_change_are_told_from_the_day_last_month_knew(self, worked_out):
        shop, _, month = worked_out
        assert set(month.changes["known_before"]) == {pd.Timestamp("2026-09-30")}
        assert set(month.changes["block"]) == set(Cause)
        start = parse_month("2026-11")
        same = family_month(shop, month.family_id, start, Before("2026-10-31")).changes
        moved = same.set_index("block")["change"].abs()
        assert not same["own_rules"].any()
        assert moved.drop("time").max() == pytest.approx(0.0, abs=1e-9)
        assert moved["time"] > 0

    def test_a_change_of_the_rules_is_told_with_last_months_own_settings(self, worked_out):
        """Nothing new is known: dearer hours go to 'settings', dearer carriage to 'fees'."""
        shop, settings, month = worked_out
        then = replace(settings, by_class={})
        dearer = replace(then.bench, rate_per_hour=then.bench.rate_per_hour + 10)
        carriage = replace(then.purchase, inbound=then.purchase.inbound + 10)
        now = replace(then, bench=dearer, purchase=carriage)
        before = Before("2026-10-31", then)
        start = parse_month("2026-11")
        changes = family_month(shop.with_rules(now), month.family_id, start, before).changes
        moved = changes.set_index("block")["change"]
        assert changes["own_rules"].all()
        assert moved["settings"] < -1
        assert moved["fees"] < -1
        assert moved[["price", "part", "yield"]].abs().max() == pytest.approx(0.0, abs=1e-9)

    def test_the_page_says_by_which_settings_last_month_was_worked_out(self):
        month = family_by_hand()
        assert "with the settings as they are now" in bids.bid_change(month).html
        own = month.with_tables(changes=month.changes.assign(own_rules=True))
        assert "each with its own settings" in bids.bid_change(own).html


class TestCautions:
    def test_each_caution_names_its_source_or_says_that_there_is_none(self):
        for caution in CAUTIONS:
            named = re.search(r"\d{3}|\w\.(gov|com|int|org)", caution.source)
            assert named or "common practice, no source" in caution.source, caution.heading

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
            box = bids.cautions(month, step).html
            assert "local law, codes and licensed practice come first" in box


class TestCharts:
    def test_each_chart_has_conclusion_sentence_and_unit(self):
        for chart in all_charts(family_by_hand()):
            layout = chart.figure.layout
            assert layout.meta["title"]
            assert layout.meta["sentence"]
            axes = f"{layout.xaxis.title.text} {layout.yaxis.title.text}"
            assert "EUR" in axes or "%" in axes

    def test_amounts_of_a_thousand_and_more_are_told_with_thousands_apart(self):
        for chart in all_charts(family_by_hand()):
            assert chart.figure.layout.yaxis.separatethousands

    def test_lines_of_further_models_stand_in_the_legend_once(self):
        month = family_by_hand()
        figure = prices.price_piece(month).figure
        thin = [t for t in figure.data if t.legendgroup == "others"]
        assert [t.showlegend for t in thin] == [True] + [False] * (len(thin) - 1) or not thin

    def test_a_page_draws_what_plotly_draws(self):
        """The plain data of a page are a valid figure: its traces, to six digits, and layout."""
        for chart in all_charts(family_by_hand()):
            plain, figure = go.Figure(chart.drawing.plain()), chart.figure
            plain.layout.template = figure.layout.template
            at_midnight = figure.to_json().replace("T00:00:00", "")
            assert json.loads(plain.to_json())["layout"] == json.loads(at_midnight)["layout"]
            for told, drawn in zip(plain.data, figure.data, strict=True):
                assert told.to_plotly_json().keys() == drawn.to_plotly_json().keys()
                for axis in ("x", "y"):
                    ours, theirs = (pd.Series(list(t[axis])) for t in (told, drawn))
                    if pd.api.types.is_numeric_dtype(theirs):
                        most = theirs.abs().max()
                        np.testing.assert_allclose(ours, theirs, atol=1e-5 * most)
                    elif pd.api.types.is_datetime64_any_dtype(theirs):
                        assert (pd.to_datetime(ours) == theirs).all()
                    else:
                        assert ours.tolist() == theirs.tolist()

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

    def test_the_money_chart_ends_at_the_bid_as_the_tables_have_it(self):
        """The bid is rounded down; 120.9 left over is a bid of 120, in title and bar."""
        month = family_by_hand()
        lines = month.waterfall
        last = lines["kind"].eq("result")
        lines = lines.assign(amount=lines["amount"].where(~last, 120.9))
        figure = bids.waterfall_piece(month.with_tables(waterfall=lines)).figure
        assert figure.data[0].text[-1] == "120"
        assert "EUR\u00a0120 is left to bid" in figure.layout.meta["title"]

    def test_a_repair_that_is_drawn_and_not_the_best_option_is_said_not_to_be(self):
        """The chart goes down from a repaired unit's price, whatever the bid counts with."""
        month = family_by_hand()
        ends = month.end_states.assign(state="display_only")
        sold = ends.assign(action="sell as is")
        said = {
            name: bids.waterfall_piece(month.with_tables(end_states=table)).figure.layout.meta
            for name, table in (("repair", ends), ("sold", sold))
        }
        assert "the bid counts with repair." in said["repair"]["sentence"]
        assert "not the best" not in said["repair"]["sentence"]
        assert (
            "Repair is drawn, which is not the best option: if it is display only, the bid counts "
            "with sell as is (EUR\u00a0150 still to come, EUR\u00a0200 by repair)."
        ) in said["sold"]["sentence"]

    def test_the_money_chart_names_the_part_its_quality_and_what_its_price_rests_on(self):
        month = family_by_hand()
        told = {"part_quality": "DA original_refurbished", "part_rests_on": "from the class, wide"}
        rows = month.thresholds.assign(**told)
        figure = bids.waterfall_piece(month.with_tables(thresholds=rows)).figure
        said = "Planned with: display, original refurbished (from the class, wide)."
        assert said in figure.layout.meta["sentence"]
        assert "Planned with" not in bids.waterfall_piece(month).figure.layout.meta["sentence"]

    def test_the_table_of_verdicts_and_the_picture_say_what_a_unit_is_bought_for(self):
        month = family_by_hand()
        seen = " ".join(Elements(bids.verdicts(month).html).words)
        assert " ".join(seen.split()).count("sell as is") == 1
        labels = bids.bid_picture_piece(month).html
        assert "maximum bid EUR\u00a0120, to repair, usual hammer price" in labels
        assert "maximum bid EUR\u00a080, to sell as is, usual hammer price" in labels

    def test_won_lost_and_skipped_auctions_differ_in_shape(self):
        figure = bids.bid_pieces(family_by_hand())[0].figure
        shapes = [t.marker.symbol for t in figure.data if t.mode == "markers"]
        assert len(shapes) == len(set(shapes)) == 3

    def test_the_price_chart_draws_every_sale_of_the_shown_models(self):
        month = family_by_hand()
        figure = prices.price_piece(month).figure
        dots = sum(len(t.x) for t in figure.data if t.mode == "markers")
        assert dots == len(month.price_points)

    def test_the_price_chart_is_about_the_model_the_page_is_about(self):
        """Also where three others have sold more: it comes first, with its band, in the title."""
        month = family_by_hand()
        unit = main_row(month.thresholds)["model_id"]
        busy = pd.DataFrame(
            {"model_id": ["b1", "b2", "b3"], "model_name": ["B1", "B2", "B3"], "n_sales": 900}
        )
        models = pd.concat([month.models, busy], ignore_index=True)
        curve = month.price_curve[month.price_curve["model_id"] == unit]
        curves = [month.price_curve, *(curve.assign(model_id=b) for b in busy["model_id"])]
        crowded = month.with_tables(models=models, price_curve=pd.concat(curves))
        figure = prices.price_piece(crowded).figure
        name = models.set_index("model_id")["model_name"][unit]
        drawn = [t.legendgroup for t in figure.data if t.legendgroup != "others"]
        assert drawn[0] == plain(name)
        assert set(drawn) == {plain(name), "B1", "B2"}
        assert name in figure.layout.meta["title"]

    def test_no_month_is_marked_where_repair_is_as_likely_to_pay_as_not(self):
        """Title and chart agree: a line 'repair stops' would say what the title does not."""
        month = family_by_hand()
        unsure = "as likely as not (50\u00a0% chance that it has stopped)"
        marked = []
        for said in ("", unsure):
            dates = month.stop_dates.assign(unsure=said)
            figure = bids.scissors_piece(month.with_tables(stop_dates=dates)).figure
            marked.append([a.text for a in figure.layout.annotations])
            assert (f"repair pays {unsure}" in figure.layout.meta["title"]) == bool(said)
        assert marked == [["repair stops"], []]

    def test_the_crossing_band_runs_to_the_end_where_its_upper_month_is_open(self):
        figure = bids.scissors_piece(family_by_hand()).figure
        band = next(s for s in figure.layout.shapes if s.type == "rect")
        assert pd.Timestamp(band.x0) == pd.Timestamp("2027-01-01")
        assert pd.Timestamp(band.x1) == pd.Timestamp("2028-10-01")

    def test_a_family_of_which_nothing_is_known_gets_notes_instead_of_charts(self):
        month = family_by_hand()
        blank = month.with_tables(**{name: OUTPUTS[name].empty() for name in month.tables})
        pieces = all_charts(blank)
        assert all(isinstance(p, Fragment) and 'class="note"' in p.html for p in pieces)
        assert "Nothing is known" in bids.opening(blank).html
        for piece in all_tables(blank):
            assert isinstance(piece, Fragment)


@pytest.fixture(scope="module")
def page():
    month = for_page(family_by_hand())
    notebook = as_notebook([*all_tables(month), *all_charts(month)])
    return page_html(page_parts(notebook, f"Page of {NASTY[0]}", "invented <b>note</b>"))


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

    def test_labels_of_cards_are_the_headings_whatever_stands_in_them(self):
        columns = [Column("a", "A"), Column("b", "B"), Column("c", 'say "5\\" & <b>')]
        shown = table(pd.DataFrame({"a": ["x"], "b": ["y"], "c": ["z"]}), columns, "t", cards=True)
        (style,) = [a["style"] for t, a in Elements(shown.html).tags if t == "table"]
        assert style == '--c3:"say \\22 5\\5c \\22  & <b>";'

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
            page_html(page_parts(notebook, "x"))

    def test_chart_data_cannot_end_the_element_it_stands_in(self):
        value = {"a": "</script><!-- & \u2028"}
        written = safe_json(value)
        assert not set("<>&") & set(written)
        assert json.loads(written) == value

    def test_making_a_page_leaves_the_notebook_as_it_was(self):
        notebook = as_notebook(all_charts(family_by_hand()))
        before = json.dumps(notebook)
        page_html(page_parts(notebook, "x"))
        assert json.dumps(notebook) == before
        assert FIGURE_TYPE in notebook.cells[0].outputs[0]["data"]

    def test_a_page_to_be_sent_alone_carries_the_drawing_library(self):
        page = page_html(page_parts(as_notebook([]), "x"), whole=True)
        assert len(page) > 3_000_000
        assert 'plotly.min.js"' not in page


def test_part_warnings_name_shifts_and_only_count_old_quotes() -> None:
    html = prices.part_warnings(for_page(family_by_hand())).html
    assert "left its band in October 2026" in html
    assert "300 days" not in html
    assert "1 kind of part has no quote newer than 180 days" in html
