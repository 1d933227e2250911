"""What the business wrote down: its tables as they stood at the end of a month.

Market sales, part quotes and auctions go on after the replay's start as everybody sees them. What
a policy bids for and buys in the replay is its own to write down (``with_year``).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from .costs import DEAD, LEAD, QUALITIES, SHIPPING
from .lots import Lots, draw_lots
from .world import AS_IS_SD, GRADES, NOISE_SD, NOISE_SHARE, YEAR, World
from .worth import AS_IS, MAKER, OPTIONS, REPAIR, Worth

Floats = npt.NDArray[np.float64]
START = 2026 * 12  # the replay begins in January 2026: year x 12 + month - 1
CHANNELS = {"marketplace": (0.75, 1.0), "own_shop": (0.25, 0.97)}
MAIN = ("DA", "BAT")
Promises = dict[tuple[int, int], dict[str, float]]
"""Rows of a ledger of forecasts by unit and month."""
MISLABELLED, AS_IS_SALES = 0.02, 0.11


@dataclass(frozen=True)
class Writing:
    """How much a business writes down: rows a month, and which tables it keeps at all.

    ``quoted`` is the share of parts ever quoted, ``bidding`` the share of lots the owner bid for,
    ``jobs`` the most units ever bought, ``private`` the share of lots from private sellers.
    """

    sales: float = 46.0
    quotes: float = 11.0
    quoted: float = 0.45
    lots: float = 40.0
    bidding: float = 0.55
    jobs: int = 400
    private: float = 0.0
    makers: bool = True
    only_sales: bool = False


@dataclass(frozen=True, eq=False)
class Record:
    """Everything ever written down, each row with the month it became known in ``_known``."""

    world: World
    tables: dict[str, pd.DataFrame]
    only_sales: bool

    def with_year(self, worth: Worth, lots: Lots, own: Own) -> Record:
        """The same with what a policy did with the replay's lots."""
        if self.only_sales:
            return self
        bought = own.bought(self.world, worth, lots)
        listings = self.tables["listings"]
        seen = _seen_listings(self.world, lots, bought)
        seen["listing_id"] = listings["listing_id"].to_numpy()[-len(seen) :]
        more = {
            "repairs": _repairs(self.world, lots, bought, "Y"),
            "stock": _stock(self.world, lots, bought, "Y"),
            "sales": _own_sales(self.world, lots, bought, "Y"),
            "forecasts": _forecasts(self.world, lots, bought, seen["listing_id"], own.promises),
        }
        tables = {**self.tables, "listings": pd.concat([listings[: -len(seen)], seen])}
        for name, rows in more.items():
            known = [tables[name]] if name in tables else []
            whole = pd.concat([*known, rows], ignore_index=True)
            tables[name] = whole.astype(object).where(whole.notna(), "")
        return Record(self.world, tables, self.only_sales)

    def at(self, months: int) -> dict[str, pd.DataFrame]:
        """Tables as they stood after so many months."""
        out = {}
        for name, table in self.tables.items():
            if self.only_sales and name not in ("catalogue", "sales"):
                continue
            seen = table[table["_known"] < months].drop(columns="_known")
            out[name] = seen.reset_index(drop=True)
        if "stock" in out:
            sold = out["stock"]["unit_id"].isin(out["sales"]["unit_id"])
            lost = out["stock"]["status"] == "parted"
            out["stock"].loc[~sold & ~lost, "status"] = "listed"
        after = out["catalogue"]["successor_launch_date"]
        later = after > f"{date(self.world, months, 1.0)}"
        out["catalogue"].loc[later, "successor_launch_date"] = ""
        return out


def write_workspace(
    folder: Path, tables: dict[str, pd.DataFrame], settings: str, columns: dict[str, list[str]]
) -> Path:
    """Write a workspace; columns a table is not declared with are left out."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        kept = [c for c in table.columns if c in columns[name]]
        table[kept].to_csv(folder / f"{name}.csv", index=False)
    (folder / "settings.toml").write_text(settings, encoding="utf-8")
    return folder


def date(world: World, month: float, day: float = 15.0) -> str:
    """ISO date of a day in a month of the world's count."""
    number = START - world.history + int(month)
    return f"{number // 12:04d}-{number % 12 + 1:02d}-{int(np.clip(day, 1, 28)):02d}"


def _dates(world: World, when: Floats) -> list[str]:
    """ISO dates of fractional months, the middle of month t at t."""
    return [date(world, np.floor(w + 0.5), 1 + 28 * ((w + 0.5) % 1.0)) for w in when]


