"""Ordering parts: the quote that is cheapest in all, wait or order, and how many for the last time.

    total = price + shipping + lead days x (what the unit loses a day) + rate x cost of a dead part

A unit loses its price's daily fall, as far as it reaches us, and the interest on the cash in it.

For the last time a part is bought until its own stop. Jobs needing it come as a Poisson stream;
with n of them in T months and Jeffreys' prior the rate is Gamma(n + 1/2, T), so the jobs of the
next M months are negative binomial. M is drawn with the part's stop, path by path. Half the drawn
needs lie at or below the quantity advised; the newsvendor's quantile replaces the half where the
cost of one too many and one too few are known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from repair_horizon.decisions.costs.money import cents
from repair_horizon.decisions.costs.sale import net_sale, reserve_per_unit
from repair_horizon.decisions.month.stop_dates import StopMonths, needed_until
from repair_horizon.decisions.unit.bench import Bench, PartOffer, dead_part_cost
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.owner_guesses import ATTEMPTED
from repair_horizon.estimation.robust_means import normal_density
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.arrays import Ints
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS, month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.settings import Settings
from repair_horizon.tables.words import part_codes

QUALITY_COLUMNS = [
    *("quality_class", "price", "total", "resale", "reserve", "net", "named", "price_from"),
]
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


def compare_qualities(bench: Bench, offers: Sequence[PartOffer]) -> pd.DataFrame:
    """Compare a part's qualities by what is left of the sale, not by the part's price.

    Parameters
    ----------
    bench
        Terms of sale, settings, and the unit's usual price this month.
    offers
        Qualities of one part with what each costs and changes: ``Bench.offers``, by which bids
        plan too.

    Returns
    -------
    DataFrame
        ``quality_class, price, total, resale, reserve, net, named, price_from``, the best net
        first. ``price`` is the mean this month, ``total`` with shipping, wait and dead parts;
        ``named`` says whether ``repair.qualities`` knows the quality, ``price_from`` what its
        price rests on.
    """
    rules, rows = bench.settings, []
    for offer in offers:
        rates = {
            "return_rate": rules.reserve.return_rate * offer.returns,
            "warranty_rate": rules.reserve.warranty_rate * offer.warranty,
        }
        reserve = reserve_per_unit(replace(rules.reserve, **rates))
        gross = float(cents(bench.price_now * offer.resale))
        cost = float(
            cents(
                offer.price
                + offer.now.shipping
                + offer.lead_days * bench.loss_per_day
                + offer.dead_rate * dead_part_cost(rules)
            )
        )
        rows.append(
            {
                "quality_class": offer.quality,
                "price": float(cents(offer.price)),
                "total": cost,
                "resale": gross,
                "reserve": reserve,
                "net": float(net_sale(np.asarray(gross), bench.terms, reserve)) - cost,
                "named": offer.quality in {q.name for q in rules.repair.qualities},
                "price_from": offer.now.words,
            }
        )
    table = pd.DataFrame(rows, columns=QUALITY_COLUMNS)
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
        Of the family, two months or more.

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


HISTORY_MONTHS = 12.0


@dataclass(frozen=True)
class PartTerms:
    """What the last order is weighed with, money per piece.

    ``cost`` landed; ``worth`` what a piece used earns before its own cost; ``leftover`` what an
    unused one fetches; ``moq`` the smallest order.
    """

    cost: float
    worth: float
    leftover: float
    moq: int = 1

    @property
    def critical_ratio(self) -> float:
        """Chance of using the last piece at which it just pays; 0 where no piece pays."""
        under, over = self.worth - self.cost, self.cost - self.leftover
        return max(under, 0.0) / (max(under, 0.0) + max(over, 1e-9))


@dataclass(frozen=True)
class LastBuy:
    """The last order: pieces, the needs behind it, and why.

    ``median``, ``lower`` and ``upper`` (80 %) are drawn needs until the stop; ``best`` the
    newsvendor's quantity; ``probability_all_used`` the chance that the order is used up.
    """

    order: int
    median: int
    lower: int
    upper: int
    best: int
    probability_all_used: float
    reason: str


def last_buy(needs: Ints, terms: PartTerms) -> LastBuy:
    """Advise the last order of a part.

    Parameters
    ----------
    needs
        Drawn units needed until the part's stop, (draws,).
    terms
        Costs, worth, smallest order.

    Returns
    -------
    LastBuy
        The median need. Where that is below the smallest order, the smallest order if it is
        expected to pay, else none.
    """
    lower, median, upper = (_quantile(needs, p) for p in (0.1, 0.5, 0.9))
    order, reason = median, "median need until the part's stop"
    if median == 0:
        reason = "most likely none is needed"
    elif median < terms.moq:
        pays = expected_gain(needs, terms, terms.moq) > 0
        order = terms.moq if pays else 0
        reason = f"smallest order of {terms.moq} " + ("still pays" if pays else "would not pay")
    return LastBuy(
        order,
        median,
        lower,
        upper,
        _quantile(needs, terms.critical_ratio),
        float((needs >= order).mean()),
        reason,
    )


def expected_gain(needs: Ints, terms: PartTerms, order: int) -> float:
    """Return what an order is expected to earn: pieces used and left over, less their cost."""
    used = np.clip(needs, 0, order)
    return float(np.mean(used * terms.worth + (order - used) * terms.leftover)) - order * terms.cost


def drawn_needs(jobs: int, over: float, months: npt.ArrayLike, rng: np.random.Generator) -> Ints:
    """Draw the units needed until the stop.

    Parameters
    ----------
    jobs, over
        Jobs that needed the part, and months over which they were counted.
    months
        Drawn months until the part's stop, (draws,).
    """
    until = np.asarray(months, dtype="float64")
    rate = rng.gamma(jobs + 0.5, 1.0 / over, len(until))
    out: Ints = rng.poisson(rate * until).astype("int64")
    return out


def jobs_per_part(logs: Logs, family_id: str) -> tuple[Mapping[tuple[str, str], int], float]:
    """Count the jobs of ``HISTORY_MONTHS`` that needed each part of each model of a family.

    Parameters
    ----------
    logs
        Repairs and fault states.

    Returns
    -------
    tuple
        ((model, part) to attempted jobs, months counted over: fewer where the log of repairs is
        younger). Every part a state needs is counted
        once a job; parts of a job whose state fault_states.csv does not name are not.
    """
    family = logs.family(family_id)
    states = family.tables["fault_states"]
    all_jobs, jobs = logs.tables["repairs"], family.tables["repairs"]
    newest = logs.newest_day
    days = (newest - all_jobs["opened"].min()).days + 1 if len(all_jobs) else 0
    over = min(HISTORY_MONTHS, max(days / AVERAGE_MONTH_DAYS, 1.0))
    since = newest - pd.Timedelta(days=over * AVERAGE_MONTH_DAYS)
    jobs = jobs[(jobs["opened"] > since) & jobs["outcome"].isin(ATTEMPTED)]
    needed = {(r.listed_fault, r.state): part_codes(r.part_codes) for r in states.itertuples()}
    counts: dict[tuple[str, str], int] = {}
    for model_id in family.tables["catalogue"]["model_id"]:
        for codes in needed.values():
            counts |= {(str(model_id), c): 0 for c in codes}
    for job in jobs.itertuples():
        for code in needed.get((job.listed_fault, job.state_found), []):
            counts[(str(job.model_id), code)] += 1
    return counts, over


def newsvendor(holding: float, stockout: float, mean: float, sd: float) -> tuple[float, float]:
    """Best quantity and its cost for one period of normal demand.

    Parameters
    ----------
    holding, stockout
        Cost of one piece too many and of one too few.
    mean, sd
        Demand.

    Returns
    -------
    tuple
        (quantity, expected cost); Snyder and Shen, Fundamentals of Supply Chain Theory, 4.3.
    """
    z = float(ndtri(stockout / (stockout + holding)))
    return mean + z * sd, float((holding + stockout) * normal_density(z) * sd)


def _quantile(needs: Ints, p: float) -> int:
    return int(np.quantile(needs, p, method="inverted_cdf"))


def part_orders(logs: Logs, economics: Economics, family_id: str) -> pd.DataFrame:
    """Advise the last order of every part of a family, none on the shelf.

    Parameters
    ----------
    logs
        Repairs, fault states and part quotes.
    economics
        Of the family, with the months to look ahead; needs beyond them are not counted.

    Returns
    -------
    DataFrame
        The declared table ``part_orders``, one row per model and part that a repair needs and that
        is quoted; ``stop_month`` is missing beyond the forecast.
    """
    ahead = _ahead(economics, family_id)
    jobs, over = jobs_per_part(logs, family_id)
    quotes = logs.family(family_id).tables["part_quotes"].sort_values("quote_date")
    rng = np.random.default_rng([economics.settings.seed, *family_id.encode(), 7])
    rows = []
    for key, part in sorted(ahead.items()):
        mine = quotes[(quotes["model_id"] == key[0]) & (quotes["part_code"] == key[1])]
        moq = mine.loc[mine["quality_class"] == part.quality, "moq"].dropna().tail(1)
        terms = PartTerms(
            part.landed,
            part.worth + part.landed,
            part.landed * part.reuse_factor,
            int(moq.iloc[0]) if len(moq) else 1,
        )
        needs = drawn_needs(jobs.get(key, 0), over, part.until, rng)
        got = last_buy(needs, terms)
        stop = StopMonths(part.until, economics.outlook.months).quantile(0.5)
        start = economics.outlook.first_month
        rows.append(
            {
                "family_id": family_id,
                "model_id": key[0],
                "part_code": key[1],
                "quality_class": part.quality,
                "jobs": jobs.get(key, 0),
                "over_months": over,
                "stop_month": pd.NaT if stop is None else month_start(start + stop),
                "order": got.order,
                "median_need": got.median,
                "lower_need": got.lower,
                "upper_need": got.upper,
                "newsvendor_order": got.best,
                "landed": part.landed,
                "moq": terms.moq,
                "probability_all_used": got.probability_all_used,
                "reason": got.reason,
            }
        )
    return OUTPUTS["part_orders"].table(rows)


@dataclass(frozen=True, eq=False)
class _Part:
    """A part of a model: months until its last repair stops, (draws,); repair's best lead now.

    ``quality`` is the one repairs plan with, ``landed`` its price now with carriage, and
    ``reuse_factor`` the part of it that an unused piece fetches.
    """

    until: Ints
    worth: float
    quality: str
    landed: float
    reuse_factor: float


def _ahead(economics: Economics, family_id: str) -> dict[tuple[str, str], _Part]:
    """Look ahead for every part with a price that a repair of a family's models needs.

    Nothing of a model is held on to but this: its draws of two years are many megabytes.
    """
    out: dict[tuple[str, str], _Part] = {}
    for unit in economics.units(family_id):
        if not isinstance(unit, UnitEconomics):
            continue
        bench = bench_of(economics, family_id, unit.model_id)
        assert isinstance(bench, Bench)
        leads = _best_leads(unit)
        for key, months in needed_until(unit).items():
            offer, known = bench.offer(key[1]), out.get(key)
            if offer is None:
                continue
            out[key] = _Part(
                np.maximum(known.until, months) if known else months,
                max(known.worth if known else 0.0, leads[key[1]]),
                offer.quality,
                offer.price + offer.now.shipping,
                bench.settings.repair.reuse_factor,
            )
    return out


def _best_leads(unit: UnitEconomics) -> dict[str, float]:
    """What repair earns above the best alternative this month, in each part's best state."""
    out: dict[str, float] = {}
    for state in unit.states:
        if state.repair is not None:
            lead = float((state.repair.value - state.best_alternative())[:, 0].mean())
            out |= {code: max(out.get(code, 0.0), lead) for code in state.codes}
    return out
