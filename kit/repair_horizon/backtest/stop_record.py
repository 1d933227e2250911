"""Past stop dates: the chance told of each, against what was told once its month had come.

A stop date is no event that anybody logs. Whether it has come is judged at the later month end by
what was known by then, and by the same method; so this tells whether forecasts foresaw the kit's
own later figures, which the months between have taught, not a bookkeeping result. Stops that had
come already when they were told are left out. Units of a family share its luck.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd

from repair_horizon.backtest.forecasts import known_at, month_end
from repair_horizon.backtest.money_replay import DRAWS
from repair_horizon.decisions.month.stop_dates import (
    BID_ZERO,
    BUY_STOP,
    REPAIR_STOP,
    stop_dates,
)
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.estimation.calibration import Calibration
from repair_horizon.estimation.shop_knowledge import ShopKnowledge, shop_knowledge
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import ALONE, Hands, all_of
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_number
from repair_horizon.tables.settings import Settings

AHEAD, EVERY, BACK = (6, 12), 6, 24
"""Months ahead whose chances are held against what came; cutoffs, in months before the newest."""
DATES, FEWEST = (BUY_STOP, BID_ZERO, REPAIR_STOP), 30
BANDS = (0.0, 0.1, 0.3, 0.7, 0.9, 1.0)
_UNIT = ["family_id", "model_id", "listed_fault", "date_name"]


@dataclass(frozen=True, eq=False)
class StopRecord:
    """Stops told at earlier month ends, and whether they came.

    ``told`` has one row per unit, date, cutoff and ``months_ahead``: the ``chance`` told that it
    comes by then, and whether it ``came``. ``scores`` sums them up by date and months ahead: ``n``,
    mean chance ``told``, share that ``came``, Brier score (Brier 1950, Monthly Weather Review
    78:1-3) and ``brier_of_share``, that of knowing only how often such stops came; ``bands`` by
    the chance told, every date and months ahead together.
    """

    told: pd.DataFrame
    scores: pd.DataFrame
    bands: pd.DataFrame

    def __repr__(self) -> str:
        """Say how many stops were told."""
        return f"StopRecord({len(self.told)} chances told)"


def stop_record(shop: Shop, hands: Hands = ALONE) -> StopRecord | CannotSay:
    """Hold past stop dates against what was told when their months had come.

    Parameters
    ----------
    shop
        The business; today's rules and charges hold throughout.
    hands
        Who works, family by family; the result does not depend on it.

    Returns
    -------
    StopRecord or CannotSay
        The latter where fewer than ``FEWEST`` chances can be held against anything.
    """
    logs = shop.logs
    last = int(month_number([logs.newest_day])[0])
    known = {m: known_at(logs, month_end(m)) for m in range(last - BACK, last + 1, EVERY)}
    known = {m: k for m, k in known.items() if len(k.tables["sales"])}
    settings = replace(shop.settings, draws=min(shop.settings.draws, DRAWS))
    rules = (settings, shop.calibration, shop.valuation())
    knowledge = {m: shop_knowledge(k) for m, k in known.items()}
    found = all_of(
        partial(_told, rules, knowledge),
        logs.families,
        lambda f: (f, {m: k.of([f]) for m, k in known.items() if f in k.families}),
        hands.saying("past stop dates of"),
    )
    whole = [pairs(tables) for tables in found.values()]
    told = pd.concat(whole, ignore_index=True) if whole else pairs({})
    if len(told) < FEWEST:
        return CannotSay(
            f"{len(told)} past stop dates can be held against what came, and {FEWEST} are needed"
        )
    return StopRecord(told, scores(told), bands(told))


def _told(
    rules: tuple[Settings, Calibration, Valuation],
    knowledge: Mapping[int, ShopKnowledge],
    given: tuple[str, Mapping[int, Logs]],
) -> dict[int, pd.DataFrame]:
    """One family's stop dates as told at each cutoff, by the cutoff's month."""
    family, known = given
    out = {}
    for month, logs in known.items():
        then = Shop(logs, *rules, knowledge[month])
        out[month] = stop_dates(then.economics(family, month + 1, max(AHEAD) + 1))
    return out


def pairs(tables: Mapping[int, pd.DataFrame]) -> pd.DataFrame:
    """Chances told at one cutoff beside what a later one said; see ``StopRecord.told``.

    Parameters
    ----------
    tables
        The declared table ``stop_dates`` as told at the end of each month, by its number.
    """
    columns = [*_UNIT, "cutoff", "months_ahead", "chance", "came"]
    rows = [pd.DataFrame(columns=columns)]
    for month, before in tables.items():
        open_yet = before[before["date_name"].isin(DATES) & (before["probability_now"] < 0.5)]
        for ahead in AHEAD:
            if month + ahead not in tables:
                continue
            after = tables[month + ahead][[*_UNIT, "probability_now"]].dropna()
            both = open_yet.drop(columns="probability_now").merge(after, on=_UNIT)
            both = both.assign(
                cutoff=month_end(month),
                months_ahead=ahead,
                chance=both[f"probability_{ahead}"],
                came=both["probability_now"] >= 0.5,
            )
            rows.append(both.dropna(subset=["chance"])[columns])
    told = pd.concat([r for r in rows if len(r)] or rows[:1], ignore_index=True)
    return told.astype({"chance": "float64", "came": "bool", "months_ahead": "int64"})


def scores(told: pd.DataFrame) -> pd.DataFrame:
    """Sum chances up by date and months ahead; see ``StopRecord``.

    Examples
    --------
    >>> two = pd.DataFrame({"date_name": "buy stop", "months_ahead": 6,
    ...                     "chance": [0.2, 0.6], "came": [False, True]})
    >>> scores(two)[["told", "came", "brier", "brier_of_share"]].round(2).values.tolist()
    [[0.4, 0.5, 0.1, 0.25]]
    """
    missed = (told["chance"] - told["came"]) ** 2
    groups = told.assign(brier=missed).groupby(["date_name", "months_ahead"], as_index=False)
    out = groups.agg(
        n=("came", "size"), told=("chance", "mean"), came=("came", "mean"), brier=("brier", "mean")
    )
    return out.assign(brier_of_share=out["came"] * (1.0 - out["came"]))


def bands(told: pd.DataFrame) -> pd.DataFrame:
    """Sum chances up by how large they were; see ``StopRecord``."""
    place = np.searchsorted(BANDS[1:-1], told["chance"], side="right")
    words = [f"{100 * low:.0f} to {100 * high:.0f} %" for low, high in pairwise(BANDS)]
    named = told.assign(band=pd.Categorical.from_codes(place, words, ordered=True))
    out = named.groupby("band", observed=True, as_index=False).agg(
        n=("came", "size"), told=("chance", "mean"), came=("came", "mean")
    )
    return out.astype({"band": "str"})
