"""What a buyer of parts must know beside a price: shocks, end of supply, scarcity, stale quotes.

Part prices that left their band for good: when, by how much, and the curve restarted there.

A stop of supply moves all later quotes of a model at once. Carried as noise it would be averaged
away, and the forecast would fall back to prices nobody asks any more. So the newest quotes are
looked at for a common move; where there is one the model gets a level of its own from that
month on, and the part is fitted again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from repair_horizon.estimation.part_prices import PartCurves, common_move
from repair_horizon.tables.months import age_in_months, month_start
from repair_horizon.tables.words import percent

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
