"""The explorer: moves do what they say and no more, quickly, and a copy keeps the last state."""

import ast
import asyncio
import json
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from demo_copies import DEMO, demo_logs_of, demo_shop, some_families
from outlook_by_hand import (
    FAULT,
    MODEL,
    example_family,
    example_logs,
    example_outlook,
    example_settings,
)
from repair_horizon.cli import main
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves, scenario
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import bench_of
from repair_horizon.explorer import questions
from repair_horizon.explorer.answers import answers, moves_words, plain_table
from repair_horizon.logs import CannotSay, read_logs
from repair_horizon.reports.estimates import Worked, worked_out
from repair_horizon.reports.family import family_month
from repair_horizon.shop import Shop
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.words import money, part_words

ROOT = Path(__file__).parent.parent
KEY = (MODEL, FAULT)


@cache
def charged_shop() -> Shop:
    """The demo with its month's charges given, which would take all families to work out."""
    return demo_shop(200, Valuation(hour=6.0, tolerance=3000.0))


@pytest.fixture(scope="module")
def demo() -> Worked:
    return worked_out(charged_shop(), "vellfold")


def by_hand() -> Worked:
    shop = Shop(example_logs(), example_settings(), valuation=NO_CHARGES)
    return Worked(shop, "fx", example_outlook(example_family()))


def test_a_successor_moves_prices_from_its_month_on_and_of_its_model_only(demo: Worked) -> None:
    """The step is the one the family's sales tell; before its month it is not there."""
    model = "vellfold_5"
    at, first = demo.family.models.index(model), demo.outlook.first_month

    def levels(month: int) -> np.ndarray:
        moves = Moves(successor=(model, month))
        moved, _ = scenario(demo.outlook, demo.settings, moves)
        return moved.families["vellfold"].level

    early, late = levels(first + 2), levels(first + 12)
    others = np.arange(early.shape[1]) != at
    np.testing.assert_allclose(early[:, others], late[:, others])
    ratio = np.median(early[:, at] / late[:, at], axis=0)
    np.testing.assert_allclose(ratio[:2], 1.0)
    np.testing.assert_allclose(ratio[13:], 1.0)
    assert (np.abs(ratio[3:12] - 1.0) > 1e-4).all()


def test_without_moves_the_explorer_says_what_the_page_says() -> None:
    """Same seed, same draws: the headline is the row of thresholds."""
    shop = charged_shop()
    page = family_month(shop, "vellfold", shop.month()).thresholds
    stand = worked_out(shop, "vellfold")
    for _, row in page[page["max_bid"] > 0].head(4).iterrows():
        found = answers(stand, (row["model_id"], row["listed_fault"]))
        assert found.now.max_bid == row["max_bid"]
        assert found.now.binding_limit == row["binding_limit"]
        assert found.now.expected_profit == pytest.approx(row["expected_profit"])
        assert found.now.probability_loss == pytest.approx(row["probability_loss"])


def test_options_winner_and_margin_are_example_1s() -> None:
    """s1 repaired 127.63 against 86.69 as is; s2 sold as is (trade reference 2.4, steps 5, 6).

    The outlook sells a failed s2 at 118 x 95 / 140 = 80.07, the reference at 95: repairing it is
    worth 0.10 x 14.93 x 0.861 = 1.29 less than the reference's 47.79.
    """
    stand = by_hand()
    found = answers(stand, KEY)
    best = found.options[found.options["best"]].set_index("state")
    assert best.loc["s1", "option"] == "repair"
    assert best.loc["s1", "value"] == pytest.approx(127.63, abs=0.01)
    assert best.loc["s1", "margin"] == pytest.approx(127.63 - 86.69, abs=0.02)
    assert best.loc["s2", "option"] == "sell as is"
    assert best.loc["s2", "margin"] == pytest.approx(67.75 - (47.79 - 1.29), abs=0.02)
    assert np.isnan(best.loc["locked", "margin"])  # nothing else can be done with it


def test_limits_are_example_1s_break_evens() -> None:
    """Success 0.7645 and display 290.72 at break-even (trade reference 2.4, step 12)."""
    stand = by_hand()
    limits = answers(stand, KEY).limits.set_index("what")
    assert limits.loc["success rate", "until"] == pytest.approx(0.7645, abs=0.0005)
    assert limits.loc["part DA", "until"] == pytest.approx(290.72, abs=0.05)


