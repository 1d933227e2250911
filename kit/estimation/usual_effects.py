"""What a grade, a channel or more storage is usually worth: learned from all families at once.

A family with three sales knows little of what a worse grade costs; the shop's other families
know more. Every family's effects are first estimated alone, from sales of one model in one
quarter, so that no price curve is needed. Their spread between families is then learned (random
effects, as in a meta-analysis), and each family starts from what the others found, as wide as
families differ. Its own sales move it from there. With no other family nothing changes.

Random effects over groups: DerSimonian and Laird (1986), Controlled Clinical Trials 7:177-188;
the spread is learned from its second moments and a few prior ones, as all scales here are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from kit.estimation.design import Priors
from kit.estimation.panel import Traits
from kit.estimation.price_rows import (
    CHANNEL,
    GRADE,
    STORAGE,
    TRAIT_SD,
    PriceRows,
    price_rows,
)
from kit.estimation.trait_effects import FamilyEffects, effects_alone
from kit.logs import CannotSay, Logs

Floats = npt.NDArray[np.float64]

# Between families: 0.10 is the judgement this starts from, worth so many families.
BETWEEN_SD, BETWEEN_WORTH = 0.10, 3.0
_KINDS = (GRADE, CHANNEL, STORAGE)
_NU = 4.0


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

    def applied(self, family_id: str, rows: PriceRows) -> PriceRows:
        """Start a family's traits from the others'."""
        base = (GRADE + rows.base_grade, CHANNEL + rows.base_channel)
        traits = self.started(family_id, rows.panel.traits, base)
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


def usual_effects(logs: Logs) -> UsualEffects:
    """Estimate every family's effects from its own sales.

    Parameters
    ----------
    logs
        The whole workspace's; they never change, so what was worked out once is kept with them.

    Returns
    -------
    UsualEffects
    """
    if logs not in _known:
        sales = _sales_alone(logs)
        found = [_of_family(sales, family) for family in logs.families]
        _known[logs] = UsualEffects(tuple(f for f in found if f is not None))
    return _known[logs]


def _sales_alone(logs: Logs) -> Logs:
    """Return the logs with nothing in them but what sales say: families are cut out faster."""
    tables = {n: t.iloc[:0] for n, t in logs.tables.items()}
    whole = logs.tables["sales"]
    kept = [c for c in whole.columns if c in _NEEDED]
    tables |= {"catalogue": logs.tables["catalogue"], "sales": whole[kept]}
    return replace(logs, tables=tables)


def _of_family(logs: Logs, family_id: str) -> FamilyEffects | None:
    rows = price_rows(logs, family_id, Priors())
    if isinstance(rows, CannotSay) or not rows.panel.traits.names:
        return None
    base = (GRADE + rows.base_grade, CHANNEL + rows.base_channel)
    return FamilyEffects(family_id, rows.panel.traits.names, base, *effects_alone(rows.panel))