def write_record(
    world: World, worth: Worth, writing: Writing, year: Lots, rng: np.random.Generator
) -> Record:
    """Draw everything the business writes down, the replay's lots among the auctions seen."""
    past = draw_lots(world, worth, range(world.history), writing.lots, writing.private, rng)
    bought = _bought(world, worth, past, writing, rng)
    tables = {
        "catalogue": _catalogue(world),
        "sales": _sales(world, worth, writing, rng),
        "part_quotes": _quotes(world, writing, rng),
        "fault_states": _fault_states(world),
        "listings": _listings(world, past, year, bought),
        "repairs": _repairs(world, past, bought),
        "stock": _stock(world, past, bought),
    }
    if writing.makers:
        tables["maker_quotes"] = _makers(world)
    own = _own_sales(world, past, bought)
    tables["sales"] = pd.concat([tables["sales"], own], ignore_index=True).fillna("")
    return Record(world, tables, writing.only_sales)


@dataclass(frozen=True, eq=False)
class Own:
    """What a policy did with the replay's lots, (lots,): bids or offers, won, price, option.

    ``promises`` are the rows of its ledger of forecasts by (unit, month), if it keeps one.
    """

    bid: Floats
    won: npt.NDArray[np.bool_]
    price: Floats
    option: npt.NDArray[np.int64]
    promises: Promises

    def bought(self, world: World, worth: Worth, lots: Lots) -> _Bought:
        """The same with what came of every lot."""
        days, hours, parts = _done(worth, lots, self.option)
        gross = _gross(world, worth, lots, self.option, days)
        sold = lots.month + days / 30.4375
        return _Bought(self.bid, self.won, self.price, self.option, gross, sold, hours, parts)


@dataclass(frozen=True, eq=False)
class _Bought:
    """What somebody's judgement did with lots, (lots,) each."""

    bid: Floats
    won: npt.NDArray[np.bool_]
    price: Floats
    option: npt.NDArray[np.int64]
    gross: Floats
    sold: Floats
    hours: Floats
    parts: Floats


def _bought(
    world: World, worth: Worth, past: Lots, writing: Writing, rng: np.random.Generator
) -> _Bought:
    """Bids off by a quarter, on some lots; repaired unless another option is seen to be best."""
    bids, best = worth.charged()
    n = past.unit.size
    limit = bids[past.unit, past.month] * np.exp(rng.normal(-0.1, 0.25, n))
    private = past.private
    limit = np.where(private, np.minimum(0.85 * world.costs.direct(limit), past.ask), limit)
    tried = (rng.random(n) < writing.bidding) & (limit > 5)
    limit = np.where(tried, limit, 0.0)
    won = tried & np.where(private, limit >= past.reserve, limit > past.highest)
    won &= np.cumsum(won) <= writing.jobs
    price = np.where(private, limit, past.highest)
    right = rng.random(n) < 0.85
    option = best[past.model, past.state, past.month]
    able = worth.success[world.family[past.model], past.state] > 0
    option = np.where(right | ~able, option, REPAIR)
    days, hours, parts = _done(worth, past, option)
    gross = _gross(world, worth, past, option, days)
    return _Bought(limit, won, price, option, gross, past.month + days / 30.4375, hours, parts)


def _done(worth: Worth, lots: Lots, option: npt.NDArray[np.int64]) -> tuple[Floats, Floats, Floats]:
    """Days, bench hours and parts of the option taken with each lot."""
    cash = [worth.cash(o, lots.place, lots.luck) for o in range(len(OPTIONS))]
    each = np.arange(option.size)
    days, hours, parts = (
        np.stack([getattr(c, name) for c in cash])[option, each]
        for name in ("days", "hours", "parts")
    )
    return days, hours, parts


def _gross(
    world: World, worth: Worth, past: Lots, option: npt.NDArray[np.int64], days: Floats
) -> Floats:
    """Gross price each unit was sold at; zero where it was not sold whole."""
    k, luck = world.family[past.model], past.luck
    level = world.level_at(past.model, past.month + days / 30.4375)
    grade = np.stack([f.grade_factor for f in world.families])[k, luck.grade]
    whole = level * grade * luck.noise
    ratio = np.array([[*f.ratio, *[0.0] * (world.widest - f.ratio.size)] for f in world.families])
    broken = ratio[k, past.state] * level * luck.as_is_noise
    mended = np.where(luck.mended > 0, whole, world.costs.failed_as_is * broken)
    served = np.where(luck.accepted > 0, whole, broken)
    return np.asarray(
        np.select([option == REPAIR, option == AS_IS, option == MAKER], [mended, broken, served], 0)
    )


