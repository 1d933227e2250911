"""``FittedShop``: a business's rows and rules, and what is estimated from them once.

Estimates of families, draws ahead, the month's charges of hours, cash and risk. What it worked
out it keeps; workers are sent families of it. ``shop.Shop`` asks the questions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property, partial
from hashlib import sha256
from math import inf
from pathlib import Path
from typing import Any, Self, TypeVar

import pandas as pd

from repair_horizon.decisions.month.listings import Alike, families_of
from repair_horizon.decisions.month.opportunity_cost import (
    Owned,
    Purchases,
    Scarcity,
    listings_per_month,
    owned_units,
    purchases_of,
    scarcity,
)
from repair_horizon.decisions.month.plan import hours_per_month, stock_at_cost
from repair_horizon.decisions.review.forecast_ledger import read_ledger
from repair_horizon.decisions.review.scorecard import START, shortfalls
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.calibration import UNCHECKED, Calibration, calibrated_outlook
from repair_horizon.estimation.device_prices import PriceCurves, fit_prices
from repair_horizon.estimation.forecast import (
    PAD_MONTHS,
    Estimates,
    FamilyEstimates,
    FamilyOutlook,
    Outlook,
    fit_family,
    forecast,
)
from repair_horizon.estimation.rival_prices import PRIVATE, PrivateSellers, private_sellers
from repair_horizon.estimation.shop_knowledge import ShopKnowledge, shop_knowledge
from repair_horizon.files.keeping import FORGETS, Keeper, stamp_of
from repair_horizon.logs import CannotSay, LogFault, Logs, Settings
from repair_horizon.scale import ALONE, Hands, all_of
from repair_horizon.tables.faults import Ledger, no_exceptions
from repair_horizon.tables.inputs import BOUGHT, LEDGER
from repair_horizon.tables.months import month_number, parse_month

HORIZON = 24
NEAR = 3
MOST_OUTLOOKS = 1
"""Families' draws of two years kept at a time, 11 MB each; of the nearest months all are."""
TOLERANCE_SHARE = 6.0
BUSY_SHARE = 0.85
"""Part of the hours and cash there are that is planned for: a bench in full use keeps every job
waiting, since work comes in unevenly (waits grow as 1 / (1 - use); from memory)."""

_UNREAD = ("stock", "answers")
"""Tables that no fit of a family reads."""

Month = str | int | None
T = TypeVar("T")


