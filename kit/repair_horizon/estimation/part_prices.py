"""Prices of spare parts: the same joint model with other priors, steps found, alerts told.

What a buyer of parts must know beside a price is told with it: shocks, end of supply, scarcity,
stale quotes, and prices that left their band for good.

A stop of supply moves all later quotes of a model at once. Carried as noise it would be averaged
away, and the forecast would fall back to prices nobody asks any more. So the newest quotes are
looked at for a common move; where there is one the model gets a level of its own from that
month on, and the part is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.estimation.curve.design import Points, Priors
from repair_horizon.estimation.curve.fit import JointFit, fit_joint
from repair_horizon.estimation.curve.panel import Models, Panel, Traits, dummies, models_of
from repair_horizon.estimation.curve.quarter_effects import fitted_covariance
from repair_horizon.estimation.pooled_curves import PooledParts, pooled_parts
from repair_horizon.estimation.price_rows import price_panel
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.arrays import Bools, Floats, Ints
from repair_horizon.tables.inputs import QUALITIES
from repair_horizon.tables.months import age_in_months, month_number, month_start
from repair_horizon.tables.words import percent

SHIFT = "shift "

FEWEST_NEW, FEWEST_OLD, SIGMAS, ONE_SIGMAS = 2, 3, 3.0, 1.5


# A smaller move changes no decision (common practice, no source).
SMALLEST = 0.12


# Half or double within one month is common at a stop of supply (common practice, no source).
SHIFT_SD = 0.4

_LOOK_BACK_MONTHS = 18


@dataclass(frozen=True)
class Shift:
    """A model's quotes moved together from the month ``since`` (its first day) on.

    ``size`` is in log points, above zero for dearer; ``quality`` is empty unless all the moved
    quotes are of one quality class; ``n`` counts them.
    """

    model: int
    since: pd.Timestamp
    size: float
    n: int
    quality: str = ""


def find_shifts(fit: JointFit, quality: Sequence[str]) -> list[Shift]:
    """Find the models whose quotes moved together to another level within the newest 18 months.

    Parameters
    ----------
    fit
        A part's fit, without shifts.
    quality
        Quality class of each quote, (n,).

    Returns
    -------
    list of Shift
        At most one per model; two quotes or more must lie after the month and three before it.

    Notes
    -----
    The late quotes are forecast from all the others (their own part in the fit is taken out in
    closed form) and the shift is what they have in common, with its standard error. Looking at
    the residuals of the whole fit misses shifts, because slopes, drift and weights give way to
    them. A shift counts from three standard errors on, and if no more than a quarter of the late
    quotes lie within one and a half of theirs, so that one odd quote makes none.
    """
    named, found = np.asarray(quality, dtype=object), []
    new = fit.panel.month > int(month_number([fit.panel.now])[0]) - _LOOK_BACK_MONTHS
    for model in np.unique(fit.panel.model[new]):
        mine = fit.panel.model == model
        recent = np.flatnonzero(mine & new)
        known = (recent, fitted_covariance(fit.rows, fit.posterior, fit.drift, recent))
        whole = _strongest(fit, mine, known)
        tried = [
            (_strongest(fit, mine & (named == q), known), str(q)) for q in sorted(set(named[mine]))
        ]
        # One class by itself must be clearer than all together by a whole standard error.
        bar = abs(whole[1] / whole[2]) + 1.0 if whole else 0.0
        alone = [(b, q) for b, q in tried if b and abs(b[1] / b[2]) > bar]
        every = alone or ([(whole, "")] if whole else [])
        if every:
            (since, size, _, n), one = max(every, key=lambda e: abs(e[0][1] / e[0][2]))
            found.append(Shift(int(model), month_start(since), size, n, one))
    return found


def _strongest(
    fit: JointFit, rows: Bools, known: tuple[Ints, Floats]
) -> tuple[int, float, float, int] | None:
    """Month, size, standard error and quotes of the clearest shift of some rows, if any.

    ``known`` are the model's recent rows and the covariance of their fitted values.
    """
    month, (recent, fitted) = fit.panel.month, known
    tried = []
    for since in np.unique(month[recent[rows[recent]]]):
        late = np.flatnonzero(rows & (month >= since))
        if len(late) >= FEWEST_NEW and int(rows.sum()) - len(late) >= FEWEST_OLD:
            at = np.searchsorted(recent, late)
            found = common_move(fit, late, fitted[np.ix_(at, at)])
            tried += [(int(since), *found, len(late))] if found else []
    clear = [t for t in tried if abs(t[1]) >= SIGMAS * t[2] and abs(t[1]) >= SMALLEST]
    return max(clear, key=lambda t: abs(t[1] / t[2])) if clear else None


def common_move(
    fit: JointFit, late: Ints, fitted: Floats | None = None
) -> tuple[float, float] | None:
    """Size and standard error of what quotes of one model have in common against the others.

    ``fitted`` is the covariance of their fitted values where it is known already.

    With H the covariance of the late rows' fitted values, D their precisions in the fit and r
    their residuals, the forecast error without them is D^-1 (D^-1 - H)^-1 r, with covariance
    H + H (D^-1 - H)^-1 H + noise. What the model's drift may do is in H.
    """
    leverage = fitted
    if leverage is None:
        leverage = fitted_covariance(fit.rows, fit.posterior, fit.drift, late)
    own = np.diag(1.0 / fit.row_precision[late])
    freed = np.linalg.solve(own - leverage, np.column_stack([fit.residuals[late], leverage]))
    error = own @ freed[:, 0]
    cov = leverage + leverage @ freed[:, 1:] + fit.scales.noise**2 * np.eye(len(late))
    weighed = np.linalg.solve(cov, np.ones(len(late)))
    information = float(weighed.sum() + SHIFT_SD**-2.0)
    size = float(weighed @ error) / information
    within = np.sign(size) * error < ONE_SIGMAS * np.sqrt(np.diag(cov))
    return (size, information**-0.5) if within.sum() <= len(late) // 4 else None


def with_shifts(panel: Panel, shifts: Sequence[Shift], quality: Sequence[str]) -> Panel:
    """Give every shifted model a level of its own from the shift on: one more trait each."""
    named = np.asarray(quality, dtype=object)
    columns = [_moved(s, (panel.model, panel.day), named) for s in shifts]
    old, k = panel.traits, len(shifts)
    traits = Traits(
        (*old.names, *(SHIFT + panel.models.ids[s.model] for s in shifts)),
        np.column_stack([old.values, *columns]),
        np.append(old.sd, np.full(k, SHIFT_SD)),
        np.append(old.ageing, np.zeros(k, dtype=bool)),
        np.append(old.expected, np.zeros(k)),
    )
    return replace(panel, traits=traits)


def shift_values(
    shifts: Sequence[Shift], at: tuple[Ints, pd.DatetimeIndex], quality: str
) -> Floats:
    """Values of the shifts' traits at given models and days of one quality, (n, shifts)."""
    named = np.full(len(at[0]), quality, dtype=object)
    return np.column_stack([_moved(s, at, named) for s in shifts])


