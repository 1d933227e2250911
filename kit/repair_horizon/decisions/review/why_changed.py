"""What changed since last month: a bid's change shared out among its causes.

Eight blocks of inputs are swapped from before to after: the price curve, the parts, parts that
became known, the yield of the bench, fees, time, what hours, cash and risk cost, and all other
settings. A price that became known is not a price that moved, so it has a line of its own. A
block's share is its effect when the blocks are swapped one after the other, in an order and in its
reverse, and the mean of the two:

    share_i = 1/2 [bid(up to i) - bid(before i)] + 1/2 [bid(after i and i) - bid(after i)]

The shares add up exactly. This is the Shapley value (Shapley 1953, A value for n-person games)
wherever no three blocks act together in a way that no two of them do: any two stand once in each
order of the two, so that what they do together is halved between them. All orders would cost
2^n bids for 2 n.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from repair_horizon.decisions.unit.bid import Outcomes, highest
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import unit_under
from repair_horizon.estimation.forecast import PAD_MONTHS, FamilyEstimates, FamilyOutlook, Outlook
from repair_horizon.estimation.part_paths import Key, PartPath, PartPaths, as_paths
from repair_horizon.logs import CannotSay
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.settings import Settings

PRICE, PART, YIELD, FEES, TIME, SETTINGS = "price", "part", "yield", "fees", "time", "settings"
NEWLY_KNOWN, CHARGES = "newly known", "charges"
BLOCKS = (PRICE, PART, NEWLY_KNOWN, YIELD, FEES, TIME, CHARGES, SETTINGS)
_FEE_SECTIONS = ("purchase", "channels", "sale", "reserve", "tax")


@dataclass(frozen=True, eq=False)
class View:
    """What a month's bid is worked out from.

    ``outlook`` gives the family's draws from a month on by what was known then, the very ones that
    every other face tells its figures from; settings; number of the month; what hours, cash and
    risk cost.
    """

    outlook: Callable[[int], Outlook]
    settings: Settings
    month: int
    valuation: Valuation = NO_CHARGES


@dataclass(frozen=True, eq=False)
class BidChange:
    """A bid before and after, unrounded, and each block's share of the difference."""

    before: float
    after: float
    shares: Mapping[str, float]

    def table(self) -> pd.DataFrame:
        """Return ``block, change``, the largest first; the changes add up to the difference."""
        rows = sorted(self.shares.items(), key=lambda kv: -abs(kv[1]))
        return pd.DataFrame(rows, columns=["block", "change"])


def shared_out(blocks: Sequence[str], value: Callable[[frozenset[str]], float]) -> dict[str, float]:
    """Share ``value(all) - value(none)`` out among blocks, by one order and its reverse.

    Parameters
    ----------
    value
        Worth with a set of blocks swapped.

    Examples
    --------
    >>> worth = {"": 0.0, "a": 10.0, "b": 20.0, "ab": 50.0}
    >>> shared_out("ab", lambda swapped: worth["".join(sorted(swapped))])
    {'a': 20.0, 'b': 30.0}
    """
    out = dict.fromkeys(blocks, 0.0)
    for order in (list(blocks), list(reversed(blocks))):
        swapped = frozenset[str]()
        for block in order:
            out[block] += (value(swapped | {block}) - value(swapped)) / 2
            swapped |= {block}
    return out


def attribute(before: View, after: View, key: tuple[str, str, str]) -> BidChange | CannotSay:
    """Say why the bid for a model and fault changed.

    Parameters
    ----------
    before, after
        Last month's view and this month's, with as many draws. What is learnt anew draws anew, so
        a share carries sampling noise of about one part in the square root of their number.
    key
        (family_id, model_id, listed_fault).

    Returns
    -------
    BidChange
        'price' is what was learnt about resale prices (curve, grades, channel, as-is and hammer
        ratios); 'part' quotes and the maker's; 'newly known' parts quoted for the first time;
        'yield' shares of states, success, hours and grades; 'fees' purchase and sale terms,
        reserves and tax; 'time' the clock: a month more of age at the same knowledge, and the
        settings' delays; 'charges' what hours, cash and risk cost; 'settings' all others. A reason
        where either view has no bid for the key.
    """
    family_id, model_id, fault = key
    mixes = _Mixes((before, after), family_id)
    for at in (0, 1):
        seen = mixes.outlook(at, at)
        if isinstance(seen, CannotSay):
            return seen
        if model_id not in seen.models or fault not in seen.shares:
            return CannotSay("the model or the fault was not there in both months")
        if seen.reasons.get(model_id):
            return CannotSay(seen.reasons[model_id])

    def bid(swapped: frozenset[str]) -> float:
        return mixes.bid(swapped, (model_id, fault))

    shares = shared_out(BLOCKS, bid)
    return BidChange(bid(frozenset()), bid(frozenset(BLOCKS)), shares)


