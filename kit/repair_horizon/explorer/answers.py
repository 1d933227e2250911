"""What the explorer answers about one listing: tables worked out anew after every move, and shown.

What is shown is made of pieces a notebook keeps when it is exported.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from repair_horizon.charts.bid_charts import bids
from repair_horizon.charts.style import INK, Words
from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.month.questions_asked import question_at
from repair_horizon.decisions.month.stop_dates import date_rows, needed_until, part_rows, unit_stops
from repair_horizon.decisions.month.thresholds import bid_path
from repair_horizon.decisions.review.what_if import NO_MOVES, Moves
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms, highest_prices, verdict_of
from repair_horizon.decisions.unit.disposition import HOLD_WEEKS, AtGate, break_evens, held_value
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import StateOptions, UnitEconomics
from repair_horizon.fitted_shop import HORIZON
from repair_horizon.logs import CannotSay
from repair_horizon.reports.estimates import Key, Worked, unit_of
from repair_horizon.reports.html import (
    Chart,
    Column,
    Fragment,
    columns_of,
    folded,
    paragraph,
    table,
)
from repair_horizon.reports.month_tables import LEVEL
from repair_horizon.tables.arrays import tabled
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import (
    MISSING,
    Ahead,
    bare_money,
    fault_words,
    missing,
    money,
    month_words,
    number,
    part_words,
    percent,
    stop_words,
)

KEEP = "keep "


@dataclass(frozen=True)
class Headline:
    """The month's threshold and what buying at ``price`` brings; money and shares.

    ``verdict`` is the one every other face tells. ``price`` is the price asked about, or the mean
    price at which the maximum bid wins, which it does with ``probability_win``. ``ask`` is the
    state worth asking the seller about, empty if no answer would change anything, and
    ``ask_value`` what the answer is worth.
    """

    max_bid: float
    verdict: Verdict
    binding_limit: str
    reason: str
    price: float
    probability_win: float
    expected_profit: float
    profit_per_hour: float
    probability_loss: float
    ask: str
    ask_value: float


@dataclass(frozen=True, eq=False)
class Answers:
    """Everything the explorer shows of one listing.

    - ``now``, ``before``: headlines with and without the moves.
    - ``bid_path``: month, max_bid, bid_before, binding_limit, hammer, hammer_lower, hammer_upper.
    - ``options``: state, share, option, value, lower, upper, best, margin (over the next best
      other than waiting, on the best row only): an owned unit in that state this month, future
      cash only.
    - ``stops``: the columns of ``stop_dates``, for this unit and the parts it needs.
    - ``limits``: what (success rate, part price, maker's quote), now, until: how far each may
      worsen before own repair of the main state stops paying.
    """

    key: Key
    main_state: str
    now: Headline
    before: Headline
    bid_path: pd.DataFrame
    options: pd.DataFrame
    stops: pd.DataFrame
    limits: pd.DataFrame


def answers(
    worked: Worked, key: Key, moves: Moves = NO_MOVES, price: float | None = None
) -> Answers | CannotSay:
    """Answer for one listing, (model_id, listed_fault), under changed assumptions.

    ``price`` is the price in mind, money; the threshold's own if None.
    """
    economics = worked.economics(moves)
    unit = unit_of(economics, worked.family_id, key)
    plain = unit_of(worked.economics(NO_MOVES), worked.family_id, key)
    if isinstance(unit, CannotSay) or isinstance(plain, CannotSay):
        return unit if isinstance(unit, CannotSay) else plain  # type: ignore[return-value]
    return Answers(
        key,
        unit.main.state,
        headline(unit, price),
        headline(plain, price),
        both_paths(unit, plain, worked.outlook.first_month),
        option_table(unit),
        stop_table(unit, worked.outlook.first_month),
        limit_table(economics, worked.family_id, unit),
    )


def headline(unit: UnitEconomics, price: float | None = None) -> Headline:
    """Return the month's threshold, and what buying at a price brings."""
    known = Outcomes(unit, 0)
    bid = bid_on_terms(known)
    won = bid.won if price is None else known.bought(unit.landing, price)
    theta = margin_fraction(unit.settings)
    ask = question_at(known, unit.landing, bid.amount if price is None else price, theta)
    return Headline(
        bid.amount,
        verdict_of(known, bid),
        bid.binding,
        bid.reason,
        won.price,
        bid.won.chance,
        won.profit,
        won.profit / known.hours if known.hours else np.nan,
        won.probability_loss,
        ask.state,
        ask.value,
    )


def both_paths(unit: UnitEconomics, plain: UnitEconomics, first_month: int) -> pd.DataFrame:
    """Threshold by month with and without the moves, beside usual hammer prices."""
    before = bid_path(plain, first_month)["max_bid"]
    return tabled({**bid_path(unit, first_month), "bid_before": before})


def option_table(unit: UnitEconomics) -> pd.DataFrame:
    """Worth of every option in every state this month, the winner marked."""
    return pd.concat([_state_options(unit, s) for s in unit.states], ignore_index=True)


def _state_options(unit: UnitEconomics, state: StateOptions) -> pd.DataFrame:
    tail, rows = (1 - LEVEL) / 2, []
    for name in state.options:
        drawn = state.by_draw(name)[:, 0]
        lower, upper = np.quantile(drawn, [tail, 1 - tail])
        rows.append((name, float(state.certainty[name][0]), float(lower), float(upper)))
    paths = dict(state.certainty)
    rate = unit.settings.delay.capital_rate
    rows += [(f"{KEEP}{w} weeks", held_value(paths, w, rate), np.nan, np.nan) for w in HOLD_WEEKS]
    table = pd.DataFrame(rows, columns=["option", "value", "lower", "upper"])
    table = table.sort_values("value", ascending=False, kind="stable", ignore_index=True)
    best = table.index == 0
    # Waiting is the same options later, so it is no rival to the winner.
    rivals = table.loc[~best & ~table["option"].str.startswith(KEEP), "value"]
    lead = float(table["value"].iloc[0] - rivals.iloc[0]) if len(rivals) else np.nan
    about = {"state": state.state, "share": float(state.share.mean()), "best": best}
    return table.assign(**about, margin=np.where(best, lead, np.nan))


def stop_table(unit: UnitEconomics, first_month: int) -> pd.DataFrame:
    """Stop dates of the unit and of the parts its states need."""
    exact = highest_prices(unit)
    rows = date_rows(unit, unit_stops(unit, exact), LEVEL, first_month)
    rows += part_rows([needed_until(unit)], unit.months, LEVEL, first_month)
    return OUTPUTS["stop_dates"].table(rows)


def limit_table(economics: Economics, family_id: str, unit: UnitEconomics) -> pd.DataFrame:
    """How far success, the main part and the maker's quote may worsen before repair stops."""
    columns = ["what", "now", "until"]
    bench = bench_of(economics, family_id, unit.model_id)
    repair = unit.main.repair
    if isinstance(bench, CannotSay) or repair is None:
        return pd.DataFrame(columns=columns)
    paths = dict(unit.main.certainty)
    found = break_evens(AtGate(bench, unit.listed_fault, paths, unit.main))
    code = str(found["part_code"])
    path = bench.part(code) if code else None
    rows: list[tuple[str, object, object]] = [
        ("success rate", float(repair.success.mean()), found["break_even_success"]),
        ("maker's quote", np.nan, found["break_even_maker_quote"]),
    ]
    if path is not None:
        row = (f"part {code}", float(path.price[:, 0].mean()), found["break_even_part_price"])
        rows.insert(1, row)
    return pd.DataFrame(rows, columns=columns)


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
            Column("value", f"Worth, {currency}", bare_money, numeric=True),
            Column("margin", "Ahead of the next by", bare_money, numeric=True),
        ],
        "What to do with the unit, by what it turns out to be",
    )
    mine = found.options[found.options["state"] == found.main_state]
    every = table(
        mine,
        [
            Column("option", "Option"),
            Column("value", f"Worth, {currency}", bare_money, numeric=True),
            Column("lower", f"Lower ({percent(LEVEL)})", bare_money, numeric=True),
            Column("upper", f"Upper ({percent(LEVEL)})", bare_money, numeric=True),
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
    rows = [
        (_limit_name(what), _limit(what, now, currency), _limit(what, until, currency))
        for what, now, until in found.limits.itertuples(index=False, name=None)
    ]
    columns = [Column("what", ""), Column("now", "Now"), Column("until", "Repair pays until")]
    shown = pd.DataFrame(rows, columns=found.limits.columns)
    return table(shown, columns, f"How far it may worsen, if it is {state}")


def _limit_name(what: str) -> str:
    code = what.removeprefix("part ")
    return f"price of the {part_words(code)}" if code != what else what


def _limit(what: str, value: float, currency: str) -> str:
    if what != "success rate" or missing(value):
        return money(value, currency)
    if value > 1:
        return "no success rate is enough"
    return "any success rate" if value < 0 else percent(value)


def bid_chart(worked: Worked, found: Answers, moves: Moves, said: str = "") -> Chart:
    """Draw the bid by month, as assumed and as it is, beside past auctions; ``said`` in it."""
    listings = worked.logs.family(worked.family_id).tables["listings"]
    mine = (listings["model_id"] == found.key[0]) & (listings["listed_fault"] == found.key[1])
    hammers = listings[mine & (listings["final_price"] > 0)].sort_values("end_time")
    currency, path = worked.logs.currency, found.bid_path
    last = path.iloc[-1]
    bid = f"bid at most {money(found.now.max_bid, currency)}" if found.now.max_bid > 0 else "no bid"
    then = money(last["max_bid"], currency) if last["max_bid"] > 0 else "no bid"
    when = f"{then} in {month_words(last['month'])}"
    name = f"{worked.names[found.key[0]]}, {fault_words(found.key[1])}"
    words = Words(f"{bid} now, {when}", f"{name}. {moves_words(moves)}", said)
    drawing = bids(path, hammers, currency, words)
    if moves != NO_MOVES:
        drawing.add(
            "scatter",
            x=path["month"],
            y=path["bid_before"],
            mode="lines",
            line={"color": INK, "width": 2, "dash": "dot", "shape": "hv"},
            name="as it is",
            hovertemplate="%{x|%b %Y}: as it is %{y:,.0f}<extra></extra>",
        )
    return Chart(drawing)


_HEADINGS = {
    "seen": "Own sales",
    "max_bid": "Maximum bid",
    "part_code": "Part",
    "quality_class": "Part quality",
    "total": "Part costs in all",
    "resale": "Unit sells for",
    "reserve": "For returns",
    "net": "Leaves",
    "named": "In settings.toml",
    "planned": "Bids count with it",
    "price": "Price this month",
    "price_from": "Price from",
}


def plain_table(rows: pd.DataFrame, caption: str, output: str = "") -> Fragment:
    """Print any of the further questions' tables in plain words: those of a declared ``output``."""
    if output:
        return table(rows, columns_of(output, " ".join(rows.columns)), caption)
    columns = [_plain_column(rows, str(name)) for name in rows.columns]
    return table(rows, columns, caption)


def _plain_column(rows: pd.DataFrame, name: str) -> Column:
    heading = _HEADINGS.get(name, name.replace("_", " ").capitalize())
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