def _ids(letter: str, n: int) -> list[str]:
    return [f"{letter}{i:06d}" for i in range(n)]


def _catalogue(world: World) -> pd.DataFrame:
    launch = [_dates(world, np.array([w]))[0] for w in world.launch]
    after = ["" if np.isinf(w) else _dates(world, np.array([w]))[0] for w in world.successor]
    families = [world.families[k] for k in world.family]
    return pd.DataFrame(
        {
            "model_id": world.model_ids,
            "family_id": [f.name for f in families],
            "device_class": [f.device_class for f in families],
            "launch_date": launch,
            "launch_price": [f"{p:.2f}" for p in world.launch_price],
            "launch_currency": "EUR",
            "successor_launch_date": after,
            "_known": 0,
        }
    )


def _noise(n: int, rng: np.random.Generator) -> Floats:
    hasty = rng.random(n) < NOISE_SHARE[1]
    return np.asarray(np.exp(rng.normal(0, 1, n) * np.where(hasty, NOISE_SD[1], NOISE_SD[0])))


def _sales(world: World, worth: Worth, writing: Writing, rng: np.random.Generator) -> pd.DataFrame:
    """Market sales: popular models more, most in their second year."""
    months = np.arange(world.history + YEAR)
    age = np.maximum(months[None, :] - world.launch[:, None], 0.0) / 16
    rate = world.popularity[:, None] * age * np.exp(1 - age)
    rate = rate / rate.sum(axis=0) * writing.sales
    count = rng.poisson(rate)
    model, month = (np.repeat(i.ravel(), count.ravel()) for i in np.indices(count.shape))
    when = month + rng.uniform(-0.5, 0.5, model.size)
    kept = when > world.launch[model] + 0.2
    model, month, when = model[kept], month[kept], when[kept]
    n, k = model.size, world.family[model]
    grade = (rng.random(n)[:, None] > np.cumsum([0.18, 0.45, 0.27])).sum(axis=1)
    channel = rng.choice(list(CHANNELS), n, p=[p for p, _ in CHANNELS.values()])
    price = world.level_at(model, when) * _noise(n, rng)
    price *= np.stack([f.grade_factor for f in world.families])[k, grade]
    price *= np.array([CHANNELS[c][1] for c in channel])
    price *= np.where(rng.random(n) < MISLABELLED, np.exp(rng.normal(0, 0.4, n)), 1.0)
    fault = np.full(n, "", dtype=object)
    broken = np.flatnonzero(rng.random(n) < AS_IS_SALES)
    for i in broken:
        family = world.families[k[i]]
        names, weights = list(family.fault_weight), np.array(list(family.fault_weight.values()))
        fault[i] = str(rng.choice(names, p=weights / weights.sum()))
        state = int(rng.choice(len(family.states), p=family.shares[str(fault[i])]))
        if family.ratio[state] == 0:
            state = int(np.argmax(family.shares[str(fault[i])]))
        level = world.level_at(model[i : i + 1], when[i : i + 1])[0]
        price[i] = level * family.ratio[state] * np.exp(rng.normal(0, AS_IS_SD))
    graded = (rng.random(n) < 0.85) & (fault == "")
    return pd.DataFrame(
        {
            "sale_id": _ids("S", n),
            "model_id": np.array(world.model_ids)[model],
            "sale_date": _dates(world, when),
            "gross_amount": [f"{p:.2f}" for p in price],
            "currency": "EUR",
            "channel": channel,
            "grade": np.where(graded, np.array(GRADES)[grade], ""),
            "condition": np.where(fault == "", "working", "as_is"),
            "listed_fault": fault,
            "own_sale": "no",
            "unit_id": "",
            "_known": np.floor(when + 0.5),
        }
    )