def test_a_price_in_mind_is_judged_instead_of_the_bid() -> None:
    """At 36.06 example 1 earns 45.00; 10 more cost 10 x 1.23399 (trade reference 2.4)."""
    stand = by_hand()
    assert answers(stand, KEY, price=36.06).now.expected_profit == pytest.approx(45.0, abs=0.01)
    dearer = answers(stand, KEY, price=46.06).now
    assert dearer.expected_profit == pytest.approx(45.0 - 12.34, abs=0.01)
    assert dearer.max_bid == 36.06


def test_what_cannot_be_said_is_said_with_its_reason(demo: Worked) -> None:
    assert "no such fault" in answers(demo, ("vellfold_5", "haunted")).reason


@pytest.mark.parametrize(
    "moves",
    [
        Moves(resale=-0.05),
        Moves(part_price=0.2),
        Moves(delay_days=21.0),
        Moves(failures=2.0),
        Moves(tax=("margin", 0.2)),
        Moves(successor=("vellfold_5", 2027 * 12 + 8)),
    ],
    ids=moves_words,
)
def test_every_move_is_answered(demo: Worked, moves: Moves) -> None:
    """Each kind of move changes the bid and leaves what it is compared with."""
    found = answers(demo, ("vellfold_5", "no_power"), moves)
    assert not isinstance(found, CannotSay)
    assert found.now.max_bid != found.before.max_bid


def test_further_questions_have_answers(demo: Worked) -> None:
    key = ("vellfold_5", "inner_display_dead")
    channels = questions.by_channel(demo, key)
    assert set(channels["channel"]) == {"marketplace", "own_shop", "trade_buyer"}
    assert channels["worth"].is_monotonic_decreasing
    mine = channels.set_index("channel").loc["marketplace", "max_bid"]
    assert mine == answers(demo, key).now.max_bid  # the channel planned with
    quality = questions.by_quality(demo, key)
    assert set(quality["part_code"]) == {"DA"}
    assert quality["net"].is_monotonic_decreasing
    assert quality["planned"].tolist() == [True, *[False] * (len(quality) - 1)]
    assert set(questions.parts_to_stock(demo, key)["model_id"]) == {"vellfold_5"}
    learnt = questions.beliefs(demo, key[1])
    assert learnt["share"].sum() == pytest.approx(1.0)
    assert "<table>" in plain_table(learnt, "Declared and learnt").html
    assert "Part costs in all" in plain_table(quality, "Part qualities").html
    parts = plain_table(questions.parts_to_stock(demo, key), "Last orders", "part_orders").html
    assert "Least order" in parts
    assert "moq" not in parts.lower()


def test_the_quality_that_leaves_most_is_the_one_that_bids_count_with(demo: Worked) -> None:
    economics = demo.economics(NO_MOVES)
    for key in economics.keys(demo.family_id):
        found = questions.by_quality(demo, key)
        best = found.drop_duplicates("part_code").set_index("part_code")["quality_class"]
        bench = bench_of(economics, demo.family_id, key[0])
        assert best.to_dict() == {c: bench.offer(c).quality for c in best.index}
        assert found["planned"].sum() == len(best)


def test_a_declared_share_far_from_the_jobs_is_called_a_disagreement(demo: Worked) -> None:
    family = demo.family
    states = family.estimates.rates.states.assign(prior_share=0.001, n_found=50)
    rates = replace(family.estimates.rates, states=states)
    off = replace(family, estimates=replace(family.estimates, rates=rates))
    stand = replace(demo, outlook=replace(demo.outlook, families={"vellfold": off}))
    assert questions.beliefs(stand, "no_power")["disagrees"].all()


def panel_of(family: str):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the widget library's own making
        from repair_horizon.explorer.control_panel import Panel

        return Panel(charged_shop(), family)


