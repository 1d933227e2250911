"""What a grade, a channel or more storage is usually worth: learned from all families at once.

A family with three sales knows little of what a worse grade costs; the shop's other families know
more. Every family's effects are first estimated alone, without any price curve: sales of one model
in one quarter are held against each other, so that neither the model's level nor its fall comes
into it; Student-t weights keep out what is not what it is labelled. Their spread between families
is then learned (random effects, as in a meta-analysis), and each family starts from what the others
found, as wide as families differ. Its own sales move it from there. With no other family nothing
changes.

Random effects over groups: DerSimonian and Laird (1986), Controlled Clinical Trials 7:177-188;
the spread is learned from its second moments and a few prior ones, as all scales here are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np

from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.curve.panel import Panel, Traits
from repair_horizon.estimation.price_rows import (
    CHANNEL,
    GRADE,
    NO_SALE,
    STORAGE,
    TRAIT_SD,
    PriceRows,
    price_rows,
)
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import one_thread
from repair_horizon.tables.arrays import Floats, Ints

# An estimate wider than this says nothing that the prior does not.
WIDEST = 0.5
_NU, _PASSES, _START_NOISE, _NOISE_WORTH, _LOOSE_SD = 4.0, 5, 0.10, 4.0, 0.5


@dataclass(frozen=True, eq=False)
class FamilyEffects:
    """One family's own log effects, (k,), against its base, and their covariance (k, k).

    ``base`` are the traits whose effect is zero by choice, such as 'grade B'.
    """

    family_id: str
    names: tuple[str, ...]
    base: tuple[str, ...]
    estimate: Floats
    cov: Floats

    def contrast(self, trait: str, against: str) -> tuple[float, float] | None:
        """Log effect of one trait less another's and its variance; None if one was never sold.

        ``against`` is empty for traits that are none of several, such as storage.
        """
        load = np.zeros(len(self.names))
        for name, sign in ((trait, 1.0), (against, -1.0)):
            if name in self.names:
                load[self.names.index(name)] += sign
            elif name and name not in self.base:
                return None
        variance = float(load @ self.cov @ load)
        return (float(load @ self.estimate), variance) if 0 < variance < WIDEST**2 else None


def effects_alone(panel: Panel) -> tuple[Floats, Floats]:
    """One family's trait effects from sales of the same model in the same quarter.

    Parameters
    ----------
    panel
        The family's prices.

    Returns
    -------
    tuple
        Log effects (k,) and their covariance (k, k): least squares on what differs within a
        model's quarter, the fall within it taken out by age, with Student-t weights.
    """
    k = len(panel.traits.names)
    columns = np.column_stack([panel.traits.values, panel.age / 12.0, panel.y])
    number = panel.model * (panel.month.max() // 3 + 1) + panel.month // 3
    _, cell = np.unique(number, return_inverse=True)
    cells = int(cell.max()) + 1
    weight, noise = _first_weights(panel), _START_NOISE
    loose = np.eye(k + 1) / _LOOSE_SD**2
    left_over = max(len(cell) - cells - k - 1, 0)
    for _ in range(_PASSES):
        within = columns - _means(columns, weight, (cell, cells))[cell]
        x, y = within[:, :-1], within[:, -1]
        cov = np.linalg.inv(x.T @ (x * weight[:, None]) / noise**2 + loose)
        estimate = cov @ (x.T @ (weight * y)) / noise**2
        square = (y - x @ estimate) ** 2
        weight = (_NU + 1) / (_NU + square / noise**2)
        spread = weight @ square + _NOISE_WORTH * _START_NOISE**2
        noise = float(np.sqrt(spread / (left_over + _NOISE_WORTH)))
    return np.asarray(estimate[:k]), np.asarray(cov[:k, :k], dtype="float64")


def _first_weights(panel: Panel) -> Floats:
    """Weights by the distance from a model's own median: of two sales in a cell one may be wrong.

    Within its cell an amount with a slipped decimal looks no worse than the sale beside it.
    """
    off = np.empty(len(panel.y))
    for model in np.unique(panel.model):
        mine = panel.model == model
        off[mine] = np.abs(panel.y[mine] - np.median(panel.y[mine]))
    spread = max(float(np.median(off)) / 0.6745, _START_NOISE)
    return np.asarray((_NU + 1) / (_NU + (off / spread) ** 4))


def _means(columns: Floats, weight: Floats, cells: tuple[Ints, int]) -> Floats:
    """Weighted mean of each column in each cell, (cells, columns)."""
    cell, number = cells
    total = np.bincount(cell, weight, number)
    sums = [np.bincount(cell, weight * column, number) for column in columns.T]
    out: Floats = np.column_stack(sums) / total[:, None]
    return out


# Between families: what this starts from and how many families that is worth; 0.10 was worse in
# every benchmark (device_prices).
BETWEEN_SD, BETWEEN_WORTH = 0.08, 3.0
_KINDS = (GRADE, CHANNEL, STORAGE)


@dataclass(frozen=True, eq=False)
class UsualEffects:
    """Every family's own effects; ``prior`` says what those of one family start from."""

    families: tuple[FamilyEffects, ...] = ()

    def others(self, family_id: str) -> int:
        """How many families there are beside one."""
        return sum(f.family_id != family_id for f in self.families)

    def prior(self, family_id: str, trait: str, against: str) -> tuple[float, float, int]:
        """Mean and standard deviation a trait's effect starts from, and the families behind it.

        Parameters
        ----------
        family_id
            The family it is for, whose own sales are left out.
        trait, against
            Two grades or two channels; ``against`` is empty for storage and asking prices.

        Returns
        -------
        tuple
            0, 0.3 and no family where no other one has sold both.
        """
        found = [c for name, *c in self._told(trait, against) if name != family_id]
        if not found:
            return 0.0, TRAIT_SD, 0
        estimate, variance = np.array(found).T
        mean, wide = _pooled(estimate, variance)
        return mean, float(np.sqrt(wide)), len(found)

    def _told(self, trait: str, against: str) -> list[tuple[str, float, float]]:
        """Each family's contrast of two traits: its name, the log effect and its variance."""
        if (trait, against) not in self._contrasts:
            told = ((f.family_id, f.contrast(trait, against)) for f in self.families)
            self._contrasts[trait, against] = [(name, *c) for name, c in told if c is not None]
        return self._contrasts[trait, against]

    @cached_property
    def _contrasts(self) -> dict[tuple[str, str], list[tuple[str, float, float]]]:
        """What was asked for already: every family of the shop asks for the same."""
        return {}

    def applied(
        self,
        family_id: str,
        rows: PriceRows,
        steps: Mapping[str, tuple[float, float]] | None = None,
    ) -> PriceRows:
        """Start a family's traits from the others', else from ``steps``.

        Parameters
        ----------
        family_id, rows
            The family and its prices.
        steps
            Log effect and standard deviation of traits that no other family has sold, by name,
            each against the family's base: what the device class says of grades.
        """
        base = (GRADE + rows.base_grade, CHANNEL + rows.base_channel)
        traits = self.started(family_id, rows.panel.traits, base)
        for i, name in enumerate(traits.names if steps else ()):
            alone = not self.prior(family_id, name, _against(name, base))[2]
            if steps and alone and name in steps:
                traits.expected[i], traits.sd[i] = steps[name]
        return replace(rows, panel=replace(rows.panel, traits=traits))

    def started(self, family_id: str, traits: Traits, base: tuple[str, str]) -> Traits:
        """Traits whose effects start from the other families', with those only they have sold.

        A grade, channel or storage that the family has not sold itself gets a column of zeros, so
        that its effect is what the others say.

        Parameters
        ----------
        family_id
            The family, whose own sales are left out.
        traits
            What its sales differ in.
        base
            The grade and the channel they are held against.
        """
        elsewhere = {n for f in self.families for n in (*f.names, *f.base)}
        more = tuple(
            n
            for n in sorted(elsewhere - {*traits.names, *base})
            if n.startswith(_KINDS) and self.prior(family_id, n, _against(n, base))[2]
        )
        names = (*traits.names, *more)
        known = [self.prior(family_id, n, _against(n, base))[:2] for n in names]
        return Traits(
            names,
            np.hstack([traits.values, np.zeros((len(traits.values), len(more)))]),
            np.array([sd for _, sd in known]),
            np.append(traits.ageing, np.ones(len(more), dtype=bool)),
            np.array([mean for mean, _ in known]),
        )


