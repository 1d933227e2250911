"""Commands for decisions: bids, stock, plan."""

from __future__ import annotations

import re
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from repair_horizon.commands.printing import (
    Telling,
    month_folder,
    opened,
    within,
)
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.files.writing import guarded, write_table
from repair_horizon.logs import Fault, LogFault, Logs
from repair_horizon.tables.faults import visible
from repair_horizon.tables.months import month_word

if TYPE_CHECKING:
    from repair_horizon.shop import Shop

# What is shown of each table, columns parted by spaces.
BIDS_SHOWN = (
    "listing_id model_id listed_fault end_time current_bid max_bid offer probability_win "
    "advice verdict expected_profit profit_per_hour probability_loss ask reason"
)
STOCK_SHOWN = (
    "unit_id model_id state status advice value next_best margin loss_per_week offer_floor "
    "ask_price mark_down channel days_expected caution reason"
)
THRESHOLDS_SHOWN = "model_id listed_fault max_bid probability_win expected_profit verdict reason"
PLAN_SHOWN = "kind item model_id about max_bid probability_win expected_profit gain hours cash"


def bids(options: Namespace) -> int:
    """Score open listings, and note what is expected of those worth bidding for."""
    from repair_horizon.decisions.month.listings import PRIVATE, winning_told
    from repair_horizon.decisions.review.forecast_ledger import append

    workspace, tell = Path(options.workspace), Telling(options)
    shop = opened(options)
    if options.won:
        return _won(options, workspace, shop, tell)
    month = shop.month(options.month)
    given = None if options.listings is None else _listings(options.listings, shop.logs, tell)
    table = shop.bids(given, month)
    path = month_folder(options.workspace, month) / "bids.csv"
    nothing = f"No listing is open on {shop.now:%Y-%m-%d}."
    shown = table.assign(probability_win=winning_told(table))[BIDS_SHOWN.split()]
    tell.table("bids", table, path, nothing=f"{nothing} Maximum bids are:", shown=shown)
    if table.empty:
        _maximum_bids(shop, month, tell)
    noted = append(workspace, shop.promises(given, month))
    tell.say(f"Before buying: {BEFORE_BUYING}")
    tell.say(f"{shop.scarcity(month).words.capitalize()}.")
    if (table["terms"] == PRIVATE).any():
        tell.say(f"First offers: {shop.sellers.words}.")
    if noted:
        tell.say(f"{noted} forecasts noted in forecasts.csv, for what comes of them.")
    tell.finish(month=month_word(month), now=f"{shop.now:%Y-%m-%d}")
    return 0


def _maximum_bids(shop: Shop, month: int, tell: Telling) -> None:
    """Tell the maximum bids of the month where no listing is open."""
    found = shop.fit().thresholds(month)
    found = found.sort_values("max_bid", ascending=False, kind="stable")
    tell.table("maximum_bids", found, None, THRESHOLDS_SHOWN, "none: the catalogue is empty")


def _won(options: Namespace, workspace: Path, shop: Shop, tell: Telling) -> int:
    """Note that a lot was won, or put right what was noted."""
    from repair_horizon.decisions.review.forecast_ledger import append, bought, read_ledger
    from repair_horizon.tables.inputs import BOUGHT

    listing, unit, text = options.won
    faults, price = [], _amount(text)
    if price is None:
        faults.append(Fault("--won", None, "PRICE", text, "a decimal number from 0 to 1000000000"))
    known = _listings(options.listings, shop.logs, tell).set_index("listing_id")["result"]
    if listing not in known:
        faults.append(Fault("--won", None, "LISTING", listing, "a listing of listings.csv"))
    elif known[listing] not in ("", "won"):
        allowed = f"one that was not {known[listing]}; its result stands in listings.csv"
        faults.append(Fault("--won", None, "LISTING", listing, allowed))
    if unit != unit.strip() or not unit or visible(unit) != unit or guarded(unit) != unit:
        faults.append(Fault("--won", None, "UNIT", unit, "the identifier the unit has here"))
    notes = read_ledger(workspace)
    notes = notes[notes["record_type"] == BOUGHT].drop_duplicates("listing_id", keep="last")
    other = notes.loc[(notes["unit_id"] == unit) & (notes["listing_id"] != listing), "listing_id"]
    if len(other):
        faults.append(Fault("--won", None, "UNIT", unit, f"a unit not won as {other.iloc[0]}"))
    if faults or price is None:
        raise LogFault(faults)
    row = bought(listing, unit, price, shop.now)
    before = notes[notes["listing_id"] == listing]
    if len(before):
        was = before.iloc[0]
        if was["unit_id"] == unit and was["price"] == price:
            tell.say(f"{listing} was noted before")
            tell.finish()
            return 0
        if not options.correct:
            found = f"{listing} noted as won: unit {was['unit_id']} at {was['price']:g}"
            raise LogFault([Fault("--won", None, "", found, "--correct beside it, to change that")])
        # The last note of a listing counts; what was written stays.
        row = row.assign(entry_id=f"{row['entry_id'].iloc[0]}:{len(read_ledger(workspace))}")
    append(workspace, row)
    tell.say(f"{listing} noted as won: unit {unit} at {price:g}")
    tell.finish()
    return 0


