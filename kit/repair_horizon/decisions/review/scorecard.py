"""Results of won lots, line by line, against their forecasts: bias, cover, luck or a bad rule.

A lot is won where we valued it highest, so forecasts of won lots lean high (the winner's curse);
the mean shortfall with its standard error says by how much. Bad luck is judged by running the
forecasts themselves: how often would they have earned as little as was earned?

A promise is shrunk by what won lots fell short so far. With raw_c = sum(promised - realised) /
sum(resale) over the n_c lots of a device class whose result is known, and one lot's luck s,

    shop ~ Normal(start, 0.03^2)   class ~ Normal(shop, 0.02^2)   raw_c ~ Normal(class, s^2 / n_c)

and the class's posterior mean is taken off the promise of the next lots, as a share of their
resale; not off the bid, since what matters at the margin is a lot won at the bid itself. One lot's
luck is some half of its resale: a class's own twenty lots tell its shortfall to a tenth, a shop's
two hundred to .03. Promises are the ledger's, which are written before this is taken off, so
nothing is counted twice.

What a unit really earned is told where the log has its whole story:

    profit = sale - fees - carriage and packaging - reserve - tax
             - landed cost - parts - labour - interest on the landed cost

the same lines as the forecast's, with what happened in place of what was expected. The reserve
for returns stays in, as it does in the forecast.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr

from repair_horizon.decisions.costs.money import ON_MARGIN, cents, tax_fraction
from repair_horizon.decisions.costs.sale import planning_channel, reserve_per_unit
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.estimation.owner_guesses import ATTEMPTED
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.consequences import FIXED
from repair_horizon.tables.arrays import Floats
from repair_horizon.tables.inputs import BOUGHT, FORECAST, LEVELS, QUANTILES
from repair_horizon.tables.settings import Settings

COLUMNS = [
    "unit_id",
    "model_id",
    "sale_date",
    "sale",
    "selling",
    "reserve",
    "tax",
    "landed",
    "parts",
    "labour",
    "interest",
    "profit",
    "reason",
]
_LOST = ("scrapped",)


def results(logs: Logs, settings: Settings) -> pd.DataFrame:
    """Work out the profit of every unit in stock.csv that has come to its end.

    Parameters
    ----------
    logs
        Stock (landed cost and day), repairs (parts, hours), sales (unit_id).
    settings
        Fees of the day where the sale names none, carriage, reserve, wage, interest, tax.

    Returns
    -------
    DataFrame
        ``COLUMNS``, one row per unit in stock.csv; ``profit`` is missing and ``reason`` says why
        where the chain from purchase to sale is not complete. Money is rounded to cents.
    """
    catalogue = logs.tables["catalogue"].set_index("model_id")
    sales = logs.tables["sales"]
    sales = sales[sales["unit_id"] != ""].drop_duplicates("unit_id", keep="last")
    sold = sales.set_index("unit_id")
    jobs = logs.tables["repairs"].groupby("unit_id")
    kinds = catalogue["device_class"]
    by_class = {kind: settings.for_class(str(kind)) for kind in kinds.unique()}
    rows = []
    for unit in logs.tables["stock"].itertuples():
        rules = by_class[kinds[unit.model_id]]
        job = jobs.get_group(unit.unit_id) if unit.unit_id in jobs.groups else None
        start = {"unit_id": unit.unit_id, "model_id": unit.model_id}
        missing = _missing(unit, unit.unit_id in sold.index, job)
        if missing:
            rows.append({**start, "reason": missing})
            continue
        sale = sold.loc[unit.unit_id] if unit.unit_id in sold.index else None
        rows.append({**start, **_lines(unit, sale, job, rules)})
    return pd.DataFrame(rows, columns=COLUMNS)


def _missing(unit: object, is_sold: bool, job: pd.DataFrame | None) -> str:
    """What is lacking for a whole story; empty if nothing."""
    if np.isnan(unit.amount):  # type: ignore[attr-defined]
        return "no landed cost"
    if not is_sold and unit.status not in _LOST:  # type: ignore[attr-defined]
        return "not sold yet, or the sale does not name the unit"
    if job is not None and bool((job["outcome"] == "").any()):
        return "a job is still open"
    # A unit sold as it was found has neither, and nothing is lacking.
    tried = None if job is None else job[job["outcome"].isin(ATTEMPTED)]
    if tried is not None and bool(tried[["bench_hours", "parts_cost"]].isna().to_numpy().any()):
        return "a job without hours or parts"
    return ""


def _lines(
    unit: object, sale: pd.Series | None, job: pd.DataFrame | None, rules: Settings
) -> dict[str, object]:
    landed = float(unit.amount)  # type: ignore[attr-defined]
    hours = rules.bench.test_hours + (0.0 if job is None else float(job["bench_hours"].sum()))
    out: dict[str, float] = {
        "landed": landed,
        "parts": 0.0 if job is None else float(job["parts_cost"].sum()),
        "labour": float(cents(hours * rules.bench.rate_per_hour)),
        **dict.fromkeys(("sale", "selling", "reserve", "tax", "interest"), 0.0),
    }
    if sale is not None:
        mended = job is not None and bool(job["outcome"].isin(FIXED).any())
        out |= _sold(sale, landed, rules)
        out["reserve"] = reserve_per_unit(rules.reserve) if mended else 0.0
        days = (sale["sale_date"] - unit.buy_date).days  # type: ignore[attr-defined]
        out["interest"] = float(cents(landed * rules.delay.capital_rate * max(days, 0) / 365.0))
    # Every line but the sale is a cost.
    out["profit"] = float(cents(2 * out["sale"] - sum(out.values())))
    return {**out, "sale_date": pd.NaT if sale is None else sale["sale_date"], "reason": ""}


def _sold(sale: pd.Series, landed: float, rules: Settings) -> dict[str, float]:
    """Sale, cost of selling, and tax; the margin is taken against the landed cost logged."""
    gross = float(sale["amount"])
    channel = planning_channel(rules, f"{sale['sale_date']:%Y-%m-%d}")
    named = [c for c in rules.channels if c.name == sale["channel"]]
    if named:
        own = [c for c in named if c.valid_from <= f"{sale['sale_date']:%Y-%m-%d}"] or named
        channel = max(own, key=lambda c: c.valid_from)
    fees = cents(gross * (channel.percentage_fee + channel.payment_fee)) + channel.fixed_fee
    if not np.isnan(sale["fee_amount"]):
        fees = cents(sale["fee_amount"] * gross / sale["gross_amount"])
    out = float(fees) + rules.sale.carriage + rules.sale.packaging
    taxed = {"on_sale": gross, **dict.fromkeys(ON_MARGIN, max(gross - landed, 0.0))}
    tax = tax_fraction(rules.tax.rate) * taxed.get(rules.tax.scheme, 0.0)
    return {"sale": gross, "selling": float(cents(out)), "tax": float(cents(tax))}


RUNS = 4000
UNLIKELY = 0.05
FEWEST = 5
START, SHOP_SD, CLASS_SD = 0.03, 0.03, 0.02
LUCK, LUCK_WEIGHT = 0.45, 20.0
"""Shortfall before any won lot, how far a shop's and a class's lie off it; one lot's luck as a
share of resale, and the lots that weigh as much as this guess of it. In the profit benchmark's
invented businesses (choosing seeds) won lots fell short by .01 to .08 of resale: the lots won are
those thought too dear, and some rivals know the state."""
SOLD, PRICED, LOST = "sold", "at the price asked", "scrapped"
LOT_COLUMNS = ["listing_id", "unit_id", "device_class", "promised", "realised", "resale", "ended"]
CLASS_COLUMNS = [
    "device_class",
    "lots",
    "promised",
    "realised",
    "resale",
    "raw",
    "shortfall",
    "shop",
]
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
class Scorecard:
    """Forecasts of won lots beside their results.

    - ``lots``: listing_id, unit_id, family_id, forecast (mean profit at the price paid), lower and
      upper (80 %), realised, inside.
    - ``bias``, ``std_error``: mean of realised less forecast, money per unit.
    - ``coverage``: share of lots inside 80 %.
    - ``probability_as_bad``: chance of a total as low as realised if the forecasts were right.
    """

    lots: pd.DataFrame
    bias: float
    std_error: float
    coverage: float
    probability_as_bad: float

    @property
    def verdict(self) -> str:
        """Whether luck alone explains the result, in words."""
        if self.probability_as_bad < UNLIKELY:
            return "bad rule: luck alone would rarely earn as little; look at the forecasts"
        if self.probability_as_bad > 1 - UNLIKELY:
            return "better than the forecasts: they are too cautious, or it was luck"
        return "luck alone explains it"


def won_lots(ledger: pd.DataFrame, done: pd.DataFrame) -> pd.DataFrame:
    """Join forecasts, purchases and results.

    Parameters
    ----------
    ledger
        From ``read_ledger``.
    done
        From ``results``.

    Returns
    -------
    DataFrame
        One row per unit bought whose result is known: listing_id, unit_id, family_id, forecast,
        the columns ``QUANTILES`` and common_share, realised. The forecast is the last one made up
        to the purchase, moved to the price paid.
    """
    notes = ledger[ledger["record_type"] == BOUGHT]
    notes = notes.drop_duplicates("listing_id", keep="last")
    earned = done.dropna(subset=["profit"]).set_index("unit_id")["profit"]
    rows = []
    made = ledger[ledger["record_type"] == FORECAST].sort_values("made_on", kind="stable")
    for note in notes[notes["unit_id"].isin(earned.index)].itertuples():
        mine = made[(made["listing_id"] == note.listing_id) & (made["made_on"] <= note.made_on)]
        if mine.empty:
            continue
        last = mine.iloc[-1]
        moved = float(last["per_bid"]) * (float(last["price"]) - float(note.price))
        rows.append(
            {
                "listing_id": note.listing_id,
                "unit_id": note.unit_id,
                "family_id": last["family_id"],
                "forecast": float(last["expected_profit"]) + moved,
                **{q: float(last[q]) + moved for q in QUANTILES},
                "common_share": float(last["common_share"]),
                "realised": float(earned[note.unit_id]),
            }
        )
    names = ["listing_id", "unit_id", "family_id", "forecast", *QUANTILES]
    return pd.DataFrame(rows, columns=[*names, "common_share", "realised"])


def score_ledger(logs: Logs, settings: Settings) -> Scorecard | CannotSay:
    """Score the workspace's forecast ledger against what its units earned.

    Parameters
    ----------
    logs
        The workspace; forecasts.csv is read from its folder.
    settings
        For the results' lines, and the seed.

    Returns
    -------
    Scorecard
        A reason instead with fewer than ``FEWEST`` won lots whose result is known.
    """
    return score_lots(won_lots(read_ledger(logs.folder), results(logs, settings)), settings.seed)


def score_lots(lots: pd.DataFrame, seed: int = 1) -> Scorecard | CannotSay:
    """Score won lots; see ``won_lots`` for the columns and ``score_ledger`` for the result."""
    n = len(lots)
    if n < FEWEST:
        return CannotSay(f"{n} won lots with a known result; {FEWEST} are needed")
    miss = (lots["realised"] - lots["forecast"]).to_numpy(float)
    error = float(miss.std(ddof=1) / np.sqrt(n))
    lower, upper = (lots[q].to_numpy(float) for q in ("profit_10", "profit_90"))
    realised = lots["realised"].to_numpy(float)
    inside = (realised >= lower) & (realised <= upper)
    simulated = simulate_totals(lots, np.random.default_rng([seed, 9]))
    names = ["listing_id", "unit_id", "family_id", "forecast", "realised"]
    return Scorecard(
        lots[names].assign(lower=lower, upper=upper, inside=inside),
        float(miss.mean()),
        error,
        float(inside.mean()),
        float((simulated <= realised.sum() + 1e-9).mean()),
    )


def simulate_totals(lots: pd.DataFrame, rng: np.random.Generator, runs: int = RUNS) -> Floats:
    """Draw totals the forecasts might have earned.

    Each lot's profit is drawn from its own quantiles (straight between them, moved so that its
    mean is the forecast); lots of a family share their family's luck by their common share, as a
    one-factor normal copula; families are independent.

    Returns
    -------
    ndarray
        (runs,) totals over all lots.
    """
    total = np.zeros(runs)
    for _, family in lots.groupby("family_id", sort=True):
        shared = rng.standard_normal(runs)
        for lot in family.itertuples():
            rho = float(np.clip(lot.common_share, 0.0, 1.0))
            z = np.sqrt(rho) * shared + np.sqrt(1 - rho) * rng.standard_normal(runs)
            cut = np.array([getattr(lot, q) for q in QUANTILES])
            mean = float(np.sum(np.diff(LEVELS) * (cut[1:] + cut[:-1]) / 2))
            total += np.interp(ndtr(z), LEVELS, cut) + (lot.forecast - mean)
    return total


@dataclass(frozen=True, eq=False)
class TrackRecord:
    """Promises against results of won lots, and declared shares against those found.

    - ``lots``: ``LOT_COLUMNS``, one row a unit; ``ended`` says how (a listed unit counts at the
      price asked).
    - ``classes``: ``CLASS_COLUMNS``; ``raw`` is the shortfall as a share of resale, ``shortfall``
      the same shrunk, which is what is taken off, ``shop`` what is off classes without a lot.
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
    rows, luck = [], LUCK_WEIGHT * LUCK**2
    for kind, mine in lots.groupby("device_class", sort=True):
        n, resale = len(mine), float(mine["resale"].sum())
        short = (mine["promised"] - mine["realised"]).to_numpy("float64")
        raw = short.sum() / resale if resale > 0 else 0.0
        luck += float(np.sum((short * n / resale - raw) ** 2)) if resale > 0 else 0.0
        rows.append((kind, n, mine["promised"].sum(), mine["realised"].sum(), resale, raw))
    table = pd.DataFrame(rows, columns=CLASS_COLUMNS[:-2])
    raw, n = (table[c].to_numpy("float64") for c in ("raw", "lots"))
    luck /= LUCK_WEIGHT + len(lots)
    apart = CLASS_SD**2 * np.eye(len(n))
    off = np.linalg.solve(SHOP_SD**2 + apart + np.diag(luck / n), raw - START)
    shop = START + SHOP_SD**2 * off.sum()
    return table.assign(shortfall=shop + apart @ off, shop=shop)


def shortfalls(logs: Logs, settings: Settings) -> Mapping[str, float]:
    """Share of resale to take off a promise, by device class; empty without a won lot."""
    table = by_class(lot_results(logs, settings))
    kinds = logs.tables["catalogue"]["device_class"].unique() if len(table) else ()
    known = dict(zip(table["device_class"], table["shortfall"], strict=True))
    return {str(k): float(known.get(k, table["shop"].iloc[0])) for k in kinds}


def share_table(logs: Logs) -> pd.DataFrame:
    """Declared shares of states beside those found in units bought: ``SHARE_COLUMNS``.

    What a seller lists is not what a win brings: who bids highest on the worse ones wins them.
    Faults with no job have no row.
    """
    from scipy.stats import binomtest  # slow to import

    jobs = logs.tables["repairs"]
    jobs = jobs[jobs["state_found"] != ""]
    jobs = jobs.assign(family_id=jobs["model_id"].map(logs.family_of))
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
