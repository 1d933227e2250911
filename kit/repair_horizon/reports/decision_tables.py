"""Tables of what to do: bids, dates, options, end states, and where the money goes.

Where the money goes between a resale price and the most that may be bid for it.

What moves the bid most: one input at a time made worse and better, all else the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.month.opportunity_cost import listings_per_month
from repair_horizon.decisions.month.questions_asked import bid_moves, dearest_part, turning_points
from repair_horizon.decisions.month.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    REPAIR_STOP,
    chance_table,
    date_rows,
    unit_stops,
)
from repair_horizon.decisions.month.thresholds import bid_row
from repair_horizon.decisions.unit.bid import hammer_price, outcomes
from repair_horizon.decisions.unit.bid_limits import break_even_bids
from repair_horizon.decisions.unit.economics import Economics, unit_under
from repair_horizon.decisions.unit.options import AS_IS, MAKER, PART_OUT, REPAIR
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import FamilyOutlook
from repair_horizon.reports.main_rows import earnings
from repair_horizon.reports.worked import Worked
from repair_horizon.tables.codes import Confidence, Verdict
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import part_words

_THRESHOLD = OUTPUTS["thresholds"].names
_WATERFALL = OUTPUTS["waterfall"].names
_MOVES = OUTPUTS["moves"].names
UNIT_TABLES = ("bid_path", "stop_chances", "options", "end_states", "waterfall")


@dataclass(frozen=True, eq=False)
class UnitTables:
    """Rows of every decision table for one model and listed fault."""

    bid_path: pd.DataFrame
    stop_chances: pd.DataFrame
    dates: list[dict[str, object]]
    threshold: dict[str, object]
    options: pd.DataFrame
    end_states: pd.DataFrame
    waterfall: pd.DataFrame


def unit_tables(worked: Worked, unit: UnitEconomics, model: pd.Series) -> UnitTables:
    """Work out one unit; the unit itself, large with its draws, can then be let go."""
    bids = bid_table(worked, unit)
    exact = bids["exact_bid"].to_numpy(float)
    stops = unit_stops(unit, exact)
    dates = date_rows(unit, stops, worked.level, worked.first_month)
    return UnitTables(
        bids,
        _named(unit, chance_table(stops, worked.first_month)),
        dates,
        _threshold(unit, (bids, dates), model),
        option_table(worked, unit),
        end_state_table(unit),
        waterfall_table(unit, float(exact[0])),
    )


def bid_table(worked: Worked, unit: UnitEconomics) -> pd.DataFrame:
    """Thresholds by month; see ``repair_horizon.decisions.month.thresholds``."""
    start = {"family_id": worked.family_id}
    start |= {"model_id": unit.model_id, "listed_fault": unit.listed_fault}
    rows = [
        {
            **start,
            "month": month_start(worked.first_month + h),
            **bid_row(outcomes(unit, h)),
        }
        for h in range(unit.months)
    ]
    return OUTPUTS["bid_path"].table(rows)


def date_table(worked: Worked, rows: list[dict[str, object]]) -> pd.DataFrame:
    """Four stop dates by model and fault or part; see ``month.stop_dates``."""
    for model_id, fault, why in worked.unsaid:
        for name in (BUY_STOP, BID_ZERO, REPAIR_STOP):
            row = {"model_id": model_id, "listed_fault": fault, "part_code": ""}
            rows.append({**row, "date_name": name, "reason": why.reason})
    table = OUTPUTS["stop_dates"].table(rows).assign(family_id=worked.family_id)
    for name in ("median", "lower", "upper"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[s]")
    return table


def threshold_table(
    worked: Worked, rows: list[dict[str, object]], models: pd.DataFrame
) -> pd.DataFrame:
    """One row per model and listed fault: this month's threshold, its verdict and dates."""
    about = models.set_index("model_id")
    for model_id, fault, why in worked.unsaid:
        model = about.loc[model_id]
        rows.append(
            {
                "model_id": model_id,
                "listed_fault": fault,
                "n_sales": model["n_sales"],
                "confidence": Confidence.CANNOT_SAY,
                "reason": why.reason,
                "model_name": model["model_name"],
                "verdict": Verdict.CANNOT_SAY,
            }
        )
    table = pd.DataFrame(rows, columns=_THRESHOLD)
    for name in [c for c in _THRESHOLD if "_stop_" in c]:
        table[name] = pd.to_datetime(table[name]).astype("datetime64[s]")
    return _with_earnings(table.assign(family_id=worked.family_id), worked)


