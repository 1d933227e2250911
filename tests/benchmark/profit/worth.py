"""What each option is worth: cash from the bench on, for given luck or on average over it.

One function counts the cash for given luck; the averages are weighted sums of it over every grade
and selling time, so the expected and the realised figures cannot be two different accountings.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .costs import DEAD, LEAD, MONTH, QUALITIES, RESALE, SHIPPING
from .world import AS_IS_MEAN, GRADES, NOISE_MEAN, World

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

REPAIR, AS_IS, PART_OUT, MAKER = range(4)
OPTIONS = ("repair", "sell as is", "part out", "manufacturer")
SELL_DAYS = np.array([3.0, 8.0, 18.0, 45.0])
SELL_CHANCE = np.array([0.30, 0.30, 0.25, 0.15])


@dataclass(frozen=True, eq=False)
class Luck:
    """Luck of units, (n,).

    Selling time and grade by number, success of own and the manufacturer's repair, noise of a
    working and an as-is sale, hours over the usual, cost of returns.
    """

    sell: Ints
    grade: Ints
    mended: Floats
    accepted: Floats
    noise: Floats
    as_is_noise: Floats
    hours: Floats
    returned: Floats


@dataclass(frozen=True, eq=False)
class Cash:
    """Cash of one option, (n,): worth before the purchase, days until paid, bench hours, parts."""

    worth: Floats
    days: Floats
    hours: Floats
    parts: Floats


@dataclass(frozen=True, eq=False)
class Place:
    """Units at hand, (n,): model, state by number within its family, and month bought."""

    model: Ints
    state: Ints
    month: Floats


@dataclass(frozen=True, eq=False)
class Worth:
    """The accounting of one world; ``span`` limits the tables to some months (the rest is 0)."""

    world: World
    span: tuple[int, int] | None = None

    @cached_property
    def _grid(self) -> Place:
        """Every model, state and month of the span."""
        w, (start, end) = self.world, self.span or (0, self.world.months)
        m, s, t = np.indices((len(w.model_ids), w.widest, end - start))
        return Place(m.ravel(), s.ravel(), t.ravel() + float(start))

    def _laid(self, values: Floats) -> Floats:
        """Values on the grid as (models, states, months)."""
        at = self._grid
        out = np.zeros((len(self.world.model_ids), self.world.widest, self.world.months))
        out[at.model, at.state, at.month.astype("int64")] = values
        return out

    @cached_property
    def _ratio(self) -> Floats:
        return self._by_state("ratio")

    @cached_property
    def hours(self) -> Floats:
        """Usual repair hours, (families, states)."""
        return self._by_state("hours")

    @cached_property
    def success(self) -> Floats:
        """Success of own repair, (families, states)."""
        return self._by_state("success")

    def _by_state(self, name: str) -> Floats:
        out = np.zeros((len(self.world.families), self.world.widest))
        for k, family in enumerate(self.world.families):
            out[k, : len(family.states)] = getattr(family, name)
        return out

    @cached_property
    def _grade(self) -> Floats:
        return np.stack([f.grade_factor for f in self.world.families])

    @cached_property
    def _mix(self) -> Floats:
        return np.stack([f.grade_mix for f in self.world.families])

    @cached_property
    def parts(self) -> tuple[Floats, Floats, Floats]:
        """Price of a state's parts, of the dearest, and what the other parts fetch used.

        (models, states, months) each, original quality; the first without shipping.
        """
        w = self.world
        shape = (len(w.model_ids), w.widest, w.months)
        whole, main, used = np.zeros(shape), np.zeros(shape), np.full(shape, np.nan)
        c = w.costs
        for m, k in enumerate(w.family):
            family = w.families[k]
            for s, codes in enumerate(family.parts):
                for code in codes:
                    price = w.part_price[code][m]
                    whole[m, s] += price
                    main[m, s] = np.maximum(main[m, s], price)
                left = [x for x in family.codes if x not in codes]
                gross = sum(w.part_price[x][m] for x in left) * c.used_part * c.used_sold
                each = c.order_fee + c.part_out_carriage
                used[m, s] = gross * (1 - c.fee) - len(left) * each - c.part_out_hours * c.wage
                if family.states[s] == "locked":
                    used[m, s] = np.nan
        return whole, main, used

    @cached_property
    def pieces(self) -> Ints:
        """Parts each state needs, (families, states)."""
        out = np.zeros((len(self.world.families), self.world.widest), dtype="int64")
        for k, family in enumerate(self.world.families):
            out[k, : len(family.parts)] = [len(p) for p in family.parts]
        return out

    @cached_property
    def quotes(self) -> Floats:
        """Manufacturer's quote, (models, states); missing where there is none.

        A quote for a fault holds for its commonest state and for the state of that name.
        """
        out = np.full((len(self.world.model_ids), self.world.widest), np.nan)
        for (m, fault), price in self.world.maker.items():
            family = self.world.families[self.world.family[m]]
            out[m, int(np.argmax(family.shares[fault]))] = price
            if fault in family.states:
                out[m, family.states.index(fault)] = price
        return out

    def cash(self, option: int, at: Place, luck: Luck, wait: float = 0.0) -> Cash:
        """Cash of an option; ``wait`` is days the unit waits for the bench beyond the usual."""
        if option == REPAIR:
            tries = [self._repair(at, luck, q, wait) for q in range(len(QUALITIES))]
            # The bench buys the quality that is better on average, not with hindsight.
            better = self.better_quality(at) == 1
            return Cash(
                *(
                    np.where(better, getattr(tries[1], n), getattr(tries[0], n))
                    for n in ("worth", "days", "hours", "parts")
                )
            )
        if option == AS_IS:
            return self._as_is(at, luck)
        return self._part_out(at, wait) if option == PART_OUT else self._maker(at, luck)

    @cached_property
    def _better(self) -> Floats:
        """Which quality is better on average, (models, states, months)."""
        at = self._grid
        worth = [
            self._mean(lambda luck, q=q: self._repair(at, luck, q, 0.0), at).worth for q in (0, 1)
        ]
        return self._laid(worth[1] > worth[0])

    def better_quality(self, at: Place) -> Ints:
        """Quality a bench buys that knows the averages."""
        return self._better[at.model, at.state, at.month.astype("int64")].astype("int64")

    def _when(self, at: Place, days: Floats | float, sell: Ints) -> Floats:
        return np.asarray(at.month + (days + SELL_DAYS[sell]) / MONTH)

    def _repair(self, at: Place, luck: Luck, quality: int, wait: float) -> Cash:
        c, k = self.world.costs, self.world.family[at.model]
        month = at.month.astype("int64")
        name = QUALITIES[quality]
        whole, main, _ = self.parts
        cheap = self.world.cheap[at.model] if quality else 1.0
        pieces = self.pieces[k, at.state]
        parts = whole[at.model, at.state, month] * cheap + SHIPPING * pieces
        needs = pieces > 0
        lead = np.where(needs, LEAD[name], 0.0)
        days = c.inbound_days + c.queue_days + lead + c.bench_days + c.listing_days + wait
        when = self._when(at, days, luck.sell)
        level = self.world.level_at(at.model, when)
        factor = np.where(needs, RESALE[name], 1.0)
        price = level * self._grade[k, luck.grade] * luck.noise * factor
        good = c.net(price) - luck.returned
        broken = self._as_is_price(at, level, luck) * c.failed_as_is
        back = np.where(broken > 0, c.net(broken), 0.0)
        bad = back + c.reuse * main[at.model, at.state, month] * cheap
        cost = self._job(parts, needs, self.hours[k, at.state] * luck.hours, DEAD[name])
        worth = luck.mended * good + (1 - luck.mended) * bad - cost - c.test
        able = self.success[k, at.state] > 0
        hours = self.hours[k, at.state] * luck.hours
        return Cash(
            np.where(able, worth, -np.inf), days + SELL_DAYS[luck.sell], hours, parts * needs
        )

    def _job(self, parts: Floats, needs: Floats, hours: Floats, dead: float) -> Floats:
        c = self.world.costs
        small = c.adhesive + c.consumables
        more = c.collateral * (c.collateral_part + c.collateral_hours * c.wage)
        more += dead * (c.dead_carriage + c.dead_hours * c.wage + c.dead_delay)
        with_parts = (parts + small) * (1 + c.parts_interest()) + more
        return np.asarray(hours * c.wage + needs * with_parts)

    def _as_is_price(self, at: Place, level: Floats, luck: Luck) -> Floats:
        ratio = self._ratio[self.world.family[at.model], at.state]
        return np.asarray(ratio * level * luck.as_is_noise)

    def _as_is(self, at: Place, luck: Luck) -> Cash:
        c = self.world.costs
        days = c.inbound_days + c.queue_days + c.listing_days
        level = self.world.level_at(at.model, self._when(at, days, luck.sell))
        price = self._as_is_price(at, level, luck)
        worth = np.where(price > 0, c.net(price), 0.0) - c.test
        none = np.zeros_like(worth)
        return Cash(worth, days + SELL_DAYS[luck.sell], none, none)

    def _part_out(self, at: Place, wait: float) -> Cash:
        c = self.world.costs
        worth = self.parts[2][at.model, at.state, at.month.astype("int64")] - c.test
        worth = np.where(np.isnan(worth), -np.inf, worth)
        days = np.full(worth.shape, c.inbound_days + c.queue_days + c.selling_days + wait)
        return Cash(worth, days, np.full(worth.shape, c.part_out_hours), np.zeros(worth.shape))

    def _maker(self, at: Place, luck: Luck) -> Cash:
        c, k = self.world.costs, self.world.family[at.model]
        quote = self.quotes[at.model, at.state]
        days = c.inbound_days + c.maker_days + c.listing_days
        level = self.world.level_at(at.model, self._when(at, days, luck.sell))
        price = level * self._grade[k, luck.grade] * luck.noise
        admin = c.maker_hours * c.wage + c.maker_carriage
        good = c.net(price) - c.maker_reserve - quote
        broken = self._as_is_price(at, level, luck)
        bad = np.where(broken > 0, c.net(broken), 0.0) - c.maker_refused
        worth = luck.accepted * good + (1 - luck.accepted) * bad - admin - c.test
        worth = np.where(np.isnan(worth), -np.inf, worth)
        hours = np.full(worth.shape, c.maker_hours)
        return Cash(worth, days + SELL_DAYS[luck.sell], hours, np.nan_to_num(quote))

    def _mean(self, cash, at: Place) -> Cash:  # type: ignore[no-untyped-def]
        """Average over all luck: exactly over grades and selling times, linear in the rest."""
        c, k = self.world.costs, self.world.family[at.model]
        n, total = at.model.size, None
        for j, chance in enumerate(SELL_CHANCE):
            for g in range(len(GRADES)):
                luck = Luck(
                    np.full(n, j),
                    np.full(n, g),
                    self.success[k, at.state],
                    np.full(n, c.maker_success),
                    np.full(n, NOISE_MEAN),
                    np.full(n, AS_IS_MEAN),
                    np.ones(n),
                    np.full(n, c.reserve),
                )
                got, weight = cash(luck), chance * self._mix[k, g]
                parts = (got.worth, got.days, got.hours, got.parts)
                add = [weight * x for x in parts]
                total = add if total is None else [a + b for a, b in zip(total, add, strict=True)]
        assert total is not None
        return Cash(*total)

    def expected(self, option: int, at: Place, wait: float = 0.0) -> Cash:
        """Cash of an option on average over all luck."""
        return self._mean(lambda luck: self.cash(option, at, luck, wait), at)

    @cached_property
    def table(self) -> tuple[Floats, Floats, Floats]:
        """Expected worth, days and hours, (models, states, options, months)."""
        got = [self.expected(o, self._grid) for o in range(len(OPTIONS))]
        return tuple(  # type: ignore[return-value]
            np.stack([self._laid(getattr(x, n)) for x in got], axis=2)
            for n in ("worth", "days", "hours")
        )

    @cached_property
    def shares(self) -> Floats:
        """True share of each state, (units, states)."""
        out = np.zeros((len(self.world.units), self.world.widest))
        for u, (m, fault) in enumerate(self.world.units):
            share = self.world.families[self.world.family[m]].shares[fault]
            out[u, : share.size] = share
        return out

    def charged(self, per_hour: float = 0.0, per_cash_year: float = 0.0) -> tuple[Floats, Floats]:
        """True break-even bids, (units, months), and best options, (models, states, months).

        ``per_hour`` is charged for bench hours above the wage, ``per_cash_year`` for cash above
        the capital rate.
        """
        worth, days, hours = self.table
        c = self.world.costs
        net = worth - per_hour * (hours + c.test_hours)
        best = net.argmax(axis=2)
        value = np.take_along_axis(net, best[:, :, None], axis=2)[:, :, 0]
        long = np.take_along_axis(days, best[:, :, None], axis=2)[:, :, 0]
        model = np.array([m for m, _ in self.world.units])
        mean = np.einsum("us,ust->ut", self.shares, np.where(np.isfinite(value), value, 0)[model])
        interest = (c.capital_rate + per_cash_year) / 365.0 * long
        rate = np.einsum("us,ust->ut", self.shares, interest[model])
        return c.break_even(mean, rate), best
