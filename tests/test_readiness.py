"""What is missing is named with what it would unlock, the dearest first; the terminal's manners."""

import csv
import subprocess
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from repair_horizon.classes import class_knowledge
from repair_horizon.cli import WORK, main, parser
from repair_horizon.commands.printing import laid_out, wrapped
from repair_horizon.commands.write_down import planned_parts
from repair_horizon.decisions.month.readiness import readiness
from repair_horizon.shop import shop_from_frames
from repair_horizon.tables.settings import Channel, Repair, Settings

CATALOGUE = {
    "model_id": ["veld1"],
    "family_id": ["veld"],
    "device_class": ["foldable"],
    "launch_date": ["2026-02-10"],
    "launch_price": [1799.0],
    "launch_currency": ["EUR"],
}


def missing(**tables: dict[str, list[object]]) -> pd.DataFrame:
    shop = shop_from_frames(Settings(draws=20), **{"catalogue": CATALOGUE, **tables})
    return readiness(shop.logs, shop.settings)


def quote(code: str) -> dict[str, list[object]]:
    return {
        "quote_id": ["q1"],
        "quote_date": ["2026-11-02"],
        "model_id": ["veld1"],
        "part_code": [code],
        "quality_class": ["maker_original"],
        "supplier_id": ["s1"],
        "unit_price": [300.0],
        "currency": ["EUR"],
    }


def test_the_widest_class_based_part_comes_first() -> None:
    """Of a foldable nobody quoted a part of, the display leaves bids open most."""
    table = missing()
    first = table.iloc[0]
    assert "display" in first["missing"]
    assert "part_code=DA" in first["how"]
    told = table["moves"].dropna()
    assert told.is_monotonic_decreasing
    assert (told > 0).all()


def test_parts_joined_with_a_blank_are_the_same_parts() -> None:
    """A hinge after "; " is the hinge: told by its name, with the class's price."""
    told = []
    for codes in ("DA;FM", "DA; FM"):
        states = {"family_id": ["veld"], "listed_fault": ["display_dead"], "state": ["screen"],
                  "prior_share": [1.0], "part_codes": [codes], "bench_hours": [1.0],
                  "prior_success": [0.9]}  # fmt: skip
        told.append(missing(fault_states=states))
    assert told[0]["missing"].str.contains("hinge").any()
    pd.testing.assert_frame_equal(*told)


def test_what_was_written_down_is_no_longer_missing() -> None:
    before, after = missing(), missing(part_quotes=quote("DA"))
    assert before["how"].str.contains("part_code=DA ").any()
    assert not after["how"].str.contains("part_code=DA ").any()
    assert after["how"].str.contains("part_code=FM ").any()