def _against(trait: str, base: Sequence[str]) -> str:
    """Return the base a trait is held against: the grade's, the channel's, or none."""
    kinds = zip(base, (GRADE, CHANNEL), strict=True)
    return next((b for b, kind in kinds if trait.startswith(kind)), "")


def _pooled(estimate: Floats, variance: Floats) -> tuple[float, float]:
    """Mean of the next family's effect and its variance, by iterated random effects.

    The mean over families starts from zero, so that without any estimate the effect is as wide
    as it would be alone. Student-t weights keep out a family whose one sale of a grade was wrong.
    """
    between, wide = BETWEEN_SD**2, TRAIT_SD**2 - BETWEEN_SD**2
    mean, weight = float(np.median(estimate)), np.ones(len(estimate))
    for _ in range(6):
        weight = (_NU + 1) / (_NU + (estimate - mean) ** 2 / (variance + between))
        precision = weight / (variance + between)
        uncertain = 1.0 / (precision.sum() + 1.0 / wide)
        mean = float(uncertain * (precision @ estimate))
        kept = between / (variance + between)  # of each family's distance from the mean
        off = weight * kept**2 * ((estimate - mean) ** 2 + uncertain)
        second = off + between * (1.0 - kept)
        between = (second.sum() + BETWEEN_WORTH * BETWEEN_SD**2) / (len(estimate) + BETWEEN_WORTH)
    return mean, float(between + uncertain)


