"""Further questions: channels, part qualities, parts to stock, cash and hours, luck, beliefs."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from repair_horizon.decisions.month.plan import Plan
from repair_horizon.decisions.month.quotes import QUALITY_COLUMNS, compare_qualities, part_orders
from repair_horizon.decisions.review.scorecard import score_ledger
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.logs import CannotSay, Logs, Settings
from repair_horizon.reports.estimates import Key, Worked, unit_of
from repair_horizon.shop import Shop
from repair_horizon.tables.words import money, percent


def by_channel(worked: Worked, key: Key, moves: Moves = NO_MOVES) -> pd.DataFrame:
    """Which channel nets most for one listing.

    Returns ``channel, seen, worth, max_bid``: expected worth before the purchase and threshold this
    month if sold there, the best first; ``seen`` says whether own sales tell the channel's price
    level, else it is taken as the usual one. Empty where nothing can be said.
    """
    economics = worked.economics(moves)
    rows = []
    for name in dict.fromkeys(c.name for c in worked.rules.channels):
        rules = economics.settings.for_class(_device_class(worked))
        rules = replace(rules, sale=replace(rules.sale, channel=name), by_class={})
        unit = unit_of(
            Economics(economics.outlook, rules, economics.valuation), worked.family_id, key
        )
        if isinstance(unit, CannotSay):
            continue
        worth, bid = float(unit.value[:, 0].mean()), bid_on_terms(Outcomes(unit, 0))
        rows.append((name, name in unit.family.channel, worth, bid.amount))
    table = pd.DataFrame(rows, columns=["channel", "seen", "worth", "max_bid"])
    return table.sort_values("worth", ascending=False, ignore_index=True)


def by_quality(worked: Worked, key: Key) -> pd.DataFrame:
    """Original or copy: what each quality of each part leaves of the sale.

    Returns ``part_code, planned`` and the columns of ``compare_qualities``; ``planned`` marks the
    quality that bids count with. Only parts the likeliest repair of the listing needs. Empty where
    nothing can be said.
    """
    columns = ["part_code", "planned", *QUALITY_COLUMNS]
    economics = worked.economics(NO_MOVES)
    unit = unit_of(economics, worked.family_id, key)
    bench = bench_of(economics, worked.family_id, key[0]) if key[0] in worked.names else None
    if isinstance(unit, CannotSay) or not isinstance(bench, Bench):
        return pd.DataFrame(columns=columns)
    tables = []
    for code in unit.main.codes:
        rows, planned = compare_qualities(bench, bench.offers(code)), bench.offer(code)
        if planned is not None:
            mark = rows["quality_class"] == planned.quality
            tables.append(rows.assign(part_code=code, planned=mark))
    whole = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=columns)
    return whole[columns]


def parts_to_stock(worked: Worked, key: Key) -> pd.DataFrame:
    """How many of each part the model may still need: its rows of ``part_orders``."""
    orders = part_orders(worked.logs, worked.economics(NO_MOVES), worked.family_id)
    return orders[orders["model_id"] == key[0]].reset_index(drop=True)


def purchases(shop: Shop, cash: float, hours_a_week: float) -> Plan:
    """Choose among open listings and shelf jobs with so much cash and bench hours a week.

    ``cash`` is working cash, money, what is tied up in stock included. The plan is for the month
    after the newest data, over all families.
    """
    settings = shop.settings
    rules = replace(
        settings,
        limits=replace(settings.limits, working_cash=cash),
        bench=replace(settings.bench, hours_per_week=hours_a_week),
    )
    return shop.with_rules(rules).plan()


def taken(chosen: Plan) -> pd.DataFrame:
    """What a plan takes: ``kind, item, model_id, about, expected_profit, hours, cash, max_bid``."""
    columns = ["kind", "item", "model_id", "about", "expected_profit", "hours", "cash", "max_bid"]
    return chosen.items.loc[chosen.items["do"], columns].reset_index(drop=True)


def luck(logs: Logs, settings: Settings) -> pd.DataFrame:
    """Bad luck or a bad rule: results of bought lots against what was forecast for them.

    Returns ``what, value``; one row with the reason where too little has been sold.
    """
    card = score_ledger(logs, settings)
    if isinstance(card, CannotSay):
        return pd.DataFrame({"what": ["cannot say"], "value": [card.reason]})
    rows = {
        "verdict": card.verdict,
        "lots": len(card.lots),
        "realised less forecast, per unit": money(card.bias, logs.currency, cents=True),
        "chance of a total this low by luck": percent(card.probability_as_bad),
        "share of lots inside their 80 % interval": percent(card.coverage),
    }
    return pd.DataFrame({"what": list(rows), "value": [str(v) for v in rows.values()]})


def beliefs(worked: Worked, fault: str) -> pd.DataFrame:
    """Where the jobs disagree with what was declared about a listed fault.

    Returns ``state, prior_share, share, share_lower, share_upper, n_found, prior_success, success,
    success_lower, success_upper, n_tried, disagrees``; the last is true where a declared figure
    lies outside the 80 % interval learnt. Empty where nothing can be said.
    """
    learnt = ["share", "share_lower", "share_upper", "n_found"]
    tried = ["success", "success_lower", "success_upper", "n_tried"]
    columns = ["state", "prior_share", *learnt, "prior_success", *tried]
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame(columns=[*columns, "disagrees"])
    rows = worked.family.estimates.rates.states
    rows = rows[rows["listed_fault"] == fault][columns].reset_index(drop=True)
    off = _outside(rows, "prior_share", "share") & (rows["n_found"] > 0)
    return rows.assign(
        disagrees=off | (_outside(rows, "prior_success", "success") & (rows["n_tried"] > 0))
    )


def _outside(rows: pd.DataFrame, declared: str, learnt: str) -> pd.Series:
    low, high = rows[f"{learnt}_lower"], rows[f"{learnt}_upper"]
    return (rows[declared] < low) | (rows[declared] > high)


def _device_class(worked: Worked) -> str:
    family = worked.family
    return "" if isinstance(family, CannotSay) else family.estimates.device_class
