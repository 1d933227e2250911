"""No option is lost for want of a quote, a sale or a job, and what stands in is as wide as it says.

Worlds are drawn here, so what is right is known; the names are invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from repair_horizon.classes import class_knowledge
from repair_horizon.estimation.forecast import fit_family
from repair_horizon.estimation.part_paths import USUAL_QUALITIES, ClassPart
from repair_horizon.estimation.pooled_ratios import (
    ratio_centre,
)
from repair_horizon.estimation.repairs import fit_rates
from repair_horizon.estimation.shop_knowledge import shop_knowledge
from repair_horizon.logs import read_logs
from repair_horizon.reports.month import Order, write_month
from repair_horizon.tables.codes import Basis
from scant_logs import FAMILY, outlook_of, workspace

QUOTES = "quote_id,quote_date,model_id,part_code,quality_class,supplier_id,unit_price,currency,"


QUOTES += "lead_days\n"


# --- Parts --------------------------------------------------------------------------------------


def test_a_family_without_quotes_has_every_part_priced(tmp_path: Path) -> None:
    """Every model, every part a state needs that the class knows, every usual quality: a price.

    A part neither quoted nor known to the class (ZZ) has none, and that is not hidden.
    """
    family = outlook_of(workspace(tmp_path / "w"))
    known = class_knowledge("phone").part_codes
    for model in family.models:
        for code in {"DA", "FLX", *known}:
            for quality in USUAL_QUALITIES:
                path = family.parts[model, code, quality]
                assert np.isfinite(path.price).all()
                assert (path.price > 0).all()
                assert (path.basis, path.words) == (Basis.CLASS, "from the class, wide")
                assert pd.isna(path.newest)
        assert "ZZ" not in family.parts.codes(model)
    share = class_knowledge("phone").part_share("DA", "maker_original", 30.0)
    log = np.log(family.parts["ulver_1", "DA", "maker_original"].price[:, 0] / 500.0)
    # The draws average to the class's figure, however wide they are.
    assert float(np.log(np.mean(np.exp(log)))) == pytest.approx(
        float(np.log(share.value)), abs=0.08
    )
    assert 0.8 * share.log_sd < float(log.std()) < 2.5 * share.log_sd


def test_one_quote_moves_its_model_most_its_siblings_less_and_no_other_part(tmp_path: Path) -> None:
    """Shrunk, not switched: a quote of twice the class's price moves siblings, but by less."""
    before = outlook_of(workspace(tmp_path / "a"))
    double = 2 * float(before.parts["ulver_2", "DA", "aftermarket"].price[:, 0].mean())
    row = f"Q1,2024-05-02,ulver_2,DA,aftermarket,s,{double:.2f},EUR,9\n"
    after = outlook_of(workspace(tmp_path / "b", part_quotes=QUOTES + row))

    def moved(model: str, code: str) -> float:
        keys = (model, code, "aftermarket")
        logs = [np.log(o.parts[keys].price[:, 0]).mean() for o in (after, before)]
        return float(logs[0] - logs[1])

    own, sibling = moved("ulver_2", "DA"), moved("ulver_3", "DA")
    assert 0.25 < sibling < own
    assert own == pytest.approx(np.log(2), abs=0.25)
    assert abs(moved("ulver_3", "EC")) < 0.15
    assert after.parts["ulver_2", "DA", "aftermarket"].basis is Basis.OWN
    told = after.parts["ulver_3", "DA", "aftermarket"]
    assert (told.basis, told.words) == (Basis.FAMILY, "estimated from 1 sibling")
    assert told.lead_days == 9
    other = after.parts["ulver_2", "DA", "maker_original"]
    assert other.words == "estimated from 1 quote of another quality"
    assert other.price[:, 0].mean() > after.parts["ulver_2", "DA", "aftermarket"].price[:, 0].mean()


