"""A family worked out, and what its logs say as the page's tables: curves, parts, rates, fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from repair_horizon.decisions.review.what_if import Moves, scenario, successor_learnt
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation import price_table
from repair_horizon.estimation.curve.checks import (
    SOURCES,
    far_off,
    level_after,
    market_index,
    model_effects,
    parameter_table,
    residual_groups,
    robust_check,
    width_shares,
)
from repair_horizon.estimation.curve.predict import learned_share
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.forecast import FamilyOutlook, Outlook
from repair_horizon.estimation.part_prices import part_alerts
from repair_horizon.estimation.repairs import shares_after_reading, success_by_fault
from repair_horizon.estimation.simple_curves import cross_check
from repair_horizon.logs import CannotSay, Logs, Settings
from repair_horizon.reports.month_tables import LEVEL
from repair_horizon.shop import Shop
from repair_horizon.tables.codes import Confidence
from repair_horizon.tables.months import age_in_months, month_middle, month_start
from repair_horizon.tables.outputs import OUTPUTS
from repair_horizon.tables.words import percent

Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Worked:
    """A family's draws from a month on. Keys are (model, listed fault)."""

    shop: Shop
    family_id: str
    outlook: Outlook

    def __repr__(self) -> str:
        """Say what it is about."""
        return f"Worked({self.family_id}, {self.outlook!r})"

    @property
    def logs(self) -> Logs:
        """The whole workspace."""
        return self.shop.logs

    @property
    def settings(self) -> Settings:
        """Rules of the business."""
        return self.shop.settings

    @property
    def family(self) -> FamilyOutlook | CannotSay:
        """The family's draws, or why there are none."""
        return self.outlook.families[self.family_id]

    @property
    def first_month(self) -> int:
        """Number of the first month looked at."""
        return self.outlook.first_month

    @property
    def logged(self) -> Mapping[str, pd.DataFrame]:
        """The family's own rows of every log."""
        return self.logs.family(self.family_id).tables

    @property
    def curves(self) -> PriceCurves | None:
        """Price curves of the family, or None where nothing can be said of it."""
        prices = self.shop.estimates(self.family_id).prices
        unsaid = isinstance(self.family, CannotSay)
        return None if unsaid or isinstance(prices, CannotSay) else prices

    @property
    def sold_curves(self) -> PriceCurves | None:
        """Price curves that rest on sales, or None: a class's curve has nothing to check."""
        curves = self.curves
        return None if curves is None or not len(curves.fit.panel.y) else curves

    def days(self, ahead: Sequence[int]) -> pd.DatetimeIndex:
        """Middles of the months so many ahead."""
        return pd.DatetimeIndex([month_middle(self.first_month + h) for h in ahead])

    @property
    def first_day(self) -> pd.Timestamp:
        """First day of the first month looked at."""
        return month_start(self.first_month)

    @cached_property
    def names(self) -> dict[str, str]:
        """Name of each model of the family that has a forecast."""
        catalogue = self.logs.family(self.family_id).tables["catalogue"]
        said = dict(zip(catalogue["model_id"], catalogue["model_name"], strict=True))
        if isinstance(self.family, CannotSay):
            return {}
        return {m: said.get(m) or m for m in self.family.models}

    @property
    def faults(self) -> list[str]:
        """Listed faults of the family."""
        return [] if isinstance(self.family, CannotSay) else list(self.family.shares)

    @property
    def rules(self) -> Settings:
        """Settings as they hold for the family's device class."""
        if isinstance(self.family, CannotSay):
            return self.settings
        return self.settings.for_class(self.family.estimates.device_class)

    @property
    def successor_matters(self) -> bool:
        """Whether a successor's month changes anything in this family."""
        return not isinstance(self.family, CannotSay) and successor_learnt(self.family)

    def economics(self, moves: Moves) -> Economics:
        """Return the family's economics after the moves."""
        moved = scenario(self.outlook, self.settings, moves)
        return Economics(*moved, self.shop.valuation(self.first_month))

    def parts_of(self, key: Key) -> list[str]:
        """Codes of the parts quoted for a model."""
        if isinstance(self.family, CannotSay):
            return []
        return sorted({code for model_id, code, _ in self.family.parts if model_id == key[0]})

    def part_price(self, model_id: str, code: str) -> float:
        """Median price of a part this month in its cheapest quality; missing if not quoted."""
        paths = {} if isinstance(self.family, CannotSay) else self.family.parts
        mine = [paths[k].price for k in paths if k[:2] == (model_id, code)]
        return min((float(np.nanmedian(p[:, 0])) for p in mine), default=float("nan"))

    def part_share(self, model_id: str, code: str, amount: float) -> float | None:
        """By how much a part's price differs where its cheapest quality costs ``amount``.

        A share, -0.05 is 5 % cheaper; None where no amount, or no part with a price, is named.
        """
        now = self.part_price(model_id, code)
        return amount / now - 1.0 if amount > 0.0 and now > 0.0 else None


