"""Tables of how far a price fit may be trusted, and what it found to move a price.

Tables behind the checks of a price fit: see ``repair_horizon.estimation.curve.checks``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from repair_horizon.estimation.curve.checks import (
    far_off,
    market_index,
    model_effects,
    parameter_table,
    residual_groups,
    robust_check,
)
from repair_horizon.estimation.curve.uncertainty import SOURCES, level_after, width_shares
from repair_horizon.estimation.curve_tables import FLAG_AT
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.simple_curves import cross_check
from repair_horizon.logs import CannotSay
from repair_horizon.reports.estimate_tables import price_points, sold_curves
from repair_horizon.reports.worked import Worked
from repair_horizon.tables.months import month_middle
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import percent

AHEAD, MORE_SALES = (0, 12), 5


def effect_table(worked: Worked) -> pd.DataFrame:
    """Price factors of grade, channel, storage and the successor step, with intervals."""
    curves = sold_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=["name", "estimate", "lower", "upper"])
    table = parameter_table(curves.fit, worked.level).set_index("name")
    names = [n for n in [*curves.fit.panel.traits.names, "step"] if n in table.index]
    factors = np.exp(table.loc[names, ["estimate", "lower", "upper"]])
    return factors.rename(index={"step": "successor launched"}).reset_index(names="name")


def health_table(worked: Worked) -> pd.DataFrame:
    """How the price fit stands: what was learned against the value started from."""
    curves = sold_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=["what", "value", "usual", "note"])
    fit, start = curves.fit, curves.fit.priors
    flagged = np.abs(fit.residuals) > FLAG_AT * fit.scales.noise
    months = fit.layout.n_months
    rows = [
        ("sales used", f"{len(fit.panel.y)}", "", f"over {months} months"),
        ("newest sale", f"{fit.panel.day.max():%d %B %Y}", "", ""),
        ("oldest age sold", f"{fit.panel.age.max():.0f} months", "", "older ages are extrapolated"),
        ("outliers", f"{flagged.sum()}", "", "kept, with a small weight"),
        ("weight lost to outliers", percent(1 - fit.weights.clip(max=1).mean()), "", ""),
        ("residual variation", percent(fit.scales.noise), percent(start.noise), "of the price"),
        (
            "models against the family",
            percent(fit.scales.level),
            percent(start.model_level),
            "spread",
        ),
        (
            "models' slopes per year",
            percent(fit.scales.slope),
            percent(start.model_slope),
            "spread",
        ),
        (
            "market, long run",
            _share(fit.scales.market * np.hypot(1, start.slow_share), ".1f"),
            _share(np.hypot(start.market, start.market_slow), ".1f"),
            "moves all models together",
        ),
    ]
    rows += [_starting_effects(curves), _plain_curve(worked, curves)]
    widths = worked.calibration
    rows.append(("prediction intervals", f"times {widths.factor:.2f}", "times 1", widths.words))
    moved = () if isinstance(worked.family, CannotSay) else worked.family.grades_moved
    if moved:
        rows.append(("grades pooled", ", ".join(moved), "", "sold out of their declared order"))
    return pd.DataFrame(rows, columns=["what", "value", "usual", "note"])


def _families(count: int) -> str:
    if not count:
        return "no effect"
    return "one other family" if count == 1 else f"{count} other families"


def _starting_effects(curves: PriceCurves) -> tuple[str, str, str, str]:
    """Where the effects of grade, channel and storage start from, before the family's own sales."""
    start = _families(curves.others)
    only = ", ".join(n.replace("_", " ") for n in curves.never_sold)
    note = f"never sold here, known from the others: {only}" if only else "own sales move them"
    return ("grades and channels start from", start, "no effect", note)


def _plain_curve(worked: Worked, curves: PriceCurves) -> tuple[str, str, str, str]:
    """Hold the joint curve against a plain falling one through the most sold model's own sales."""
    most = curves.models.ids[int(curves.fit.panel.sales_by_model.argmax())]
    points = price_points(worked).assign(residual=curves.fit.residuals)
    points = points[(points["model_id"] == most) & ~points["flagged"]].sort_values("age_months")
    what = "a plain curve through the most sold model"
    plain = cross_check(points["age_months"], points["adjusted"])
    if isinstance(plain, CannotSay):
        return (what, "none", "", plain.reason)
    newest = points.tail(5)
    joint = newest["adjusted"] / np.exp(newest["residual"])
    apart = float(np.mean(plain.predict(newest["age_months"]) / joint)) - 1
    return (
        what,
        _share(apart, "+.0f"),
        "",
        plain.caution or "against this curve at its newest sales",
    )


def _share(share: float, form: str) -> str:
    """Print a share as per cent with its sign or decimals, spaced as ``percent`` does."""
    return f"{100 * share:{form}}\u00a0%"


def width_table(worked: Worked, model_id: str) -> pd.DataFrame:
    """Why one model's forecast is as wide as it is, now and in a year: shares by source."""
    curves = sold_curves(worked)
    if curves is None or not _known(curves, model_id):
        return OUTPUTS["widths"].empty()
    at = np.full(len(AHEAD), curves.models.ids.index(model_id))
    half, share = width_shares(curves.fit, curves.points(at, _days(worked, AHEAD)), worked.level)
    k = len(SOURCES)
    return pd.DataFrame(
        {
            "model_id": model_id,
            "months_ahead": np.repeat(AHEAD, k),
            "source": list(SOURCES) * len(AHEAD),
            "share": share.ravel(),
            "half_width": np.repeat(half * worked.calibration.factor, k),
        }
    )


def narrowing_table(worked: Worked, model_id: str) -> pd.DataFrame:
    """What five more sales of each model would take off the width of a price level in a year."""
    curves = sold_curves(worked)
    if curves is None or not _known(curves, model_id):
        return OUTPUTS["narrowing"].empty()
    target = curves.points(np.array([curves.models.ids.index(model_id)]), _days(worked, AHEAD[-1:]))
    sold = np.flatnonzero(curves.models.launch <= _days(worked, (0,))[0])
    there = curves.points(sold, _days(worked, (0,) * len(sold)))
    now, then = level_after(curves.fit, target, there, MORE_SALES, worked.level)
    widen = worked.calibration.factor
    table = pd.DataFrame({"model_id": model_id, "sales_of": [curves.models.ids[i] for i in sold]})
    table = table.assign(sales=MORE_SALES, half_now=now * widen, half_then=then * widen)
    return table.sort_values(["half_then", "sales_of"], ignore_index=True)


def _known(curves: PriceCurves, model_id: str) -> bool:
    at = curves.models.ids.index(model_id)
    return bool(curves.models.price_known[at] or curves.fit.panel.sales_by_model[at])


def _days(worked: Worked, ahead: Sequence[int]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex([month_middle(worked.first_month + h) for h in ahead])


_CHECKS = ("far_off", "misses", "model_effects", "market", "robust")


def diagnostic_tables(worked: Worked) -> dict[str, pd.DataFrame]:
    """Work out every check of the family's price fit; empty tables where there is none."""
    curves = sold_curves(worked)
    if curves is None:
        return {name: OUTPUTS[name].empty() for name in _CHECKS}
    fit = curves.fit
    return {
        "far_off": far_off(fit).rename(columns={"key": "sale_id", "day": "sale_date"}),
        "misses": residual_groups(fit, curves.base_channel or "no channel noted"),
        "model_effects": model_effects(fit),
        "market": market_index(fit, worked.level),
        "robust": robust_check(fit),
    }