def test_controls_hand_their_values_on_and_go_back() -> None:
    panel = panel_of("vellfold")
    before = panel.found.now.max_bid
    assert panel.moves == NO_MOVES
    panel.sliders["resale"].value = -20
    panel.sliders["tax"].value = "margin"
    panel.sliders["tax_rate"].value = 20.0
    assert panel.moves == Moves(resale=-0.2, tax=("margin", 0.2))
    assert panel.found.now.max_bid < before
    assert panel.found.before.max_bid == before
    assert "resale 20 % lower; tax margin at 20" in panel.head.value
    panel.back.click()
    assert panel.moves == NO_MOVES
    assert panel.found.now.max_bid == before


def test_a_part_names_its_price_and_its_move_the_amount() -> None:
    """'The display 30 less' is set as per cent of the price beside it and told back as money."""
    panel = panel_of("vellfold")
    label, code = panel.sliders["part_code"].options[1]
    now = panel.worked.part_price(panel.key[0], code)
    paths = panel.worked.family.parts
    medians = [np.median(p.price[:, 0]) for k, p in paths.items() if k[:2] == (panel.key[0], code)]
    assert now == pytest.approx(min(medians))
    assert label.endswith(f", now EUR\u00a0{now:,.0f}")
    panel.sliders["part_code"].value = code
    panel.sliders["part_price"].value = -10
    told = panel.pieces()[0].html
    assert f"That is {money(now / 10, 'EUR')} on the cheapest" in told
    assert f", EUR\u00a0{now * 0.9:,.0f} in all." in told


def test_a_part_s_price_can_be_said_as_money() -> None:
    """An amount is the same move as its per cent; the last of the two that was touched counts."""
    panel = panel_of("vellfold")
    code = next(c for label, c in panel.sliders["part_code"].options if "display" in label)
    percents, amount = panel.sliders["part_price"], panel.sliders["part_money"]
    assert "EUR" in amount.description
    assert amount.disabled
    panel.sliders["part_code"].value = code
    assert not amount.disabled
    now = panel.worked.part_price(panel.key[0], code)
    percents.value = 25
    dearer = panel.found.now
    amount.value = now * 1.25
    assert percents.value == 0
    assert panel.moves.part_code == code
    assert panel.moves.part_price == pytest.approx(0.25, abs=1e-9)
    assert panel.found.now.max_bid == pytest.approx(dearer.max_bid, abs=0.01)
    assert panel.found.now.max_bid != panel.found.before.max_bid
    assert f"25 % dearer. That is EUR\u00a0{now / 4:,.0f}" in panel.head.value
    percents.value = -10
    assert (amount.value, panel.moves.part_price) == (0.0, -0.1)
    amount.value = now * 2
    panel.sliders["part_code"].value = ""
    assert (amount.value, amount.disabled, panel.moves) == (0.0, True, NO_MOVES)


def test_an_amount_for_one_model_s_part_is_not_kept_for_another_s() -> None:
    panel = panel_of("vellfold")
    panel.sliders["part_code"].value = panel.sliders["part_code"].options[1][1]
    panel.sliders["part_money"].value = 77.0
    assert panel.moves != NO_MOVES
    panel.choice["model"].value = panel.choice["model"].options[1][1]
    assert panel.moves == NO_MOVES
    panel.sliders["part_code"].value = panel.sliders["part_code"].options[1][1]
    panel.sliders["part_money"].value = 77.0
    panel.back.click()
    assert panel.moves == NO_MOVES


def test_another_family_brings_its_own_models_faults_and_rates() -> None:
    panel = panel_of("vellfold")
    panel.sliders["resale"].value = -20
    panel.choice["family"].value = "ulmvrist_watch"
    assert panel.key[0].startswith("ulmvrist")
    assert panel.moves == NO_MOVES
    models = [m for _, m in panel.choice["model"].options]
    assert sorted(models) == sorted(panel.worked.names)


def test_the_live_chart_and_the_kept_chart_are_one() -> None:
    panel = panel_of("vellfold")
    panel.sliders["resale"].value = -10
    kept = panel.pieces()[-1].figure
    assert [t.name for t in panel.chart.data] == [t.name for t in kept.data]
    for live, other in zip(panel.chart.data, kept.data, strict=True):
        assert list(live.y) == list(other.y)
    assert kept.data[-1].name == "as it is"


@pytest.fixture(scope="module")
def two_families() -> Shop:
    """Two of the demo's families, one of them foldables, the month's charges given."""
    whole = charged_shop()
    rules = replace(whole.settings, draws=60)
    logs = demo_logs_of("vellfold", "grabvyx_console")
    worth = Valuation(hour=6.0, tolerance=3000.0)
    return Shop(logs, rules, valuation=worth, knowledge=whole.knowledge)


