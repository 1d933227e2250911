"""The back of a family's page: rows read, settings, words; and the pages of a back-test."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial

import pandas as pd

from repair_horizon.backtest.methods import OURS, RULES
from repair_horizon.backtest.money_replay import MoneyReplay
from repair_horizon.backtest.running import EVERY, BacktestRun, fell_where, reliability
from repair_horizon.backtest.stop_record import StopRecord
from repair_horizon.charts.price_charts import by_months_ahead, reliability_chart
from repair_horizon.charts.style import Words
from repair_horizon.reports.html import (
    Chart,
    Column,
    Fragment,
    bullets,
    columns_of,
    folded,
    joined,
    note,
    paragraph,
    table,
    terms,
)
from repair_horizon.reports.month_tables import FamilyMonth
from repair_horizon.tables.codes import StopDate, Verdict
from repair_horizon.tables.dictionary import GLOSSARY
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import (
    MISSING,
    day_words,
    fault_words,
    listing,
    missing,
    month_words,
    number,
    percent,
)


def data_quality(month: FamilyMonth) -> Fragment:
    """What became of the rows read."""
    counts = columns_of("data_quality", "table read used set_aside held")
    reasons = columns_of("reasons", "table status reason rows")
    whole = table(month.data_quality, counts, "Rows of the whole workspace")
    if month.reasons.empty:
        return whole
    return joined(whole, folded("Why rows were not used", table(month.reasons, reasons, "Reasons")))


def settings_used(month: FamilyMonth, settings: Settings) -> Fragment:
    """The settings that hold for this kind of device, and the cut-off."""
    rows = pd.DataFrame(_flat(asdict(settings.for_class(month.device_class))), columns=["k", "v"])
    columns = [Column("k", "Setting"), Column("v", "Value")]
    said = paragraph(f"Data up to {day_words(month.cutoff)}; report of {month_words(month.month)}.")
    whole = folded("Every setting used", table(rows, columns, "Settings"))
    return joined(said, whole)


def _flat(values: dict[str, object], before: str = "") -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    for name, value in values.items():
        if isinstance(value, dict):
            out += _flat(value, f"{before}{name}.")
        elif value is not None and name != "by_class":
            out.append((f"{before}{name}", str(value)))
    return out


def glossary() -> Fragment:
    """The words of the page."""
    verdicts = [f"{v.shape} {v.words}" for v in Verdict]
    known = [*verdicts, "maximum bid", "hammer price", "chance of winning"]
    words = {
        "profit of a win, chance of loss": "of a lot that is won, at the price it is won at",
        "earns a month": "profit of a win times the chance of winning, times the listings a month",
        "what sets the bid": "the rule, or the owner's target or limit of settings.toml, that "
        "holds the bid down, by name:",
        "break-even": "what the unit is worth, risk counted, is what it costs",
        "profit target, margin target": "a profit per unit, or as a share of the sale",
        "bench-hour target": "a profit per bench hour",
        "return on cash": "a profit on the cash a unit ties up",
        "chance of loss, single": "the one unit at hand may lose money no more often than accepted",
        "chance of loss, lot": "the same for a whole lot of like units, bought and judged together",
        "loss cap": "the worst likely outcome may cost no more than the share of cash accepted",
        "working cash": "bid, premium, carriage and parts must fit into the cash there is",
        "80 % interval": "8 of 10 such figures should fall inside, one below, one above",
        "confidence": "own sales: the model's own sales carry the figure; few sales: under the "
        "minimum of settings.toml; family or class average: others' sales carry it",
        **{str(date): date.words for date in StopDate},
    }
    return terms({word: GLOSSARY[word] for word in known} | words)


_n, _n3 = number, partial(number, decimals=3)


def verdict(run: BacktestRun, currency: str) -> Fragment:
    """The page in three sentences: prices, intervals, money."""
    return bullets([_error_words(run), run.calibration.words, _money_words(run, currency)])


def _error_words(run: BacktestRun) -> str:
    """Say the median error of the curves and of the best rule, nearest and farthest month."""
    rows = run.by_horizon[(run.by_horizon["horizon"] != EVERY) & (run.by_horizon["reason"] == "")]
    said = []
    for horizon in list(dict.fromkeys(rows["horizon"]))[:: max(1, rows["horizon"].nunique() - 1)]:
        at = rows[rows["horizon"] == horizon].set_index("method")["median_ape"]
        best = at[at.index.isin(list(RULES))]
        said.append(
            f"{_ahead(horizon)} the kit's curves miss a sale by {percent(at[OURS])}, "
            f"the best simple rule ({best.idxmin()}) by {percent(best.min())}"
        )
    whole = "; ".join(said)
    return f"{whole[0].upper()}{whole[1:]}." if said else "Too few held-out sales to say anything."


def _ahead(horizon: object) -> str:
    if horizon == EVERY:
        return "all together"
    return "1 month ahead" if str(horizon) == "1" else f"{horizon} months ahead"


def _money_words(run: BacktestRun, currency: str) -> str:
    if not isinstance(run.money, MoneyReplay):
        return f"What the thresholds would have earned cannot be said: {run.money.reason}."
    rows = run.money.table.dropna(subset=["profit_per_lot"])
    lots = [
        f"{r.strategy} {number(r.profit_per_lot)} ({number(r.lots)} of {number(r.of)} lots)"
        for r in rows.itertuples()
    ]
    return f"Estimated profit per lot bought, {currency}: {listing(lots, 9)}."


def tested(run: BacktestRun) -> Fragment:
    """Sales, cutoffs and families behind each horizon, and what could not be forecast."""
    ours = run.prices.of(OURS)
    counts = ours.groupby("horizon", as_index=False).agg(
        sales=("sale_id", "size"), cutoffs=("cutoff", "nunique"), families=("family_id", "nunique")
    )
    columns = [
        Column("horizon", "Forecast", _ahead),
        Column("sales", "Held-out sales", _n, True),
        Column("cutoffs", "Cutoffs", _n, True),
        Column("families", "Families", _n, True),
    ]
    shown = table(counts, columns, "What was forecast again and held against sales")
    silent = run.prices.silent
    if silent.empty:
        return shown
    unsaid = silent.groupby(["family_id", "reason"], as_index=False)["n"].sum()
    reasons = [
        Column("family_id", "Family", fault_words),
        Column("n", "Held-out sales", _n, True),
        Column("reason", "Reason"),
    ]
    return Fragment(shown.html + table(unsaid, reasons, "What could not be forecast").html)


def error_chart(run: BacktestRun) -> Chart | Fragment:
    """Median error of every method by months ahead."""
    rows = run.by_horizon
    ours = rows[(rows["method"] == OURS) & (rows["horizon"] != EVERY) & (rows["reason"] == "")]
    if ours.empty:
        return note("No chart of errors: too few held-out sales at any horizon.")
    ends = [f"{percent(r.median_ape)} {_ahead(r.horizon)}" for r in ours.iloc[[0, -1]].itertuples()]
    title = f"The kit's curves miss a sale by {listing(list(dict.fromkeys(ends)))}"
    words = Words(title, f"{_error_words(run)} Medians over held-out sales.")
    return Chart(by_months_ahead(run.by_horizon, "median_ape", None, words))


def errors(run: BacktestRun) -> Fragment:
    """Scores of every method by months ahead."""
    columns = [Column("horizon", "Forecast", _ahead), *_score_columns(run.by_horizon)]
    shown = table(run.by_horizon, columns, "Prices, by months ahead")
    return folded("Every method's scores by months ahead", shown)


def errors_by_sales(run: BacktestRun) -> Fragment:
    """Scores of every method by how many sales the model had."""
    first = Column("sales_known", "Sales known of the model")
    known = run.by_sales[run.by_sales["method"] == OURS]
    ours = table(known, [first, *_score_columns(known)[1:]], "The kit's curves")
    every = table(run.by_sales, [first, *_score_columns(run.by_sales)], "Every method")
    return Fragment(ours.html + folded("Every method's scores by sales known", every).html)


def _score_columns(rows: pd.DataFrame) -> list[Column]:
    """Columns of a table of scores; the reason only where one is given."""
    columns = [
        Column("method", "Method"),
        Column("n", "Sales", _n, True),
        Column("median_ape", "Median error", percent, True),
        Column("bias", "Too high by", _signed_percent, True),
        Column("coverage_80", "In the 80 % interval", percent, True),
        Column("pinball", "Loss of the whole forecast (pinball)", _n3, True),
        Column("pinball_to_best_rule", "Times the best rule's", partial(number, decimals=2), True),
    ]
    return [*columns, Column("reason", "Reason")] if rows["reason"].ne("").any() else columns


def _signed_percent(share: object) -> str:
    if missing(share):
        return MISSING
    value = float(str(share))
    return f"−{percent(-value)}" if value <= -0.005 else percent(max(value, 0.0))


def promise_charts(run: BacktestRun) -> list[Chart]:
    """Promised against kept, over all levels and by months ahead."""
    said = run.calibration.words
    first = Words("Intervals, promised and kept", said)
    second = Words("Sales inside the 80 % interval, by months ahead", said)
    return [
        Chart(reliability_chart(reliability(run.prices, OURS), first)),
        Chart(by_months_ahead(run.by_horizon, "coverage_80", 0.8, second)),
    ]


def fell(run: BacktestRun) -> Fragment:
    """Where in their forecasts the held-out sales fell, against where they should."""
    columns = [
        Column("band", "Between these percentiles of the forecast"),
        Column("due", "Should be", percent, True),
        Column("found", "Were", percent, True),
        Column("n", "Sales", _n, True),
    ]
    shown = table(fell_where(run.prices, OURS), columns, "Where the sales fell in their forecasts")
    return folded("Where the sales fell in their forecasts", shown)


def earned(run: BacktestRun, currency: str) -> Fragment:
    """What each rule would have bought of the past listings, and what that was worth."""
    if not isinstance(run.money, MoneyReplay):
        return note(f"What the thresholds would have earned cannot be said: {run.money.reason}.")
    columns = [
        Column("strategy", "Rule"),
        Column("lots", "Lots bought", _n, True),
        Column("of", "of", _n, True),
        Column("spent", f"Spent, {currency}", _n, True),
        Column("profit", f"Profit, {currency}", _n, True),
        Column("profit_per_lot", f"per lot, {currency}", _n, True),
        Column("profit_per_hour", f"per bench hour, {currency}", _n, True),
        Column("share_lost", "Chance of loss", percent, True),
        Column("missed", f"Profit left to others, {currency}", _n, True),
    ]
    shown = table(run.money.table, columns, "Past listings, bought at the price they fetched")
    reasons = run.money.lots["reason"].replace("", "judged").value_counts()
    lots = "; ".join(f"{number(n)} {reason}" for reason, n in reasons.items())
    return Fragment(shown.html + paragraph(f"Lots: {lots}.", "note").html)


def stops_kept(run: BacktestRun) -> Fragment:
    """Chances told of past stop dates, and how many of them came."""
    if not isinstance(run.stops, StopRecord):
        return note(f"No record of past stop dates: {run.stops.reason}.")
    shares = [
        Column("n", "Chances told", _n, True),
        Column("told", "Told on average", percent, True),
        Column("came", "Came", percent, True),
    ]
    by_date = [
        Column("date_name", "Date"),
        Column("months_ahead", "Within months", _n, True),
        *shares,
        Column("brier", "Brier score", _n3, True),
        Column("brier_of_share", "of knowing only how often", _n3, True),
    ]
    by_chance = [Column("band", "Chance told"), *shares]
    told = table(run.stops.scores, by_date, "Past stop dates, chances told and what came")
    bands = table(run.stops.bands, by_chance, "The same by the chance told")
    return joined(told, bands)