def worked_out(shop: Shop, family_id: str, month: int | None = None) -> Worked:
    """Work out one family, with the seed and the draws of every other face.

    Parameters
    ----------
    shop
        The business, as of the day that may be known of.
    month
        Number of the first month; the one after the newest data if None.
    """
    return Worked(shop, family_id, shop.outlook(family_id, month))


def unit_of(economics: Economics, family_id: str, key: Key) -> UnitEconomics | CannotSay:
    """One model and fault, or why nothing can be said of it."""
    family = economics.outlook.families[family_id]
    if isinstance(family, CannotSay):
        return family
    if key not in economics.keys(family_id):
        return CannotSay("fault_states.csv names no such fault for this model's family")
    return economics.unit(family_id, *key)


AHEAD, MORE_SALES = (0, 12), 5


def base_words(worked: Worked) -> str:
    """Say which unit the curves are for."""
    curves = worked.curves
    if curves is None:
        return ""
    words = [f"grade {curves.base_grade}"]
    if curves.base_channel:
        words.append(f"sold through {curves.base_channel}")
    basis = "" if curves.basis == "sold" else "; asking prices, not sold ones"
    return ", ".join(words) + ", base storage, without shipping, tax included" + basis


def model_table(worked: Worked) -> pd.DataFrame:
    """One row per model: age, sales behind it, and how far the figures are its own."""
    catalogue, curves = worked.logged["catalogue"], worked.curves
    days, launched = worked.days([0] * len(catalogue)), catalogue["launch_date"]
    names = catalogue["model_name"]
    table = catalogue[["model_id", "launch_date"]].assign(
        model_name=names.where(names != "", catalogue["model_id"]),
        age_months=age_in_months(days, pd.DatetimeIndex(launched)).round(1),
    )
    table = table.reset_index(drop=True)
    family = worked.family
    if curves is None:
        why = family.reason if isinstance(family, CannotSay) else ""
        unsaid = {"confidence": Confidence.CANNOT_SAY, "reason": why}
        return table.assign(n_sales=0, newest_sale=pd.NaT, **unsaid)
    newest = pd.Series(curves.fit.panel.day).groupby(curves.fit.panel.model).max()
    reasons = {} if isinstance(family, CannotSay) else family.reasons
    return table.assign(
        n_sales=curves.fit.panel.sales_by_model,
        newest_sale=[newest.get(i, pd.NaT) for i in range(len(table))],
        confidence=_confidence(worked, curves, reasons),
        reason=[reasons.get(m, "") for m in table["model_id"]],
    )


def _confidence(worked: Worked, curves: PriceCurves, reasons: Mapping[str, str]) -> list[str]:
    """Family or class average while own sales say less than half of what is known of a price."""
    few = curves.fit.panel.sales_by_model < worked.shop.settings.limits.minimum_sales
    average = Confidence.FAMILY_AVERAGE if len(curves.fit.panel.y) else Confidence.CLASS_AVERAGE
    words = np.where(few, Confidence.FEW_SALES, Confidence.OWN_SALES)
    words = np.where(learned_share(curves.fit) < 0.5, average, words)
    silent = [reasons.get(m, "").startswith("no ") for m in curves.models.ids]
    return [str(Confidence.CANNOT_SAY if s else w) for s, w in zip(silent, words, strict=True)]