def test_the_market_of_a_quoted_part_is_drawn_to_the_last_month_looked_at(tmp_path: Path) -> None:
    """From the newest quote's month on, as many steps as months lie between, in whole years."""
    row = "Q1,2024-05-02,ulver_2,DA,aftermarket,s,60,EUR,9\n"
    source = outlook_of(workspace(tmp_path / "a", part_quotes=QUOTES + row)).parts.sources["DA"]
    fit, last = source.curves.fit, source.days[-1]
    first = pd.Timestamp(fit.panel.day.max())
    steps = 12 * (last.year - first.year) + last.month - first.month
    assert steps == 15
    assert source.drawn.market.shape[1] == 24 + 1


def test_what_a_copy_costs_is_learned_from_the_shop_s_other_parts(tmp_path: Path) -> None:
    """Copies quoted at 0.3 of the maker's own price make those of another part as cheap."""
    own = "Q{n},2024-05-02,{m},{p},maker_original,s,{a:.2f},EUR,9\n"
    copy = "C{n},2024-05-02,{m},{p},aftermarket,s,{a:.2f},EUR,9\n"
    pairs = [(m, p) for m in ("ulver_1", "ulver_2") for p in ("BAT", "EC", "BC")]
    rows = [own.format(n=n, m=m, p=p, a=50.0) for n, (m, p) in enumerate(pairs)]
    rows.append(own.format(n=99, m="ulver_2", p="DA", a=150.0))
    copies = [copy.format(n=n, m=m, p=p, a=15.0) for n, (m, p) in enumerate(pairs)]

    def ratio(name: str, rows: list[str]) -> float:
        parts = outlook_of(workspace(tmp_path / name, part_quotes=QUOTES + "".join(rows))).parts
        of = [parts["ulver_2", "DA", q].price[:, 0] for q in ("aftermarket", "maker_original")]
        return float(np.exp(np.log(of[0] / of[1]).mean()))

    assert ratio("a", rows) == pytest.approx(0.45, abs=0.03)  # the class's
    assert 0.3 < ratio("b", rows + copies) < 0.38


def test_a_part_asked_for_again_is_the_same_and_may_be_changed(tmp_path: Path) -> None:
    """Paths are worked out when asked for; forgetting and asking again changes no draw."""
    parts = outlook_of(workspace(tmp_path / "w")).parts
    key = ("ulver_1", "DA", "aftermarket")
    first = parts[key].price.copy()
    for other in parts:  # more than are kept
        _ = parts[other]
    assert np.array_equal(parts[key].price, first)
    dearer = parts.changed(lambda k, p: replace(p, price=p.price + 10.0) if k == key else p)
    assert np.array_equal(dearer[key].price, first + 10.0)
    again = dearer.changed(lambda _, p: replace(p, price=2 * p.price))
    assert np.array_equal(again[key].price, 2 * (first + 10.0))
    with pytest.raises(KeyError):
        parts["ulver_1", "nothing", "aftermarket"]


def test_a_copy_falls_by_its_own_pace_for_a_year_and_then_by_the_usual_one() -> None:
    """Half a year flat, twelve months of its own, the rest as a refurbished original falls."""
    known = class_knowledge("phone")

    def share(quality: str, age: float) -> float:
        return float(known.part_share("DA", quality, age).value)

    part = ClassPart("phone", "DA", None, pd.DatetimeIndex([]), np.zeros((1, 1)), {})  # type: ignore[arg-type]
    ages = np.array([0.0, 6.0, 11.0, 18.0, 40.0])
    found, wide = part._shares("aftermarket", ages)
    own = share("aftermarket", 7.0) / share("aftermarket", 6.0)
    usual = share("original_refurbished", 7.0) / share("original_refurbished", 6.0)
    assert own < usual
    worth = share("aftermarket", 0.0) * own ** np.array([0, 0, 5, 12, 12])
    np.testing.assert_allclose(np.exp(found), worth * usual ** np.array([0, 0, 0, 0, 22]))
    widths = [known.part_share("DA", "aftermarket", age).log_sd for age in ages]
    np.testing.assert_allclose(wide, widths)