def map_of(shop: Shop):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the widget library's own making
        from repair_horizon.explorer.model_map import ModelMap

        return ModelMap(shop)


def test_the_map_shows_the_thresholds_and_filters_them(two_families: Shop) -> None:
    """Its figures are the month's; a price, a fault and families leave what fits and no more."""
    models = map_of(two_families)
    month = two_families.thresholds()
    bought = month[month["verdict"] == "buy"]
    key = ["model_id", "listed_fault"]
    shown = models.table().set_index(key).sort_index()
    assert list(shown["max_bid"]) == list(bought.set_index(key).sort_index()["max_bid"])
    limit = float(bought["won_price"].median())
    models.most.value = limit
    assert sorted(models.table()["won_price"]) == sorted(
        p for p in bought["won_price"] if p <= limit
    )
    assert f"EUR\u00a0{limit:,.0f} or less" in models.chart.layout.meta["title"]
    models.most.value, models.bought.value = 0.0, False
    assert len(models.table()) == month["won_price"].notna().sum()
    models.fault.value = "no_power"
    assert set(models.table()["listed_fault"]) == {"no_power"}
    models.families.value = ("vellfold",)
    assert set(models.table()["family_id"]) == {"vellfold"}
    assert sum(len(t.x) for t in models.chart.data) == len(models.table())
    compared = models.pieces()[3].html
    assert "Quelmarn Vellfold" in compared
    assert "grabvyx" not in compared
    models.families.value = ()
    assert "No row passes" in models.pieces()[2].html


def test_dearer_displays_on_the_map_are_the_what_ifs_move(two_families: Shop) -> None:
    """Ten per cent on every display moves each bid as the panel's own move does; back is back."""
    models = map_of(two_families)
    models.families.value, models.bought.value = ("vellfold",), False
    before = models.table().set_index("model_id")
    stand = worked_out(two_families, "vellfold")
    codes = {c for _, c, _ in stand.family.parts if "display" in part_words(c)}
    models.part.value, models.dearer.value = "display", 10
    after = models.table()
    # A display taken out of a unit that is parted out is worth more too, so a bid may also rise.
    assert (after["max_bid"] < after["bid_before"]).any()
    row = after[after["listed_fault"] == "inner_display_dead"].iloc[0]
    assert len(codes) > 1
    outlook, rules = stand.outlook, stand.settings
    for code in sorted(codes):
        outlook, rules = scenario(outlook, rules, Moves(part_price=0.1, part_code=code))
    moved = replace(stand, outlook=outlook, shop=two_families.with_rules(rules))
    found = answers(moved, (row["model_id"], row["listed_fault"]))
    assert found.now.max_bid == row["max_bid"]
    models.dearer.value = 0
    assert list(models.table()["max_bid"]) == list(before["max_bid"])


def test_the_map_says_in_words_what_a_move_makes_of_what_is_bought(two_families: Shop) -> None:
    """What passes no more and what is new is named, and the most a bid moves; back says nothing."""
    models = map_of(two_families)
    before = models.table().set_index("name")
    models.dearer.value = 20
    after = models.table().set_index("name")
    most = (after["bid_before"] - after["max_bid"]).max()
    assert most > 1
    assert f"Maximum bids move by EUR\u00a0{most:,.0f} at most" in models.said.value
    for step, moved in ((20, after), (-20, None)):
        models.most.value, models.dearer.value = 0.0, step
        moved = models.table().set_index("name") if moved is None else moved
        shift = (before["won_price"] - moved["won_price"]).dropna().abs()
        name = shift.idxmax()  # the price it is usually won at moves past the most one would pay
        limit = (before.loc[name, "won_price"] + moved.loc[name, "won_price"]) / 2
        models.most.value = round(limit, 4)
        was, now = (set(t.index[t["won_price"] <= limit]) for t in (before, moved))
        assert name in was ^ now
        for words, names in (("No longer among them", was - now), ("New among them", now - was)):
            assert (words in models.said.value) == bool(names)
            told = sorted(" with ".join(n.rsplit(", ", 1)) for n in names)
            assert not told or f"{words}: {told[0]}" in models.said.value
    models.dearer.value = 0
    assert "among them" not in models.said.value
    assert BEFORE_BUYING in models.pieces()[1].html
    assert "everything here is invented" in models.pieces()[1].html


