"""Money: what bidding by the thresholds would have earned on past listings, against plain rules.

Each sampled month is replayed on what was known the day before it began: thresholds and rules
decide, at the hammer price the lot really fetched. A lot bought is then worth what today's
estimate, with all that has been learnt since, says it was worth in that month. That worth is an
estimate too, not a bookkeeping result. It is the same for every strategy compared, but it comes
from the same method that set the thresholds, which flatters them a little. A lot that others won
would have cost at least one increment more than the price it fetched. Goods offered privately or at
a fixed price, and lots of several units, were no auctions of one unit and are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from repair_horizon.backtest.forecasts import known_at, month_end
from repair_horizon.decisions.month.listings import families_of, score, scorer_for
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.estimation.calibration import Calibration
from repair_horizon.estimation.pooled_ratios import single_auctions
from repair_horizon.estimation.shop_knowledge import ShopKnowledge, shop_knowledge
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import ALONE, Hands, all_of
from repair_horizon.shop import Shop
from repair_horizon.tables.months import month_number, month_word
from repair_horizon.tables.settings import Settings

DRAWS = 300
EVERY_MONTHS = 3
_AS_OF = ["max_bid", "parts", "repair", "resale", "usual_hammer", "reason"]


@dataclass(frozen=True, eq=False)
class MoneyReplay:
    """Past lots, what each strategy would have done, and what came of it.

    ``lots`` has one row per listing: ``listing_id, family_id, model_id, listed_fault, month,
    price`` (hammer), ``max_bid``, ``parts, repair, resale, usual_hammer`` as known then (money),
    ``profit`` (expected, at that price, by today's estimate), ``probability_loss, hours``,
    one yes/no column per strategy, and ``reason`` where the lot could not be judged. ``table``
    has one row per strategy: ``lots, spent`` (hammer prices), ``profit_per_lot, profit,
    profit_per_hour, share_lost`` (mean chance of losing on a lot bought), ``missed`` (profit of
    the lots not bought that would have earned something).
    """

    lots: pd.DataFrame
    table: pd.DataFrame

    def __repr__(self) -> str:
        """Say how much was replayed."""
        judged = int((self.lots["reason"] == "").sum())
        return f"MoneyReplay({judged} of {len(self.lots)} lots judged)"


@dataclass(frozen=True, eq=False)
class Replayed:
    """What every family's replay shares: rules, charges, and what the shop knew and knows."""

    settings: Settings
    calibration: Calibration
    valuation: Valuation
    then: Mapping[int, ShopKnowledge]
    now: ShopKnowledge


def replay_bids(
    shop: Shop, every: int = EVERY_MONTHS, hands: Hands = ALONE
) -> MoneyReplay | CannotSay:
    """Replay past listings month by month.

    Parameters
    ----------
    shop
        The business; its listings with a final price are replayed, under today's rules and
        charges throughout.
    every
        Months from one replayed month to the next, to save time.
    hands
        Who works, family by family; the result does not depend on it.

    Returns
    -------
    MoneyReplay or CannotSay
        The latter where no past listing has a price.
    """
    logs = shop.logs
    settings = replace(shop.settings, draws=min(shop.settings.draws, DRAWS))
    past = _past_lots(logs, every)
    if past.empty:
        return CannotSay("no past listing with a final price")
    valuation, today = shop.valuation(), shop.knowledge
    knowledge = {m: shop_knowledge(_known_before(logs, m)) for m in sorted(past["number"].unique())}
    found = all_of(
        partial(_replayed, Replayed(settings, shop.calibration, valuation, knowledge, today)),
        list(families_of(past, logs)),
        lambda f: (logs.of([f]), f, past[past["family_id"] == f]),
        hands.saying("bids on"),
    )
    in_order = past.sort_values("number", kind="stable")["listing_id"]
    whole = pd.concat(found.values(), ignore_index=True).set_index("listing_id")
    lots = chosen(whole.loc[in_order].reset_index())
    return MoneyReplay(lots, summary(lots))


def _known_before(logs: Logs, month: int) -> Logs:
    """Return what was known when a month began."""
    return known_at(logs, month_end(month - 1))


def _replayed(shared: Replayed, given: tuple[Logs, str, pd.DataFrame]) -> pd.DataFrame:
    """One family's past lots with what was decided then and what they were worth."""
    logs, family, past = given
    rules = (shared.settings, shared.calibration, shared.valuation)
    today = Shop(logs, *rules, shared.now)
    tables = []
    for month in sorted(past["number"].unique()):
        lots = past[past["number"] == month]
        known = _known_before(logs, month)
        there = [f for f in (family,) if f in known.families]
        then = Shop(known, *rules, shared.then[month])
        told = _decided(lots, logs, then.economics(there, int(month), 2))
        worth = _judged(lots, logs, today.economics(family, int(month), 2))
        tables.append(
            lots.merge(told, on="listing_id", how="left").merge(worth, on="listing_id", how="left")
        )
    return pd.concat(tables, ignore_index=True)


def _past_lots(logs: Logs, every: int) -> pd.DataFrame:
    """Single units' auctions with a price, of models launched by then, every so many months."""
    rows = logs.tables["listings"]
    catalogue = logs.tables["catalogue"].set_index("model_id")
    rows = rows[(rows["final_price"] > 0) & (rows["end_time"] <= logs.newest_day + _DAY)]
    rows = single_auctions(rows)
    number = pd.Series(month_number(rows["end_time"]), index=rows.index)
    launched = month_number(rows["model_id"].map(catalogue["launch_date"])) < number
    wanted = launched & ((number.max() - number) % every == 0)
    columns = ["listing_id", "model_id", "listed_fault", "end_time", "shipping", "premium_rate"]
    out = rows.loc[wanted, columns].assign(
        family_id=rows["model_id"].map(catalogue["family_id"]),
        price=rows["final_price"],
        current_bid=rows["final_price"],
        number=number,
    )
    return out.assign(month=[month_word(n) for n in out["number"]])


_DAY = pd.Timedelta(days=1)


def _decided(lots: pd.DataFrame, logs: Logs, economics: Economics) -> pd.DataFrame:
    """Threshold of each lot, and what the plain rules look at, as known then."""
    covered = lots[lots["family_id"].isin(list(economics.outlook.families))]
    bids = score(covered, logs, economics).set_index("listing_id")
    rows = []
    for (family, model, fault), group in lots.groupby(["family_id", "model_id", "listed_fault"]):
        figures = _figures(economics, (family, model, fault))
        rows += [{"listing_id": i, **figures} for i in group["listing_id"]]
    table = pd.DataFrame(rows)
    table["max_bid"] = table["listing_id"].map(bids["max_bid"])
    return table[["listing_id", *_AS_OF]]


def _figures(economics: Economics, key: tuple[str, str, str]) -> dict[str, object]:
    """Mean parts, repair total and resale price of the state that repair most likely mends."""
    family_id, model_id, fault = key
    blank = dict.fromkeys(("parts", "repair", "resale", "usual_hammer"), np.nan)
    if family_id not in economics.outlook.families:
        return {**blank, "reason": "the family was not known yet"}
    if (model_id, fault) not in economics.keys(family_id):
        return {**blank, "reason": "nothing was known of the model or fault yet"}
    unit = economics.unit(family_id, model_id, fault)
    if isinstance(unit, CannotSay):
        return {**blank, "reason": unit.reason}
    option, usual = unit.main.repair, np.nan
    if unit.hammer_paths is not None:
        usual = float(np.median(unit.hammer_paths[:, 0]))
    if option is None:
        return {**blank, "usual_hammer": usual, "reason": ""}
    costs = {k: float(np.mean(_first_month(v))) for k, v in option.lines.items()}
    sold = np.einsum("dg,dg->d", option.price_by_grade[:, 0], option.grade_shares)
    return {
        "parts": costs.get("parts", 0.0),
        "repair": sum(costs.values()),
        "resale": float(sold.mean()),
        "usual_hammer": usual,
        "reason": "",
    }


def _first_month(line: object) -> np.ndarray:
    values = np.asarray(line)
    return values[:, 0] if values.ndim > 1 else values


def _judged(lots: pd.DataFrame, logs: Logs, hindsight: Economics) -> pd.DataFrame:
    """Expected profit of each lot at the price it fetched, by today's estimate."""
    rows = []
    for (model_id, fault), group in lots.groupby(["model_id", "listed_fault"], sort=True):
        scorer = scorer_for(hindsight, logs.family_of[str(model_id)], (str(model_id), str(fault)))
        if isinstance(scorer, CannotSay):
            continue
        for row in group.itertuples():
            terms = scorer.terms(float(row.shipping), float(row.premium_rate))
            won = scorer.known.bought(terms or scorer.unit.landing, float(row.price))
            rows.append((row.listing_id, won.profit, won.probability_loss, scorer.known.hours))
    return pd.DataFrame(rows, columns=["listing_id", "profit", "probability_loss", "hours"])


# Crude rules quoted in workshops; common practice, no source. The last is given as 60 to 70 %.
DEAR_PARTS, CHEAP_PARTS, BEYOND_REPAIR = 0.50, 0.35, 0.65
THRESHOLDS, EVERYTHING = "thresholds", "buy everything"
HALF = "parts at most half of resale"
CHEAP = "parts at most 35 % of resale, up to half if the lot is cheap"
BEYOND = "repair at most 65 % of resale"
STRATEGIES = (THRESHOLDS, HALF, CHEAP, BEYOND, EVERYTHING)


def chosen(lots: pd.DataFrame) -> pd.DataFrame:
    """Add what each strategy buys; a rule without its figures buys nothing.

    Parameters
    ----------
    lots
        Past lots with ``price, max_bid, parts, repair, resale, usual_hammer, profit`` and
        ``reason`` (why a lot could not be judged).
    """
    unjudged = (lots["reason"] == "") & lots["profit"].isna()
    reason = lots["reason"].mask(unjudged, "nothing can be said of its worth today")
    parts, repair = lots["parts"] / lots["resale"], lots["repair"] / lots["resale"]
    cheap = lots["price"] < lots["usual_hammer"]
    bought = {
        THRESHOLDS: (lots["max_bid"] > 0) & (lots["max_bid"] >= lots["price"]),
        HALF: parts <= DEAR_PARTS,
        CHEAP: (parts <= CHEAP_PARTS) | ((parts <= DEAR_PARTS) & cheap),
        BEYOND: repair <= BEYOND_REPAIR,
        EVERYTHING: lots["price"] > 0,
    }
    can = reason == ""
    out = lots.assign(reason=reason, **{name: can & yes for name, yes in bought.items()})
    return out.drop(columns=["current_bid", "number"])


def summary(lots: pd.DataFrame) -> pd.DataFrame:
    """One row per strategy, over the lots that could be judged.

    Parameters
    ----------
    lots
        ``MoneyReplay.lots``.
    """
    judged = lots[lots["reason"] == ""]
    rows = []
    for name in STRATEGIES:
        got, left = judged[judged[name]], judged[~judged[name]]
        n, profit, hours = len(got), float(got["profit"].sum()), float(got["hours"].sum())
        rows.append(
            {
                "strategy": name,
                "lots": n,
                "of": len(judged),
                "spent": float(got["price"].sum()),
                "profit_per_lot": profit / n if n else np.nan,
                "profit": profit,
                "profit_per_hour": profit / hours if hours else np.nan,
                "share_lost": float(got["probability_loss"].mean()) if n else np.nan,
                "missed": float(left["profit"].clip(lower=0).sum()),
                "reason": "" if n else "nothing was bought",
            }
        )
    return pd.DataFrame(rows)