def tables(worked: Worked, main: str) -> dict[str, pd.DataFrame]:
    """Work out what is estimated of a family, by the names of the outputs; some may be empty.

    ``main`` is the model whose forecast's width is told.
    """
    shop, family, logged = worked.shop, worked.family, worked.logged
    parts, known = shop.estimates(worked.family_id).parts, shop.logs
    quotes = logged["part_quotes"].sort_values("quote_date", ignore_index=True)
    seen = logged["listings"][logged["listings"]["final_price"] > 0]
    found = {
        "hammers": seen.sort_values("end_time", ignore_index=True),
        "part_points": quotes,
        "part_alerts": part_alerts(parts, logged["catalogue"], known.newest_day),
        "tries": success_by_fault(logged["repairs"], LEVEL),
        "data_quality": known.ledger.counts(),
        "reasons": known.ledger.reasons(),
        "price_changes": shop.price_changes([worked.family_id], worked.first_month),
        "broken_prices": shop.broken_ratios([worked.family_id]),
    }
    if isinstance(family, CannotSay):
        return found
    rates = family.estimates.rates
    return found | {
        "part_curve": shop.parts(worked.family_id, worked.first_month).table(LEVEL),
        "states": rates.states,
        "grades": rates.grades.assign(
            factor=[float(np.median(family.grade[g])) for g in rates.grades["grade"]]
        ),
        "readings": shares_after_reading(known, worked.family_id, rates, LEVEL),
        **_price_tables(worked),
        **_fit_tables(worked, main),
    }


def _price_tables(worked: Worked) -> dict[str, pd.DataFrame]:
    """Sales behind the price curves, and the curves as far as the forecast reaches."""
    view = worked.shop.prices(worked.family_id, worked.first_month)
    if isinstance(view, CannotSay):
        return {}
    return {"price_points": view.points(), "price_curve": view.table(LEVEL)}


def _fit_tables(worked: Worked, main: str) -> dict[str, pd.DataFrame]:
    """How far the family's price fit may be trusted; nothing where it rests on no sale."""
    curves = worked.sold_curves
    if curves is None:
        return {}
    fit = curves.fit
    out = {
        "effects": _effects(curves),
        "health": _health(worked, curves),
        "far_off": far_off(fit).rename(columns={"key": "sale_id", "day": "sale_date"}),
        "misses": residual_groups(fit, curves.base_channel or "no channel noted"),
        "model_effects": model_effects(fit),
        "market": market_index(fit, LEVEL),
        "robust": robust_check(fit),
    }
    at = curves.models.ids.index(main)
    if curves.models.price_known[at] or fit.panel.sales_by_model[at]:
        out |= {"widths": _widths(worked, curves, at), "narrowing": _narrowing(worked, curves, at)}
    return out


def _effects(curves: PriceCurves) -> pd.DataFrame:
    """Price factors of grade, channel, storage and the successor step, with intervals."""
    table = parameter_table(curves.fit, LEVEL).set_index("name")
    names = [n for n in [*curves.fit.panel.traits.names, "step"] if n in table.index]
    factors = np.exp(table.loc[names, ["estimate", "lower", "upper"]])
    return factors.rename(index={"step": "successor launched"}).reset_index(names="name")