def test_two_families_are_drawn_side_by_side_under_the_map_s_moves(two_families: Shop) -> None:
    """Bars are the rows of both families, best first; a filter or a move of the map holds here."""
    models = map_of(two_families)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from repair_horizon.explorer.model_map import FamilyPair

        pair = FamilyPair(models)
    assert {pair.one.value, pair.other.value} == {"vellfold", "grabvyx_console"}

    def bars() -> list[float]:
        return [float(x) for trace in pair.chart.data[1::2] for x in trace.x]

    shown = models.table([pair.one.value, pair.other.value])
    best = [shown.loc[shown["family_id"] == f, "earns"].head(5) for f in models.compared]
    assert bars() == pytest.approx([*best[0], *best[1]])
    assert "invented; check registry" in pair.chart.layout.annotations[0].text
    plain = bars()
    models.part.value, models.dearer.value = "", 20
    assert bars() != plain
    assert "All parts 20 % dearer. " in pair.pieces()[0].html
    models.dearer.value, models.fault.value = 0, "no_power"
    assert all("no power" in y.replace("<br>", " ") for t in pair.chart.data for y in t.y)
    pair.other.value = pair.one.value
    assert len(pair.chart.data) == 2
    models.fault.value, models.most.value = "", 1.0
    assert "nothing is left to compare" in pair.pieces()[0].html


def test_the_shop_compares_families_as_the_explorer_does(two_families: Shop) -> None:
    both = two_families.compare("vellfold", "grabvyx_console")
    models = map_of(two_families)
    assert list(both.rows["max_bid"]) == list(models.table(both.families)["max_bid"])
    told = both.table().set_index("family_id")
    bought = two_families.thresholds(families=["vellfold"])
    bought = bought[bought["verdict"] == "buy"]
    assert told.loc["vellfold", "rows"] == len(bought)
    assert told.loc["vellfold", "max_bid"] == bought["max_bid"].median()
    earns = (bought["probability_win"] * bought["expected_profit"]).max()
    assert f"EUR\u00a0{earns:,.0f} a listing." in both.summary()
    assert f"best Quelmarn Vellfold earns EUR\u00a0{earns:,.0f}" in both.plot().layout.meta["title"]


def test_every_move_is_ready_before_it_is_asked(two_families: Shop, monkeypatch) -> None:
    """While nobody asks all moves are worked out, so that none is worked out when asked."""
    models = map_of(two_families)
    asyncio.run(models._prepare())
    monkeypatch.setattr(models, "_moved", lambda *_: pytest.fail("worked out when asked"))
    for part in ("display", ""):
        models.part.value = part
        for step in (-20, 20):
            models.dearer.value = step
    assert "parts 20 % dearer" in models.chart.layout.meta["title"]


def test_a_move_is_answered_at_once_with_what_is_ready(two_families: Shop) -> None:
    """Asked before it is worked out, it names what is still to come, and shows that then."""
    models = map_of(two_families)
    models.bought.value = False
    whole = len(models.table())

    async def asked() -> list[str]:
        models._waiting = asyncio.get_running_loop().create_task(models._prepare())
        models.dearer.value = 20
        titles = [models.chart.layout.meta["title"]]
        await models._waiting
        return [*titles, models.chart.layout.meta["title"]]

    first, last = asyncio.run(asked())
    assert first.startswith("0 models")
    assert first.endswith("2 families still to come")
    assert last == f"{whole} models and faults; displays 20 % dearer"


