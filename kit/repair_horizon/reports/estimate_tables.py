"""Tables of what the logs say: curves with their points, parts, rates, and how healthy fits are.

Tables of how repairs turn out: states, success and grades, with the jobs behind them.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.estimation import curve_tables
from repair_horizon.estimation.curve.predict import learned_share
from repair_horizon.estimation.device_prices import PriceCurves
from repair_horizon.estimation.repairs import shares_after_reading, success_by_fault
from repair_horizon.logs import CannotSay
from repair_horizon.reports.worked import Worked
from repair_horizon.tables.codes import Confidence
from repair_horizon.tables.months import age_in_months, month_middle

Floats = npt.NDArray[np.float64]


def price_curves(worked: Worked) -> PriceCurves | None:
    """Price curves of the family, or None where nothing can be said of it."""
    if isinstance(worked.family, CannotSay):
        return None
    prices = worked.family.estimates.prices
    return None if isinstance(prices, CannotSay) else prices


def sold_curves(worked: Worked) -> PriceCurves | None:
    """Price curves that rest on sales, or None: of a class's curve there is nothing to check."""
    curves = price_curves(worked)
    return None if curves is None or not len(curves.fit.panel.y) else curves


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
        return table.assign(
            n_sales=0, newest_sale=pd.NaT, confidence=Confidence.CANNOT_SAY, reason=why
        )
    newest = pd.Series(curves.fit.panel.day).groupby(curves.fit.panel.model).max()
    reasons = {} if isinstance(worked.family, CannotSay) else worked.family.reasons
    return table.assign(
        n_sales=curves.fit.panel.sales_by_model,
        newest_sale=[newest.get(i, pd.NaT) for i in range(len(table))],
        confidence=_confidence(worked, curves),
        reason=[reasons.get(m, "") for m in table["model_id"]],
    )


def _confidence(worked: Worked, curves: PriceCurves) -> list[str]:
    """Family or class average while own sales say less than half of what is known of a price."""
    few = curves.fit.panel.sales_by_model < worked.settings.limits.minimum_sales
    reasons = {} if isinstance(worked.family, CannotSay) else worked.family.reasons
    average = Confidence.FAMILY_AVERAGE if len(curves.fit.panel.y) else Confidence.CLASS_AVERAGE
    words = np.where(few, Confidence.FEW_SALES, Confidence.OWN_SALES)
    words = np.where(learned_share(curves.fit) < 0.5, average, words)
    silent = [reasons.get(m, "").startswith("no ") for m in curves.models.ids]
    return [str(Confidence.CANNOT_SAY if s else w) for s, w in zip(silent, words, strict=True)]


def price_points(worked: Worked) -> pd.DataFrame:
    """Sales behind the curve, also brought to the base grade, channel and storage."""
    curves = price_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=curve_tables.POINT_COLUMNS)
    sales = worked.logs.family(worked.family_id).tables["sales"]
    return curve_tables.price_points(curves, sales)


def price_curve(worked: Worked) -> pd.DataFrame:
    """Monthly curve per model, from its first logged month (or launch) to the horizon."""
    curves = price_curves(worked)
    if curves is None:
        return pd.DataFrame(columns=curve_tables.CURVE_COLUMNS)
    end = worked.first_month + worked.outlook.months
    return curve_tables.price_curve(curves, end, worked.level, worked.calibration.factor)


def part_points(worked: Worked) -> pd.DataFrame:
    """Part quotes in the settlement currency."""
    quotes = worked.logs.family(worked.family_id).tables["part_quotes"]
    columns = ["quote_date", "model_id", "part_code", "quality_class", "supplier_id", "amount"]
    return quotes[columns].sort_values("quote_date", ignore_index=True)


def part_curve(worked: Worked) -> pd.DataFrame:
    """Monthly part prices per model and quality quoted, at the commonest supplier."""
    curves = {} if isinstance(worked.family, CannotSay) else worked.family.estimates.parts
    end = worked.first_month + worked.outlook.months
    return curve_tables.part_curve(curves, end, worked.level)


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
