"""Commands for decisions: ask, bids, stock, plan."""

from __future__ import annotations

import re
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.commands.printing import (
    Telling,
    day_of,
    give_json,
    month_folder,
    opened,
    out_file,
    tell_now,
    within,
)
from repair_horizon.decisions.cautions import BEFORE_BUYING
from repair_horizon.files.writing import guarded, write_table
from repair_horizon.logs import Fault, LogFault, Logs
from repair_horizon.tables.faults import visible
from repair_horizon.tables.months import month_word

if TYPE_CHECKING:
    from repair_horizon.asking.given import Given, GradeGiven, StateGiven
    from repair_horizon.asking.unit_answer import UnitAnswer
    from repair_horizon.shop import Shop


# What is shown of each table, columns parted by spaces.
BIDS_SHOWN = (
    "listing_id model_id listed_fault end_time current_bid max_bid offer probability_win "
    "advice verdict then expected_profit profit_per_hour probability_loss ask reason"
)
STOCK_SHOWN = (
    "unit_id model_id state status advice value next_best margin loss_per_week offer_floor "
    "ask_price mark_down channel days_expected caution reason"
)
THRESHOLDS_SHOWN = (
    "model_id listed_fault max_bid probability_win expected_profit verdict then reason"
)
PLAN_SHOWN = "kind item model_id about max_bid then probability_win expected_profit gain hours cash"


def bids(options: Namespace) -> int:
    """Score open listings, and note what is expected of those worth bidding for."""
    from repair_horizon.decisions.month.listings import winning_told
    from repair_horizon.decisions.review.forecast_ledger import append
    from repair_horizon.estimation.rival_prices import PRIVATE

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
    rows = shop.logs.tables["listings"]
    won = rows.loc[rows["listing_id"].isin(shop.won_lots) & (rows["result"] == ""), "listing_id"]
    if len(won):
        tell.say(f"Noted as won, not shown: {', '.join(won)} (no result in listings.csv yet).")
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
    tell.say(
        f"Next: `repair-horizon add unit unit_id={unit} model_id=... state=... buy_date=...`, and "
        "when the auction is over its result, won, and final price in listings.csv."
    )
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


def _keep(folder: Path, name: str, table: pd.DataFrame) -> None:
    """Write a declared table into the month's folder, with the digits the month's pages write."""
    from repair_horizon.tables.outputs import OUTPUTS

    write_table(folder / f"{name}.csv", OUTPUTS[name].written(table))


def stock(options: Namespace) -> int:
    """Advise on every unit owned."""
    shop, tell = opened(options), Telling(options)
    month = shop.month(options.month)
    table = shop.stock(month)
    folder = month_folder(options.workspace, month)
    nothing = "No unit is owned: repair-horizon add unit model_id=... state=... status=..."
    tell.table("stock", table, folder / "stock.csv", STOCK_SHOWN, nothing)
    _keep(folder, "asking_prices", shop.asking(month))
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
    _keep(folder, "plan", found.items)
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
    _keep(folder, "part_orders", shop.part_orders(month, options.months))
    quotes = shop.ranked_quotes(month, options.months)
    _keep(folder, "part_quotes_ranked", quotes)
    late = quotes[quotes["wait_months"] > 0].drop_duplicates(["model_id", "part_code"])
    pays = f"{len(late)} parts are worth waiting for (wait_months)" if len(late) else "never pays"
    tell.say(f"\nWaiting for a part to get cheaper: {pays}.")
    _keep(folder, "unknowns", answers)
    if len(answers):
        tell.say("\nWhat would be worth knowing, until the buy stop:")
    for text in answers["words"]:
        tell.say(f"  {text}")
    tell.say(f"\nEverything considered: {folder / 'plan.csv'}")
    tell.say(f"Part quotes, cheapest in total first: {folder / 'part_quotes_ranked.csv'}")
    tell.say(f"Last orders of parts, none assumed on the shelf: {folder / 'part_orders.csv'}")
    tell.finish(month=month_word(month), now=f"{shop.now:%Y-%m-%d}")
    return 0


MODEL_OR_CLASS = "--model MODEL of the catalogue, or --class CLASS for a model no log knows"


def ask(options: Namespace) -> int:
    """Answer for one unit: how much, what then, and until when."""
    if bool(options.model) == bool(options.device_class):
        found = "both" if options.model else "neither"
        raise LogFault([Fault("ask", None, "", found, MODEL_OR_CLASS)])
    day = day_of(options.as_of)
    place = options.workspace or "."
    chart = out_file(Namespace(out=options.chart, workspace=place)) if options.chart else None
    given = given_in(options)
    answer = _of_model(options, day, given) if options.model else _of_class(options, day, given)
    if options.format == "json":
        give_json(_as_json(answer))
    else:
        print(answer)
    if chart is not None:
        _draw(answer, chart)
    return 0