@pytest.mark.parametrize("model", ["veld1", "veld\u200b1", "the veld's 1", "caf\u00e9\u200b'\\n"])
def test_a_line_to_copy_shows_what_has_no_shape_and_names_the_model_all_the_same(
    tmp_path: Path, capsys, model: str
) -> None:
    """Printed by check as bash takes it: a sign without width stands there as what it is."""
    rows = [["model_id", "family_id", "device_class", "launch_date", "launch_price"]]
    rows[0].append("launch_currency")
    rows.append([model, "veld", "foldable", "2026-02-10", "1799", "EUR"])
    with (tmp_path / "catalogue.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
    sales = "sale_id,model_id,sale_date,gross_amount,currency\n"
    (tmp_path / "sales.csv").write_text(sales)
    main(["check", "--workspace", str(tmp_path)])
    said = " ".join(capsys.readouterr().out.split())
    assert "\u200b" not in said
    written = said.partition("add quote model_id=")[2].partition(" part_code=")[0]
    bash = subprocess.run(["bash", "-c", f"printf %s {written}"], capture_output=True, check=True)
    assert bash.stdout.decode() == model


def test_bids_planned_with_a_quality_nobody_quoted_are_told_with_the_own_quote_there_is() -> None:
    """Of the month told last; gone with a quote of that quality, or an order of qualities."""
    told = pd.DataFrame(
        {
            "model_id": ["veld1", "veld1", "veld1"],
            "part_quality": ["DA aftermarket", "DA aftermarket", "BAT aftermarket"],
            "month": "2026-11",
        }
    )

    def lines(settings: Settings, **tables: dict[str, list[object]]) -> pd.DataFrame:
        shop = shop_from_frames(settings, **{"catalogue": CATALOGUE, **tables})
        table = readiness(shop.logs, shop.settings, told)
        return table[table["missing"].str.startswith("Bids on")]

    plain = Settings(draws=20)
    (line,) = lines(plain, part_quotes=quote("DA")).itertuples()
    assert line.missing == (
        "Bids on veld1 plan with DA aftermarket, which nobody quoted (told for 2026-11); you have "
        "a quote of DA maker_original at 300."
    )
    assert "quality_class=aftermarket" in line.how
    # The class's copy costs so much of the maker's own, give or take what is known less of it.
    known = class_knowledge("foldable")
    copy, own = (known.part_share("DA", q) for q in ("aftermarket", "maker_original"))
    states = known.fault_states("veld")
    needs = states[states["part_codes"].str.split(";").map(lambda codes: "DA" in codes)]
    often = needs.groupby("listed_fault")["prior_share"].sum().max()
    width = (copy.log_sd**2 - own.log_sd**2) ** 0.5
    assert line.moves == pytest.approx(300.0 * copy.value / own.value * width * often)
    assert line.moves > 1.0
    assert 'quality_order = ["maker_original"]' in line.unlocks
    assert lines(plain).empty
    both = {c: 2 * v for c, v in quote("DA").items()}
    both |= {"quote_id": ["q1", "q2"], "quality_class": ["maker_original", "aftermarket"]}
    assert lines(plain, part_quotes=both).empty
    for order, count in ((["maker_original"], 0), (["aftermarket", "maker_original"], 1)):
        ordered = replace(plain, repair=Repair(quality_order=order))
        assert len(lines(ordered, part_quotes=quote("DA"))) == count


def test_check_reads_what_bids_planned_with_from_the_month_told_last(tmp_path: Path) -> None:
    """The newest month's bids.csv or thresholds.csv; a file that cannot be read tells nothing."""
    for month, part in (("2026-10", "DA pulled"), ("2026-11", "DA aftermarket")):
        (tmp_path / "out" / month).mkdir(parents=True)
        text = f"model_id,part_quality,max_bid\nveld1,{part},12\n"
        (tmp_path / "out" / month / "bids.csv").write_text(text)
    assert planned_parts(tmp_path).to_dict("list") == {
        "model_id": ["veld1"],
        "part_quality": ["DA aftermarket"],
        "month": ["2026-11"],
    }
    (tmp_path / "out" / "2026-11" / "thresholds.csv").write_text("model_id,max_bid\nx,many\n")
    assert len(planned_parts(tmp_path)) == 1
    assert planned_parts(tmp_path / "nowhere").empty


def test_channels_and_faults_named_nowhere_and_as_is_sales_without_fault_are_said() -> None:
    sales = {
        "sale_id": ["s1", "s2"],
        "model_id": ["veld1", "veld1"],
        "sale_date": ["2026-10-01", "2026-10-02"],
        "gross_amount": [800.0, 300.0],
        "currency": ["EUR", "EUR"],
        "channel": ["market stall", "market stall"],
        "own_sale": ["yes", "yes"],
        "condition": ["working", "as_is"],
    }
    listings = {
        "listing_id": ["l1"],
        "model_id": ["veld1"],
        "listed_fault": ["haunted"],
        "end_time": ["2026-10-05"],
    }
    told = " ".join(missing(sales=sales, listings=listings)["missing"])
    assert "market stall" in told
    assert "haunted" in told
    assert "1 as-is sale has no listed_fault" in told


def test_settings_that_are_set_are_not_asked_for() -> None:
    shop = shop_from_frames(
        Settings(channels=[Channel("stall", 0.1, 0.0, 0.0)]), catalogue=CATALOGUE
    )
    assert not readiness(shop.logs, shop.settings)["missing"].str.contains("Fees").any()
    assert missing()["missing"].str.contains("Fees").any()


def test_every_command_stands_in_one_group_of_the_help(capsys) -> None:
    named = [name for group in WORK.values() for name in group]
    with pytest.raises(SystemExit):
        parser().parse_args(["--help"])
    shown = capsys.readouterr().out
    assert len(named) == len(set(named))
    for name in named:
        assert f"\n  {name} " in shown
    top = next(a for a in parser()._actions if a.dest == "command")
    assert set(top.choices) == set(named)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["bidz"], "did you mean bids?"),
        (["stock", "--as-off", "2026-01-01"], "did you mean --as-of?"),
    ],
)
def test_a_slip_of_the_pen_is_answered_with_what_was_meant(capsys, words, told) -> None:
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    assert told in capsys.readouterr().err


