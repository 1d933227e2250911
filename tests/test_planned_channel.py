"""Sales are planned through the channel named, else the first; a row that notes none moves little.

A sale noted without its channel once became the channel planned with where none was named: one
typing error moved every bid of its family.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo_copies import DEMO, demo_logs_of
from outlook_by_hand import MODEL, example_family, example_settings
from repair_horizon.decisions.costs.sale import sale_terms
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES
from repair_horizon.logs import Logs, Settings, read_settings
from repair_horizon.shop import Shop
from repair_horizon.tables.settings import Channel

FAMILY = "ulmvrist_watch"


def unnamed(rules: Settings) -> Settings:
    return replace(rules, draws=200, sale=replace(rules.sale, channel=""))


def with_blank(logs: Logs, times: float) -> Logs:
    """The newest sale noted without channel and grade, at so many times its price."""
    sales = logs.tables["sales"].copy()
    at = sales["sale_date"].idxmax()
    sales.loc[at, ["channel", "grade"]] = ""
    sales.loc[at, "amount"] *= times
    return replace(logs, tables={**logs.tables, "sales": sales})


def bids(logs: Logs, rules: Settings) -> pd.Series:
    table = Shop(logs, rules, valuation=NO_CHARGES).thresholds()
    return table.set_index(["model_id", "listed_fault"])["exact_bid"]


def test_where_no_channel_is_named_the_first_one_is_planned_with() -> None:
    rules = read_settings(DEMO)
    assert rules.sale.channel == rules.channels[0].name == unnamed(rules).planned_channel
    logs = with_blank(demo_logs_of(FAMILY), 1.0)
    named = bids(logs, replace(rules, draws=200))
    pd.testing.assert_series_equal(bids(logs, unnamed(rules)), named)


def test_a_mistyped_price_without_its_channel_does_not_set_the_familys_level() -> None:
    """In a family of 40 sales a noted one moves bids by up to a quarter of the dearest too."""
    logs, rules = demo_logs_of(FAMILY), unnamed(read_settings(DEMO))
    usual, tenfold = bids(logs, rules), bids(with_blank(logs, 10.0), rules)
    assert (tenfold - usual).abs().max() < 0.25 * usual.max()


def test_a_first_channel_that_sells_lower_lowers_the_price() -> None:
    """Seen at 0.9 of the usual channel's price, by hand: 0.9 of every level."""
    shops = [Channel("counter"), Channel("marketplace", 0.11)]
    rules = replace(unnamed(example_settings()), channels=shops)
    family = example_family()
    family = replace(family, channel={"marketplace": np.ones(1), "counter": np.full(1, 0.9)})
    here = Bench(family, rules, sale_terms(rules), MODEL, 3)
    assert here.level == pytest.approx(0.9 * family.level[:, 0] * family.mean_factor)
    assert here.terms.fee_rate == 0.0