def held_days(
    shifts: Sequence[Shift], at: tuple[Ints, pd.DatetimeIndex], now: pd.Timestamp
) -> pd.DatetimeIndex | None:
    """Days at which age is read: a series that turned up no longer falls with age after ``now``."""
    up = [s.model for s in shifts if s.size > 0]
    if not up:
        return None
    stopped = np.isin(at[0], up) & (at[1] > now)
    return pd.DatetimeIndex(at[1].where(~stopped, now))


def _moved(
    shift: Shift, at: tuple[Ints, pd.DatetimeIndex], quality: npt.NDArray[np.object_]
) -> Floats:
    model, day = at
    concerned = np.ones(len(model), dtype=bool) if not shift.quality else quality == shift.quality
    moved: Floats = ((model == shift.model) & (day >= shift.since) & concerned).astype("float64")
    return moved


# Copies and pulled parts get cheaper with age while the maker's own hold their price, so a
# quality's effect may change with age. On two invented businesses, twelve months ahead, this
# took the median error of a part's level from 10.6 to 5.5 % and the cover of its 80 % band from
# 69 to 92 % (tests/test_recovery.py). Noise 0.08 and drift 0.03 (0.10 and 0.05 before) took the
# mean error of the level from 5.8 to 5.5 log points at one month and from 9.0 to 8.8 at twelve,
# and the cover of its 80 % band from 87-90 to 81-86 %, on other invented families
# (tests/benchmark/part_simulator.py, seeds for choosing). A fall that fades to 2 instead of 5 %
# a year took a quarter of a month off the lateness of stop months there. The class's pace of one
# to two per cent a month from the start (-0.5 a year, 0.4 wide, before) took the mean error of a
# level from 0.113 to 0.083 where a young shop has quotes of its own, from 0.151 to 0.120 in a
# mature one (profit benchmark, seeds for choosing), from 0.096 to 0.092 at twelve months and from
# 0.134 to 0.127 at twenty-four on part_simulator.
PART_PRIORS = Priors(
    level=(-2.0, 1.5),
    first_slope=(-0.15, 0.15),
    fast_phase=(0.0, 0.0),
    damp=0.85,
    long_slope=-0.02,
    stiffness=0.05,
    model_slope=0.05,
    model_level=0.25,
    noise=0.08,
    trait_age_sd=0.06,
    drift=0.03,
    market=0.03,
    with_step=False,
    with_season=False,
)
QUALITY, SUPPLIER = "quality ", "supplier "