def _quotes(world: World, writing: Writing, rng: np.random.Generator) -> pd.DataFrame:
    """Sparse quotes: some parts of some models, in one or both qualities, by three suppliers."""
    pairs = [
        (m, code, q)
        for m, k in enumerate(world.family)
        for code in world.families[k].codes
        for q in range(len(QUALITIES))
        if rng.random() < writing.quoted * (1.0, 0.6)[q] * (1.5 if code in MAIN else 0.8)
    ]
    n = int(rng.poisson(writing.quotes * (world.history + YEAR)))
    weight = np.array(
        [world.popularity[m] * (3.0 if code in MAIN else 1.0) for m, code, _ in pairs]
    )
    month = np.sort(rng.integers(0, world.history + YEAR, n))
    chosen = rng.choice(len(pairs), n, p=weight / weight.sum())
    supplier = rng.integers(0, 3, n)
    rows = []
    for i in range(n):
        m, code, q = pairs[chosen[i]]
        if month[i] < world.launch[m] + 1:
            continue
        price = world.part_price[code][m, month[i]] * (world.cheap[m] if q else 1.0)
        price *= (0.96, 1.0, 1.05)[supplier[i]] * np.exp(rng.normal(0, 0.035))
        rows.append(
            (
                date(world, month[i], rng.integers(1, 28)),
                world.model_ids[m],
                code,
                QUALITIES[q],
                ("bram_parts", "dunlin_supply", "eskwell")[supplier[i]],
                f"{price:.2f}",
                "EUR",
                f"{SHIPPING:.2f}",
                int(LEAD[QUALITIES[q]]),
                DEAD[QUALITIES[q]],
                month[i],
            )
        )
    names = ["quote_date", "model_id", "part_code", "quality_class", "supplier_id", "unit_price"]
    names += ["currency", "shipping", "lead_days", "doa_rate", "_known"]
    table = pd.DataFrame(rows, columns=names)
    table.insert(0, "quote_id", _ids("Q", len(table)))
    return table


def _makers(world: World) -> pd.DataFrame:
    rows = [
        (date(world, max(world.history - 3, 0)), world.model_ids[m], fault, f"{price:.2f}", "EUR")
        for (m, fault), price in world.maker.items()
    ]
    table = pd.DataFrame(rows, columns=["quote_date", "model_id", "fault", "price", "currency"])
    return table.assign(refused_quote_fee=world.costs.maker_refused, _known=0)


def _fault_states(world: World) -> pd.DataFrame:
    rows = []
    for family in world.families:
        for fault, share in family.declared_shares.items():
            rows += [
                (
                    family.name,
                    fault,
                    family.states[s],
                    f"{share[s]:.4f}",
                    ";".join(family.parts[s]),
                    f"{family.declared_hours[s]:.1f}",
                    f"{family.declared_success[s]:.2f}",
                )
                for s in np.flatnonzero(share > 0)
            ]
    names = ["family_id", "listed_fault", "state", "prior_share", "part_codes", "bench_hours"]
    return pd.DataFrame(rows, columns=[*names, "prior_success"]).assign(_known=0)


def _listings(world: World, past: Lots, year: Lots, bought: _Bought) -> pd.DataFrame:
    """Auctions and offers of the past with what became of them; the year's as seen by all."""
    old = _seen_listings(world, past, bought)
    blank = np.zeros(year.unit.size)
    new = _listing_rows(world, year, np.full(year.unit.size, "skipped"), year.second, blank)
    table = pd.concat([old, new], ignore_index=True)
    table.insert(0, "listing_id", _ids("L", len(table)))
    return table


def _seen_listings(world: World, lots: Lots, bought: _Bought) -> pd.DataFrame:
    tried = bought.bid > 0
    # With our own bid in it, the second highest of all is what the winner paid.
    seen = np.where(tried & ~bought.won, np.maximum(bought.bid, lots.second), lots.second)
    result = np.where(bought.won, "won", np.where(tried, "lost", "skipped"))
    return _listing_rows(world, lots, result, np.where(bought.won, bought.price, seen), bought.bid)


def _listing_rows(
    world: World, lots: Lots, result: npt.NDArray[np.str_], price: Floats, offer: Floats
) -> pd.DataFrame:
    units, private = world.units, lots.private
    known = ~private | (result == "won")
    return pd.DataFrame(
        {
            "model_id": np.array(world.model_ids)[lots.model],
            "listed_fault": [units[u][1] for u in lots.unit],
            "end_time": _dates(world, lots.month - 0.5 + lots.day),
            "current_bid": ["" if np.isnan(a) else f"{a:.2f}" for a in lots.ask],
            "result": result,
            "final_price": [
                f"{max(p, 1):.2f}" if ok else "" for p, ok in zip(price, known, strict=True)
            ],
            "terms": np.where(private, "private", "auction"),
            "offer": [
                f"{o:.2f}" if o > 0 and p else "" for o, p in zip(offer, private, strict=True)
            ],
            "offer_result": np.where(
                private & (offer > 0), np.where(result == "won", "taken", "refused"), ""
            ),
            "_known": lots.month,
        }
    )


