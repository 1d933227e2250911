"""What won lots promised and what they earned: how far a promise of a win leans high.

Whoever wins a lot valued it highest, so the promise of a lot won lies above what it earns, and a
rival who knows more makes it worse. By device class, with n lots whose result is known,

    shortfall = sum(promised - realised) / sum(resale) x n / (n + 20)

is taken off the promise of the next lots, as a share of their resale; not off the bid, since what
matters at the margin is a lot won at the bid itself. Promises are the ledger's, which are written
before this is taken off, so nothing is counted twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.decisions.review.results import results
from repair_horizon.decisions.review.scorecard import won_lots
from repair_horizon.logs import Logs
from repair_horizon.tables.settings import Settings

WEIGHT = 20.0
"""Won lots that weigh as much as the belief that a promise is right (decisions reference)."""
UNLIKELY = 0.05
SOLD, PRICED, LOST = "sold", "at the price asked", "scrapped"
LOT_COLUMNS = ["listing_id", "unit_id", "device_class", "promised", "realised", "resale", "ended"]
CLASS_COLUMNS = ["device_class", "lots", "promised", "realised", "resale", "raw", "shortfall"]
SHARE_COLUMNS = [
    "family_id",
    "listed_fault",
    "state",
    "declared",
    "found",
    "jobs",
    "probability",
    "differs",
]


@dataclass(frozen=True, eq=False)
class TrackRecord:
    """Promises against results of won lots, and declared shares against those found.

    - ``lots``: ``LOT_COLUMNS``, one row a unit; ``ended`` says how (a listed unit counts at the
      price asked).
    - ``classes``: ``CLASS_COLUMNS``; ``raw`` is the shortfall as a share of resale, ``shortfall``
      the same shrunk, which is what is taken off.
    - ``shares``: ``SHARE_COLUMNS``, families' declared shares of states beside those of the units
      bought; ``probability`` of a share found this far off if the declared one were right
      (two-sided, exact), ``differs`` where it is below one in twenty.
    """

    lots: pd.DataFrame
    classes: pd.DataFrame
    shares: pd.DataFrame

    @property
    def words(self) -> str:
        """The main figures in words."""
        n = len(self.lots)
        if not n:
            return "no won lot has both a forecast and a result (forecasts.csv, stock.csv)"
        promised, realised = self.lots["promised"].mean(), self.lots["realised"].mean()
        away = int(self.shares["differs"].sum())
        return (
            f"{n} won lots promised {promised:.0f} and earned {realised:.0f} each on average; "
            f"{away} of {len(self.shares)} declared shares of states differ from those found in "
            "the units bought"
        )


def track_record(logs: Logs, settings: Settings) -> TrackRecord:
    """Hold what was promised against what came of it.

    Parameters
    ----------
    logs
        The workspace; forecasts.csv is read from its folder.
    settings
        For the lines of a result.

    Raises
    ------
    LogFault
        Where forecasts.csv cannot be read.
    """
    lots = lot_results(logs, settings)
    return TrackRecord(lots, by_class(lots), share_table(logs))


def lot_results(logs: Logs, settings: Settings) -> pd.DataFrame:
    """Won lots whose result is known, or whose price asked is: ``LOT_COLUMNS``."""
    priced = _as_if_sold(logs)
    done = results(priced, settings)
    ledger = read_ledger(logs.folder)
    lots = won_lots(ledger, done)
    unit = done.set_index("unit_id")
    kind = logs.tables["catalogue"].set_index("model_id")["device_class"]
    mine = unit.reindex(lots["unit_id"])
    listed = set(priced.tables["sales"]["unit_id"]) - set(logs.tables["sales"]["unit_id"])
    ended = np.where(mine["sale"] > 0, SOLD, LOST)
    return pd.DataFrame(
        {
            "listing_id": lots["listing_id"],
            "unit_id": lots["unit_id"],
            "device_class": kind.reindex(mine["model_id"]).to_numpy(),
            "promised": lots["forecast"],
            "realised": lots["realised"],
            "resale": mine["sale"].to_numpy(dtype="float64"),
            "ended": np.where(lots["unit_id"].isin(listed), PRICED, ended),
        },
        columns=LOT_COLUMNS,
    )


def _as_if_sold(logs: Logs) -> Logs:
    """The logs with units on sale sold today at the price asked for them."""
    sales, stock = logs.tables["sales"], logs.tables["stock"]
    listed = stock[(stock["status"] == "listed") & (stock["asking_amount"] > 0)]
    listed = listed[~listed["unit_id"].isin(sales["unit_id"])]
    more = pd.DataFrame(
        {
            "sale_id": "ask " + listed["unit_id"],
            "model_id": listed["model_id"],
            "sale_date": logs.newest_day,
            "gross_amount": listed["asking_amount"],
            "amount": listed["asking_amount"],
            "unit_id": listed["unit_id"],
            "channel": "",
            "fee_amount": np.nan,
        }
    )
    if more.empty:
        return logs
    whole = pd.concat([sales, more], ignore_index=True)
    return replace(logs, tables={**logs.tables, "sales": whole})


def by_class(lots: pd.DataFrame) -> pd.DataFrame:
    """Shortfall by device class: ``CLASS_COLUMNS``."""
    rows = []
    for kind, mine in lots.groupby("device_class", sort=True):
        n, resale = len(mine), float(mine["resale"].sum())
        promised, realised = float(mine["promised"].sum()), float(mine["realised"].sum())
        raw = (promised - realised) / resale if resale > 0 else 0.0
        rows.append((kind, n, promised, realised, resale, raw, raw * n / (n + WEIGHT)))
    return pd.DataFrame(rows, columns=CLASS_COLUMNS)


def shortfalls(logs: Logs, settings: Settings) -> Mapping[str, float]:
    """Share of resale to take off a promise, by device class; classes without a lot are not in."""
    table = by_class(lot_results(logs, settings))
    return dict(zip(table["device_class"], table["shortfall"], strict=True))


def share_table(logs: Logs) -> pd.DataFrame:
    """Declared shares of states beside those found in units bought: ``SHARE_COLUMNS``.

    What a seller lists is not what a win brings: who bids highest on the worse ones wins them.
    Faults with no job have no row.
    """
    from scipy.stats import binomtest  # slow to import

    family = logs.tables["catalogue"].set_index("model_id")["family_id"]
    jobs = logs.tables["repairs"]
    jobs = jobs[jobs["state_found"] != ""]
    jobs = jobs.assign(family_id=jobs["model_id"].map(family))
    counts = jobs.groupby(["family_id", "listed_fault", "state_found"]).size()
    totals = jobs.groupby(["family_id", "listed_fault"]).size()
    rows = []
    for row in logs.tables["fault_states"].itertuples():
        key = (row.family_id, row.listed_fault)
        if key not in totals.index:
            continue
        n, found = int(totals[key]), int(counts.get((*key, row.state), 0))
        chance = float(binomtest(found, n, float(row.prior_share)).pvalue)
        told = (row.state, row.prior_share, found / n, n, chance, chance < UNLIKELY)
        rows.append((*key, *told))
    table = pd.DataFrame(rows, columns=SHARE_COLUMNS)
    return table.sort_values("probability", kind="stable", ignore_index=True)