def test_the_version_and_defaults_are_told(capsys) -> None:
    for words, told in ((["--version"], "repair-horizon "), (["plan", "--help"], "(default: 24)")):
        with pytest.raises(SystemExit) as left:
            main(words)
        assert left.value.code == 0
        assert told in capsys.readouterr().out


def test_a_folder_without_logs_is_named_with_the_next_step(tmp_path: Path, capsys) -> None:
    assert main(["check", "--workspace", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert str(tmp_path.resolve()) in told
    assert "repair-horizon init" in told


def test_a_table_wider_than_the_terminal_becomes_cards_and_loses_nothing() -> None:
    table = pd.DataFrame(
        {
            "unit_id": ["U1", "U2"],
            "model_id": ["veld1", "veld2"],
            "advice": ["repair, then sell on the market place", "sell as is"],
            "value": [127.6, -4.25],
            "reason": ["", "the display is dearer than the price allows, twelve weeks on"],
        }
    )
    assert laid_out(table, 400) == laid_out(table, None)
    cards = laid_out(table, 60)
    assert max(len(line) for line in cards.splitlines()) <= 60
    for word in ("U1  veld1", "U2  veld2", "value: 128", "value: -4.25", "twelve weeks on"):
        assert word in " ".join(cards.split()) or word in cards


def test_a_card_says_what_the_page_says_of_a_figure() -> None:
    """Headings and words are the declared ones; what other commands take stays a code."""
    row = {"listing_id": "L1", "model_id": "veld1", "listed_fault": "battery_worn"}
    row |= {"end_time": pd.Timestamp("2026-11-03"), "max_bid": 151.0, "probability_win": 0.9997}
    card = " ".join(laid_out(pd.DataFrame([row]), 40, "bids").split())
    assert card.startswith("L1 veld1 listed fault: battery worn; ends: 2026-11-03; ")
    assert "maximum bid: 151; chance of winning: over 99" in card


def test_long_sentences_are_broken_at_the_terminal_s_edge_and_paths_are_not() -> None:
    path = "/" + "x" * 90
    lines = wrapped(f"\nIt is {'very ' * 30}long: {path}").splitlines()
    assert lines[0] == ""
    assert max(len(line) for line in lines if path not in line) <= 80
    assert path in lines[-1]


def test_money_is_the_width_of_what_stands_in_times_how_often_a_bid_hangs_on_it() -> None:
    """From the class's own figures: half the price's width, 0.3 of as-is, a part's by its share.

    The shares of a bid that hang on resale and on as-is are the judgement of ``readiness``.
    """
    shop = shop_from_frames(Settings(draws=20), catalogue=CATALOGUE)
    table, known = readiness(shop.logs, shop.settings), class_knowledge("foldable")
    age = (shop.now - pd.Timestamp("2026-02-10")).days / 30.4375
    share = known.share_of_launch(max(age, 0.0))
    worth = share.value * 1799.0
    moves = table.set_index("missing")["moves"]
    (sale,) = (v for k, v in moves.items() if k.startswith("No sale of"))
    assert sale == pytest.approx(0.5 * worth * share.log_sd, rel=0.02)
    ratio = known.as_is_ratio("for parts")
    (as_is,) = (v for k, v in moves.items() if k.startswith("No as-is sale"))
    assert as_is == pytest.approx(0.3 * worth * ratio.value * ratio.log_sd, rel=0.02)
    states = known.fault_states("x")
    often = states[states["part_codes"].str.split(";").map(lambda c: "DA" in c)]
    most = often.groupby("listed_fault")["prior_share"].sum().max()
    part = known.part_share("DA")
    (display,) = (
        m for m, how in zip(table["moves"], table["how"], strict=True) if "part_code=DA " in how
    )
    price = part.value * 1799.0  # type: ignore[union-attr]
    assert display == pytest.approx(price * part.log_sd * most)  # type: ignore[union-attr]