def _of_model(options: Namespace, day: str | None, given: Given) -> UnitAnswer:
    from repair_horizon.shop import open_shop

    shop = open_shop(options.workspace or ".", day)
    tell_now(shop.logs.now_words_asked(day))
    return shop.ask(options.model, options.fault, given=given, month=options.month)


def _of_class(options: Namespace, day: str | None, given: Given) -> UnitAnswer:
    from repair_horizon.one_unit import ask as ask_class
    from repair_horizon.shop import open_shop

    shop: Shop | None = open_shop(options.workspace, day) if options.workspace else None
    now = f"{pd.Timestamp(day or pd.Timestamp.today()):%Y-%m-%d}"
    tell_now(shop.logs.now_words_asked(day) if shop else f"Now is {now}: no workspace is named.")
    return ask_class(
        options.device_class,
        options.fault,
        launch=options.launch,
        launch_price=options.launch_price,
        shop=shop,
        today=day,
        given=given,
    )


def given_in(options: Namespace) -> Given:
    """Read the figures given on the command line."""
    from repair_horizon.asking.given import ANY, Given, PartGiven

    part, parts = None, {}
    for text in options.part or []:
        code, _, price = text.rpartition("=")
        price, _, fall = price.partition("@")
        amount, _, shipping = price.partition("+")
        numbers = (_number("--part", amount), _number("--part", shipping or "0"))
        found = PartGiven(*numbers, _number("--part", fall) if fall else None)
        if code:
            parts[code] = found
        else:
            part = found.price + found.shipping
    as_is = {}
    for text in options.as_is or []:
        state, _, price = text.rpartition("=")
        as_is[state.replace(" ", "_") or ANY] = _number("--as-is", price)
    return Given(
        states=tuple(_state(text) for text in options.state or []),
        grades=dict(_grade(text) for text in options.grade or []),
        resale=options.resale,
        fall=options.monthly_fall,
        part=part,
        parts=parts,
        as_is=as_is,
        hours=options.hours,
        success=options.success,
        manufacturer_quote=options.manufacturer_quote,
        asking=options.asking,
    )


PRICE = "a price such as 48.50, CODE=PRICE, or CODE=PRICE+SHIPPING@FALL a month, a share"
STATE = "STATE=SHARE, and after commas parts joined by +, hours, success: display=0.7,DA,1.5,0.9"
UNSAID = ("", "", "0", "0")
GRADE = "GRADE=SHARE, and after a comma its price against the base grade's: B=0.4,0.85"


def _number(option: str, text: str, allowed: str = PRICE) -> float:
    try:
        return float(text)
    except ValueError:
        raise LogFault([Fault(option, None, "", text, allowed)]) from None


def _state(text: str) -> StateGiven:
    """Read what the unit may turn out to be; without hours and success it cannot be mended."""
    from repair_horizon.asking.given import StateGiven

    name, _, figures = text.partition("=")
    got = figures.split(",")
    if not name or len(got) > len(UNSAID):
        raise LogFault([Fault("--state", None, "", text, STATE)])
    share, parts, hours, success = (*got, *UNSAID[len(got) :])
    numbers = [_number("--state", n, STATE) for n in (share, hours, success)]
    codes = tuple(c for c in parts.split("+") if c)
    return StateGiven(name.replace(" ", "_"), numbers[0], codes, *numbers[1:])


def _grade(text: str) -> tuple[str, GradeGiven]:
    from repair_horizon.asking.given import GradeGiven

    name, _, figures = text.partition("=")
    share, _, factor = figures.partition(",")
    own = _number("--grade", factor, GRADE) if factor else None
    return name, GradeGiven(_number("--grade", share or "1", GRADE), own)


def _draw(answer: UnitAnswer, path: Path) -> None:
    from repair_horizon.files.writing import write_text

    write_text(path, answer.plot().to_html(include_plotlyjs=True))
    print(f"\nChart: {path}")


def _as_json(answer: UnitAnswer) -> dict[str, Any]:
    bid, offer = answer.bid, answer.offer
    tables = {
        "dispositions": answer.dispositions,
        "stops": answer.stops,
        "months": answer.months,
        "matters": answer.matters,
        "sources": answer.sources,
    }
    cautions = [{"heading": c.heading, "text": c.text} for c in answer.cautions()]
    return {
        "asked": answer.name,
        "currency": answer.currency,
        "max_bid": bid.amount,
        "exact_bid": answer.exact_bid,
        "probability_win": bid.won.chance,
        "verdict": answer.verdict.value,
        "reason": bid.reason,
        "first_offer": offer.first,
        "probability_taken": offer.taken,
        "walk_away": offer.walk_away,
        "ask_seller": answer.question.state,
        "ask_value": answer.question.value,
        "notes": list(answer.notes),
        **tables,
        "cautions": cautions,
    }