def test_explore_writes_the_notebook_and_leaves_what_was_there(tmp_path: Path, capsys) -> None:
    for name in ("catalogue.csv", "settings.toml"):
        (tmp_path / name).write_text((DEMO / name).read_text())
    words = ["explore", "--workspace", str(tmp_path), "--write-only"]
    assert main([*words, "--month", "2026-11"]) == 0
    path = tmp_path / "out" / "explore.ipynb"
    cells = json.loads(path.read_text())["cells"]
    given = next(c["source"] for c in cells if "parameters" in c["metadata"].get("tags", []))
    assert (
        given == f"workspace = {str(tmp_path)!r}\nfamily_id = 'pellvarn_phone'\nmonth = '2026-11'"
    )
    path.write_text("my own")
    assert main(words) == 0
    assert path.read_text() == "my own"
    assert main([*words, "--family", "nobody"]) == 2
    assert "allowed: one of pellvarn_phone" in capsys.readouterr().err
    assert main([*words, "--anew"]) == 0
    assert "ModelMap" in path.read_text()


@pytest.mark.parametrize(("user", "asked"), [(0, True), (1000, False)])
def test_jupyter_is_asked_to_allow_root_where_root_asks(
    tmp_path: Path, capsys, monkeypatch: pytest.MonkeyPatch, user: int, asked: bool
) -> None:
    """Else it refuses to start; nobody else's server is told so, and what is done is said."""
    started: list[list[str]] = []
    monkeypatch.setattr("os.geteuid", lambda: user, raising=False)
    monkeypatch.setattr("subprocess.call", lambda words: started.append(words) or 0)
    for name in ("catalogue.csv", "settings.toml"):
        (tmp_path / name).write_text((DEMO / name).read_text())
    words = ["explore", "--workspace", str(tmp_path)]
    assert main([*words, "--no-browser"]) == 0
    assert main([*words, "--write-only"]) == 0
    (server,) = started
    assert server[1:3] == ["-m", "jupyterlab"]
    said = capsys.readouterr().out
    assert ("--allow-root" in server, "You are root" in said) == (asked, asked)
    assert said.rstrip().endswith("explore.ipynb" + " --allow-root" * asked)


def test_only_the_explorer_loads_the_widget_library() -> None:
    for path in (ROOT / "kit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            if any(n.split(".")[0] == "ipywidgets" for n in names):
                assert path.parent.name == "explorer"


def test_an_executed_copy_shows_the_last_state_as_tables_and_a_chart(tmp_path: Path) -> None:
    """Run the notebook as anyone would, and turn it into a page without any kernel."""
    from repair_horizon.reports.notebooks import execute
    from repair_horizon.reports.page import page_html, page_parts

    shop = some_families(tmp_path, ["grabvyx_console", "ulmvrist_watch"], draws=40)
    executed = execute(
        ROOT / "notebooks" / "explore.ipynb",
        {"workspace": str(shop), "family_id": "ulmvrist_watch", "month": "2026-11"},
    )
    html = page_html(page_parts(executed, "What if"))
    assert "Maximum bid" in html
    assert "Stop dates" in html
    assert "Families compared" in html
    assert html.count('class="chart"') == 3
    assert "realised less forecast" in html  # the demo's won lots, with their forecasts


def test_the_form_writes_what_the_command_writes_or_says_what_is_wrong(tmp_path: Path) -> None:
    """Fields come from the declarations; a wrong one is named, nothing is written, text is text."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of the widget library's own making
        from repair_horizon.explorer.control_panel import AddForm
    head = "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
    (tmp_path / "catalogue.csv").write_text(head + "v1,v,phone,2026-01-10,899,EUR\n")
    (tmp_path / "settings.toml").write_text("draws = 20\n")
    sales = tmp_path / "sales.csv"
    sales.write_text("sale_id,model_id,sale_date,gross_amount,currency\n")
    form = AddForm(tmp_path, read_logs(tmp_path))
    assert set(form.fields) == {c.name for c in TABLES["sales"].columns} - {"sale_id"}
    form.fields["model_id"].value = "v1"
    form.fields["gross_amount"].value = "<b>many"
    form.add.click()
    assert "Nothing is written" in form.said.value
    assert "&lt;b&gt;many" in form.said.value
    assert len(sales.read_text().splitlines()) == 1
    form.fields["gross_amount"].value = "480"
    form.add.click()
    assert "gross_amount=480" in form.said.value
    assert "maximum bid" in form.said.value
    assert len(sales.read_text().splitlines()) == 2
    assert form.fields["gross_amount"].value == ""
    form.undo.click()
    assert len(sales.read_text().splitlines()) == 1
    form.what.value = "unit"
    assert "state" in form.fields
    assert "gross_amount" not in form.fields