def _with_earnings(table: pd.DataFrame, worked: Worked) -> pd.DataFrame:
    """Add listings a month, and what the model and fault earns on average a month."""
    rates = listings_per_month(worked.logs.tables["listings"], worked.logs.newest_day)
    keys = pd.MultiIndex.from_frame(table[["model_id", "listed_fault"]].astype(str))
    per_month = rates.reindex(keys).to_numpy(float) if len(rates) else np.nan
    earns = earnings(table) * per_month
    return table.assign(listings_per_month=per_month, earns_per_month=earns)


def _threshold(
    unit: UnitEconomics, tables: tuple[pd.DataFrame, list[dict[str, object]]], model: pd.Series
) -> dict[str, object]:
    bids, dates = tables
    now, following = bids.iloc[0], bids.iloc[min(1, len(bids) - 1)]
    out: dict[str, object] = {c: now[c] for c in bids.columns if c in _THRESHOLD}
    by = {str(d["date_name"]): d for d in dates}
    for name, date in (("buy_stop", BUY_STOP), ("repair_stop", REPAIR_STOP)):
        for end in ("lower", "median", "upper"):
            out[f"{name}_{end}"] = by[date][end]
    return out | {
        "bid_next_month": following["max_bid"],
        "n_sales": model["n_sales"],
        "confidence": model["confidence"],
        "model_name": model["model_name"],
        "main_state": unit.main.state,
    }


def hammer_table(worked: Worked) -> pd.DataFrame:
    """Hammer prices seen, with what became of the lots."""
    listings = worked.logs.family(worked.family_id).tables["listings"]
    seen = listings[listings["final_price"] > 0]
    columns = ["model_id", "listed_fault", "end_time", "final_price", "result"]
    return seen[columns].sort_values("end_time", ignore_index=True)


def option_table(worked: Worked, unit: UnitEconomics) -> pd.DataFrame:
    """Value of every option for a unit owned in its main state, by month, with an interval."""
    tail = (1 - worked.level) / 2
    months = pd.DatetimeIndex([month_start(worked.first_month + h) for h in range(unit.months)])
    options = unit.main.options
    names = [n for n in (REPAIR, AS_IS, PART_OUT, MAKER) if n in options] or list(options)
    bands = [np.quantile(unit.main.by_draw(n), [tail, 1 - tail], axis=0) for n in names]
    none = np.zeros(0)  # a locked unit has no option at all
    return pd.DataFrame(
        {
            "model_id": unit.model_id,
            "listed_fault": unit.listed_fault,
            "month": np.tile(months.to_numpy(), len(names)),
            "value": np.concatenate([none, *(unit.main.certainty[n] for n in names)]),
            "lower": np.concatenate([none, *(b[0] for b in bands)]),
            "upper": np.concatenate([none, *(b[1] for b in bands)]),
            "option": np.repeat(np.array(names, dtype=object), unit.months),
            "state": unit.main.state,
        }
    )


def _named(unit: UnitEconomics, table: pd.DataFrame) -> pd.DataFrame:
    table.insert(0, "model_id", unit.model_id)
    table.insert(1, "listed_fault", unit.listed_fault)
    return table