def _health(worked: Worked, curves: PriceCurves) -> pd.DataFrame:
    """How the price fit stands: what was learned against the value started from."""
    fit, start, scales = curves.fit, curves.fit.priors, curves.fit.scales
    flagged = np.abs(fit.residuals) > price_table.FLAG_AT * scales.noise
    long_run = scales.market * np.hypot(1, start.slow_share)
    others = {0: "no effect", 1: "one other family"}
    only = ", ".join(n.replace("_", " ") for n in curves.never_sold)
    rows = [
        ("sales used", f"{len(fit.panel.y)}", "", f"over {fit.layout.n_months} months"),
        ("newest sale", f"{fit.panel.day.max():%d %B %Y}", "", ""),
        ("oldest age sold", f"{fit.panel.age.max():.0f} months", "", "older ages are extrapolated"),
        ("outliers", f"{flagged.sum()}", "", "kept, with a small weight"),
        ("weight lost to outliers", percent(1 - fit.weights.clip(max=1).mean()), "", ""),
        ("residual variation", percent(scales.noise), percent(start.noise), "of the price"),
        (
            "models against the family",
            percent(scales.level),
            percent(start.model_level),
            "spread",
        ),
        ("models' slopes per year", percent(scales.slope), percent(start.model_slope), "spread"),
        (
            "market, long run",
            _share(long_run, ".1f"),
            _share(np.hypot(start.market, start.market_slow), ".1f"),
            "moves all models together",
        ),
        (
            "grades and channels start from",
            others.get(curves.others, f"{curves.others} other families"),
            "no effect",
            f"never sold here, known from the others: {only}" if only else "own sales move them",
        ),
        _plain_curve(worked, curves),
    ]
    widths = worked.shop.calibration
    rows.append(("prediction intervals", f"times {widths.factor:.2f}", "times 1", widths.words))
    moved = () if isinstance(worked.family, CannotSay) else worked.family.grades_moved
    if moved:
        rows.append(("grades pooled", ", ".join(moved), "", "sold out of their declared order"))
    return pd.DataFrame(rows, columns=OUTPUTS["health"].names)


def _plain_curve(worked: Worked, curves: PriceCurves) -> tuple[str, str, str, str]:
    """Hold the joint curve against a plain falling one through the most sold model's own sales."""
    most = curves.models.ids[int(curves.fit.panel.sales_by_model.argmax())]
    points = price_table.price_points(curves, worked.logged["sales"])
    points = points.assign(residual=curves.fit.residuals)
    points = points[(points["model_id"] == most) & ~points["flagged"]].sort_values("age_months")
    what = "a plain curve through the most sold model"
    plain = cross_check(points["age_months"], points["adjusted"])
    if isinstance(plain, CannotSay):
        return (what, "none", "", plain.reason)
    newest = points.tail(5)
    joint = newest["adjusted"] / np.exp(newest["residual"])
    apart = float(np.mean(plain.predict(newest["age_months"]) / joint)) - 1
    note = plain.caution or "against this curve at its newest sales"
    return (what, _share(apart, "+.0f"), "", note)


def _share(share: float, form: str) -> str:
    """Print a share as per cent with its sign or decimals, spaced as ``percent`` does."""
    return f"{100 * share:{form}}\u00a0%"


def _widths(worked: Worked, curves: PriceCurves, at: int) -> pd.DataFrame:
    """Why one model's forecast is as wide as it is, now and in a year: shares by source."""
    points = curves.points(np.full(len(AHEAD), at), worked.days(AHEAD))
    half, share = width_shares(curves.fit, points, LEVEL)
    k = len(SOURCES)
    return pd.DataFrame(
        {
            "model_id": curves.models.ids[at],
            "months_ahead": np.repeat(AHEAD, k),
            "source": list(SOURCES) * len(AHEAD),
            "share": share.ravel(),
            "half_width": np.repeat(half * worked.shop.calibration.factor, k),
        }
    )


def _narrowing(worked: Worked, curves: PriceCurves, at: int) -> pd.DataFrame:
    """What five more sales of each model would take off the width of a price level in a year."""
    target = curves.points(np.array([at]), worked.days(AHEAD[-1:]))
    sold = np.flatnonzero(curves.models.launch <= worked.days((0,))[0])
    there = curves.points(sold, worked.days((0,) * len(sold)))
    now, then = level_after(curves.fit, target, there, MORE_SALES, LEVEL)
    widen = worked.shop.calibration.factor
    table = pd.DataFrame(
        {
            "model_id": curves.models.ids[at],
            "sales_of": [curves.models.ids[i] for i in sold],
            "sales": MORE_SALES,
            "half_now": now * widen,
            "half_then": then * widen,
        }
    )
    return table.sort_values(["half_then", "sales_of"], ignore_index=True)
