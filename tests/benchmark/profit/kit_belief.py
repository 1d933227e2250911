"""The kit's estimates laid out as a believed world, apart from the rule that acts on them.

Judged by break-even bids, they tell what the estimates are worth; what the kit's own advice earns
less than that is the rule's doing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from repair_horizon.estimation.forecast import Estimates, FamilyOutlook, fit_family, forecast
from repair_horizon.estimation.rival_prices import private_sellers
from repair_horizon.estimation.shop_knowledge import shop_knowledge
from repair_horizon.logs import CannotSay, read_logs, read_settings

from .costs import QUALITIES
from .history import START
from .world import AS_IS_MEAN, GRADES, NOISE_MEAN, FamilyTruth, World

Floats = npt.NDArray[np.float64]


def kit_belief(folder: Path, start: World, first: int, months: int) -> World:
    """Return the world as the kit's estimates from a workspace make it look.

    Parameters
    ----------
    folder
        The workspace as it stands.
    start
        A believed world to take what the kit does not say from.
    first, months
        First month of the replay the estimates are wanted for, and how many.
    """
    settings = read_settings(folder)
    logs = read_logs(folder)
    known = shop_knowledge(logs)
    families = {f: fit_family(logs, f, known) for f in logs.families}
    sellers = private_sellers(f.offers for f in families.values())
    found = Estimates(logs.currency, logs.newest_day, families, sellers)
    outlook = forecast(found, months, settings.seed, settings.draws, START + first)
    level = start.level.copy()
    prices = {code: p.copy() for code, p in start.part_price.items()}
    cheap, families = start.cheap.copy(), []
    for k, family in enumerate(start.families):
        known = outlook.families[family.name]
        if isinstance(known, CannotSay):
            families.append(family)
            continue
        families.append(_family(family, known))
        channel = known.channel.get("marketplace", np.ones(1))
        for m in np.flatnonzero(start.family == k):
            at = known.models.index(start.model_ids[m])
            price = (known.level[:, at] * channel[:, None]).mean(axis=0) * known.mean_factor
            _lay(level[m], np.log(price / NOISE_MEAN), start.history + first)
            ratios = []
            for code in family.codes:
                both = [known.parts.get((start.model_ids[m], code, q)) for q in QUALITIES]
                means = [None if p is None else p.price.mean(axis=0) for p in both]
                if means[0] is not None:
                    _lay(prices[code][m], means[0], start.history + first)
                elif means[1] is not None:
                    _lay(prices[code][m], means[1] / cheap[m], start.history + first)
                if means[0] is not None and means[1] is not None and code in family.parts[0]:
                    ratios.append(float(np.mean(means[1]) / np.mean(means[0])))
            cheap[m] = np.mean(ratios) if ratios else cheap[m]
    return replace(start, families=tuple(families), level=level, part_price=prices, cheap=cheap)


def _lay(row: Floats, values: Floats, at: int) -> None:
    """Write values from a month on, as far as the row reaches; the last holds beyond."""
    n = min(values.size, row.size - at)
    good = np.isfinite(values[:n])
    row[at : at + n][good] = values[:n][good]
    if good.any():
        row[at + n :] = values[:n][good][-1]


def _family(family: FamilyTruth, known: FamilyOutlook) -> FamilyTruth:
    """Shares, success, hours, as-is ratios and grades as estimated, in the world's order."""
    shares = dict(family.shares)
    hours, success, ratio = family.hours.copy(), family.success.copy(), family.ratio.copy()
    for fault, drawn in known.shares.items():
        if fault not in shares:
            continue
        rows = known.estimates.rates.by_fault[fault]
        mine = np.zeros(len(family.states))
        for j, row in enumerate(rows):
            s = place_of(family, row)
            if s is None:
                continue
            mine[s] += drawn[:, j].mean()
            hours[s], success[s] = row["hours"], known.success[fault][:, j].mean()
            name = next((n for n in (row["state"], fault) if n in known.as_is), None)
            if name is not None and family.states[s] != "locked":
                ratio[s] = known.as_is[name].mean() / AS_IS_MEAN
        if mine.sum() > 0:
            shares[fault] = mine / mine.sum()
    factor = np.array([known.grade[g].mean() if g in known.grade else 1.0 for g in GRADES])
    mix = known.grade_shares.mean(axis=0)
    return replace(
        family,
        shares=shares,
        hours=hours,
        success=success,
        ratio=ratio,
        grade_factor=factor,
        grade_mix=mix / mix.sum(),
    )


def place_of(family: FamilyTruth, row: Mapping[str, Any]) -> int | None:
    """Number of the state a row of the kit's is about: by name, else by the parts it needs."""
    if row["state"] in family.states:
        return family.states.index(row["state"])
    codes = part_codes(row)
    alike = [s for s, parts in enumerate(family.parts) if parts == codes and codes]
    return alike[0] if alike else None


def part_codes(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Parts a row of the kit's states needs."""
    return tuple(c.strip() for c in str(row["part_codes"]).split(";") if c.strip())