@dataclass(frozen=True, eq=False)
class PartCurves:
    """Fitted price curves of one part over the models of a family.

    ``offers`` has one row per model and quality class quoted: quotes, newest day, typical lead
    days, dead-on-arrival share and shipping of the newest quotes. ``shifts`` are the models whose
    quotes left their band for good; ``unseen`` the log price of a quality never quoted against the
    base one, and its deviation; ``quality`` is the class of each quote of the fit, (n,).
    """

    fit: JointFit
    base_supplier: str
    offers: pd.DataFrame
    unseen: Mapping[str, tuple[float, float]]
    shifts: tuple[Shift, ...] = ()
    quality: tuple[str, ...] = ()

    @cached_property
    def terms(self) -> dict[tuple[str, str], Any]:
        """Row of ``offers`` of each model and quality class quoted."""
        return {(str(o.model_id), str(o.quality_class)): o for o in self.offers.itertuples()}

    @cached_property
    def quotes(self) -> dict[str, int]:
        """Quotes of each model that has one, in any quality."""
        out: dict[str, int] = {}
        for (model_id, _), offer in self.terms.items():
            out[model_id] = out.get(model_id, 0) + int(offer.n_quotes)
        return out

    @cached_property
    def usual_terms(self) -> dict[str, tuple[float, float, float]]:
        """Usual shipping, lead days and share arriving dead of each quality over the family."""
        terms = ["shipping", "lead_days", "doa_rate"]
        table = self.offers.groupby("quality_class")[terms].median()
        return {str(q): tuple(row) for q, row in zip(table.index, table.to_numpy(), strict=True)}

    def points(self, model: Ints, day: pd.DatetimeIndex, quality: str) -> Points:
        """Points of one quality class at the commonest supplier.

        Days after a shift are on its new level; a series that turned up is not let fall again
        after the newest data.
        """
        names = self.fit.panel.traits.names
        values = np.zeros((len(model), len(names)))
        if QUALITY + quality in names:
            values[:, names.index(QUALITY + quality)] = 1.0
        if self.shifts:
            values[:, -len(self.shifts) :] = shift_values(self.shifts, (model, day), quality)
        held = held_days(self.shifts, (model, day), self.fit.panel.now)
        return Points(model, day, values, held)


def together(points: Sequence[Points]) -> Points:
    """Put points one after the other: one call for all costs little more than a call for one."""
    aged = [p.day if p.aged is None else p.aged for p in points]
    return Points(
        np.concatenate([p.model for p in points]),
        pd.DatetimeIndex(np.concatenate([p.day.to_numpy() for p in points])),
        np.concatenate([p.traits for p in points]),
        pd.DatetimeIndex(np.concatenate([a.to_numpy() for a in aged])),
    )


