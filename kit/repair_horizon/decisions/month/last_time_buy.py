"""How many of a part to buy for the last time: units until the part's own stop.

Jobs needing the part come as a Poisson stream; with n of them in T months and Jeffreys' prior the
rate is Gamma(n + 1/2, T), so the jobs of the next M months are negative binomial. M is drawn with
the part's stop, path by path. Half the drawn needs lie at or below the quantity advised; the
newsvendor's quantile replaces the half where the cost of one too many and one too few are known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from repair_horizon.decisions.month.stop_dates import StopMonths, needed_until
from repair_horizon.decisions.unit.bench import Bench
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.owner_guesses import ATTEMPTED
from repair_horizon.estimation.pooled_ratios import normal_density
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Ints
from repair_horizon.tables.months import month_start
from repair_horizon.tables.outputs import OUTPUTS

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


def last_buy(needs: Ints, in_stock: int, terms: PartTerms) -> LastBuy:
    """Advise the last order of a part.

    Parameters
    ----------
    needs
        Drawn units needed until the part's stop, (draws,).
    in_stock
        Pieces already there.
    terms
        Costs, worth, smallest order.

    Returns
    -------
    LastBuy
        The median need less the stock. Where that is below the smallest order, the smallest order
        if it is expected to pay, else none.
    """
    lower, median, upper = (_quantile(needs, p) for p in (0.1, 0.5, 0.9))
    wanted = max(median - in_stock, 0)
    order, reason = wanted, "median need until the part's stop"
    if wanted == 0:
        reason = "the stock covers the median need" if median else "most likely none is needed"
    elif wanted < terms.moq:
        pays = expected_gain(needs, in_stock, terms, terms.moq) > 0
        order = terms.moq if pays else 0
        reason = f"smallest order of {terms.moq} " + ("still pays" if pays else "would not pay")
    return LastBuy(
        order,
        median,
        lower,
        upper,
        max(_quantile(needs, terms.critical_ratio) - in_stock, 0),
        float((needs >= in_stock + order).mean()),
        reason,
    )


def expected_gain(needs: Ints, in_stock: int, terms: PartTerms, order: int) -> float:
    """Return what an order is expected to earn: pieces used and left over, less their cost."""
    used = np.clip(needs - in_stock, 0, order)
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
    over = min(HISTORY_MONTHS, max(days / 30.4375, 1.0))
    since = newest - pd.Timedelta(days=over * 30.4375)
    jobs = jobs[(jobs["opened"] > since) & jobs["outcome"].isin(ATTEMPTED)]
    needed = {
        (r.listed_fault, r.state): [c.strip() for c in str(r.part_codes).split(";") if c.strip()]
        for r in states.itertuples()
    }
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


def part_orders(
    logs: Logs, economics: Economics, family_id: str, in_stock: dict[tuple[str, str], int]
) -> pd.DataFrame:
    """Advise the last order of every part of a family.

    Parameters
    ----------
    logs
        Repairs, fault states and part quotes.
    economics
        From ``unit_economics``, with the months to look ahead; needs beyond them are not counted.
    in_stock
        (model, part) to pieces on the shelf; none where not named.

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
        got = last_buy(needs, in_stock.get(key, 0), terms)
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
