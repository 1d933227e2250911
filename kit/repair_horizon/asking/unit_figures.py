"""Up to which price to buy one unit, what to do with it then, and until when: the figures.

They hold what was worked out with, and derive the rest when asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.asking.figure_sources import MATTER_COLUMNS, source_rows, what_matters
from repair_horizon.asking.given import Given
from repair_horizon.decisions.cautions import Chosen, cautions_for
from repair_horizon.decisions.costs.money import margin_fraction
from repair_horizon.decisions.costs.purchase import Landing
from repair_horizon.decisions.month.listings import Scorer, private_offer
from repair_horizon.decisions.month.questions_asked import Question, question_at
from repair_horizon.decisions.month.stop_dates import (
    REPAIR_STOP,
    StopMonths,
    Stops,
    date_rows,
    unit_stops,
)
from repair_horizon.decisions.month.thresholds import (
    DISPOSITION_COLUMNS,
    disposition_rows,
    option_paths,
)
from repair_horizon.decisions.unit.bid import (
    Bid,
    Outcomes,
    bid_on_terms,
    highest_prices,
    verdict_of,
)
from repair_horizon.decisions.unit.disposition import AtGate, break_evens
from repair_horizon.decisions.unit.economics import Economics, bench_of, unit_under
from repair_horizon.decisions.unit.options import AS_IS, MAKER, REPAIR
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.decisions.unit.winning import WonLot
from repair_horizon.logs import CannotSay, Fault, LogFault
from repair_horizon.tables.arrays import Floats, tabled
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import fault_words, part_words

LEVEL = 0.8
MONTH_COLUMNS = ["month", "repair", "alternative", "repair_stopped", "max_bid"]
NAMES = {MAKER: "manufacturer repair"}


@dataclass(frozen=True)
class Offer:
    """What to say to a private seller, who takes no premium and no lot fee, money.

    ``walk_away`` is the highest price that still pays; ``first`` the offer to open with and
    ``taken`` the chance that it is taken, missing where nothing is known of what such units fetch.
    """

    first: float
    taken: float
    walk_away: float


@dataclass(frozen=True)
class TwoRepairs:
    """Own repair against the manufacturer's, worth of the unit each way now, money.

    ``break_even_quote`` is the manufacturer's price at which both are worth the same;
    ``break_even_wage`` the cost of a bench hour at which they are, missing without a quote.
    """

    own: float
    manufacturer: float
    quote: float
    break_even_quote: float
    hours: float
    wage: float
    break_even_wage: float


@dataclass(frozen=True, eq=False)
class UnitFigures:
    """The figures of the answer for one unit; ``unit_answer.UnitAnswer`` says them in words.

    Attributes
    ----------
    economics
        With the figures given in place; its first month is now.
    key
        (family_id, model_id, listed_fault).
    name
        What is asked about, in words.
    given
        The figures given.
    notes
        What was taken for granted, a sentence each.
    """

    economics: Economics
    key: tuple[str, str, str]
    name: str
    given: Given
    notes: tuple[str, ...] = ()

    # -- what to pay

    @cached_property
    def unit(self) -> UnitEconomics:
        """Economics of the unit."""
        found = self.economics.unit(*self.key)
        if isinstance(found, CannotSay):
            raise LogFault([Fault("ask", None, "", found.reason, "a launch price or a sale")])
        return found

    @cached_property
    def known(self) -> Outcomes:
        """Where a unit bought now may end."""
        return Outcomes(self.unit, 0)

    @cached_property
    def bid(self) -> Bid:
        """Maximum bid in an auction, at the usual terms of purchase."""
        return bid_on_terms(self.known)

    @property
    def exact_bid(self) -> float:
        """The same, unrounded; negative where nothing can be paid."""
        return self.unit.exact_bid(0)

    @property
    def verdict(self) -> Verdict:
        """The same verdict as on every other face."""
        return verdict_of(self.known, self.bid)

    @cached_property
    def _scorer(self) -> Scorer:
        return Scorer(self.economics, self.unit, self.known)

    @cached_property
    def _direct(self) -> Landing:
        terms = self._scorer.terms(float("nan"), float("nan"), direct=True)
        return terms or self.unit.landing

    @cached_property
    def offer(self) -> Offer:
        """First offer and walk-away price with a private seller; a price asked is not exceeded."""
        bid = bid_on_terms(self.known, self._direct)
        if bid.amount <= 0:
            return Offer(0.0, 0.0, 0.0)
        asked = self.given.asking or 0.0
        return Offer(*private_offer(self._scorer, self._direct, bid, asked), bid.amount)

    @property
    def at_asking(self) -> WonLot | None:
        """What buying at the price asked promises; None without one."""
        asked = self.given.asking
        return None if asked is None else self.known.bought(self._direct, asked)

    @cached_property
    def question(self) -> Question:
        """What to ask the seller before paying."""
        price = self.given.asking or self.offer.first
        return question_at(self.known, self._direct, price, margin_fraction(self.unit.settings))

    # -- what to do with it, and until when

    @cached_property
    def dispositions(self) -> pd.DataFrame:
        """What to do in each state it may turn out to be: rows of ``DISPOSITION_COLUMNS``."""
        rows = disposition_rows(self.key[0], self.unit)
        table = pd.DataFrame(rows, columns=DISPOSITION_COLUMNS)
        return table.sort_values("share", ascending=False, ignore_index=True)

    @cached_property
    def two_repairs(self) -> TwoRepairs | CannotSay:
        """Own repair against the manufacturer's, in the likeliest state that can be mended."""
        main, uncosted = self.unit.main, self.unit.uncosted
        if uncosted is not None and uncosted.usual > main.usual:
            return CannotSay(self.unit.uncosted_words)
        if main.repair is None:
            return CannotSay(main.missing.get(REPAIR, "no repair can be costed"))
        if AS_IS not in main.options:
            return CannotSay(f"a unit that is {fault_words(main.state)} is not sold")
        worth = {n: float(c[0]) for n, c in main.certainty.items()}
        bench = bench_of(self.economics, *self.key[:2])
        assert not isinstance(bench, CannotSay)
        even = break_evens(AtGate(bench, self.key[2], dict(main.certainty), main))
        quote = self.given.manufacturer_quote
        if quote is None:
            mine = self.unit.family.estimates.makers.get(self.key[1], [])
            mine = [q for q in mine if q["fault"] in (self.key[2], main.state)]
            quote = float(mine[-1]["amount"]) if mine else float("nan")
        wage, service = self.unit.wage, worth.get(MAKER, float("nan"))
        return TwoRepairs(
            worth[REPAIR],
            service,
            quote,
            float(even["break_even_maker_quote"]),  # type: ignore[arg-type]
            main.repair.hours,
            wage,
            self._even_wage(worth[REPAIR] - service),
        )

    def _even_wage(self, lead: float) -> float:
        """Cost of a bench hour at which own repair's lead over the manufacturer's is gone."""
        if np.isnan(lead):
            return float("nan")
        rules = self.unit.settings
        dearer = replace(rules, bench=replace(rules.bench, rate_per_hour=self.unit.wage + 1.0))
        main = unit_under(
            dearer, self.unit.family, self.key[1:], self.economics.outlook, self.unit.valuation
        ).main
        then = float(main.certainty[REPAIR][0] - main.certainty[MAKER][0])
        return self.unit.wage + lead / (lead - then) if lead > then else float("nan")

    @cached_property
    def _stops(self) -> Stops:
        return unit_stops(self.unit, self._highest)

    @cached_property
    def _highest(self) -> Floats:
        """Unrounded maximum bid by month, within the owner's limits."""
        return highest_prices(self.unit)

    @cached_property
    def stops(self) -> pd.DataFrame:
        """Buy stop, bid zero and repair stop: median, 80 % interval and chances."""
        first = self.economics.outlook.first_month
        return pd.DataFrame(date_rows(self.unit, self._stops, LEVEL, first))

    @property
    def repair_stop(self) -> StopMonths | CannotSay:
        """When repairing the unit, once owned, stops paying: months from now, by draw."""
        return self._stops[REPAIR_STOP]

    @cached_property
    def months(self) -> pd.DataFrame:
        """Month by month: worth repaired and otherwise, chance that repair has stopped, bid."""
        main, stop = self.unit.main, self.repair_stop
        count = self.unit.months
        other = [n for n in main.options if n != REPAIR]
        best = np.max([main.certainty[n] for n in other], axis=0) if other else np.nan
        first = self.economics.outlook.first_month
        return pd.DataFrame(
            {
                "month": [month_start(first + h) for h in range(count)],
                "repair": main.certainty.get(REPAIR, np.full(count, np.nan)),
                "alternative": best,
                "repair_stopped": np.nan if isinstance(stop, CannotSay) else stop.chances(),
                "max_bid": self._highest,
            },
            columns=MONTH_COLUMNS,
        )

    @cached_property
    def options(self) -> pd.DataFrame:
        """Worth of each option in the likeliest mendable state by month, with 80 % intervals."""
        main, first = self.unit.main, self.economics.outlook.first_month
        return tabled(option_paths(main, list(main.certainty), first, LEVEL))

    # -- how sure, from where, and with what care

    @cached_property
    def matters(self) -> pd.DataFrame:
        """How far the bid moves with each figure over its own 80 % interval, the most first."""
        return what_matters(self.economics, self.key, self.given)[MATTER_COLUMNS]

    @cached_property
    def sources(self) -> pd.DataFrame:
        """Every figure it rests on: value, 80 % interval, and whether given, own or the class's."""
        return source_rows(self.economics, self.key, self.given)

    def cautions(self, step: str = "buying") -> list[Chosen]:
        """Choose the cautions for 'buying', 'repairing' or 'selling' such a unit."""
        states = [fault_words(s.state) for s in self.unit.states]
        parts = [part_words(c) for s in self.unit.states for c in s.codes]
        kind = self.unit.family.estimates.device_class
        return cautions_for(step, kind, [fault_words(self.key[2]), *states, *parts])

    # -- shown

    @property
    def currency(self) -> str:
        """Currency of the amounts; XXX where none was named."""
        return self.economics.outlook.currency

    def table(self) -> pd.DataFrame:
        """Return the month by month table."""
        return self.months

    def plot(self) -> Any:
        """Draw what the unit is worth under each option, and where repair stops (plotly)."""
        from repair_horizon.charts.bid_charts import scissors
        from repair_horizon.charts.style import Words

        dates = self.stops
        stop = dates[dates["date_name"] == REPAIR_STOP].iloc[0]
        title = f"{self.name}: worth once owned, if it is {fault_words(self.unit.main.state)}"
        shown = self.options.replace({"option": NAMES})
        return scissors(shown, stop, self.currency, Words(title, title + ".")).figure()
