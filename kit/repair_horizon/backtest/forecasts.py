"""``backtest_prices``: forecasts made at earlier month ends against the sales that followed.

Rolling origins: what was known at the end of a month, and which later sales test it.

Mind: corrections are applied when the logs are read, before any cutoff. A sale that was refunded
or cancelled after the cutoff is therefore already missing (or already lowered) in what counts as
known here, though the partners did not know it then. Prices of such sales are few, and leaving
them out is the same for every method compared. Tables without dates (fault_states.csv) and the
settings are today's throughout.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from repair_horizon.backtest.methods import OURS, answers
from repair_horizon.estimation.device_prices import fit_prices
from repair_horizon.estimation.price_rows import working_prices
from repair_horizon.estimation.shop_knowledge import PriceKnowledge, price_knowledge
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.scale import ALONE, Hands, all_of
from repair_horizon.tables.months import month_number, month_start

HORIZONS, LEVELS = (1, 3, 6, 12), (0.5, 0.8, 0.9)


@dataclass(frozen=True, eq=False)
class Backtest:
    """Every forecast of every method for every held-out sale.

    ``forecasts`` has ``family_id, model_id, sale_id, cutoff, horizon, n_sales`` (of the model at
    the cutoff), ``method, actual, predicted`` (money, median of one sale), ``lower_80,
    upper_80`` and the like per level, and ``stands_in`` where a plainer method had to answer.
    ``silent`` lists what could not be forecast, with the reason and the number of sales.
    """

    forecasts: pd.DataFrame
    silent: pd.DataFrame
    cutoffs: tuple[pd.Timestamp, ...]
    horizons: tuple[int, ...]
    levels: tuple[float, ...]

    def __repr__(self) -> str:
        """Say how much was tested."""
        sales = len(self.of(OURS))
        return f"Backtest({sales} held-out sales, {len(self.cutoffs)} cutoffs)"

    def of(self, method: str) -> pd.DataFrame:
        """Forecasts of one method."""
        rows: pd.DataFrame = self.forecasts[self.forecasts["method"] == method]
        return rows


def backtest_prices(
    logs: Logs,
    origins: Sequence[str | pd.Timestamp] | None = None,
    horizons: Sequence[int] = HORIZONS,
    levels: Sequence[float] = LEVELS,
    hands: Hands = ALONE,
) -> Backtest:
    """Forecast later sales from what was known at earlier month ends.

    For every cutoff each family is fitted on ``known_at(logs, cutoff)``, and every sale of the
    month ``h`` months later is forecast at its own model, grade, channel and storage, by the
    kit's curves, four simple rules and a mixed model, all on the same sales. Where a family has
    prices of sold units, only sold units are held out.

    Parameters
    ----------
    origins
        Cutoffs, each moved to the end of its month; every third month if None.
    horizons
        Months ahead, 1 being the month after the cutoff.
    hands
        Who works, family by family; the result does not depend on it.

    Raises
    ------
    LogFault
        If no cutoff leaves sales on both sides, or a horizon or level is out of range.
    """
    _check(horizons, levels)
    cutoffs = as_cutoffs(logs, origins)
    then = {c: price_knowledge(known_at(logs, c)) for c in cutoffs}
    work = partial(_every_cutoff, then, tuple(horizons), tuple(levels))
    told = hands.saying("forecasts of")
    found = all_of(work, logs.families, lambda f: (logs.of([f]), f), told)
    in_order = [found[f][i] for i in range(len(cutoffs)) for f in logs.families]
    tables = [t for said, _ in in_order for t in said]
    silent = [row for _, unsaid in in_order for row in unsaid]
    if not tables:
        raise LogFault([Fault("sales.csv", None, "", "no sale after any cutoff", "held-out sales")])
    unsaid = pd.DataFrame(silent, columns=["family_id", "cutoff", "horizon", "n", "reason"])
    whole = pd.concat(tables, ignore_index=True).set_index("family_id").reset_index()
    return Backtest(whole, unsaid, tuple(cutoffs), tuple(horizons), tuple(levels))


def _every_cutoff(
    then: dict[pd.Timestamp, PriceKnowledge],
    horizons: tuple[int, ...],
    levels: tuple[float, ...],
    given: tuple[Logs, str],
) -> list[tuple[list[pd.DataFrame], list[tuple[object, ...]]]]:
    """One family's forecasts, and what could not be said, from each cutoff of ``then``."""
    logs, family_id = given
    out = []
    for cutoff, knowledge in then.items():
        known, silent = known_at(logs, cutoff), list[tuple[object, ...]]()
        one = _FamilyAtCutoff(logs, known, family_id, cutoff, knowledge)
        there = family_id in known.families
        out.append((list(_family(one, horizons, (levels, silent))) if there else [], silent))
    return out


def _check(horizons: Sequence[int], levels: Sequence[float]) -> None:
    faults = [
        Fault("horizon", None, "", str(h), "whole months from 1 to 120")
        for h in horizons
        if h != int(h) or not 1 <= h <= 120
    ]
    faults += [
        Fault("level", None, "", str(v), "from 0.01 to 0.99")
        for v in levels
        if not 0.01 <= v <= 0.99
    ]
    if faults or not len(horizons) or not len(levels):
        raise LogFault(faults or [Fault("horizons", None, "", "none", "at least one")])


