"""Quotes for a part ranked by what they really cost, original against aftermarket, wait or order.

    total = price + shipping + lead days x (what the unit loses a day) + rate x cost of a dead part

A unit loses its price's daily fall, as far as it reaches us, and the interest on the cash in it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import net_sale, reserve_per_unit
from repair_horizon.decisions.unit.bench import Bench, dead_part_cost
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import PartQuality, Settings

_NAMES = OUTPUTS["part_quotes_ranked"].names
_ABOUT = ("model_id", "part_code", "rank", "wait_months", "wait_gains")


@dataclass(frozen=True)
class Waiting:
    """Whether a part should be ordered now: what a month's wait gains, and the best moment.

    ``months`` is the month of the forecast in which the repair is worth most, 0 meaning now, and
    ``gain`` the money that waiting until then brings.
    """

    months: int
    gain: float


def rank_quotes(
    quotes: pd.DataFrame, loss_a_day: float, settings: Settings, day: pd.Timestamp
) -> pd.DataFrame:
    """Rank the offers for one part by landed cost, cost of delay and cost of dead parts.

    Parameters
    ----------
    quotes
        Rows of part_quotes.csv for one model and part, with ``amount`` in the settlement
        currency.
    loss_a_day
        What the waiting unit loses a day, money; from ``Bench.loss_per_day``.
    settings
        Figures for quotes that are silent, and the age from which a quote is old.
    day
        Today; quotes dated later, run out or out of stock are left out.

    Returns
    -------
    DataFrame
        The declared table ``part_quotes_ranked`` without what it says of the part, the cheapest
        total first. Of a supplier's offers in one quality only the newest counts.
    """
    open_ended = quotes["valid_until"].isna() | (quotes["valid_until"] >= day)
    there = ~(quotes["in_stock"] == 0.0)
    rows = quotes[(quotes["quote_date"] <= day) & open_ended & there].sort_values("quote_date")
    rows = rows.drop_duplicates(["supplier_id", "quality_class"], keep="last")
    rate = rows["amount"] / rows["unit_price"]
    lead = rows["lead_days"].fillna(settings.delay.part_lead_days)
    dead = rows["doa_rate"].fillna(settings.repair.doa_rate)
    age = (day - rows["quote_date"]).dt.days
    table = rows.assign(
        landed=cents(rows["amount"] + rows["shipping"].fillna(0.0) * rate),
        delay_cost=cents(lead * loss_a_day),
        doa_cost=cents(dead * dead_part_cost(settings)),
        lead_days=lead,
        moq=rows["moq"].fillna(1),
        old=age > settings.repair.quote_days,
        newest=age,
    )
    table["total"] = table["landed"] + table["delay_cost"] + table["doa_cost"]
    return table.sort_values(["total", "quote_id"], ignore_index=True)[
        [n for n in _NAMES if n not in _ABOUT]
    ]


def compare_qualities(ranked: pd.DataFrame, resale: float, bench: Bench) -> pd.DataFrame:
    """Compare part qualities by what is left of the sale, not by the part's price.

    Parameters
    ----------
    ranked
        From ``rank_quotes``.
    resale
        Usual gross resale price of the repaired unit, money.
    bench
        Terms of sale and settings; ``repair.qualities`` tells what a quality changes in price,
        returns and warranty. A quality not named there is taken as usual.

    Returns
    -------
    DataFrame
        ``quality_class, total, resale, reserve, net, named``, the best net first; one row per
        quality, at its cheapest offer. ``named`` says whether the settings know the quality.
    """
    rules = bench.settings
    usual = PartQuality("", 1.0, rules.reserve.return_rate, rules.reserve.warranty_rate)
    known = {q.name: q for q in rules.repair.qualities}
    rows = []
    for offer in ranked.drop_duplicates("quality_class").itertuples():
        quality = known.get(offer.quality_class, usual)
        rates = {"return_rate": quality.return_rate, "warranty_rate": quality.warranty_rate}
        reserve = reserve_per_unit(replace(rules.reserve, **rates))
        gross = float(cents(resale * quality.price_factor))
        net = float(net_sale(np.asarray(gross), bench.terms, reserve)) - float(offer.total)
        named = offer.quality_class in known
        rows.append((offer.quality_class, offer.total, gross, reserve, net, named))
    names = ["quality_class", "total", "resale", "reserve", "net", "named"]
    table = pd.DataFrame(rows, columns=names)
    return table.sort_values(["net", "quality_class"], ascending=[False, True], ignore_index=True)


def wait_or_order(part: npt.ArrayLike, unit: npt.ArrayLike, kept: float = 1.0) -> Waiting:
    """Say whether to wait for a part to get cheaper.

    Parameters
    ----------
    part, unit
        Expected price of the part and of the repaired unit by month from now, (months,).
    kept
        Share of the unit's price that reaches us.
    """
    p, x = np.asarray(part, dtype="float64"), np.asarray(unit, dtype="float64")
    worth = kept * x - p
    best = int(np.argmax(np.round(worth, 9)))
    return Waiting(best, float(worth[best] - worth[0]))


def waiting_for(bench: Bench, part_code: str) -> Waiting | None:
    """Say whether to wait for one part of a model; None where no price of it is forecast.

    Both prices are means over draws, the unit's at the usual grade mix and as far as it reaches
    us. What the wait costs in interest and bench time is not in it, so that it speaks for waiting
    too soon rather than too late.
    """
    path = bench.part(part_code)
    if path is None or bench.months < 2:
        return None
    part = path.price.mean(axis=0)[: bench.months]
    unit = bench.level.mean(axis=0)[: bench.months] * bench.grade_mix
    return wait_or_order(part, unit, bench.terms.kept)


def family_quotes(logs: Logs, economics: Economics, family_id: str) -> pd.DataFrame:
    """Rank the open quotes of every part of a family's models as of the newest day.

    Parameters
    ----------
    logs
        Part quotes.
    economics
        From ``unit_economics``, two months or more.

    Returns
    -------
    DataFrame
        The declared table ``part_quotes_ranked``; models without a forecast are left out, since
        what a day costs them cannot be said.
    """
    quotes = logs.family(family_id).tables["part_quotes"]
    tables = []
    for model_id, mine in quotes.groupby("model_id", sort=True):
        bench = bench_of(economics, family_id, str(model_id))
        if isinstance(bench, CannotSay):
            continue
        lost = bench.loss_per_day
        for code, offers in mine.groupby("part_code", sort=True):
            ranked = rank_quotes(offers, lost, bench.settings, logs.newest_day)
            about = {"model_id": model_id, "part_code": code, "rank": range(1, len(ranked) + 1)}
            wait = waiting_for(bench, str(code))
            about["wait_months"] = wait.months if wait else np.nan
            about["wait_gains"] = round(wait.gain, 2) if wait else np.nan
            tables.append(ranked.assign(**about))
    whole = [t for t in tables if len(t)]
    return pd.concat(whole, ignore_index=True)[_NAMES] if whole else pd.DataFrame(columns=_NAMES)
