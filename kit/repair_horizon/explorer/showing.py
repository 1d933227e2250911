"""The explorer's answers as pieces a notebook shows, and keeps when it is exported."""

from __future__ import annotations

import pandas as pd

from repair_horizon.charts.bid_charts import bids
from repair_horizon.charts.style import INK, Words
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves
from repair_horizon.explorer.answers import Answers, Headline
from repair_horizon.fitted_shop import HORIZON
from repair_horizon.reports.html import Chart, Column, Fragment, folded, paragraph, table
from repair_horizon.reports.month_tables import LEVEL
from repair_horizon.reports.worked import Key, Worked
from repair_horizon.tables.codes import StopDate
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import (
    MISSING,
    Ahead,
    fault_words,
    missing,
    money,
    month_words,
    number,
    part_words,
    percent,
    stop_words,
)


def moves_words(moves: Moves) -> str:
    """Say what is assumed to differ from the logs and settings."""
    said = []
    if moves.resale:
        said.append(f"resale {_share(moves.resale, ('higher', 'lower'))}")
    if moves.part_price:
        what = part_words(moves.part_code) if moves.part_code else "parts"
        said.append(f"{what} {_share(moves.part_price, ('dearer', 'cheaper'))}")
    if moves.delay_days:
        way = "later" if moves.delay_days > 0 else "sooner"
        said.append(f"{abs(moves.delay_days):g} days {way}")
    if moves.failures != 1.0:
        said.append(f"failures times {moves.failures:g}")
    if moves.successor is not None:
        said.append(f"successor in {month_words(month_start(moves.successor[1]))}")
    if moves.tax is not None:
        said.append(f"tax {fault_words(moves.tax[0])} at {percent(moves.tax[1])}")
    if moves.bench_rate is not None:
        said.append(f"bench hour at {moves.bench_rate:g}")
    return "Assumed: " + "; ".join(said) + "." if said else "As the logs and settings are."


def _share(share: float, way: tuple[str, str]) -> str:
    return f"{round(abs(share) * 100, 1):g} % {way[0] if share > 0 else way[1]}"


def priced_part(worked: Worked, key: Key, code: str) -> str:
    """Name a part with its price now, which an amount in mind can be held against."""
    now = money(worked.part_price(key[0], code), worked.logs.currency)
    return f"{part_words(code)}, now {now}"


def about(worked: Worked, found: Answers, moves: Moves) -> Fragment:
    """Say which listing is looked at, and under which assumptions."""
    name, fault = worked.names[found.key[0]], fault_words(found.key[1])
    when = month_words(worked.first_day)
    said = f"{name}, {fault}, {when}. {moves_words(moves)}"
    now = worked.part_price(found.key[0], moves.part_code)
    if moves.part_price and not missing(now):
        amount = money(abs(moves.part_price) * now, worked.logs.currency)
        whole = money((1.0 + moves.part_price) * now, worked.logs.currency)
        said += f" That is {amount} on the cheapest {part_words(moves.part_code)}, {whole} in all."
    return paragraph(said)


def headline_table(worked: Worked, found: Answers) -> Fragment:
    """Threshold, profit, chance of loss and the question to ask, moved and as it is."""
    now, before = (_headline(h, worked.logs.currency) for h in (found.now, found.before))
    rows = pd.DataFrame({"what": list(now), "now": now.values(), "before": before.values()})
    columns = [Column("what", ""), Column("now", "As assumed"), Column("before", "As it is")]
    return table(rows, columns, "This listing")


def _headline(h: Headline, currency: str) -> dict[str, str]:
    bid = money(h.max_bid, currency) if h.max_bid > 0 else f"no bid: {h.reason}"
    ask = f"is it {fault_words(h.ask)}? ({money(h.ask_value, currency)})"
    return {
        "Verdict": h.verdict.words,
        "Maximum bid": bid,
        "Held down by": h.binding_limit,
        "If bought at": money(h.price, currency),
        "Expected profit": money(h.expected_profit, currency),
        "Profit per bench hour": money(h.profit_per_hour, currency),
        "Chance of loss": percent(h.probability_loss),
        "Ask the seller": ask if h.ask else "no answer would change the decision",
    }


def option_tables(worked: Worked, found: Answers) -> Fragment:
    """Winner in every state, and every option in the likeliest state that repair can mend."""
    currency = worked.logs.currency
    best = found.options[found.options["best"]]
    winners = table(
        best,
        [
            Column("state", "It turns out to be", fault_words),
            Column("share", "Chance", percent, numeric=True),
            Column("option", "Then"),
            Column("value", f"Worth, {currency}", number, numeric=True),
            Column("margin", "Ahead of the next by", number, numeric=True),
        ],
        "What to do with the unit, by what it turns out to be",
    )
    mine = found.options[found.options["state"] == found.main_state]
    every = table(
        mine,
        [
            Column("option", "Option"),
            Column("value", f"Worth, {currency}", number, numeric=True),
            Column("lower", f"Lower ({percent(LEVEL)})", number, numeric=True),
            Column("upper", f"Upper ({percent(LEVEL)})", number, numeric=True),
        ],
        f"Every option if it is {fault_words(found.main_state)}",
    )
    return Fragment(winners.html + folded("Every option in the main state", every).html)