def _amount(text: str) -> float | None:
    """Read a price; None for what is no plain amount (nan and inf are none)."""
    plain = re.fullmatch(r"[0-9]{1,10}(\.[0-9]{1,4})?", text)
    return float(text) if plain and float(text) <= 1e9 else None


def _listings(file: str | None, logs: Logs, tell: Telling) -> pd.DataFrame:
    from repair_horizon.logs.reading import read_table
    from repair_horizon.tables.inputs import LISTINGS

    if file is None:
        return logs.tables["listings"]
    if not Path(file).is_file():
        raise LogFault([Fault(file, None, "", "no such file", "a listings file")])
    given = read_table(Path(file), LISTINGS)
    rows = given.rows[given.rows["model_id"].isin(logs.tables["catalogue"]["model_id"])]
    tell.say(f"{given.read} listings read, {given.read - len(rows)} not usable")
    return rows


def stock(options: Namespace) -> int:
    """Advise on every unit owned."""
    shop, tell = opened(options), Telling(options)
    month = shop.month(options.month)
    table = shop.stock(month)
    folder = month_folder(options.workspace, month)
    nothing = "No unit is owned: repair-horizon add unit model_id=... state=... status=..."
    tell.table("stock", table, folder / "stock.csv", STOCK_SHOWN, nothing)
    write_table(folder / "asking_prices.csv", shop.asking(month))
    if len(table):
        tell.say(f"Days to sale rest on {shop.selling.words}.")
    tell.say(f"{shop.scarcity(month).words.capitalize()}.")
    tell.finish(month=month_word(month), now=f"{shop.now:%Y-%m-%d}")
    return 0


def plan(options: Namespace) -> int:
    """Plan the month's bids and bench work; rank part quotes, and say the last orders."""
    from repair_horizon.decisions.month.listings import winning_told
    from repair_horizon.decisions.month.plan import BUY
    from repair_horizon.fitted_shop import HORIZON, NEAR

    within("--months", options.months, NEAR, HORIZON)
    shop, tell = opened(options), Telling(options)
    month = shop.month(options.month)
    found = shop.plan(month)
    answers = shop.unknowns(month)  # looks as near as the plan: after it, not after two years' look
    folder = month_folder(options.workspace, month)
    write_table(folder / "plan.csv", found.items)
    done = found.items[found.items["do"]]
    lots = done["kind"] == BUY  # a job's gain is told, a lot's promise
    shown = done.assign(
        probability_win=winning_told(done),
        expected_profit=done["expected_profit"].where(lots),
        gain=done["gain"].mask(lots),
    )
    nothing = "Nothing to do: no listing pays, no unit waits."
    tell.table("plan", done, nothing=nothing, shown=shown[PLAN_SHOWN.split()])
    tell.say(f"\n{found.words()}")
    if len(done):
        tell.say(f"Before buying: {BEFORE_BUYING}")
    tell.say(f"{shop.scarcity(month).words.capitalize()}.")
    tell.say(f"\nWhat the plan comes to, {shop.currency} and hours, 90 % range:")
    tell.table("outcome", found.outcome())
    write_table(folder / "part_orders.csv", shop.part_orders(month, options.months))
    quotes = shop.ranked_quotes(month, options.months)
    write_table(folder / "part_quotes_ranked.csv", quotes)
    late = quotes[quotes["wait_months"] > 0].drop_duplicates(["model_id", "part_code"])
    pays = f"{len(late)} parts are worth waiting for (wait_months)" if len(late) else "never pays"
    tell.say(f"\nWaiting for a part to get cheaper: {pays}.")
    write_table(folder / "unknowns.csv", answers)
    if len(answers):
        tell.say("\nWhat would be worth knowing, until the buy stop:")
    for text in answers["words"]:
        tell.say(f"  {text}")
    tell.say(f"\nEverything considered: {folder / 'plan.csv'}")
    tell.say(f"Part quotes, cheapest in total first: {folder / 'part_quotes_ranked.csv'}")
    tell.say(f"Last orders of parts, none assumed on the shelf: {folder / 'part_orders.csv'}")
    tell.finish(month=month_word(month), now=f"{shop.now:%Y-%m-%d}")
    return 0
