"""Tables of what the logs say: curves with their points, parts, rates, and how healthy fits are.

Tables of how repairs turn out: states, success and grades, with the jobs behind them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation.curve.fit import JointFit
from repair_horizon.estimation.curve.predict import Band, learned_share, predict
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.part_prices import together
from repair_horizon.estimation.repairs import shares_after_reading, success_by_fault
from repair_horizon.logs import CannotSay
from repair_horizon.reports.worked import Worked
from repair_horizon.tables.months import age_in_months, month_middle, month_start

Floats = npt.NDArray[np.float64]

FLAG_AT = 4.0
LEARNED, THIN, PRIOR, SILENT = "learned", "thin", "mostly prior", "cannot say"


def price_curves(worked: Worked) -> PriceCurves | None:
    """Price curves of the family, or None where nothing can be said of it."""
    if isinstance(worked.family, CannotSay):
        return None
    prices = worked.family.estimates.prices
    return None if isinstance(prices, CannotSay) else prices


def base_words(worked: Worked) -> str:
    """Say which unit the curves are for."""
    curves = price_curves(worked)
    if curves is None:
        return ""
    words = [f"grade {curves.base_grade}"]
    if curves.base_channel:
        words.append(f"sold through {curves.base_channel}")
    basis = "" if curves.basis == "sold" else "; asking prices, not sold ones"
    return ", ".join(words) + ", base storage, without shipping, tax included" + basis


def model_table(worked: Worked) -> pd.DataFrame:
    """One row per model: age, sales behind it, and how far the figures are its own."""
    catalogue = worked.logs.family(worked.family_id).tables["catalogue"]
    curves = price_curves(worked)
    day = month_middle(worked.first_month)
    days = pd.DatetimeIndex([day] * len(catalogue))
    table = pd.DataFrame(
        {
            "model_id": catalogue["model_id"],
            "model_name": catalogue["model_name"].where(
                catalogue["model_name"] != "", catalogue["model_id"]
            ),
            "launch_date": catalogue["launch_date"],
            "age_months": age_in_months(days, pd.DatetimeIndex(catalogue["launch_date"])).round(1),
        }
    ).reset_index(drop=True)
    if curves is None:
        why = worked.family.reason if isinstance(worked.family, CannotSay) else ""
        return table.assign(n_sales=0, newest_sale=pd.NaT, confidence=SILENT, reason=why)
    newest = pd.Series(curves.fit.panel.day).groupby(curves.fit.panel.model).max()
    reasons = {} if isinstance(worked.family, CannotSay) else worked.family.reasons
    return table.assign(
        n_sales=curves.fit.panel.sales_by_model,
        newest_sale=[newest.get(i, pd.NaT) for i in range(len(table))],
        confidence=_confidence(worked, curves),
        reason=[reasons.get(m, "") for m in table["model_id"]],
    )


def _confidence(worked: Worked, curves: PriceCurves) -> list[str]:
    """'mostly prior' while a model's own sales say less than half of what is known of its price."""
    few = curves.fit.panel.sales_by_model < worked.settings.limits.minimum_sales
    reasons = {} if isinstance(worked.family, CannotSay) else worked.family.reasons
    words = np.where(few, THIN, LEARNED)
    words = np.where(learned_share(curves.fit) < 0.5, PRIOR, words)
    silent = [reasons.get(m, "").startswith("no ") for m in curves.models.ids]
    return [SILENT if s else str(w) for s, w in zip(silent, words, strict=True)]


def price_points(worked: Worked) -> pd.DataFrame:
    """Sales behind the curve, also brought to the base grade, channel and storage."""
    columns = ["model_id", "sale_date", "age_months", "amount", "adjusted", "grade", "price_type"]
    curves = price_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=[*columns, "weight", "flagged"])
    fit = curves.fit
    panel, sales = fit.panel, worked.logs.family(worked.family_id).tables["sales"]
    about = sales.set_index("sale_id")[["grade", "price_type"]].loc[list(panel.key)]
    return pd.DataFrame(
        {
            "model_id": [panel.models.ids[m] for m in panel.model],
            "sale_date": panel.day,
            "age_months": panel.age,
            "amount": panel.amount,
            "adjusted": panel.amount / np.exp(_trait_part(fit)),
            "grade": about["grade"].to_numpy(),
            "price_type": about["price_type"].replace("", "sold").to_numpy(),
            "weight": np.minimum(fit.weights, 1.0),
            "flagged": np.abs(fit.residuals) > FLAG_AT * fit.scales.noise,
        }
    )


def _trait_part(fit: JointFit) -> Floats:
    """What grade, channel, storage and their ageing contribute to each row."""
    traits = fit.panel.traits
    at = [fit.layout.dense(n) for n in traits.names]
    ageing = [
        fit.layout.dense(f"{n} by age")
        for n, a in zip(traits.names, traits.ageing, strict=True)
        if a
    ]
    columns = at + ageing
    out: Floats = fit.rows.dense[:, columns] @ fit.posterior.mean[columns]
    return out


