"""Commands for decisions: bids, stock, plan."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from repair_horizon.commands.by_family import fitted
from repair_horizon.commands.printing import (
    BACKTEST,
    hands_of,
    month_folder,
    month_of,
    read,
    show,
    within,
    write_csv,
)
from repair_horizon.logs import Fault, LogFault, Logs, Settings

if TYPE_CHECKING:
    from repair_horizon.decisions.unit.economics import Economics
    from repair_horizon.estimation.forecast import FamilyEstimates

BIDS_SHOWN = [
    "listing_id",
    "model_id",
    "listed_fault",
    "end_time",
    "current_bid",
    "max_bid",
    "advice",
    "expected_profit",
    "profit_per_hour",
    "probability_loss",
    "ask",
    "reason",
]
STOCK_SHOWN = [
    "unit_id",
    "model_id",
    "state",
    "status",
    "advice",
    "value",
    "next_best",
    "margin",
    "loss_per_week",
    "offer_floor",
    "caution",
    "reason",
]
PLAN_SHOWN = ["kind", "item", "model_id", "about", "expected_profit", "hours", "cash", "max_bid"]


def bids(options: Namespace) -> int:
    """Score open listings, and note what is expected of those worth bidding for."""
    from repair_horizon.decisions.month.listings import families_of, open_listings, score
    from repair_horizon.decisions.review.forecast_ledger import append, bought, forecasts_of

    workspace = Path(options.workspace)
    logs, settings = read(options.workspace, options.as_of)
    if options.won:
        listing, unit, price = options.won
        added = append(workspace, bought(listing, unit, _amount(price), logs.newest_day))
        print(f"{listing} noted as won: unit {unit}" if added else f"{listing} was noted before")
        return 0
    month = month_of(options.month, logs)
    wanted = open_listings(_listings(options.listings, logs), logs.newest_day)
    fits = fitted(logs, list(families_of(wanted, logs)), hands_of(options))
    economics = _economics(logs, settings, (month, 3), fits)
    table = score(wanted, logs, economics)
    show(table, month_folder(options.workspace, month) / "bids.csv", BIDS_SHOWN)
    good = wanted[wanted["listing_id"].isin(table.loc[table["advice"] == "bid", "listing_id"])]
    noted = append(workspace, forecasts_of(good, logs, economics, logs.newest_day))
    print(f"{noted} forecasts noted in forecasts.csv, to be held against what comes of them.")
    return 0


def _amount(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise LogFault([Fault("--won", None, "PRICE", text, "a decimal number")]) from None


def _listings(file: str | None, logs: Logs) -> pd.DataFrame:
    from repair_horizon.logs.reading import read_table
    from repair_horizon.tables.inputs import LISTINGS

    if file is None:
        return logs.tables["listings"]
    if not Path(file).is_file():
        raise LogFault([Fault(file, None, "", "no such file", "a listings file")])
    given = read_table(Path(file), LISTINGS)
    rows = given.rows[given.rows["model_id"].isin(logs.tables["catalogue"]["model_id"])]
    print(f"{given.read} listings read, {given.read - len(rows)} not usable")
    return rows


def stock(options: Namespace) -> int:
    """Advise on every unit owned."""
    from repair_horizon.decisions.month.listings import families_of
    from repair_horizon.decisions.month.shelf import shelf

    logs, settings = read(options.workspace, options.as_of)
    month = month_of(options.month, logs)
    fits = fitted(logs, list(families_of(logs.tables["stock"], logs)), hands_of(options))
    table = shelf(logs, _economics(logs, settings, (month, 3), fits))
    show(table, month_folder(options.workspace, month) / "stock.csv", STOCK_SHOWN)
    return 0


def plan(options: Namespace) -> int:
    """Choose the month's purchases and bench work; rank part quotes, and say the last orders."""
    from repair_horizon.decisions.month.part_orders import part_orders
    from repair_horizon.decisions.month.plan import plan as month_plan
    from repair_horizon.decisions.month.quotes import family_quotes

    within("--months", options.months, 3, 60)
    logs, settings = read(options.workspace, options.as_of)
    month = month_of(options.month, logs)
    fits = fitted(logs, logs.families, hands_of(options))
    economics = _economics(logs, settings, (month, options.months), fits)
    found = month_plan(logs, settings, economics)
    folder = month_folder(options.workspace, month)
    write_csv(found.items, folder / "plan.csv")
    done = found.items[found.items["do"]]
    amounts = done.select_dtypes("float").columns
    done = done.assign(**{c: done[c].round(2) for c in amounts})
    print(done[PLAN_SHOWN].to_string(index=False, na_rep="") if len(done) else "Nothing to do.")
    print(f"\nBench hours {found.hours[0]:.1f} of {found.hours[1]:.1f}; ", end="")
    print(f"cash {found.cash[0]:,.2f} of {found.cash[1]:,.2f} {logs.currency}.")
    print(f"One more bench hour would earn {found.shadow_hour:.2f} above its wage.")
    print(found.outcome().round(2).to_string(index=False))
    orders = [part_orders(logs, economics, f, {}) for f in logs.families]
    write_csv(pd.concat(orders, ignore_index=True), folder / "part_orders.csv")
    quotes = pd.concat([family_quotes(logs, economics, f) for f in logs.families])
    write_csv(quotes, folder / "part_quotes_ranked.csv")
    late = quotes[quotes["wait_months"] > 0].drop_duplicates(["model_id", "part_code"])
    pays = f"{len(late)} parts are worth waiting for (wait_months)" if len(late) else "never pays"
    print(f"\nWaiting for a part to get cheaper: {pays}.")
    print(f"\nEverything considered: {folder / 'plan.csv'}")
    print(f"Part quotes, cheapest in total first: {folder / 'part_quotes_ranked.csv'}")
    print(f"Last orders of parts, none assumed on the shelf: {folder / 'part_orders.csv'}")
    return 0


def _economics(
    logs: Logs, settings: Settings, span: tuple[int, int], fits: dict[str, FamilyEstimates]
) -> Economics:
    """Work out fitted families from a month on; ``span`` is (number of the month, months)."""
    from repair_horizon.decisions.unit.economics import unit_economics
    from repair_horizon.estimation.calibration import calibrated_outlook, read_calibration
    from repair_horizon.estimation.forecast import Estimates, forecast

    estimates = Estimates(logs.currency, logs.newest_day, fits)
    outlook = forecast(estimates, span[1], settings.seed, settings.draws, span[0])
    factor = read_calibration(logs.folder / BACKTEST).factor
    return unit_economics(calibrated_outlook(outlook, factor), settings)