@dataclass(frozen=True, eq=False)
class _FamilyAtCutoff:
    """One family at one cutoff; ``everything`` also holds what came later.

    ``knowledge`` is what the whole shop knew by then.
    """

    everything: Logs
    known: Logs
    family_id: str
    cutoff: pd.Timestamp
    knowledge: PriceKnowledge

    def tested(self, models: Sequence[str], horizons: Sequence[int]) -> pd.DataFrame:
        """Later sales of known models, with the ``horizon`` each is held out at."""
        later = working_prices(self.everything.family(self.family_id).tables["sales"])
        if (later["price_type"] != "asking").any():
            later = later[later["price_type"] != "asking"]
        rows = [held_out(later, models, self.cutoff, h).assign(horizon=h) for h in horizons]
        return pd.concat(rows, ignore_index=True)


def _family(
    one: _FamilyAtCutoff,
    horizons: Sequence[int],
    told: tuple[tuple[float, ...], list[tuple[object, ...]]],
) -> Iterator[pd.DataFrame]:
    """Forecasts of one family from one cutoff; what cannot be said goes on the list."""
    levels, silent = told
    models = one.known.family(one.family_id).tables["catalogue"]["model_id"]
    tested = one.tested(list(models), horizons)
    if tested.empty:
        return
    shop = one.knowledge
    curves = fit_prices(one.known, one.family_id, shop.usual, shop.curves, shop.broke)
    reason = pd.Series("", index=tested.index)
    if isinstance(curves, CannotSay):
        reason[:] = curves.reason
    else:
        mute = (curves.fit.panel.sales_by_model == 0) & ~curves.models.price_known
        reason[mute[curves.models.index(tested["model_id"])]] = "no launch price and no sale"
    for (horizon, why), rows in tested[reason != ""].groupby(["horizon", reason]):
        silent.append((one.family_id, one.cutoff, horizon, len(rows), why))
    tested = tested[reason == ""]
    if len(tested) and not isinstance(curves, CannotSay):
        for table in answers(curves, one.cutoff, tested, levels):
            yield table.assign(family_id=one.family_id)


WARM_UP_MONTHS = 12


def month_ends(logs: Logs) -> list[pd.Timestamp]:
    """Cutoffs: every third month's end, once a year of sales is there, while sales still follow.

    They are counted back from the last month but one.

    Returns
    -------
    list of Timestamp
        Last days of months, the earliest first; empty where the sales span too few months.
    """
    days = working_prices(logs.tables["sales"])["sale_date"]
    if days.empty:
        return []
    first, last = (int(n) for n in month_number([days.min(), days.max()]))
    numbers = sorted(range(last - 1, first + WARM_UP_MONTHS - 2, -3))
    return [month_end(n) for n in numbers]


def month_end(number: int) -> pd.Timestamp:
    """Last day of a numbered month."""
    return month_start(number + 1) - pd.Timedelta(days=1)


def as_cutoffs(logs: Logs, given: Sequence[str | pd.Timestamp] | None) -> list[pd.Timestamp]:
    """Cutoffs as given, moved to the end of their month, or the usual ones.

    Raises
    ------
    LogFault
        If there is none, or one is no date.
    """
    if given is None:
        found = month_ends(logs)
    else:
        days = pd.to_datetime(pd.Series(list(given), dtype="object"), errors="coerce")
        wrong = [str(g) for g, d in zip(given, days, strict=True) if pd.isna(d)]
        if wrong:
            raise LogFault([Fault("cutoff", None, "", g, "a date YYYY-MM-DD") for g in wrong])
        found = sorted({month_end(int(n)) for n in month_number(days)})
    if not found:
        allowed = f"sales over more than {WARM_UP_MONTHS} months, so that some can be held out"
        raise LogFault([Fault("sales.csv", None, "sale_date", "too short a span", allowed)])
    return found


def known_at(logs: Logs, cutoff: pd.Timestamp) -> Logs:
    """Return what was known at the end of a day, also of the catalogue.

    Models not launched by then are left out, since their launch price was not known either, and
    a successor that had not come by then has no date.
    """
    known = logs.as_of(_end_of(cutoff))
    catalogue = known.tables["catalogue"]
    catalogue = catalogue[catalogue["launch_date"] <= cutoff]
    successor = catalogue["successor_launch_date"]
    catalogue = catalogue.assign(successor_launch_date=successor.where(successor <= cutoff))
    return replace(known, tables={**known.tables, "catalogue": catalogue})


def _end_of(day: pd.Timestamp) -> pd.Timestamp:
    """Last second of a day, so that records with a time of day count."""
    return day.normalize() + pd.Timedelta(days=1) - pd.Timedelta(seconds=1)


def held_out(
    sales: pd.DataFrame, models: Sequence[str], cutoff: pd.Timestamp, horizon: int
) -> pd.DataFrame:
    """Sales of known models in the month that lies ``horizon`` months after the cutoff's.

    Parameters
    ----------
    sales
        Rows of working units, all dates.
    models
        Identifiers of the models known at the cutoff.
    cutoff
        End of a month.
    horizon
        Months; 1 is the month after the cutoff.
    """
    wanted = int(month_number([cutoff])[0]) + horizon
    rows: pd.DataFrame = sales[
        (month_number(sales["sale_date"]) == wanted) & sales["model_id"].isin(models)
    ]
    return rows
