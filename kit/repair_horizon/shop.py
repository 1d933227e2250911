"""``Shop``: the one place where logs, settings, calibration, forecast and economics meet.

Commands, pages, explorer, back-test, notebooks and README ask it and nothing else, so that a
figure is the same wherever it is read. What it stands on is in ``fitted_shop``.

    shop = open_shop("data/demo")
    shop.thresholds("2026-11"); shop.bids(); shop.stock(); shop.plan()
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache, cached_property, partial
from pathlib import Path
from typing import Any

import pandas as pd

from repair_horizon.asking.given import Given
from repair_horizon.asking.unit_answer import UnitAnswer, answered, asked_of
from repair_horizon.decisions.month.listings import BID, Alike, families_of, open_listings, score
from repair_horizon.decisions.month.lot_values import lots_worth
from repair_horizon.decisions.month.opportunity_cost import listings_per_month
from repair_horizon.decisions.month.plan import Job, Plan, plan, planned, shelf_jobs
from repair_horizon.decisions.month.quotes import family_quotes, part_orders
from repair_horizon.decisions.month.shelf import asking, shelf
from repair_horizon.decisions.month.stop_dates import stop_dates
from repair_horizon.decisions.month.thresholds import disposition_table, maximum_bid
from repair_horizon.decisions.review.forecast_ledger import forecasts_of
from repair_horizon.decisions.review.scorecard import TrackRecord, track_record
from repair_horizon.decisions.review.value_of_information import (
    MOST_MONTHS,
    Answer,
    dearest,
    family_unknowns,
    months_worth_bidding,
)
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.calibration import calibrated_table, read_calibration
from repair_horizon.estimation.curve.market import MarketBreak
from repair_horizon.estimation.price_table import broken_ratios, monthly_change, price_forecast
from repair_horizon.estimation.time_on_market import (
    TimeOnMarket,
    listed_units,
    time_on_market,
    with_own_days,
)
from repair_horizon.files.keeping import FORGETS, data_size, folder_stamp, keeper_of, stamp_of
from repair_horizon.fitted_shop import HORIZON, FittedShop, Month
from repair_horizon.logs import CannotSay, Logs, Settings, read_logs, read_settings
from repair_horizon.logs.consequences import in_codes
from repair_horizon.scale import ALONE, Hands
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.command_outputs import BACKTEST
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.months import month_word
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import family_names, model_names
from repair_horizon.views import FamiliesCompared, PartView, PriceView, best_first

MOST_KEPT = 20_000_000
"""Bytes of data files whose logs are kept as they were read."""
ASKING = ("ask_price", "mark_down", "channel", "days_expected")


class Shop(FittedShop):
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
    keeper
        Where what the whole shop needs is kept on disk; nowhere by default.

    Examples
    --------
    >>> from repair_horizon.shop import open_shop
    >>> shop = open_shop("data/demo")
    >>> shop
    Shop(8 families, month 2026-11)
    """

    def __repr__(self) -> str:
        """Say how large it is and which month it looks at."""
        return f"Shop({len(self.logs.families)} families, month {month_word(self.month())})"

    # -- decisions

    def thresholds(
        self, month: Month = None, families: Sequence[str] | None = None
    ) -> pd.DataFrame:
        """Maximum bid, chance of winning, promise and verdict of every model and listed fault.

        Returns
        -------
        DataFrame
            See ``decisions.month.thresholds.maximum_bid``.
        """
        wanted = self.logs.families if families is None else list(families)
        return maximum_bid(self.economics(wanted, month, 2))

    def dispositions(self, month: Month = None) -> pd.DataFrame:
        """What to do with an owned unit of each model in each state it may be found in.

        Returns
        -------
        DataFrame
            ``family_id, model_id, listed_fault, state, share, option, value, next_best, gain``:
            the advised option and its certainty equivalent, with the month's charges.
        """
        return disposition_table(self.economics(self.logs.families, month, 2))

    def open_listings(self, listings: pd.DataFrame | None = None) -> pd.DataFrame:
        """Rows still to be decided, of the logs if None is given; faults in words as codes."""
        rows = self.logs.tables["listings"]
        rows = rows if listings is None else in_codes(listings, self.logs.tables)
        return open_listings(rows[~rows["listing_id"].isin(self.won_lots)], self.now)

    def bids(self, listings: pd.DataFrame | None = None, month: Month = None) -> pd.DataFrame:
        """Score open listings: see ``decisions.month.listings.score``."""
        rows = self.open_listings(listings)
        if listings is not None:
            return score(rows, self.logs, self._near_of(rows, month))
        return self._kept_of("bids", month, lambda: self._scored(rows, month))

    def _near_of(self, rows: pd.DataFrame, month: Month) -> Economics:
        return self._near_economics(families_of(rows, self.logs), month)

    def _scored(self, rows: pd.DataFrame, month: Month) -> pd.DataFrame:
        with self._known("scores", rows, month) as known:
            return score(rows, self.logs, self._near_of(rows, month), known)

    def promises(self, listings: pd.DataFrame | None = None, month: Month = None) -> pd.DataFrame:
        """What each listing worth bidding for promises: rows for the ledger of forecasts."""
        table, rows = self.bids(listings, month), self.open_listings(listings)
        good = table.loc[table["advice"] == BID, "listing_id"]
        rows = rows[rows["listing_id"].isin(good)]

        def noted(known: dict[Alike, dict[str, object]] | None = None) -> pd.DataFrame:
            return forecasts_of(rows, self.logs, self._near_of(rows, month), self.now, known)

        def kept() -> pd.DataFrame:
            with self._known("promises", rows.assign(lot_id=""), month) as known:
                return noted(known)

        return noted() if listings is not None else self._kept_of("promises", month, kept)

    @cached_property
    def selling(self) -> TimeOnMarket:
        """Days to sale by price asked, channel and class, of every unit listed so far."""
        days = repr(self.settings.delay.selling_days)
        return self._keeper.of("days-to-sale", (self._without_listings, days), self._selling)

    def _selling(self) -> TimeOnMarket:
        names = self.families_of("stock")
        self.fit(names)
        curves = {f: self.estimates(f).prices for f in names}
        known = {f: c for f, c in curves.items() if not isinstance(c, CannotSay)}
        rows = listed_units(self.logs, known)
        return time_on_market(rows, self.settings.delay.selling_days)

    def asking(self, month: Month = None) -> pd.DataFrame:
        """Ask price, markdown path and best channel of every listed unit.

        Returns
        -------
        DataFrame
            See ``decisions.month.shelf.asking``.
        """

        def priced() -> pd.DataFrame:
            economics = self._near_economics(self.families_of("stock"), month)
            return asking(self.logs, economics, self.selling)

        return self._kept_of("asking", month, lambda: self._of_units("asking", month, priced))

    def stock(self, month: Month = None) -> pd.DataFrame:
        """Advise on every unit owned.

        Returns
        -------
        DataFrame
            See ``decisions.month.shelf.shelf``; listed units have ``ask_price, mark_down,
            channel, days_expected`` of ``asking`` beside them.
        """

        def advised() -> pd.DataFrame:
            table = shelf(self.logs, self._near_economics(self.families_of("stock"), month))
            asked = self.asking(month)[["unit_id", *ASKING]]
            return table.merge(asked, on="unit_id", how="left")

        return self._kept_of("shelf", month, lambda: self._of_units("shelf", month, advised))

    def plan(self, month: Month = None, listings: pd.DataFrame | None = None) -> Plan:
        """Plan the month's bids and bench work: see ``decisions.month.plan.plan``."""
        if listings is not None:
            rows = self.open_listings(listings)
            touched = {*families_of(rows, self.logs)}
            economics = self._near_economics(touched | {*self.families_of("stock")}, month)
            return plan(self.logs, self.settings, economics, rows)
        return self._kept_of("plan", month, lambda: self._planned(month))

    def _planned(self, month: Month) -> Plan:
        rows = self.open_listings()
        scored = self._scored(rows, month)
        wanted = {*scored.loc[scored["advice"] == BID, "listing_id"]}
        with self._known("worth", rows, month) as known:
            worth = lots_worth(rows, self.logs, self._near_of(rows, month), wanted, known)
        about = self.month(month), self.valuation(month)

        def jobs(family_id: str, logs: Logs) -> list[Job]:
            return shelf_jobs(logs, self._near_economics([family_id], month))

        place = {unit: at for at, unit in enumerate(self.logs.tables["stock"]["unit_id"])}
        work = sorted(self._of_stock("jobs", about, jobs), key=lambda j: place[j.unit_id])
        return planned(self.logs, self.settings, self.valuation(month), scored, worth, work)

    def part_orders(self, month: Month = None, months: int = HORIZON) -> pd.DataFrame:
        """Last order of every part, none on the shelf: see ``quotes.part_orders``."""

        def one(family_id: str) -> pd.DataFrame:
            economics = self.economics(family_id, month, months)
            return part_orders(self.logs, economics, family_id)

        return self._of_all("part-orders", month, months, one)

    def ranked_quotes(self, month: Month = None, months: int = HORIZON) -> pd.DataFrame:
        """Part quotes, the cheapest in all first: see ``quotes.family_quotes``."""

        def one(family_id: str) -> pd.DataFrame:
            return family_quotes(self.logs, self.economics(family_id, month, months), family_id)

        return self._of_all("ranked-quotes", month, months, one)

    def _of_all(
        self, name: str, month: Month, months: int, one: Callable[[str], pd.DataFrame]
    ) -> pd.DataFrame:
        """Put tables of families together; each needs the memory of one, and is kept apart."""
        about = (self.month(month), months, self.valuation(month))

        def all_together() -> pd.DataFrame:
            self._let_go()  # a look ahead of two years needs more than that of a day
            each = [self._of_family(name, f, about, partial(one, f)) for f in self.logs.families]
            return pd.concat(each, ignore_index=True)

        return self._kept(name, about, all_together)

    def unknowns(self, month: Month = None, most: int | None = 5) -> pd.DataFrame:
        """List the dearest unknowns: what a quote, an as-is sale or a repair would be worth.

        Returns
        -------
        DataFrame
            See ``decisions.review.value_of_information.dearest``.
        """
        about = (self.month(month), most, self.valuation(month))
        return self._kept("unknowns", about, lambda: self._unknowns(month, most))

    def _unknowns(self, month: Month, most: int | None) -> pd.DataFrame:
        counted = listings_per_month(self.logs.tables["listings"], self.now)
        rates = {(str(m), str(f)): float(n) for (m, f), n in counted.items()}
        about = (self.month(month), self.valuation(month))
        self._let_go()  # a family's units need more than its draws
        found: list[Answer] = []
        for name in self.families_of("listings"):
            models = {*self.logs.family(name).tables["catalogue"]["model_id"]}
            keys = [k for k in rates if k[0] in models and rates[k] > 0]
            work = partial(self._family_unknowns, name, sorted(keys), month)
            found += self._of_family("unknowns", name, (*about, sorted(keys)), work)

        @cache
        def months_left(family_id: str, key: tuple[str, str]) -> int:
            ahead = MOST_MONTHS + 2  # a stop is two months running

            def worth_bidding() -> int:
                unit = self.economics(family_id, month, ahead).unit(family_id, *key)
                return months_worth_bidding(unit, ahead) if isinstance(unit, UnitEconomics) else 0

            name = f"bidding-{stamp_of([key])[:12]}"
            return self._of_family(name, family_id, about, worth_bidding)

        catalogue = self.logs.tables["catalogue"]
        names = family_names(catalogue) | model_names(catalogue)
        return dearest(found, rates, months_left, most, names, f"{self.currency} ")

    def _family_unknowns(
        self, family_id: str, keys: list[tuple[str, str]], month: Month
    ) -> list[Answer]:
        economics = self.economics(family_id, month, 2)
        listed = [k for k in economics.keys(family_id) if k in keys]
        out = family_unknowns(economics, family_id, listed)
        self._let_go()
        return out

    def stop_dates(self, family_id: str, month: Month = None, level: float = 0.8) -> pd.DataFrame:
        """Four stop dates of a family's models: see ``decisions.month.stop_dates.stop_dates``."""
        return stop_dates(self.economics(family_id, month), level)

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
        asked = asked_of(self.logs, model_id, fault)
        worth = self.valuation(month) if valuation is None else valuation
        economics = self.economics(asked.family_id, month, HORIZON, worth)
        return answered(economics, asked, given, figures, name)

    # -- prices

    def forecast(
        self,
        months: int = HORIZON,
        level: float = 0.8,
        by: Sequence[str] = ("grade",),
        hands: Hands = ALONE,
    ) -> pd.DataFrame:
        """Forecast the price of a single sale of every model, as wide as back-tests ask for.

        Returns
        -------
        DataFrame
            See ``estimation.price_table.price_forecast``.
        """
        table = price_forecast(self.logs, self.price_curves(hands), months, level, by)
        return calibrated_table(table, self.calibration, self.month() - 1)

    def price_changes(
        self, families: Sequence[str] | None = None, month: Month = None, level: float = 0.8
    ) -> pd.DataFrame:
        """Change of every model's price a month over the year to come, falling or rising.

        Returns
        -------
        DataFrame
            ``family_id`` and the columns of ``estimation.price_table.monthly_change``; of a
            family of which nothing can be said one row, with the reason.
        """
        names = self.logs.families if families is None else list(families)
        parts = []
        for name in names:
            found = self.outlook(name, month).families[name]
            if isinstance(found, CannotSay):
                part = pd.DataFrame({"reason": [found.reason]})
            else:
                part = monthly_change(found, level=level)
            parts.append(part.assign(family_id=name))
        return _joined(parts, "price_changes")

    def market_break(self) -> MarketBreak | CannotSay | None:
        """The month of late in which the prices of all families stepped together, if one did.

        Returns
        -------
        MarketBreak, CannotSay or None
            ``words`` says it in a sentence; None where families show no break; CannotSay where
            fewer than two families have prices enough. See ``estimation.shop_knowledge``.
        """
        return self.knowledge.market

    def broken_ratios(self, families: Sequence[str] | None = None) -> pd.DataFrame:
        """Price of broken units against working ones, by family and fault, with 80 % intervals.

        Returns
        -------
        DataFrame
            The columns of ``estimation.price_table.broken_ratios`` and ``reason``; of a family
            of which nothing can be said one row, with the reason.
        """
        parts = []
        for name in self.logs.families if families is None else families:
            found = broken_ratios(self.estimates(name))
            if isinstance(found, CannotSay):
                found = pd.DataFrame({"family_id": [name], "reason": [found.reason]})
            parts.append(found)
        return _joined(parts, "broken_prices")

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

    def compare(self, *families: str, month: Month = None) -> FamiliesCompared:
        """Look at families side by side: ``.table()``, ``.plot()``, ``.summary()``.

        Parameters
        ----------
        *families
            Two or more; what is worth buying of each is compared.
        month
            Month it is bought in.
        """
        rows = self.thresholds(month, families)
        bought = rows[rows["verdict"] == Verdict.BUY]
        catalogue = self.logs.tables["catalogue"]
        listed = best_first(bought, model_names(catalogue))
        changes, names = self.price_changes(families, month), family_names(catalogue)
        return FamiliesCompared(families, self.currency, listed, changes, names=names)

    def track_record(self) -> TrackRecord:
        """Promises of won lots against results, declared shares against those found.

        Returns
        -------
        TrackRecord
            See ``decisions.review.scorecard``; ``classes`` has what is taken off the promise.
        """
        return track_record(self.logs, self.settings)


