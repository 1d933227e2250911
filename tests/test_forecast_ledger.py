"""The forecast ledger: only added to, joined with what units earned, and scored."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from outlook_by_hand import (
    FAMILY,
    FAULT,
    MODEL,
    example_economics,
    example_logs,
    example_settings,
)
from repair_horizon.decisions.review.forecast_ledger import (
    append,
    bought,
    forecasts_of,
    read_ledger,
    weighted_quantiles,
)
from repair_horizon.decisions.review.scorecard import (
    Scorecard,
    results,
    score_ledger,
    score_lots,
    simulate_totals,
    won_lots,
)
from repair_horizon.decisions.unit.bid_limits import EndStates
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.logs import CannotSay, LogFault
from repair_horizon.tables.inputs import LEVELS, QUANTILES
from repair_horizon.tables.settings import Channel, Tax

DAY = pd.Timestamp("2026-10-31")


def forecasts(*bids: float, **family: float) -> pd.DataFrame:
    rows = [
        {"listing_id": f"L{i}", "model_id": MODEL, "listed_fault": FAULT, "current_bid": b,
         "end_time": pd.Timestamp("2026-11-05")}
        for i, b in enumerate(bids)
    ]  # fmt: skip
    logs = example_logs(listings=rows)
    return forecasts_of(logs.tables["listings"], logs, example_economics(**family), DAY)


def test_a_forecast_is_example_1s_at_its_threshold() -> None:
    """36.06, profit 45.00, chance of loss 9.9 %, and the states' profits as quantiles.

    Profit at 36.06 is V less 60.23: the worst state -162.65, s1 at grade B 83.70, A 124.40.
    """
    row = forecasts(10.0).iloc[0]
    assert (row["price"], row["max_bid"]) == (36.06, 36.06)
    assert row["expected_profit"] == pytest.approx(45.0018, abs=0.002)
    assert row["probability_loss"] == pytest.approx(0.099)
    assert row["per_bid"] == pytest.approx(1.233990137)
    assert row["common_share"] == pytest.approx(0.0, abs=1e-12)
    assert row["profit_00"] == pytest.approx(-162.65, abs=0.02)
    assert row["profit_50"] == pytest.approx(83.70, abs=0.02)
    assert row["profit_100"] == pytest.approx(124.40, abs=0.02)


def test_weighted_quantiles_by_hand() -> None:
    """Weights 0.2, 0.5, 0.3 on 1, 2, 3: a tenth and a quarter, half, nine tenths; ends are ends."""
    cut = weighted_quantiles(
        EndStates(np.array([0.5, 0.2, 0.3]), np.array([2.0, 1.0, 3.0]), np.zeros(3))
    )
    assert cut == [1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 3.0]


def test_the_ledger_is_only_added_to(tmp_path: Path) -> None:
    """What stands there stays byte for byte, an entry is written once, all comes back."""
    rows = forecasts(10.0, 12.0)
    assert append(tmp_path, rows) == 2
    path = tmp_path / "forecasts.csv"
    first = path.read_bytes()
    assert append(tmp_path, rows) == 0
    assert path.read_bytes() == first
    assert append(tmp_path, bought("L0", "U1", 30.0, DAY)) == 1
    assert path.read_bytes().startswith(first)
    back = read_ledger(tmp_path)
    assert back["record_type"].to_list() == ["forecast", "forecast", "bought"]
    assert back.loc[:1, "expected_profit"].to_list() == pytest.approx(
        rows["expected_profit"].to_list(), rel=1e-5
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == [".forecasts.lock", "forecasts.csv"]
    assert read_ledger(tmp_path / "nowhere").empty


def test_no_cell_of_the_ledger_begins_a_formula(tmp_path: Path) -> None:
    """A lot and a unit named like one are marked in the file and read back as they were."""
    append(tmp_path, bought("=1+1", "+U9", 40.5, pd.Timestamp("2026-11-01")))
    cells = (tmp_path / "forecasts.csv").read_text().replace("\n", ",").split(",")
    assert not [c for c in cells if c[:1] in "=+-@" and c]
    (row,) = read_ledger(tmp_path).itertuples()
    assert (row.listing_id, row.unit_id) == ("=1+1", "+U9")


def test_a_file_that_is_no_ledger_is_refused_and_kept(tmp_path: Path) -> None:
    """One message with the place, and nothing is overwritten; a spoilt value is named."""
    path = tmp_path / "forecasts.csv"
    path.write_text("a,b\n1,2\n")
    with pytest.raises(LogFault, match=r"forecasts\.csv"):
        append(tmp_path, forecasts(10.0))
    assert path.read_text() == "a,b\n1,2\n"
    path.unlink()
    append(tmp_path, forecasts(10.0))
    path.write_text(path.read_text().replace("36.06", "a lot", 1))
    with pytest.raises(LogFault, match=r"forecasts.csv, line 2, column price: found 'a lot'"):
        read_ledger(tmp_path)


def test_a_ledger_edited_by_a_spreadsheet_still_takes_rows(tmp_path: Path) -> None:
    """A byte order mark, other column order and a missing last line end are lived with."""
    append(tmp_path, forecasts(10.0))
    path = tmp_path / "forecasts.csv"
    text = pd.read_csv(path, dtype=str, keep_default_na=False).iloc[:, ::-1].to_csv(index=False)
    path.write_bytes(b"\xef\xbb\xbf" + text.rstrip("\n").encode())
    append(tmp_path, bought("L0", "U1", 30.0, DAY))
    assert read_ledger(tmp_path)["entry_id"].to_list() == ["L0:2026-10-31", "L0:U1:bought"]


def unit(i: int, **row: object) -> dict[str, object]:
    start = {
        "unit_id": f"U{i}",
        "model_id": MODEL,
        "state": "working",
        "status": "sold",
        "buy_date": pd.Timestamp("2026-06-01"),
        "landed_cost": 59.35,
    }
    return {**start, **row}


def sale(i: int, **row: object) -> dict[str, object]:
    start = {"sale_id": f"S{i}", "unit_id": f"U{i}", "model_id": MODEL, "gross_amount": 590.89,
             "channel": "auction site", "sale_date": pd.Timestamp("2026-07-16")}  # fmt: skip
    return {**start, **row}


def job(i: int, **row: object) -> dict[str, object]:
    start = {"job_id": f"J{i}", "unit_id": f"U{i}", "model_id": MODEL, "bench_hours": 1.75,
             "parts_cost": 265.40, "outcome": "fixed_first_pass"}  # fmt: skip
    return {**start, **row}


def test_a_realised_profit_to_the_cent() -> None:
    """Example 1's lines with what happened in their place.

    590.89 - (82.13 + 0.65 + 12.20) - 7.01 - 59.35 - 265.40 - 70.00 - 0.88 interest = 93.27.
    """
    logs = example_logs(stock=[unit(1)], sales=[sale(1)], repairs=[job(1)])
    row = results(logs, example_settings()).iloc[0]
    assert (row["selling"], row["reserve"], row["labour"]) == (94.98, 7.01, 70.00)
    assert row["interest"] == pytest.approx(59.35 * 0.12 * 45 / 365, abs=0.005)
    assert row["profit"] == pytest.approx(93.27, abs=1e-9)


def test_a_named_fee_and_the_margin_tax_replace_the_usual() -> None:
    """A fee of 50.00 as logged; margin scheme at 20 %: (590.89 - 59.35) / 6 = 88.59."""
    logs = example_logs(stock=[unit(1)], sales=[sale(1, fee_amount=50.0)], repairs=[job(1)])
    row = results(logs, example_settings(tax=Tax("margin", 0.20))).iloc[0]
    assert (row["selling"], row["tax"]) == (62.20, 88.59)


def test_an_incomplete_story_has_a_reason_and_no_profit() -> None:
    """Not sold, no landed cost, open job, job without hours: four reasons.

    A scrapped unit's story is complete: its cost is lost.
    """
    logs = example_logs(
        stock=[
            unit(1, status="listed"),
            unit(2, landed_cost=None),
            unit(3),
            unit(4),
            unit(5, status="scrapped"),
        ],
        sales=[sale(2), sale(3), sale(4)],
        repairs=[job(3, outcome=""), job(4, bench_hours=None)],
    )
    table = results(logs, example_settings()).set_index("unit_id")
    assert table["profit"].isna().to_list() == [True, True, True, True, False]
    assert table.loc[["U1", "U2", "U3", "U4"], "reason"].nunique() == 4
    assert table.loc["U5", "profit"] == pytest.approx(-59.35 - 21.00)


def test_the_whole_round_from_bid_to_score(tmp_path: Path) -> None:
    """Forecast, buy cheaper than the threshold, sell: the forecast is moved to the price paid."""
    rows = forecasts(*[10.0] * 6)
    append(tmp_path, rows)
    for i in range(6):
        append(tmp_path, bought(f"L{i}", f"U{i}", 30.0, DAY))
    logs = example_logs(
        tmp_path,
        stock=[unit(i) for i in range(6)],
        sales=[sale(i) for i in range(6)],
        repairs=[job(i) for i in range(6)],
    )
    lots = won_lots(read_ledger(tmp_path), results(logs, example_settings()))
    moved = 45.0027 + 6.06 * 1.23399
    assert lots["forecast"].to_list() == pytest.approx([moved] * 6, abs=0.002)
    assert lots["family_id"].to_list() == [FAMILY] * 6
    card = score_ledger(logs, example_settings())
    assert isinstance(card, Scorecard)
    assert card.bias == pytest.approx(93.27 - moved, abs=0.002)
    assert card.coverage == 1.0
    few = score_ledger(replace(logs, folder=tmp_path / "nowhere"), example_settings())
    assert isinstance(few, CannotSay)


def test_the_last_forecast_before_the_purchase_counts() -> None:
    """A second thought before the purchase replaces the first; one after it does not."""
    rows = forecasts(10.0)
    days = [DAY, DAY + pd.Timedelta(days=2), DAY + pd.Timedelta(days=9)]
    made = pd.concat([rows.assign(made_on=d, expected_profit=10.0 * k) for k, d in enumerate(days)])
    note = bought("L0", "U1", 36.06, DAY + pd.Timedelta(days=5))
    ledger = pd.concat([made.astype(object), note.astype(object)], ignore_index=True)
    done = pd.DataFrame({"unit_id": ["U1"], "profit": [7.0]})
    assert won_lots(ledger, done)["forecast"].to_list() == pytest.approx([10.0])


def lots(realised: np.ndarray, forecast: float = 0.0, common: float = 0.0) -> pd.DataFrame:
    """Won lots whose profit was forecast as uniform from -50 to 50 around ``forecast``."""
    cut = {q: forecast + 100.0 * (p - 0.5) for q, p in zip(QUANTILES, LEVELS, strict=True)}
    n = len(realised)
    names = [f"L{i}" for i in range(n)]
    return pd.DataFrame(
        {"listing_id": names, "unit_id": names, "family_id": "one", "forecast": forecast,
         **cut, "common_share": common, "realised": realised}
    )  # fmt: skip


def card(realised: np.ndarray, **about: float) -> Scorecard:
    got = score_lots(lots(realised, **about))
    assert isinstance(got, Scorecard)
    return got


def test_honest_forecasts_are_found_honest() -> None:
    """Results spread just as forecast: cover 80 %, no bias, luck explains the total."""
    got = card(np.linspace(-50, 50, 400))
    assert got.coverage == pytest.approx(0.8, abs=0.005)
    assert got.bias == pytest.approx(0.0, abs=1e-9)
    assert got.probability_as_bad == pytest.approx(0.5, abs=0.03)
    assert got.verdict == "luck alone explains it"


def test_the_chance_of_as_bad_a_total_is_right_on_average() -> None:
    """Over honest months that chance is uniform: below 0.1 in a tenth of 300 (3 errors: 0.052)."""
    rng = np.random.default_rng(12)
    below = 0
    for _ in range(300):
        totals = simulate_totals(lots(np.zeros(5)), rng, 400)
        below += int((totals <= rng.uniform(-50, 50, 5).sum()).mean() < 0.1)
    assert below / 300 == pytest.approx(0.1, abs=0.052)


def test_optimistic_forecasts_of_won_lots_are_found_out() -> None:
    """The winner's curse planted: of 5 bidders the highest estimate wins, error 20.

    It overshoots by 1.16296 x 20 = 23.3 on average (Harter's factor), and the score says so.
    """
    rng = np.random.default_rng(13)
    estimates = rng.normal(0.0, 20.0, (300, 5)).max(axis=1)
    realised = rng.uniform(-50, 50, 300)
    table = lots(realised).assign(forecast=estimates)
    for q, p in zip(QUANTILES, LEVELS, strict=True):
        table[q] = estimates + 100.0 * (p - 0.5)
    got = score_lots(table)
    assert isinstance(got, Scorecard)
    assert got.bias == pytest.approx(-23.26, abs=3 * got.std_error)
    assert got.probability_as_bad < 0.001
    assert got.verdict.startswith("bad rule")


def test_shared_luck_makes_a_bad_month_less_surprising() -> None:
    """Ten lots 20 short each: rare if independent (sd 91, so 1.4 %), common if all share it."""
    alone = card(np.full(10, -20.0) + np.linspace(-1, 1, 10)).probability_as_bad
    shared = card(np.full(10, -20.0) + np.linspace(-1, 1, 10), common=1.0).probability_as_bad
    assert alone == pytest.approx(0.014, abs=0.01)
    assert shared == pytest.approx(0.30, abs=0.03)


def test_simulated_totals_keep_the_forecasts_mean() -> None:
    skewed = lots(np.zeros(8), forecast=12.0).assign(profit_00=-400.0)
    totals = simulate_totals(skewed, np.random.default_rng(1), 20_000)
    assert totals.mean() == pytest.approx(8 * 12.0, abs=4 * totals.std() / np.sqrt(20_000))


def test_too_few_lots_are_not_scored() -> None:
    assert score_lots(lots(np.zeros(4))) == CannotSay(
        "4 won lots with a known result; 5 are needed"
    )


def test_money_stays_to_the_cent_however_large(tmp_path: Path) -> None:
    """A forecast of 123,456.78 is read back as that, and shares to a millionth."""
    rows = forecasts(10.0).assign(expected_profit=123456.78, profit_100=-20000.01)
    rows["common_share"] = 0.1234567
    append(tmp_path, rows)
    back = read_ledger(tmp_path).iloc[0]
    assert (back["expected_profit"], back["profit_100"]) == (123456.78, -20000.01)
    assert back["common_share"] == 0.123457


@pytest.mark.parametrize("terms", ["fixed_price", "private"])
def test_what_is_bought_directly_is_forecast_without_a_premium(terms: str) -> None:
    """No premium, no lot fee: a unit of price lost costs 1 + kappa, and more may be paid."""
    row = {"listing_id": "L0", "model_id": MODEL, "listed_fault": FAULT, "current_bid": 10.0,
           "end_time": pd.Timestamp("2026-11-05"), "terms": terms}  # fmt: skip
    logs = example_logs(listings=[row])
    got = forecasts_of(logs.tables["listings"], logs, example_economics(), DAY).iloc[0]
    kappa = 0.12 * 45 / 365
    assert got["per_bid"] == pytest.approx(1 + kappa)
    assert got["max_bid"] == pytest.approx((105.228766 - 45.0) / (1 + kappa) - 12.0, abs=0.02)


def test_the_fees_of_the_sales_day_and_channel_count() -> None:
    """Sold on 16 July where fees rose in May and will again in August: 15 % of 590.89 and 1.00."""
    channels = [
        Channel("auction site", 0.11, 0.029, 0.65),
        Channel("market", 0.12, 0.0, 0.5),
        Channel("market", 0.20, 0.0, 2.0, "2026-08-01"),
        Channel("market", 0.15, 0.0, 1.0, "2026-05-01"),
    ]
    logs = example_logs(stock=[unit(1)], sales=[sale(1, channel="market")], repairs=[job(1)])
    row = results(logs, example_settings(channels=channels)).iloc[0]
    assert row["selling"] == pytest.approx(88.63 + 1.00 + 12.20)


def test_the_share_units_have_in_common_is_that_between_worlds() -> None:
    """Law of total variance on the end states: what differs between worlds over all there is."""
    got = forecasts(10.0, draws=400, spread=0.2).iloc[0]
    unit = example_economics(draws=400, spread=0.2).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    market, single = unit.both_end_states(0)
    between = np.var(market.value_in_draw)
    mean = float(np.sum(single.weight * single.value))
    whole = float(np.sum(single.weight * (single.value - mean) ** 2))
    assert got["common_share"] == pytest.approx(between / whole, rel=1e-6)
    assert 0.1 < got["common_share"] < 0.9


def test_cover_counts_the_ends_of_a_band_as_inside() -> None:
    """14 of 20 stand inside -40 to 40, two of them on its ends."""
    got = card(np.r_[np.linspace(-40, 40, 14), np.full(3, 45.0), np.full(3, -45.0)])
    assert got.coverage == pytest.approx(0.7)
    assert got.lots["inside"].sum() == 14