def end_state_table(unit: UnitEconomics) -> pd.DataFrame:
    """Where a unit bought this month may end: share, value, and the bid that breaks even."""
    states = unit.end_states(0)
    share = states.weight.sum(axis=0)
    safe = np.maximum(share, 1e-12)
    even = break_even_bids(
        states, unit.landing.segments[0], unit.landing.kappa, margin_fraction(unit.settings)
    )
    table = pd.DataFrame(unit.labels(0), columns=["state", "action"])
    return _named(
        unit,
        table.assign(
            share=share,
            value=(states.weight * states.value).sum(axis=0) / safe,
            break_even_bid=(states.weight * even).sum(axis=0) / safe,
        ),
    )


def waterfall_table(unit: UnitEconomics, exact_bid: float) -> pd.DataFrame:
    """Where the money goes, from the resale price of a repaired unit down to the maximum bid.

    For a unit in the main state that repair mends, at its expected grade; the step 'other states
    and failures' is what separates that unit from the expected one, so the lines add up exactly.
    """
    option = unit.main.repair
    if option is None:
        return pd.DataFrame(columns=_WATERFALL)
    shares = option.grade_shares
    price = float((option.price_by_grade[:, 0] * shares).sum(axis=1).mean())
    good = float((option.by_grade[:, 0] * shares).sum(axis=1).mean())
    spent = {k: float(np.mean(v[:, 0] if np.ndim(v) > 1 else v)) for k, v in option.lines.items()}
    testing = unit.test_hours * unit.wage
    charge = unit.valuation.charge(option.hours + unit.test_hours)
    if charge:
        spent["charge for scarce bench hours"] = charge
    worth = float(unit.value[:, 0].mean())
    bid = max(exact_bid, 0.0)
    buying = unit.landing.landed(bid) * (1 + unit.landing.kappa) - bid
    steps = [
        ("resale price, repaired", price, "start"),
        ("selling and reserves", -(price - good - sum(spent.values()) - testing), "less"),
        *((name, -amount, "less") for name, amount in spent.items()),
        ("testing", -testing, "less"),
        ("other states and failures", worth - good, "less"),
        ("premium, carriage, cash tied up", -buying, "less"),
        ("risk, target and tax", -(worth - buying - bid), "less"),
        ("maximum bid", bid, "result"),
    ]
    rows = [(unit.model_id, unit.listed_fault, *step) for step in steps]
    return pd.DataFrame(rows, columns=_WATERFALL)


MOST = 5
# Steps as large as a season brings them; common practice, no source.
_RESALE, _PART, _SUCCESS, _DAYS, _WAGE, _FEE, _RETURNS = 0.05, 0.20, 0.10, 7.0, 0.20, 0.02, 0.50


@dataclass(frozen=True, eq=False)
class _Trial:
    """One input, what each way is called, and the rules and draws either way."""

    name: str
    said: tuple[str, str]
    worse: tuple[Settings, FamilyOutlook]
    better: tuple[Settings, FamilyOutlook]


def sensitivity_table(economics: Economics, unit: UnitEconomics) -> pd.DataFrame:
    """Work out by how much the unrounded bid moves with each input.

    Parameters
    ----------
    economics
        Draws and settings.
    unit
        One model and listed fault.

    Returns
    -------
    DataFrame
        The table ``moves``, the ``MOST`` inputs that move the bid most, the largest first.
        ``bid_worse`` and ``bid_better`` are changes in money; ``worse`` and ``better`` say the
        step in words.
    """
    key, now = (unit.model_id, unit.listed_fault), unit.exact_bid(0)

    def moved(way: tuple[Settings, FamilyOutlook]) -> float:
        changed = unit_under(way[0], way[1], key, economics.outlook, economics.valuation)
        return changed.exact_bid(0) - now

    rows = [(*key, t.name, *t.said, moved(t.worse), moved(t.better)) for t in _trials(unit)]
    table = pd.DataFrame(rows, columns=_MOVES)
    reach = table[["bid_worse", "bid_better"]].abs().max(axis=1)
    order = reach.sort_values(ascending=False, kind="stable").index[:MOST]
    return table.loc[order].reset_index(drop=True)


