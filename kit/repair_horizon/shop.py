"""``Shop``: the one place where logs, settings, calibration, forecast and economics meet.

Commands, pages, explorer, back-test, notebooks and README ask it and nothing else, so that a
figure is the same wherever it is read. What it worked out it keeps; workers are sent families of
it.

    shop = open_shop("data/demo")
    shop.thresholds("2026-11"); shop.bids(); shop.stock(); shop.plan()
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from functools import cache, cached_property
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.estimation.calibration import (
    UNCHECKED,
    Calibration,
    calibrated_outlook,
    read_calibration,
)
from repair_horizon.estimation.forecast import (
    PAD_MONTHS,
    Estimates,
    FamilyEstimates,
    FamilyOutlook,
    Outlook,
    fit_family,
    forecast,
)
from repair_horizon.estimation.shop_knowledge import ShopKnowledge, shop_knowledge
from repair_horizon.estimation.time_on_market import (
    TimeOnMarket,
    listed_units,
    time_on_market,
    with_own_days,
)
from repair_horizon.files.stamps import folder_stamp, program_stamp
from repair_horizon.files.writing import write_text
from repair_horizon.logs import CannotSay, LogFault, Logs, Settings, read_logs, read_settings
from repair_horizon.scale import ALONE, Hands, all_of
from repair_horizon.tables.months import month_number, month_word, parse_month
from repair_horizon.views import PartView, PriceView

if TYPE_CHECKING:
    from repair_horizon.asking.given import Given
    from repair_horizon.asking.unit_answer import UnitAnswer
    from repair_horizon.decisions.month.opportunity_cost import Owned, Purchases, Scarcity
    from repair_horizon.decisions.month.plan import Plan
    from repair_horizon.decisions.review.selection import TrackRecord
    from repair_horizon.decisions.unit.economics import Economics
    from repair_horizon.decisions.unit.valuation import Valuation

HORIZON = 24
NEAR = 3
BACKTEST = "backtest"
KEPT = ".kept"
ASKING = ("ask_price", "mark_down", "channel", "days_expected")
TOLERANCE_SHARE = 6.0

Month = str | int | None


class Shop:
    """A business's logs and rules, and every figure that follows from them.

    Parameters
    ----------
    logs
        From ``read_logs``, or of plain frames.
    settings
        Rules of the business.
    calibration
        What a back-test says of price intervals; none by default.
    valuation
        What hours, cash and risk cost, in place of what the shop itself says; for replays.
    knowledge
        What all families say, where the logs are of some of them only.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> shop = open_shop("data/demo")
    >>> shop
    Shop(8 families, month 2026-11)
    """

    def __init__(
        self,
        logs: Logs,
        settings: Settings,
        calibration: Calibration = UNCHECKED,
        valuation: Valuation | None = None,
        knowledge: ShopKnowledge | None = None,
    ) -> None:
        self.logs, self.settings, self.calibration = logs, settings, calibration
        self._valuation, self._knowledge = valuation, knowledge
        self._estimates: dict[str, FamilyEstimates] = {}
        self._outlooks: dict[tuple[str, int], Outlook] = {}
        self._scarcities: dict[int, Scarcity] = {}

    def __repr__(self) -> str:
        """Say how large it is and which month it looks at."""
        return f"Shop({len(self.logs.families)} families, month {month_word(self.month())})"

    def __getstate__(self) -> dict[str, object]:
        """Travel to a worker with what was worked out, but without whole families' draws."""
        return {**self.__dict__, "_outlooks": {}}

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
        return self._knowledge or shop_knowledge(self.logs)

    def with_rules(self, settings: Settings) -> Shop:
        """Return the same business under other rules; what was fitted is kept."""
        out = Shop(self.logs, settings, self.calibration, self._valuation, self._knowledge)
        out._estimates = self._estimates
        return out

    # -- estimates and forecasts

    def fit(self, families: Sequence[str] | None = None, hands: Hands = ALONE) -> Shop:
        """Fit families by the workers asked for, all of them if None; returns the shop."""
        wanted = self.logs.families if families is None else list(families)
        missing = [f for f in wanted if f not in self._estimates]
        if missing:
            given = self.knowledge
            self._estimates |= all_of(_fit, missing, lambda f: (self.logs.of([f]), f, given), hands)
        return self

    def estimates(self, family_id: str) -> FamilyEstimates:
        """Curves, parts, rates and ratios of a family; fitted once."""
        return self.fit([family_id])._estimates[family_id]

    def outlook(self, family_id: str, month: Month = None) -> Outlook:
        """Draws of one family from a month on, ``HORIZON`` months, as wide as back-tests ask for.

        Every face draws as many months, so that every face has the same draws.
        """
        start = self.month(month)
        if (family_id, start) not in self._outlooks:
            known = Estimates(self.currency, self.now, {family_id: self.estimates(family_id)})
            rules = self.settings
            drawn = forecast(known, HORIZON, rules.seed, rules.draws, start)
            self._outlooks[family_id, start] = self._less_shortfall(self.calibrated(drawn))
        return self._outlooks[family_id, start]

    def _less_shortfall(self, outlook: Outlook) -> Outlook:
        """Outlook whose families know by how much won lots of their class fell short."""
        families = {
            name: found
            if isinstance(found, CannotSay)
            else replace(found, shortfall=self.selection.get(found.estimates.device_class, 0.0))
            for name, found in outlook.families.items()
        }
        return replace(outlook, families=families)

    @cached_property
    def selection(self) -> Mapping[str, float]:
        """Share of resale taken off the promise of a won lot, by device class.

        Empty where no won lot has a forecast and a result, or the ledger cannot be read, which
        the report says.
        """
        from repair_horizon.decisions.review.selection import shortfalls

        try:
            return shortfalls(self.logs, self.settings)
        except LogFault:
            return {}

    def track_record(self) -> TrackRecord:
        """Promises of won lots against results, declared shares against those found.

        Returns
        -------
        TrackRecord
            See ``decisions.review.selection``; ``classes`` has what is taken off the promise.
        """
        from repair_horizon.decisions.review.selection import track_record

        return track_record(self.logs, self.settings)

    def calibrated(self, outlook: Outlook) -> Outlook:
        """Return draws as wide as the back-test asks for."""
        return calibrated_outlook(outlook, self.calibration.factor)

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
        from repair_horizon.decisions.unit.economics import unit_economics

        names = [families] if isinstance(families, str) else list(families)
        worth = self.valuation(month) if valuation is None else valuation
        drawn = {f: self.outlook(f, month).families[f] for f in names}
        start = self.month(month)
        near = {f: _first_months(found, months) for f, found in drawn.items()}
        outlook = Outlook(self.currency, self.now, start, months, self.settings.draws, near)
        return unit_economics(outlook, self.settings, worth)

    def prices(self, family_id: str, month: Month = None) -> PriceView | CannotSay:
        """Look at a family's fitted and forecast prices: ``.table()``, ``.plot()``, ``.summary()``.

        Parameters
        ----------
        family_id
            The family.
        month
            First month ahead.

        Returns
        -------
        PriceView or CannotSay
            The latter with a reason where no curve could be fitted.
        """
        curves = self.estimates(family_id).prices
        if isinstance(curves, CannotSay):
            return curves
        tables = self.logs.family(family_id).tables
        rest = (self.calibration.factor, curves, tables["catalogue"], tables["sales"])
        return PriceView(family_id, self.currency, self.month(month), HORIZON, *rest)

    def parts(self, family_id: str, month: Month = None) -> PartView:
        """Look at a family's part prices: ``.table()``, ``.plot()``, ``.summary()``."""
        tables = self.logs.family(family_id).tables
        fitted, start = self.estimates(family_id).parts, self.month(month)
        quotes, catalogue = tables["part_quotes"], tables["catalogue"]
        return PartView(family_id, self.currency, start, HORIZON, fitted, quotes, catalogue)

    # -- what the month makes of hours, cash and risk

    def valuation(self, month: Month = None) -> Valuation:
        """Opportunity cost of a bench hour and of cash this month, and the risk tolerance."""
        from repair_horizon.decisions.unit.valuation import Valuation

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
        from repair_horizon.decisions.month.plan import stock_at_cost

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
            self._scarcities[start] = self._kept_scarcity(start)
        return self._scarcities[start]

    def _kept_scarcity(self, start: int) -> Scarcity:
        from repair_horizon.decisions.month.opportunity_cost import Scarcity

        path = self._kept_path("opportunity-cost", start)
        if path is not None and path.is_file():
            try:
                return Scarcity(**json.loads(path.read_text(encoding="utf-8")))
            except (ValueError, TypeError):
                pass  # not one of ours: worked out anew
        found = self._scarcity(start)
        if path is not None and path.parent.parent.is_dir():
            with suppress(OSError):  # a folder that cannot be written costs time, not the answer
                write_text(path, json.dumps(asdict(found)))
        return found

    def _kept_path(self, name: str, start: int) -> Path | None:
        folder = self.logs.folder
        if folder is None or not Path(folder).is_dir():
            return None
        stamp = folder_stamp(Path(folder), (BACKTEST,))
        rules = repr(self.settings)
        whole = program_stamp([stamp, rules, str(start), str(self.now), repr(self.calibration)])
        return Path(folder) / "out" / KEPT / f"{name}-{whole}.json"

    def _scarcity(self, start: int) -> Scarcity:
        from repair_horizon.decisions.month.opportunity_cost import scarcity
        from repair_horizon.decisions.month.plan import hours_per_month

        hours, cash = hours_per_month(self.settings), self.settings.limits.working_cash
        supply = None if hours != hours else hours
        days = None if cash is None else cash * self.settings.month_days
        if supply is None and days is None:
            return scarcity([], [], None, None)
        return scarcity(self._purchases(start), self._owned(start), supply, days)

    def _purchases(self, start: int) -> list[Purchases]:
        from repair_horizon.decisions.month.opportunity_cost import (
            listings_per_month,
            purchases_of,
        )
        from repair_horizon.decisions.unit.outcomes import UnitEconomics
        from repair_horizon.decisions.unit.valuation import NO_CHARGES

        rates = listings_per_month(self.logs.tables["listings"], self.now)
        family = self.logs.tables["catalogue"].set_index("model_id")["family_id"]
        out = []
        for (model_id, fault), per_month in rates.items():
            economics = self.economics(str(family[model_id]), start, 2, NO_CHARGES)
            if (model_id, fault) not in economics.keys(str(family[model_id])):
                continue
            unit = economics.unit(str(family[model_id]), model_id, fault)
            if isinstance(unit, UnitEconomics):
                found = purchases_of(unit, float(per_month))
                out += [] if found is None else [found]
        return out

    def _owned(self, start: int) -> list[Owned]:
        from repair_horizon.decisions.month.opportunity_cost import owned_units
        from repair_horizon.decisions.unit.valuation import NO_CHARGES

        economics = self.economics(self.families_of("stock"), start, 2, NO_CHARGES)
        return owned_units(self.logs, economics)

    # -- decisions

    def thresholds(
        self, month: Month = None, families: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Maximum bid, chance of winning, promise and verdict of every model and listed fault.

        Returns
        -------
        DataFrame
            The first month's rows of ``decisions.month.thresholds.maximum_bid``.
        """
        from repair_horizon.decisions.month.thresholds import maximum_bid

        wanted = self.logs.families if families is None else list(families)
        return maximum_bid(self.economics(wanted, month, 2), months=1)

    def dispositions(self, month: Month = None) -> pd.DataFrame:
        """What to do with an owned unit of each model in each state it may be found in.

        Returns
        -------
        DataFrame
            ``family_id, model_id, listed_fault, state, share, option, value, next_best, gain``:
            the advised option and its certainty equivalent, with the month's charges.
        """
        from repair_horizon.decisions.month.thresholds import disposition_table

        return disposition_table(self.economics(self.logs.families, month, 2))

    def bids(self, listings: pd.DataFrame | None = None, month: Month = None) -> pd.DataFrame:
        """Score open listings: see ``decisions.month.listings.score``."""
        from repair_horizon.decisions.month.listings import families_of, open_listings, score

        rows = self.logs.tables["listings"] if listings is None else listings
        rows = open_listings(rows, self.now)
        names = list(families_of(rows, self.logs))
        return score(rows, self.logs, self.economics(names, month, NEAR))

    @cached_property
    def selling(self) -> TimeOnMarket:
        """Days to sale by price asked, channel and class, of every unit listed so far."""
        names = self.families_of("stock")
        curves = {f: self.estimates(f).prices for f in names}
        known = {f: c for f, c in curves.items() if not isinstance(c, CannotSay)}
        rows = listed_units(self.logs, known)
        return time_on_market(rows, self.settings.delay.selling_days)

    def asking(self, month: Month = None) -> pd.DataFrame:
        """Ask price, markdown path and best channel of every listed unit.

        Returns
        -------
        DataFrame
            See ``decisions.month.asking_price.asking``.
        """
        from repair_horizon.decisions.month.asking_price import asking

        economics = self.economics(self.families_of("stock"), month, NEAR)
        return asking(self.logs, economics, self.selling)

    def stock(self, month: Month = None) -> pd.DataFrame:
        """Advise on every unit owned.

        Returns
        -------
        DataFrame
            See ``decisions.month.shelf.shelf``; listed units have ``ask_price, mark_down,
            channel, days_expected`` of ``asking`` beside them.
        """
        from repair_horizon.decisions.month.shelf import shelf

        table = shelf(self.logs, self.economics(self.families_of("stock"), month, NEAR))
        asked = self.asking(month)[["unit_id", *ASKING]]
        return table.merge(asked, on="unit_id", how="left")

    def plan(self, month: Month = None, listings: pd.DataFrame | None = None) -> Plan:
        """Plan the month's bids and bench work: see ``decisions.month.plan.plan``."""
        from repair_horizon.decisions.month.listings import families_of, open_listings
        from repair_horizon.decisions.month.plan import plan

        rows = self.logs.tables["listings"] if listings is None else listings
        touched = {*families_of(open_listings(rows, self.now), self.logs)}
        touched |= {*self.families_of("stock")}
        names = [f for f in self.logs.families if f in touched]
        economics = self.economics(names, month, NEAR)
        return plan(self.logs, self.settings, economics, listings)

    def unknowns(self, month: Month = None, most: int | None = 5) -> pd.DataFrame:
        """List the dearest unknowns: what a quote, an as-is sale or a repair would be worth.

        Returns
        -------
        DataFrame
            See ``decisions.review.value_of_information.unknowns``.
        """
        from repair_horizon.decisions.month.opportunity_cost import listings_per_month
        from repair_horizon.decisions.review.value_of_information import (
            MOST_MONTHS,
            months_to_buy_stop,
            unknowns,
        )
        from repair_horizon.decisions.unit.outcomes import UnitEconomics

        counted = listings_per_month(self.logs.tables["listings"], self.now)
        rates = {(str(m), str(f)): float(n) for (m, f), n in counted.items()}
        economics = self.economics(self.families_of("listings"), month, 2)

        @cache
        def months_left(family_id: str, key: tuple[str, str]) -> int:
            ahead = MOST_MONTHS + 2  # a stop is two months running
            unit = self.economics(family_id, month, ahead).unit(family_id, *key)
            return months_to_buy_stop(unit, ahead) if isinstance(unit, UnitEconomics) else 0

        return unknowns(economics, rates, months_left, most)

    def stop_dates(self, family_id: str, month: Month = None, level: float = 0.8) -> pd.DataFrame:
        """Four stop dates of a family's models: see ``decisions.month.stop_dates.stop_dates``."""
        from repair_horizon.decisions.month.stop_dates import stop_dates

        return stop_dates(self.economics(family_id, month), self.settings, level)

    def ask(
        self,
        model_id: str,
        fault: str,
        *,
        given: Given | None = None,
        month: Month = None,
        valuation: Valuation | None = None,
        name: str = "",
        **figures: Any,
    ) -> UnitAnswer:
        """Ask about one unit: up to which price, what to do with it then, and until when.

        Parameters
        ----------
        model_id
            As in the catalogue.
        fault
            A listed fault of its family, as a code or in a seller's words.
        given, **figures
            What is known of this unit, fields of ``asking.given.Given``; the rest stays as the
            shop has it.
        month
            Month it is bought in.
        valuation, name
            In place of the month's own, and of the model's.

        Examples
        --------
        >>> from repair_horizon.shop import open_shop
        >>> answer = open_shop("data/demo").ask("vellfold_2", "inner display dead", asking=90)
        >>> answer.offer.walk_away >= answer.offer.first
        True
        """
        from repair_horizon.asking.asked import answered, asked_of

        asked = asked_of(self.logs, model_id, fault)
        worth = self.valuation(month) if valuation is None else valuation
        economics = self.economics(asked.family_id, month, HORIZON, worth)
        return answered(economics, asked, given, figures, name)

    def families_of(self, table: str) -> list[str]:
        """Families that the rows of a table touch, in the catalogue's order."""
        from repair_horizon.decisions.month.listings import families_of

        return list(families_of(self.logs.tables[table], self.logs))


def _fit(given: tuple[Logs, str, ShopKnowledge]) -> FamilyEstimates:
    return fit_family(*given)


def _first_months(found: FamilyOutlook | CannotSay, months: int) -> FamilyOutlook | CannotSay:
    """The same draws, looked at for fewer months."""
    if isinstance(found, CannotSay):
        return found
    return replace(found, level=found.level[:, :, : months + PAD_MONTHS])


def open_shop(folder: str | Path, as_of: str | pd.Timestamp | None = None) -> Shop:
    """Open a workspace folder.

    Parameters
    ----------
    folder
        Holds the logs, ``settings.toml`` and, after a back-test, its calibration.
    as_of
        Day, YYYY-MM-DD, after which nothing is known; all that is logged if None.

    Raises
    ------
    LogFault
        With everything that cannot be read, all at once.
    """
    logs = read_logs(folder)
    logs = logs if as_of is None else logs.as_of(as_of)
    return shop_of(logs, read_settings(folder))


def shop_of(logs: Logs, settings: Settings) -> Shop:
    """Return the shop of logs already read, with the calibration kept in their folder."""
    rules = with_own_days(logs, settings)
    return Shop(logs, rules, read_calibration(Path(logs.folder) / BACKTEST))


def shop_from_frames(
    settings: Settings | None = None, **tables: pd.DataFrame | Mapping[str, Sequence[object]]
) -> Shop:
    """Open a shop on plain DataFrames, with the same checks and messages as files.

    Parameters
    ----------
    settings
        Rules of the business; defaults if None.
    **tables
        ``catalogue``, ``sales`` and any other table by its name, columns as in its file; columns
        that a file may leave out may be left out here.

    Raises
    ------
    LogFault
        As for files: a row's line is its place in the frame plus two.
    """
    import tempfile

    from repair_horizon.tables.inputs import TABLES

    unknown = sorted(set(tables) - set(TABLES))
    if unknown:
        raise TypeError(f"no table {unknown[0]!r}; there are {', '.join(TABLES)}")
    with tempfile.TemporaryDirectory() as place:
        for name, frame in tables.items():
            text = pd.DataFrame(frame).to_csv(index=False, date_format="%Y-%m-%d")
            (Path(place) / f"{name}.csv").write_text(text, encoding="utf-8")
        logs = read_logs(place)
    return Shop(logs, with_own_days(logs, settings or Settings()))