_NEEDED = {"sale_id", "model_id", "sale_date", "amount", "grade", "channel", "storage_gb"}
_NEEDED |= {"condition", "price_type"}
_known: WeakKeyDictionary[Logs, UsualEffects] = WeakKeyDictionary()


@one_thread()
def usual_effects(logs: Logs) -> UsualEffects:
    """Estimate every family's effects from its own sales.

    Parameters
    ----------
    logs
        The whole workspace's; they never change, so what was worked out once is kept with them.
    """
    if logs not in _known:
        found = [effects_of(f, rows) for f, rows in rows_by_family(logs).items()]
        _known[logs] = UsualEffects(tuple(f for f in found if f is not None))
    return _known[logs]


def rows_by_family(logs: Logs) -> dict[str, PriceRows]:
    """Lay the prices of every family with a sale out, for what is learned from all of them."""
    sales = _sales_alone(logs)
    found = {family: price_rows(sales, family, Priors()) for family in logs.families}
    return {
        family: rows
        for family, rows in found.items()
        if not isinstance(rows, CannotSay) and rows.basis != NO_SALE
    }


def _sales_alone(logs: Logs) -> Logs:
    """Return the logs with nothing in them but what sales say: families are cut out faster."""
    tables = {n: t.iloc[:0] for n, t in logs.tables.items()}
    whole = logs.tables["sales"]
    kept = [c for c in whole.columns if c in _NEEDED]
    tables |= {"catalogue": logs.tables["catalogue"], "sales": whole[kept]}
    return replace(logs, tables=tables)


def effects_of(family_id: str, rows: PriceRows) -> FamilyEffects | None:
    """One family's own effects, or None where its sales differ in no trait."""
    if not rows.panel.traits.names:
        return None
    base = (GRADE + rows.base_grade, CHANNEL + rows.base_channel)
    return FamilyEffects(family_id, rows.panel.traits.names, base, *effects_alone(rows.panel))