def _repairs(world: World, past: Lots, bought: _Bought, mark: str = "") -> pd.DataFrame:
    rows = []
    for j, i in enumerate(np.flatnonzero(bought.won)):
        family, repaired = world.families[world.family[past.model[i]]], bought.option[i] == REPAIR
        fixed = repaired and past.luck.mended[i] > 0
        paid = repaired or bought.option[i] == MAKER  # its invoice stands with the parts
        outcome = "fixed_first_pass" if fixed else "not_fixed" if repaired else "not_attempted"
        rows.append(
            (
                f"J{mark}{j:05d}",
                f"U{mark}{j:05d}",
                world.model_ids[past.model[i]],
                date(world, past.month[i], 28),
                world.units[past.unit[i]][1],
                family.states[past.state[i]],
                outcome,
                f"{bought.hours[i]:.2f}" if paid else "",
                f"{bought.parts[i]:.2f}" if paid else "",
                GRADES[past.luck.grade[i]] if fixed else "",
                past.month[i],
            )
        )
    names = ["job_id", "unit_id", "model_id", "opened", "listed_fault", "state_found", "outcome"]
    return pd.DataFrame(rows, columns=[*names, "bench_hours", "parts_cost", "grade_out", "_known"])


def _stock(world: World, past: Lots, bought: _Bought, mark: str = "") -> pd.DataFrame:
    at = np.flatnonzero(bought.won)
    landed = world.costs.landed(bought.price, past.private)
    states = [world.families[world.family[past.model[i]]].states[past.state[i]] for i in at]
    return pd.DataFrame(
        {
            "unit_id": [f"U{mark}{j:05d}" for j in range(at.size)],
            "model_id": np.array(world.model_ids)[past.model[at]],
            "buy_date": [date(world, past.month[i], 14) for i in at],
            "landed_cost": [f"{x:.2f}" for x in landed[at]],
            "currency": "EUR",
            "state": states,
            "status": ["sold" if bought.gross[i] > 0 else "parted" for i in at],
            "ownership_check": "clear",
            "_known": past.month[at],
        }
    )


def _own_sales(world: World, past: Lots, bought: _Bought, mark: str = "") -> pd.DataFrame:
    won = np.flatnonzero(bought.won)
    unit = {i: f"U{mark}{j:05d}" for j, i in enumerate(won)}
    at = np.array([i for i in won if bought.gross[i] > 0], dtype="int64")
    whole = np.array(
        [
            (bought.option[i] == REPAIR and past.luck.mended[i] > 0)
            or (bought.option[i] == MAKER and past.luck.accepted[i] > 0)
            for i in at
        ],
        dtype=bool,
    )
    states = [world.families[world.family[past.model[i]]].states[past.state[i]] for i in at]
    return pd.DataFrame(
        {
            "sale_id": _ids(f"OWN{mark}", at.size),
            "model_id": np.array(world.model_ids)[past.model[at]],
            "sale_date": _dates(world, bought.sold[at]),
            "gross_amount": [f"{bought.gross[i]:.2f}" for i in at],
            "currency": "EUR",
            "channel": "marketplace",
            "grade": np.where(whole, np.array(GRADES)[past.luck.grade[at]], ""),
            "condition": np.where(whole, "working", "as_is"),
            "listed_fault": np.where(whole, "", np.array(states, dtype=object)),
            "own_sale": "yes",
            "unit_id": [unit[i] for i in at],
            "_known": np.floor(bought.sold[at] + 0.5),
        }
    )


def _forecasts(
    world: World,
    lots: Lots,
    bought: _Bought,
    listing_ids: pd.Series,
    promises: Promises,
) -> pd.DataFrame:
    """The ledger: what each lot won promised when it was bid for, and that it was bought."""
    rows: list[dict[str, object]] = []
    for j, i in enumerate(np.flatnonzero(bought.won)):
        promise = promises.get((int(lots.unit[i]), int(lots.month[i])))
        if promise is None:
            continue
        model, fault = world.units[lots.unit[i]]
        listing, day = listing_ids.iloc[i], date(world, lots.month[i], 14)
        start = {"listing_id": listing, "made_on": day, "_known": lots.month[i]}
        named = {"model_id": world.model_ids[model], "listed_fault": fault}
        named["family_id"] = world.families[world.family[model]].name
        told = {"entry_id": f"{listing}:{day}", "record_type": "forecast"}
        rows.append({**start, **told, **named, **{k: f"{v:.6f}" for k, v in promise.items()}})
        unit = f"UY{j:05d}"
        won = {"entry_id": f"{listing}:{unit}:bought", "record_type": "bought", "unit_id": unit}
        rows.append({**start, **won, "price": f"{bought.price[i]:.2f}"})
    return pd.DataFrame(rows, columns=None if rows else ["_known"])