def test_every_fault_and_state_has_an_as_is_value(tmp_path: Path) -> None:
    """Faults and states never sold too, named by what they rest on; a locked unit has none."""
    logs = workspace(tmp_path / "w")
    family = outlook_of(logs)
    assert {"display_dead", "display_only", "board"} <= set(family.as_is)
    assert "locked" not in family.as_is
    table = fit_family(logs, FAMILY).as_is.set_index("fault")
    assert table.loc["board", "words"] == "from the class, wide"
    class_ratio = class_knowledge("phone").as_is_ratio("board")
    assert table.loc["board", "log_ratio"] == pytest.approx(class_ratio.log_centre)
    assert table.loc["board", "std_error"] == pytest.approx(class_ratio.log_sd, rel=0.1)
    both, worst = ratio_centre("display_and_board", "phone"), ratio_centre("board", "phone")
    assert (both.key, both.log_sd) == (worst.key, worst.log_sd)
    assert worst.log_ratio - 0.5 < both.log_ratio < worst.log_ratio
    assert ratio_centre("no_fault_found", "phone").log_ratio > np.log(0.6)


def test_a_fault_the_owner_declared_nothing_of_has_the_classs_rows(tmp_path: Path) -> None:
    """A family without fault_states.csv, and a fault seen in a listing only: the class's states."""
    header = "family_id,listed_fault,state,prior_share,part_codes,bench_hours,prior_success\n"
    bare = fit_rates(workspace(tmp_path / "a", fault_states=header), FAMILY).states
    assert set(bare["listed_fault"]) == set(class_knowledge("phone").listed_faults)
    assert set(bare["basis"]) == {Basis.CLASS}
    listings = "listing_id,model_id,listed_fault,end_time\nL1,ulver_1,no_power,2024-06-01 10:00\n"
    more = fit_rates(workspace(tmp_path / "b", listings=listings), FAMILY).states
    basis = more.groupby("listed_fault")["basis"].agg(set).to_dict()
    assert basis == {"display_dead": {Basis.FAMILY}, "no_power": {Basis.CLASS}}


# --- The shop -----------------------------------------------------------------------------------


def test_a_family_sent_to_a_worker_is_fitted_as_in_the_whole_shop() -> None:
    """With the shop's knowledge, a family's own rows give the same estimates as all rows."""
    logs = read_logs(Path(__file__).parents[1] / "data" / "demo")
    knowledge = shop_knowledge(logs)
    whole = fit_family(logs, "vellfold", knowledge)
    sent = fit_family(logs.of(["vellfold"]), "vellfold", knowledge)
    for name in ("as_is", "hammer", "rivals"):
        pd.testing.assert_frame_equal(getattr(whole, name), getattr(sent, name))
    pd.testing.assert_frame_equal(whole.rates.states, sent.rates.states)


def test_a_family_without_a_sale_gets_its_page_and_its_bids(tmp_path: Path) -> None:
    """One as-is sale beside another family's prices: a page, a bid, and no price fit to check."""
    sales = "sale_id,model_id,sale_date,gross_amount,currency,grade,condition,listed_fault\n"
    sales += "S1,ulver_1,2024-03-01,60,EUR,,as_is,display_dead\n"
    sales += "S2,b_1,2024-01-05,200,EUR,B,working,\nS3,b_1,2024-02-05,190,EUR,B,working,\n"
    catalogue = "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
    catalogue += "ulver_1,ulver,phone,2022-01-01,500,EUR\nb_1,b,tablet,2022-01-01,400,EUR\n"
    workspace(tmp_path / "w", catalogue=catalogue, sales=sales)
    order = Order(families=[FAMILY], out=tmp_path / "out", draws=60)
    run = write_month(tmp_path / "w", "2024-04", order=order)
    assert not run.failed
    bids = pd.read_csv(run.folder / "thresholds.csv")
    assert (bids["verdict"] != "cannot say").all()
    assert set(bids["listed_fault"]) == {"display_dead"}