def turning_words(economics: Economics, unit: UnitEconomics) -> str:
    """Say which single change would bring the bid to the usual hammer price; empty if unknown."""
    usual = hammer_price(unit, 0)[1]
    if np.isnan(usual):
        return ""
    moves = bid_moves(economics, unit)
    moves = replace(moves, part_code=part_words(moves.part_code) if moves.part_code else "")
    return turning_points(usual - unit.exact_bid(0), moves)


def _trials(unit: UnitEconomics) -> Iterator[_Trial]:
    rules, family = unit.settings, unit.family
    part, _ = dearest_part(unit)

    def prices(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, replace(family, level=family.level * (1 + step))

    def parts(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, _parts_at(family, (unit.model_id, part), 1 + step)

    def success(step: float) -> tuple[Settings, FamilyOutlook]:
        return rules, _success_by(family, unit.listed_fault, step)

    yield _Trial("resale price", ("5 % lower", "5 % higher"), prices(-_RESALE), prices(_RESALE))
    if part:
        said = ("20 % dearer", "20 % cheaper")
        yield _Trial(f"price of the {part_words(part)}", said, parts(_PART), parts(-_PART))
    said = ("10 points lower", "10 points higher")
    yield _Trial("repair success", said, success(-_SUCCESS), success(_SUCCESS))
    for name, words, worse, better in _rule_trials(rules):
        yield _Trial(name, words, (worse, family), (better, family))


def _rule_trials(
    rules: Settings,
) -> Iterator[tuple[str, tuple[str, str], Settings, Settings]]:
    """Settings made worse and better."""
    days = ("a week longer", "a week shorter")
    yield "time to sell", days, _days_by(rules, _DAYS), _days_by(rules, -_DAYS)
    wage = ("20 % dearer", "20 % cheaper")
    yield "bench hour", wage, _wage_at(rules, 1 + _WAGE), _wage_at(rules, 1 - _WAGE)
    fee = ("2 points higher", "2 points lower")
    yield "selling fee", fee, _fee_by(rules, _FEE), _fee_by(rules, -_FEE)
    back = ("half as many again", "half as many")
    yield "returns", back, _returns_at(rules, 1 + _RETURNS), _returns_at(rules, 1 - _RETURNS)


def _parts_at(family: FamilyOutlook, part: tuple[str, str], factor: float) -> FamilyOutlook:
    paths = {
        k: replace(p, price=p.price * factor) if k[:2] == part else p
        for k, p in family.parts.items()
    }
    return replace(family, parts=paths)


def _success_by(family: FamilyOutlook, fault: str, step: float) -> FamilyOutlook:
    """Move the chance of success of every state that repair can mend at all."""
    now = family.success[fault]
    moved = np.where(now > 0, np.clip(now + step, 0.0, 1.0), now)
    return replace(family, success={**family.success, fault: moved})


def _days_by(rules: Settings, step: float) -> Settings:
    days = max(rules.delay.selling_days + step, 0.0)
    return replace(rules, delay=replace(rules.delay, selling_days=days))


def _wage_at(rules: Settings, factor: float) -> Settings:
    wage = rules.bench.rate_per_hour * factor
    return replace(rules, bench=replace(rules.bench, rate_per_hour=wage))


def _fee_by(rules: Settings, step: float) -> Settings:
    channels = [
        replace(c, percentage_fee=min(max(c.percentage_fee + step, 0.0), 1.0))
        for c in rules.channels
    ]
    return replace(rules, channels=channels)


def _returns_at(rules: Settings, factor: float) -> Settings:
    rate = min(rules.reserve.return_rate * factor, 1.0)
    return replace(rules, reserve=replace(rules.reserve, return_rate=rate))