def price_curve(worked: Worked) -> pd.DataFrame:
    """Monthly curve per model, from its first logged month (or launch) to the horizon."""
    curves = price_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=["model_id", "month", "age_months", *_BAND, "phase"])
    fit = curves.fit
    parts = []
    for i, model_id in enumerate(curves.models.ids):
        if not curves.models.price_known[i] and not fit.panel.sales_by_model[i]:
            continue
        launch = curves.models.launch[i]
        first = max(fit.layout.first_month, launch.year * 12 + launch.month - 1)
        numbers = np.arange(first, worked.first_month + worked.outlook.months)
        if not len(numbers):
            continue
        days = pd.DatetimeIndex([max(month_middle(int(n)), launch) for n in numbers])
        band = predict(fit, curves.points(np.full(len(days), i), days))
        band = replace(band, widen=worked.calibration.factor)
        table = _band_table(band, float(curves.models.launch_price[i]), worked.level)
        table["model_id"], table["age_months"] = model_id, age_in_months(days, [launch] * len(days))
        parts.append(_dated(table, numbers, fit.layout.last_month))
    return pd.concat(parts, ignore_index=True)


_BAND = ["predicted", "lower", "upper", "level_lower", "level_upper"]


def _band_table(band: Band, scale: float | Floats, level: float) -> pd.DataFrame:
    low, high = (1 - level) / 2, (1 + level) / 2
    columns = [
        band.median,
        band.sale_quantile(low),
        band.sale_quantile(high),
        band.level_quantile(low),
        band.level_quantile(high),
    ]
    return pd.DataFrame({n: scale * np.exp(c) for n, c in zip(_BAND, columns, strict=True)})


def _dated(table: pd.DataFrame, numbers: npt.NDArray[np.int64], last: int) -> pd.DataFrame:
    months = pd.DatetimeIndex([month_start(n) for n in numbers])
    return table.assign(month=months, phase=np.where(numbers > last, "forecast", "logged"))


def part_points(worked: Worked) -> pd.DataFrame:
    """Part quotes in the settlement currency."""
    quotes = worked.logs.family(worked.family_id).tables["part_quotes"]
    columns = ["quote_date", "model_id", "part_code", "quality_class", "supplier_id", "amount"]
    return quotes[columns].sort_values("quote_date", ignore_index=True)


def part_curve(worked: Worked) -> pd.DataFrame:
    """Monthly part prices per model and quality quoted, at the commonest supplier."""
    parts = []
    curves = {} if isinstance(worked.family, CannotSay) else worked.family.estimates.parts
    for code, curve in curves.items():
        fit = curve.fit
        last = worked.first_month + worked.outlook.months
        numbers = np.arange(fit.layout.first_month, last)
        days = pd.DatetimeIndex([month_middle(int(n)) for n in numbers])
        offers = list(curve.offers.itertuples())
        at = [fit.panel.models.ids.index(o.model_id) for o in offers]
        later = [days >= fit.panel.models.launch[i] for i in at]
        counts = [int(mask.sum()) for mask in later]
        points = [
            curve.points(np.full(n, i), days[mask], o.quality_class)
            for o, i, mask, n in zip(offers, at, later, counts, strict=True)
        ]
        if not sum(counts):
            continue
        scale = np.repeat(fit.panel.models.launch_price[at], counts)
        table = _band_table(predict(fit, together(points)), scale, worked.level)
        table["model_id"], table["part_code"] = (
            np.repeat([o.model_id for o in offers], counts),
            code,
        )
        table["quality_class"] = np.repeat([o.quality_class for o in offers], counts)
        month = np.concatenate([numbers[mask] for mask in later])
        parts.append(_dated(table, month, fit.layout.last_month))
    columns = ["model_id", "part_code", "quality_class", "month", *_BAND, "phase"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def tries_table(worked: Worked) -> pd.DataFrame:
    """Repairs tried by listed fault, with the family's own success and its interval."""
    return success_by_fault(worked.logs.family(worked.family_id).tables["repairs"], worked.level)


def reading_table(worked: Worked) -> pd.DataFrame:
    """The likeliest state behind each listed fault once the first reading is known."""
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame()
    rates = worked.family.estimates.rates
    return shares_after_reading(worked.logs, worked.family_id, rates, worked.level)


def state_table(worked: Worked) -> pd.DataFrame:
    """What listed faults turn out to be, and how often repair succeeds, with the jobs behind."""
    columns = ["listed_fault", "state", "share", "share_lower", "share_upper", "n_found"]
    columns += ["success", "success_lower", "success_upper", "n_tried", "hours", "part_codes"]
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame(columns=columns)
    return worked.family.estimates.rates.states[columns]


def grade_table(worked: Worked) -> pd.DataFrame:
    """Grades after repair: price factor against the base grade, share, jobs."""
    if isinstance(worked.family, CannotSay):
        return pd.DataFrame(columns=["grade", "factor", "share", "n"])
    grades = worked.family.estimates.rates.grades
    factor = [float(np.median(worked.family.grade[g])) for g in grades["grade"]]
    return grades.assign(factor=factor)[["grade", "factor", "share", "n"]]