def fit_parts(
    logs: Logs, family_id: str, pooled: PooledParts | None = None
) -> dict[str, PartCurves]:
    """Fit every part quoted for a family's models.

    Parameters
    ----------
    logs
        The workspace's logs, or the family's.
    pooled
        What all quotes of the shop say; that of ``logs`` if None, which then should be the whole
        workspace's.

    Returns
    -------
    dict
        Part code to curves; empty where no part was quoted.
    """
    family = logs.family(family_id)
    models = models_of(family.tables["catalogue"])
    quotes = family.tables["part_quotes"]
    quotes = quotes[quotes["amount"] > 0]
    now = max(
        [d for d in (logs.newest_day, quotes["quote_date"].max()) if not pd.isna(d)], default=None
    )
    offers = {str(p): rows for p, rows in _offers(quotes).groupby("part_code", sort=True)}
    knowledge = class_knowledge(logs.class_of[family_id])
    pooled = pooled_parts(logs, PART_PRIORS) if pooled is None else pooled
    return {
        str(part): _fit_part(
            rows,
            _of_part(offers[str(part)]),
            models,
            now,
            replace(PART_PRIORS, model_level=pooled.model_sd),
            knowledge,
            partial(pooled.step, knowledge, (family_id, str(part))),
        )
        for part, rows in quotes.groupby("part_code", sort=True)
    }


def _of_part(offers: pd.DataFrame) -> pd.DataFrame:
    return offers.drop(columns="part_code").reset_index(drop=True)


def _fit_part(
    rows: pd.DataFrame,
    offers: pd.DataFrame,
    models: Models,
    now: pd.Timestamp,
    priors: Priors,
    knowledge: ClassKnowledge,
    step: Callable[[str, str], tuple[float, float]],
) -> PartCurves:
    """Fit one part from its quotes; its level starts from the class, qualities from the shop."""
    quality, supplier = (str(rows[c].mode().iloc[0]) for c in ("quality_class", "supplier_id"))
    qualities, quality_columns = dummies(rows["quality_class"], quality)
    suppliers, supplier_columns = dummies(rows["supplier_id"], supplier)
    share = knowledge.part_share(str(rows["part_code"].iloc[0]), quality)
    if not isinstance(share, CannotSay):
        priors = replace(priors, level=(share.log_centre, share.log_sd))
    steps = [step(q, quality) for q in qualities]
    unseen = {q: step(q, quality) for q in QUALITIES if q not in (quality, *qualities)}
    names = [QUALITY + q for q in qualities] + [SUPPLIER + s for s in suppliers]
    traits = Traits(
        tuple(names),
        np.hstack([quality_columns, supplier_columns]),
        np.array([sd for _, sd in steps] + [0.1] * len(suppliers)),
        np.array([n.startswith(QUALITY) for n in names], dtype=bool),
        np.array([mean for mean, _ in steps] + [0.0] * len(suppliers)),
    )
    dated = rows.rename(columns={"quote_date": "day", "quote_id": "key"})
    panel = price_panel(models, dated, traits, now, priors)
    classes = tuple(str(q) for q in rows["quality_class"])
    fit = fit_joint(panel, priors)
    shifts = tuple(find_shifts(fit, classes))
    if shifts:
        fit = fit_joint(with_shifts(panel, shifts, classes), priors)
    return PartCurves(fit, supplier, offers, unseen, shifts, classes)


def _offers(rows: pd.DataFrame) -> pd.DataFrame:
    """Terms per part, model and quality: medians over the quotes of the newest 180 days."""
    keys = ["part_code", "model_id", "quality_class"]
    newest = rows.groupby(keys)["quote_date"].transform("max")
    fresh = rows[(newest - rows["quote_date"]).dt.days <= 180]
    fresh = fresh.assign(rate=fresh["amount"] / fresh["unit_price"])
    fresh = fresh.assign(shipping=fresh["shipping"].fillna(0.0) * fresh["rate"])
    by = fresh.groupby(keys, sort=True)
    terms = by[["lead_days", "doa_rate", "shipping"]].median()
    counts = rows.groupby(keys).agg(n_quotes=("quote_id", "size"), newest=("quote_date", "max"))
    return terms.join(counts).reset_index()


LEFT_BAND, SUPPLY, SCARCE, STALE = "left its band", "end of supply", "possible scarcity", "stale"
ALERT_COLUMNS = ["part_code", "model_id", "quality_class", "kind", "since", "words"]
# Common practice, no source.
OLD_AGE, STALE_DAYS, SUPPLY_MONTHS, IN_A_ROW = 36.0, 180, 6.0, 3
# Below the three standard errors of a shift: a doubt, not a finding.
DEAR_SIGMAS = 2.5