class FittedShop:
    """What every answer stands on; see ``shop.Shop``."""

    def __init__(
        self,
        logs: Logs,
        settings: Settings,
        calibration: Calibration = UNCHECKED,
        valuation: Valuation | None = None,
        knowledge: ShopKnowledge | None = None,
        keeper: Keeper = FORGETS,
        sellers: PrivateSellers | None = None,
    ) -> None:
        self.logs, self.settings, self.calibration = logs, settings, calibration
        self._valuation, self._knowledge, self._keeper = valuation, knowledge, keeper
        self._sellers = sellers
        self._estimates: dict[str, FamilyEstimates] = {}
        self._outlooks: dict[tuple[str, int, tuple[str, ...] | None], Outlook] = {}
        self._near: dict[tuple[str, int], FamilyOutlook | CannotSay] = {}
        self._scarcities: dict[int, Scarcity] = {}
        self._newest: dict[tuple[tuple[str, ...], int], Economics] = {}
        self._stamps: dict[str, str] = {}
        self.hands = ALONE
        """Who fits families that nobody asked ``fit`` for before."""

    def __getstate__(self) -> dict[str, object]:
        """Travel to a worker with what was worked out, but without whole families' draws."""
        return {**self.__dict__, "_outlooks": {}, "_near": {}, "_newest": {}, "hands": ALONE}

    # -- what it stands on

    @property
    def currency(self) -> str:
        """Settlement currency, ISO 4217."""
        return self.logs.currency

    @property
    def now(self) -> pd.Timestamp:
        """Newest day of the logs: what is taken for today."""
        return self.logs.newest_day

    def month(self, month: Month = None) -> int:
        """Number of a month, 'YYYY-MM'; the one after the newest day's if None."""
        if month is None:
            return int(month_number([self.now])[0]) + 1
        return month if isinstance(month, int) else parse_month(month)

    @cached_property
    def knowledge(self) -> ShopKnowledge:
        """What all families together say: grades, channels, ratios, the owner's guesses."""
        return self._knowledge or self._keeper.of(
            "knowledge", (self._hash(_taught(self.logs)),), lambda: shop_knowledge(self.logs)
        )

    @cached_property
    def _rests_on(self) -> str:
        """Hash of every row used: what figures rest on that rules do not change."""
        return self._hash(self.logs)

    @cached_property
    def _without_listings(self) -> str:
        """Hash of every row used but listings: what rests on units bought and sold."""
        tables = self.logs.tables
        return self._hash(_less(self.logs, listings=tables["listings"].iloc[:0]))

    def _hash(self, logs: Logs) -> str:
        """Hash of rows; of nothing where nothing is kept."""
        if self._keeper is FORGETS:
            return ""
        return stamp_of([replace(logs, folder=Path(), tables={}), *logs.tables.values()])

    def with_rules(self, settings: Settings) -> Self:
        """Return the same business under other rules; what was fitted is kept."""
        given = (self.calibration, self._valuation, self._knowledge, self._keeper, self._sellers)
        out = type(self)(self.logs, settings, *given)
        out._estimates = self._estimates
        return out

    def as_known(self, logs: Logs, settings: Settings, valuation: Valuation) -> Self:
        """Return the business as it was known before; its fits are kept apart from today's."""
        given = (self.calibration, valuation, None, self._keeper.beside("before"))
        return type(self)(logs, settings, *given)

    def only(self, families: Sequence[str], month: Month = None) -> Self:
        """Return a shop of some families at what the whole one's month makes of hours and cash.

        Of all of them it is this shop itself, whose answers are kept.
        """
        if list(families) == self.logs.families:
            return self
        given = (self.calibration, self.valuation(month), self.knowledge, FORGETS, self.sellers)
        out = type(self)(self.logs.of(families), self.settings, *given)
        out._estimates = self._estimates
        return out

    # -- estimates and forecasts

    def fit(self, families: Sequence[str] | None = None, hands: Hands | None = None) -> Self:
        """Fit families by the workers asked for, all of them if None; returns the shop."""
        missing = self._unfitted(self.logs.families if families is None else families)
        if missing:
            for family, found in all_of(_fit, missing, self._given, hands or self.hands).items():
                self._estimates[family] = found
                self._keeper.keep(_kept_name(family), (self._stamp(family),), found)
        return self

    def _given(self, family_id: str) -> tuple[Logs, str, ShopKnowledge]:
        """All that a family's fit may read, and so all that it rests on."""
        return _taught(self.logs.of([family_id])), family_id, self.knowledge

    def _stamp(self, family_id: str) -> str:
        """Hash of all that a family's fit is given: rows that it does not read leave it alone."""
        if self._keeper is not FORGETS and family_id not in self._stamps:
            logs, name, known = self._given(family_id)
            self._stamps[family_id] = stamp_of([self._hash(logs), name, known])
        return self._stamps.get(family_id, "")

    def _of_family(self, what: str, family_id: str, about: object, make: Callable[[], T]) -> T:
        """Return what is kept of a family's draws under these rules, or make it."""
        rests_on = (self._stamp(family_id), self._sellers_stamp, *self._rules, repr(about))

        def made() -> T:
            self._tell(what, family_id)
            return make()

        return self._keeper.of(_kept_name(family_id, what), rests_on, made)

    def _tell(self, what: str, family_id: str) -> None:
        """Say what is worked out, to whoever asked for progress."""
        if self.hands.progress is not None:
            families = self.logs.families
            self.hands.progress(f"{what} of {family_id}", families.index(family_id), len(families))

    @contextmanager
    def _known(self, what: str, rows: pd.DataFrame, month: Month) -> Iterator[dict[Alike, Any]]:
        """What was said of listings alike, kept by their families; what is added is kept too."""
        family = self.logs.family_of

        def families(key: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
            return tuple(dict.fromkeys(family[model_id] for model_id, *_ in key))

        lots: dict[object, list[tuple[str, ...]]] = {}
        for at, (model_id, lot) in enumerate(zip(rows["model_id"], rows["lot_id"], strict=True)):
            lots.setdefault(lot or at, []).append((model_id,))
        about = repr((self.month(month), self.valuation(month)))
        kept, known = {}, dict[Alike, Any]()
        for names in dict.fromkeys(map(families, lots.values())):
            stamps = [self._stamp(f) for f in names]
            rests_on = (*stamps, self._sellers_stamp, *self._rules, about)
            name = _kept_name("+".join(names), what)
            kept[names] = name, rests_on, self._keeper.find(name, rests_on) or {}
            known |= kept[names][2]
        yield known
        for names, (name, rests_on, before) in kept.items():
            mine = {key: said for key, said in known.items() if families(key) == names}
            if len(mine) > len(before):
                self._keeper.keep(name, rests_on, mine)

    @cached_property
    def _sellers_stamp(self) -> str:
        return "" if self._keeper is FORGETS else stamp_of([self.sellers])

    def _unfitted(self, families: Sequence[str]) -> list[str]:
        """Families whose estimates are neither here nor kept on disk; kept ones are taken up."""
        for family in families:
            if family not in self._estimates:
                found = self._keeper.find(_kept_name(family), (self._stamp(family),))
                if found is not None:
                    self._estimates[family] = found
        return [f for f in families if f not in self._estimates]

    def price_curves(self, hands: Hands = ALONE) -> dict[str, PriceCurves | CannotSay]:
        """Fit the price curves of every family and nothing else, which costs less."""
        rest = self._unfitted(self.logs.families)
        known = self._estimates
        found = all_of(_fit_prices, rest, self._given, hands)
        return {f: found[f] if f in found else known[f].prices for f in self.logs.families}

    def estimates(self, family_id: str) -> FamilyEstimates:
        """Curves, parts, rates and ratios of a family; fitted once."""
        return self.fit([family_id])._estimates[family_id]

    def outlook(
        self, family_id: str, month: Month = None, only: tuple[str, ...] | None = None
    ) -> Outlook:
        """Draws of one family from a month on, ``HORIZON`` months, as wide as back-tests ask for.

        Every face draws as many months, so that every face has the same draws. ``only`` names
        the models to look at, where not all are needed.
        """
        start = self.month(month)
        if (family_id, start, None) in self._outlooks:
            return self._outlooks[family_id, start, None]
        if (family_id, start, only) not in self._outlooks:
            families = {family_id: self.estimates(family_id)}
            known = Estimates(self.currency, self.now, families, self.sellers)
            rules = self.settings
            drawn = forecast(known, HORIZON, rules.seed, rules.draws, start, only)
            while len(self._outlooks) >= MOST_OUTLOOKS:
                self._outlooks.pop(next(iter(self._outlooks)))
            wide = calibrated_outlook(drawn, self.calibration.factor)
            self._outlooks[family_id, start, only] = self._less_shortfall(wide)
        return self._outlooks[family_id, start, only]

    @cached_property
    def sellers(self) -> PrivateSellers:
        """What private sellers took of every family's own offers."""
        if self._sellers is not None:
            return self._sellers
        listings = self.logs.tables["listings"]
        families = list(families_of(listings[listings["terms"] == PRIVATE], self.logs))

        def learned() -> PrivateSellers:
            self.fit(families)
            return private_sellers(self.estimates(f).offers for f in families)

        return self._keeper.of("sellers", [self._stamp(f) for f in families], learned)

    def _less_shortfall(self, outlook: Outlook) -> Outlook:
        """Outlook whose families know by how much won lots of their class fell short."""
        families = {
            name: found
            if isinstance(found, CannotSay)
            else replace(found, shortfall=self.selection.get(found.estimates.device_class, START))
            for name, found in outlook.families.items()
        }
        return replace(outlook, families=families)

    @cached_property
    def selection(self) -> Mapping[str, float]:
        """Share of resale taken off the promise of a won lot, by device class.

        Classes without a won lot that has a forecast and a result are not in it and start from
        ``START``; empty where the ledger cannot be read, which the report says.
        """
        ledger = Path(self.logs.folder) / f"{LEDGER.name}.csv"
        noted = sha256(ledger.read_bytes()).hexdigest() if ledger.is_file() else ""
        rests_on = (self._without_listings, repr(self.settings), noted)
        try:
            return self._keeper.of(
                "selection", rests_on, lambda: shortfalls(self.logs, self.settings)
            )
        except LogFault:
            return {}

    @cached_property
    def won_lots(self) -> frozenset[str]:
        """Listings noted as won by today, whatever listings.csv says of them yet."""
        try:
            notes = read_ledger(Path(self.logs.folder))
        except LogFault:
            return frozenset()
        won = (notes["record_type"] == BOUGHT) & (notes["made_on"] <= self.now)
        return frozenset(notes.loc[won, "listing_id"])

    def economics(
        self,
        families: Sequence[str] | str,
        month: Month = None,
        months: int = HORIZON,
        valuation: Valuation | None = None,
    ) -> Economics:
        """Unit economics of families from a month on, at the month's charges.

        Parameters
        ----------
        families
            Family identifiers.
        month
            First month.
        months
            Months looked at, up to ``HORIZON``; fewer cost less and say the same.
        valuation
            In place of the month's own.
        """
        names = [families] if isinstance(families, str) else list(families)
        if self.hands is not ALONE:
            self.fit(names)
        worth = self.valuation(month) if valuation is None else valuation
        start = self.month(month)
        near = Drawn(names, partial(self._first_months, start=start, months=months))
        outlook = Outlook(self.currency, self.now, start, months, self.settings.draws, near)
        return Economics(outlook, self.settings, worth)

    def _near_economics(self, families: Iterable[str], month: Month) -> Economics:
        """Economics of the months that a hold may last, in the catalogue's order of families.

        The newest is at hand, since the answers of a day ask for the same one.
        """
        touched = set(families)
        names = tuple(f for f in self.logs.families if f in touched)
        key = (names, self.month(month))
        if key not in self._newest:
            self._newest.clear()
            self._newest[key] = self.economics(names, month, NEAR)
        return self._newest[key]

    def _first_months(self, family_id: str, start: int, months: int) -> FamilyOutlook | CannotSay:
        """Look at a family's draws for fewer months; those of the nearest are kept."""
        if months > NEAR:
            return _until(self.outlook(family_id, start).families[family_id], months + PAD_MONTHS)
        key = (family_id, start)
        if key not in self._near:
            self._tell("draws", family_id)
            whole = self.outlook(family_id, start).families[family_id]
            self._near[key] = _until(whole, NEAR + PAD_MONTHS)
        found = self._near[key]
        if isinstance(found, CannotSay):
            return found
        return replace(found, level=found.level[:, :, : months + PAD_MONTHS])

    def _let_go(self) -> None:
        """Forget the draws of the nearest months, which are drawn again when asked for."""
        self._newest.clear()
        self._near.clear()
        self._outlooks.clear()

    def families_of(self, table: str) -> list[str]:
        """Families that the rows of a table touch, in the catalogue's order."""
        return list(families_of(self.logs.tables[table], self.logs))

    # -- what the month makes of hours, cash and risk

    def valuation(self, month: Month = None) -> Valuation:
        """Opportunity cost of a bench hour and of cash this month, and the risk tolerance."""
        if self._valuation is not None:
            return self._valuation
        found = self.scarcity(month)
        return Valuation(found.hour, found.cash_day, self.tolerance)

    @property
    def tolerance(self) -> float:
        """Risk tolerance: the owner's, else (working cash + stock at cost) / 6 where cash is named.

        A rule of thumb for equity (Howard, Management Science 34, 1988; from memory). Infinite,
        which is risk-neutral, where no cash is named.
        """
        limits = self.settings.limits
        if limits.risk_tolerance is not None:
            return limits.risk_tolerance
        if limits.working_cash is None:
            return inf
        return max((limits.working_cash + stock_at_cost(self.logs)) / TOLERANCE_SHARE, 1.0)

    def scarcity(self, month: Month = None) -> Scarcity:
        """Work out the month's opportunity costs once; kept on disk by a hash of what they need."""
        start = self.month(month)
        if start not in self._scarcities:
            self._scarcities[start] = self._kept(
                f"opportunity-cost-{start}", "", lambda: self._scarcity(start)
            )
        return self._scarcities[start]

    def _kept(self, name: str, about: object, make: Callable[[], T]) -> T:
        """Return what is kept on disk of these rows, rules and promises, or make it."""
        return self._keeper.of(name, (self._rests_on, *self._rules, repr(about)), make)

    @property
    def _rules(self) -> tuple[str, ...]:
        """What figures rest on beside the rows: settings, back-test, how won lots turned out."""
        return repr(self.settings), repr(self.calibration), repr(sorted(self.selection.items()))

    def _kept_of(self, name: str, month: Month, make: Callable[[], T]) -> T:
        """Return an answer about a month as kept on disk, or work it out."""
        about = (self.month(month), self.valuation(month), sorted(self.won_lots))
        return self._kept(name, about, make)

    def _scarcity(self, start: int) -> Scarcity:
        hours, cash = hours_per_month(self.settings), self.settings.limits.working_cash
        supply = None if hours != hours else hours
        supply = None if supply is None else BUSY_SHARE * supply
        days = None if cash is None else BUSY_SHARE * cash * self.settings.month_days
        if supply is None and days is None:
            return scarcity([], [], None, None)
        return scarcity(self._purchases(start), self._owned(start), supply, days)

    def _purchases(self, start: int) -> list[Purchases]:
        """Lots of a month; what units of a family are worth is kept by what that rests on."""
        counted = listings_per_month(self.logs.tables["listings"], self.now)
        rates = {(str(m), str(f)): float(n) for (m, f), n in counted.items() if n > 0}
        of_family: dict[str, list[tuple[str, str]]] = {}
        for key in rates:
            of_family.setdefault(self.logs.family_of[key[0]], []).append(key)
        self.fit(list(of_family))
        known: dict[tuple[str, str], Purchases] = {}
        for name, keys in of_family.items():
            work = partial(self._purchases_of, name, keys, start)
            known |= self._of_family("lots", name, (start, keys), work)
        return [replace(known[k], per_month=n) for k, n in rates.items() if k in known]

    def _purchases_of(
        self, family_id: str, keys: Sequence[tuple[str, str]], start: int
    ) -> dict[tuple[str, str], Purchases]:
        """Lots of a family's models and faults, one a month of each."""
        economics = self.economics(family_id, start, 2, NO_CHARGES)
        there = set(economics.keys(family_id))
        units = {k: economics.unit(family_id, *k) for k in keys if k in there}
        lots = {k: purchases_of(u) for k, u in units.items() if isinstance(u, UnitEconomics)}
        return {k: lot for k, lot in lots.items() if lot is not None}

    def _owned(self, start: int) -> list[Owned]:
        def owned(family_id: str, logs: Logs) -> list[Owned]:
            return owned_units(logs, self.economics(family_id, start, 2, NO_CHARGES))

        return self._of_stock("owned", start, owned)

    def _of_units(self, what: str, month: Month, make: Callable[[], T]) -> T:
        """What is said of all units in stock, whatever listing is open."""
        stamps = [self._stamp(f) for f in self.families_of("stock")]
        about = repr((self.month(month), self.valuation(month)))
        rests_on = (self._without_listings, *stamps, self._sellers_stamp, *self._rules, about)
        return self._keeper.of(f"{what}-of-units", rests_on, make)

    def _of_stock(self, what: str, about: object, work: Callable[[str, Logs], list[T]]) -> list[T]:
        """What is said of units in stock, kept by family with the stock's own rows."""
        stock, out = self.logs.tables["stock"], []
        for name in self.families_of("stock"):
            logs = _less(self.logs, stock=stock[stock["model_id"].map(self.logs.family_of) == name])
            rows = self._hash(_less(logs, *set(logs.tables) - {"stock"}))
            out += self._of_family(what, name, (about, rows), partial(work, name, logs))
        return out


@dataclass(frozen=True, eq=False)
class Drawn(Mapping[str, FamilyOutlook | CannotSay]):
    """Draws of families, made when a family is asked for."""

    names: Sequence[str]
    make: Callable[[str], FamilyOutlook | CannotSay]

    def __getitem__(self, family_id: str) -> FamilyOutlook | CannotSay:
        """Return the draws of one family; a KeyError of one not named."""
        if family_id not in self._made:
            if family_id not in self.names:
                raise KeyError(family_id)
            self._made[family_id] = self.make(family_id)
        return self._made[family_id]

    def __iter__(self) -> Iterator[str]:
        """Go through the names, which draws nothing."""
        return iter(self.names)

    def __len__(self) -> int:
        """Number of families."""
        return len(self.names)

    @cached_property
    def _made(self) -> dict[str, FamilyOutlook | CannotSay]:
        return {}


def _less(logs: Logs, *empty: str, **tables: pd.DataFrame) -> Logs:
    """The same rows with some tables emptied or replaced; nothing of where they were read."""
    none = {n: logs.tables[n].iloc[:0].reset_index(drop=True) for n in empty}
    whole, nothing = {**logs.tables, **none, **tables}, Ledger({}, no_exceptions())
    return replace(logs, folder=Path(), tables=whole, ledger=nothing, notes=())


def _taught(logs: Logs) -> Logs:
    """All that a fit reads: of listings that taught no price and no answer a row for each fault."""
    rows = logs.tables["listings"]
    priced = (rows["final_price"] > 0) | (rows["offer"] > 0) | (rows["terms"] == PRIVATE)
    kept = priced | ~rows["listed_fault"].where(~priced).duplicated()
    return _less(logs, *_UNREAD, listings=rows[kept].reset_index(drop=True))


def _until(found: FamilyOutlook | CannotSay, months: int) -> FamilyOutlook | CannotSay:
    """The same draws for the first months, in memory of their own."""
    if isinstance(found, CannotSay) or months >= found.level.shape[2]:
        return found
    cut = found.first(months)
    return replace(cut, level=cut.level.copy())


def _kept_name(family_id: str, what: str = "family") -> str:
    return f"{what}-{sha256(family_id.encode()).hexdigest()[:16]}"


def _fit(given: tuple[Logs, str, ShopKnowledge]) -> FamilyEstimates:
    return fit_family(*given)


def _fit_prices(given: tuple[Logs, str, ShopKnowledge]) -> PriceCurves | CannotSay:
    logs, family_id, knowledge = given
    return fit_prices(logs, family_id, knowledge.usual, knowledge.curves, knowledge.broke)