def stop_fragment(worked: Worked, found: Answers) -> Fragment:
    """When each thing stops paying, with its interval."""
    ahead = Ahead(worked.first_day, HORIZON, LEVEL)
    rows = found.stops.assign(
        what=[_stop_name(row) for _, row in found.stops.iterrows()],
        when=[stop_words(row, ahead) for _, row in found.stops.iterrows()],
    )
    return table(rows, [Column("what", "What"), Column("when", "When")], "Stop dates")


def _stop_name(row: pd.Series) -> str:
    name = StopDate.worded(row["date_name"])
    return f"{part_words(row['part_code'])}: {name}" if row["part_code"] else name


def limit_fragment(worked: Worked, found: Answers) -> Fragment:
    """How far success, part price and maker's quote may worsen before repair stops paying."""
    state = fault_words(found.main_state)
    if found.limits.empty:
        return paragraph(f"No repair of {state} can be costed.", "note")
    currency = worked.logs.currency
    rows = found.limits.assign(
        what=[_limit_name(w) for w in found.limits["what"]],
        now=[_limit(w, v, currency) for w, v in _pairs(found.limits, "now")],
        until=[_limit(w, v, currency) for w, v in _pairs(found.limits, "until")],
    )
    columns = [Column("what", ""), Column("now", "Now"), Column("until", "Repair pays until")]
    return table(rows, columns, f"How far it may worsen, if it is {state}")


def _pairs(rows: pd.DataFrame, column: str) -> zip[tuple[str, float]]:
    return zip(rows["what"], rows[column], strict=True)


def _limit_name(what: str) -> str:
    code = what.removeprefix("part ")
    return f"price of the {part_words(code)}" if code != what else what


def _limit(what: str, value: float, currency: str) -> str:
    if what != "success rate" or missing(value):
        return money(value, currency)
    if value > 1:
        return "no success rate is enough"
    return "any success rate" if value < 0 else percent(value)


def bid_chart(worked: Worked, found: Answers, moves: Moves) -> Chart:
    """Draw the bid by month, as assumed and as it is, beside past auctions."""
    listings = worked.logs.family(worked.family_id).tables["listings"]
    mine = (listings["model_id"] == found.key[0]) & (listings["listed_fault"] == found.key[1])
    hammers = listings[mine & (listings["final_price"] > 0)].sort_values("end_time")
    currency, path = worked.logs.currency, found.bid_path
    last = path.iloc[-1]
    bid = f"bid at most {money(found.now.max_bid, currency)}" if found.now.max_bid > 0 else "no bid"
    then = money(last["max_bid"], currency) if last["max_bid"] > 0 else "no bid"
    when = f"{then} in {month_words(last['month'])}"
    name = f"{worked.names[found.key[0]]}, {fault_words(found.key[1])}"
    words = Words(f"{bid} now, {when}", f"{name}. {moves_words(moves)}")
    figure = bids(path, hammers, currency, words)
    if moves != NO_MOVES:
        figure.add_scatter(
            x=path["month"],
            y=path["bid_before"],
            mode="lines",
            line={"color": INK, "width": 2, "dash": "dot", "shape": "hv"},
            name="as it is",
            hovertemplate="%{x|%b %Y}: as it is %{y:,.0f}<extra></extra>",
        )
    return Chart(figure)


def plain_table(rows: pd.DataFrame, caption: str) -> Fragment:
    """Print any of the further questions' tables, its columns in plain words."""
    columns = [_plain_column(rows, str(name)) for name in rows.columns]
    return table(rows, columns, caption)


def _plain_column(rows: pd.DataFrame, name: str) -> Column:
    heading = name.replace("_", " ")
    heading = heading[:1].upper() + heading[1:]
    if pd.api.types.is_bool_dtype(rows[name]):
        return Column(name, heading, lambda v: "yes" if v else "no")
    if name.startswith(("share", "success", "prior", "probability")):
        return Column(name, heading, percent, numeric=True)
    if pd.api.types.is_datetime64_any_dtype(rows[name]):
        return Column(name, heading, month_words)
    if pd.api.types.is_numeric_dtype(rows[name]):
        return Column(name, heading, number, numeric=True)
    words = part_words if name == "part_code" else fault_words
    return Column(name, heading, lambda v: MISSING if missing(v) else words(v))