class _Mixes:
    """Outlooks and settings put together from two views; what has been worked out is kept."""

    def __init__(self, views: tuple[View, View], family_id: str) -> None:
        self.views, self.family_id = views, family_id
        self.drawn: dict[tuple[int, int], Outlook] = {}
        self.mixes: list[Settings] = []
        self.newly: dict[str, frozenset[Key]] = {}
        self.bids: dict[tuple[tuple[frozenset[str], int, int], tuple[str, str]], float] = {}

    def outlook(self, knowledge: int, clock: int) -> FamilyOutlook | CannotSay:
        """Draws by one view's knowledge at one view's month."""
        if (knowledge, clock) not in self.drawn:
            whole = self.views[knowledge].outlook(self.views[clock].month)
            self.drawn[knowledge, clock] = _near(whole, self.family_id)
        return self.drawn[knowledge, clock].families[self.family_id]

    def bid(self, swapped: frozenset[str], key: tuple[str, str]) -> float:
        """Unrounded bid with some blocks taken from the second view."""
        clock = int(TIME in swapped)
        rules, number = self._rules(swapped)
        # Blocks that are the same in both views change nothing: such mixes share one bid.
        newly = self._newly_known(key[0])
        paid = self.views[0].valuation != self.views[1].valuation
        learnt = {PRICE, PART, YIELD, *[CHARGES] * paid, *[NEWLY_KNOWN] * bool(newly)}
        asked = swapped & learnt, clock, number
        if (asked, key) in self.bids:
            return self.bids[asked, key]
        before, after = (self._known(at, clock) for at in (0, 1))
        price, rates = (after if b in swapped else before for b in (PRICE, YIELD))
        moved = after if PART in swapped else before
        was, now = (as_paths(known.parts) for known in (before, after))
        taken = {
            k: now if (NEWLY_KNOWN if k in newly else PART) in swapped or k not in was else was
            for k in _keys(now, key[0])
        }
        family = _joined(price, moved.estimates, _Taken(taken), rates)
        rules = rules.for_class(family.estimates.device_class)
        outlook = replace(self.drawn[0, clock], families={self.family_id: family})
        valuation = self.views[int(CHARGES in swapped)].valuation
        unit = unit_under(rules, family, key, outlook, valuation)
        self.bids[asked, key] = highest(Outcomes(unit, 0)).exact
        return self.bids[asked, key]

    def _known(self, knowledge: int, clock: int) -> FamilyOutlook:
        found = self.outlook(knowledge, clock)
        if isinstance(found, CannotSay):
            raise ValueError("both views must have been looked at before")
        return found

    def _newly_known(self, model_id: str) -> frozenset[Key]:
        """A model's parts that are quoted by now and were not before."""
        if model_id not in self.newly:
            views = (as_paths(self._known(at, at).parts) for at in (0, 1))
            was, now = ({k for k in _keys(p, model_id) if p.basis(k) is Basis.OWN} for p in views)
            self.newly[model_id] = frozenset(now - was)
        return self.newly[model_id]

    def _rules(self, swapped: frozenset[str]) -> tuple[Settings, int]:
        """Settings with some blocks taken from the second view, and which of the mixes it is."""
        mixed = mixed_settings(self.views[0].settings, self.views[1].settings, swapped)
        if mixed not in self.mixes:
            self.mixes.append(mixed)
        return mixed, self.mixes.index(mixed)


def _keys(parts: PartPaths, model_id: str) -> list[Key]:
    return [(model_id, code, quality) for code, quality in parts.of(model_id)]


@dataclass(frozen=True, eq=False)
class _Taken(Mapping[Key, PartPath]):
    """Parts, each of what one view or the other knows of it; priced when asked for."""

    known: Mapping[Key, PartPaths]

    def __getitem__(self, key: Key) -> PartPath:
        return self.known[key][key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self.known)

    def __len__(self) -> int:
        return len(self.known)


def _near(whole: Outlook, family_id: str) -> Outlook:
    """The same draws of one family, looked at for two months."""
    family = whole.families[family_id]
    if not isinstance(family, CannotSay):
        family = family.first(2 + PAD_MONTHS)
    return replace(whole, months=2, families={family_id: family})


def _joined(
    price: FamilyOutlook,
    quoted: FamilyEstimates,
    parts: Mapping[Key, PartPath],
    rates: FamilyOutlook,
) -> FamilyOutlook:
    estimates = replace(
        price.estimates,
        parts=quoted.parts,
        maker=quoted.maker,
        rates=rates.estimates.rates,
    )
    return replace(
        price,
        estimates=estimates,
        parts=parts,
        shares=rates.shares,
        success=rates.success,
        grade_shares=rates.grade_shares,
    )


def mixed_settings(before: Settings, after: Settings, swapped: frozenset[str]) -> Settings:
    """Return settings with fees, delays and all others each from before or after.

    Sections of a device class go with their block as well.
    """
    names = {FEES: _FEE_SECTIONS, TIME: ("delay",)}
    out = after if SETTINGS in swapped else before
    named = {n for sections in names.values() for n in sections}
    source = {n: (after if b in swapped else before) for b, ns in names.items() for n in ns}
    classes = sorted(set(before.by_class) | set(after.by_class))
    by_class = {
        c: {
            **{n: v for n, v in out.by_class.get(c, {}).items() if n not in named},
            **{n: s.by_class[c][n] for n, s in source.items() if n in s.by_class.get(c, {})},
        }
        for c in classes
    }
    return replace(out, **{n: getattr(s, n) for n, s in source.items()}, by_class=by_class)
