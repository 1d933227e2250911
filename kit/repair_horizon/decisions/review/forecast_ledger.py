"""The forecast ledger: what was expected when a bid was placed, kept beside what came of it.

``forecasts.csv`` in the workspace is only ever added to. A row is either a forecast (what one
listing promised on one day) or the note that a listing was won, at which price, and as which
unit. Nothing is corrected in place: a later note of the same listing replaces the earlier one
when read.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.month.listings import (
    Alike,
    Offered,
    Scorer,
    alike,
    lots_of,
    plain,
)
from repair_horizon.decisions.unit.bid import Outcomes, bid_on_terms
from repair_horizon.decisions.unit.bid_limits import EndStates, lot_spread, profit_at
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.winning import at_price
from repair_horizon.files.writing import for_spreadsheet, locked, unguarded, write_whole
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.reading import read_table
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import BOUGHT, FORECAST, LEDGER, LEVELS, QUANTILES


def forecasts_of(
    listings: pd.DataFrame,
    logs: Logs,
    economics: Economics,
    day: pd.Timestamp,
    known: dict[Alike, dict[str, object]] | None = None,
) -> pd.DataFrame:
    """Write down what each listing promises, for the ledger.

    Parameters
    ----------
    listings
        Rows of listings.csv that are being bid for.
    logs, economics
        As for ``score``.
    day
        Day of the forecast.
    known
        As for ``score``.

    Returns
    -------
    DataFrame
        Columns of the ledger. The forecast is for the threshold, or the current bid where that is
        higher; listings of which nothing can be said have no row.
    """
    known = {} if known is None else known
    rows: list[dict[str, object]] = []
    offered = [one for lot in lots_of(listings, logs, economics) for one in lot]
    for one in sorted(offered, key=lambda o: (o.model_id, o.listed_fault)):
        if alike([one]) not in known:
            scorer = one.scorer
            if isinstance(scorer, CannotSay):
                continue
            known[alike([one])] = plain(_promised(one, scorer))
        start = {
            "entry_id": f"{one.listing_id}:{day:%Y-%m-%d}",
            "record_type": FORECAST,
            "made_on": day,
            "listing_id": one.listing_id,
            "unit_id": "",
            "family_id": one.family_id,
            "model_id": one.model_id,
            "listed_fault": one.listed_fault,
            **known[alike([one])],
        }
        rows.append(start)
    return pd.DataFrame(rows, columns=[c.name for c in LEDGER.columns])


def _promised(one: Offered, scorer: Scorer) -> dict[str, object]:
    """What a listing promises at its maximum bid, or at the bid it has reached."""
    terms = one.terms_at(scorer)
    amount = bid_on_terms(scorer.known, terms).amount
    price = max(amount, one.current)
    land = terms or scorer.unit.landing
    promise = promise_of(scorer.known, land, price, one.direct)
    return {"price": price, "max_bid": amount, **promise}


def promise_of(
    known: Outcomes, land: Landing, price: float, named: bool = False
) -> dict[str, float]:
    """What the ledger holds of a price: mean, chance of loss, quantiles, shared part of the profit.

    Of a lot won at an auction, as every face promises it: draws in which the highest rival stays
    below the price weigh more (a seller's ``named`` price has no rivals). Before won lots'
    shortfall, which is learned from it, is taken off.
    """
    theta = margin_fraction(known.unit.settings)
    market, single = known.market.money, known.single.money
    wins = None if named or known.rival is None else known.rival.wins(price)
    if wins is not None and wins.sum() > 0:
        market, single = (s.weighted(wins / wins.mean()) for s in (market, single))
    bought, dearer = (at_price(market, single, land.money, theta, p) for p in (price, price + 1.0))
    _, own, common = lot_spread(market, single, (land.money, theta), price)
    profit = profit_at(single, land.money, price, theta)
    cut = weighted_quantiles(EndStates(single.weight, profit, profit))
    total = own**2 + common**2
    return {
        "per_bid": max(bought.profit - dearer.profit, 0.0),
        "expected_profit": bought.profit,
        "probability_loss": bought.probability_loss,
        "common_share": common**2 / total if total > 0 else 0.0,
        **dict(zip(QUANTILES, cut, strict=True)),
    }


def weighted_quantiles(states: EndStates) -> list[float]:
    """Quantiles of the value at ``LEVELS``, each the smallest value with that much weight below."""
    order = np.argsort(states.value, axis=None)
    value = states.value.ravel()[order]
    below = np.cumsum(states.weight.ravel()[order])
    at = np.searchsorted(below, np.array(LEVELS) * below[-1] - 1e-12).clip(max=len(value) - 1)
    kept = states.weight.ravel()[order] > 0
    out = [float(v) for v in value[at]]
    out[0] = float(value[kept].min())
    return out


def bought(listing_id: str, unit_id: str, price: float, day: pd.Timestamp) -> pd.DataFrame:
    """Note that a listing was won, at which hammer price, and as which unit."""
    row = {
        "entry_id": f"{listing_id}:{unit_id}:{BOUGHT}",
        "record_type": BOUGHT,
        "made_on": day,
        "listing_id": listing_id,
        "unit_id": unit_id,
        "price": price,
    }
    return pd.DataFrame([row], columns=[c.name for c in LEDGER.columns])


def append(workspace: Path, rows: pd.DataFrame) -> int:
    """Add rows to the ledger, whole or not at all; what stands there stays byte for byte.

    No cell begins a formula; ``read_ledger`` takes the marks away.

    Parameters
    ----------
    rows
        From ``forecasts_of`` or ``bought``; an entry already there is not written again.

    Returns
    -------
    int
        Rows added.

    Raises
    ------
    LogFault
        If the file there is not a ledger, or another run is writing.
    """
    path = Path(workspace) / f"{LEDGER.name}.csv"
    names = [c.name for c in LEDGER.columns]
    with locked(Path(workspace), LEDGER.name):
        old, known, header = "", set(), names
        if path.exists():
            read_table(path, LEDGER)  # refuses a file that is none
            old = path.read_bytes().decode("utf-8-sig")
            records = list(csv.reader(io.StringIO(old)))
            header = records[0]
            known = {dict(zip(header, r, strict=False)).get("entry_id", "") for r in records[1:]}
        rows = for_spreadsheet(rows)
        new = rows[~rows["entry_id"].isin(known)].reindex(columns=header)
        if new.empty:
            return 0
        # Six places and not six digits, which would lose the cents of large amounts.
        new = new.round(dict.fromkeys(new.select_dtypes("float64"), 6))
        text = new.to_csv(index=False, header=not old, lineterminator="\n", date_format="%Y-%m-%d")
        joined = old + ("" if not old or old.endswith("\n") else "\n") + text
        write_whole(path, joined, private=False)
    return len(new)


def read_ledger(workspace: Path) -> pd.DataFrame:
    """Read the ledger; empty if there is none.

    Raises
    ------
    LogFault
        With every value that cannot be read; a ledger is written by us and must be whole.
    """
    path = Path(workspace) / f"{LEDGER.name}.csv"
    if not path.exists():
        return pd.DataFrame(columns=[c.name for c in LEDGER.columns])
    got = read_table(path, LEDGER)
    if len(got.held):
        raise LogFault(
            Fault(path.name, r.line, r.column, r.found, r.allowed) for r in got.held.itertuples()
        )
    return unguarded(got.rows)