def part_alerts(
    parts: Mapping[str, PartCurves], catalogue: pd.DataFrame, now: pd.Timestamp
) -> pd.DataFrame:
    """List what is unusual about the parts of one family.

    Parameters
    ----------
    parts
        Part code to curves, from ``fit_parts``.
    catalogue
        The family's catalogue rows, for ``spare_part_end_date``.
    now
        Day up to which is known.

    Returns
    -------
    DataFrame
        ``part_code, model_id, quality_class`` (empty: all classes), ``kind`` (``LEFT_BAND``: the
        quotes moved to another level; ``SUPPLY``: supply has ended or ends within six months;
        ``SCARCE``: the last three quotes of a part over three years old lay dear of what the
        others forecast by two and a half standard errors, so the forecast is a lower bound;
        ``STALE``: no quote for 180 days), ``since`` (day) and ``words``; sorted, at most one row
        per key and kind.
    """
    ends = catalogue.set_index("model_id")["spare_part_end_date"]
    rows: list[tuple[object, ...]] = []
    for code, curves in parts.items():
        found = [*_shocks(curves), *_supply(curves, ends, now)]
        found += [*_scarce(curves, now), *_stale(curves, now)]
        rows += [(code, *row) for row in found]
    table = pd.DataFrame(rows, columns=ALERT_COLUMNS)
    return table.sort_values(ALERT_COLUMNS[:4], ignore_index=True, kind="stable")


_Row = tuple[str, str, str, pd.Timestamp, str]


def _shocks(curves: PartCurves) -> Iterator[_Row]:
    for shift in curves.shifts:
        model = curves.fit.panel.models.ids[shift.model]
        change = abs(np.expm1(shift.size))
        way = "dearer" if shift.size > 0 else "cheaper"
        held = "; no fall is forecast from there" if shift.size > 0 else ""
        words = (
            f"left its band in {shift.since:%Y-%m}: about {percent(change)} {way} by "
            f"{shift.n} quotes; the forecast starts again from them{held}"
        )
        yield model, shift.quality, LEFT_BAND, shift.since, words


def _supply(curves: PartCurves, ends: pd.Series, now: pd.Timestamp) -> Iterator[_Row]:
    for model in dict.fromkeys(curves.offers["model_id"]):
        end = ends.get(model, pd.NaT)
        if pd.isna(end):
            continue
        ahead = float(age_in_months([end], [now])[0])
        if ahead <= 0:
            yield model, "", SUPPLY, end, f"the maker's supply ended on {end:%Y-%m-%d}"
        elif ahead <= SUPPLY_MONTHS:
            words = f"the maker's supply ends on {end:%Y-%m-%d}; a jump in price is usual then"
            yield model, "", SUPPLY, end, words


def _scarce(curves: PartCurves, now: pd.Timestamp) -> Iterator[_Row]:
    fit, panel = curves.fit, curves.fit.panel
    shifted = {s.model for s in curves.shifts}
    for at, model in enumerate(panel.models.ids):
        old = float(age_in_months([now], panel.models.launch[[at]])[0]) >= OLD_AGE
        newest = np.flatnonzero(panel.model == at)
        newest = newest[np.argsort(panel.day[newest].to_numpy(), kind="stable")][-IN_A_ROW:]
        if not old or at in shifted or len(newest) < IN_A_ROW:
            continue
        move = common_move(fit, newest)
        if move is not None and move[0] > DEAR_SIGMAS * move[1]:
            since = month_start(int(panel.month[newest].min()))
            words = (
                f"the last {IN_A_ROW} quotes lie dear of what the others say: possibly scarce, "
                "take the forecast for a lower bound"
            )
            yield model, "", SCARCE, since, words


def _stale(curves: PartCurves, now: pd.Timestamp) -> Iterator[_Row]:
    for offer in curves.offers.itertuples():
        days = (now - offer.newest).days
        if days > STALE_DAYS:
            words = f"newest quote is {days} days old"
            yield str(offer.model_id), str(offer.quality_class), STALE, offer.newest, words