def _joined(parts: list[pd.DataFrame], output: str) -> pd.DataFrame:
    """Put tables of families below each other, in the columns declared."""
    declared = OUTPUTS[output]
    whole = [p.reindex(columns=declared.names) for p in parts if len(p)]
    out = pd.concat(whole, ignore_index=True) if whole else declared.empty()
    words = [c.name for c in declared.columns if not c.numeric and c.kind != "date"]
    return out.assign(**{c: out[c].astype("object").fillna("").astype("str") for c in words})


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
    logs = _read(Path(folder))
    logs = logs if as_of is None else logs.as_of(as_of)
    return shop_of(logs, read_settings(folder))


def _read(folder: Path) -> Logs:
    """Read logs, or take them as they were read from the same files on the same day.

    A row of a day to come is held until that day. Large logs are read as fast as kept.
    """
    keeper = keeper_of(folder)
    if keeper is FORGETS or data_size(folder) > MOST_KEPT:
        return read_logs(folder)
    rests_on = (folder_stamp(folder), str(pd.Timestamp.now().date()))
    return replace(keeper.of("logs", rests_on, lambda: read_logs(folder)), folder=folder)


def shop_of(logs: Logs, settings: Settings) -> Shop:
    """Return the shop of logs already read, with the calibration kept in their folder."""
    rules = with_own_days(logs, settings)
    place = Path(logs.folder)
    return Shop(logs, rules, read_calibration(place / BACKTEST), keeper=keeper_of(place))


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
    unknown = sorted(set(tables) - set(TABLES))
    if unknown:
        raise TypeError(f"no table {unknown[0]!r}; there are {', '.join(TABLES)}")
    with tempfile.TemporaryDirectory() as place:
        for name, frame in tables.items():
            text = pd.DataFrame(frame).to_csv(index=False, date_format="%Y-%m-%d")
            (Path(place) / f"{name}.csv").write_text(text, encoding="utf-8")
        rules = settings or Settings()
        logs = read_logs(place, settings=rules)
    return Shop(logs, with_own_days(logs, rules))
