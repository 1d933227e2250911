"""Rules that need more than one row or more than one table.

Each rule of the sales says which rows it names; ``check_sales`` applies them in order, so every
row is set aside or held for the first rule that names it. A sale undone later, and a part of a
price paid back later, are kept beside the rows used, since nobody knew of them before their day.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from repair_horizon.logs.currencies import convert
from repair_horizon.logs.reading import in_words
from repair_horizon.tables.arrays import Bools, Floats
from repair_horizon.tables.faults import HELD, SET_ASIDE, exception_rows
from repair_horizon.tables.inputs import TABLES

# One zero too many makes a price ten times too high; a unit sold for its parts is easily ten times
# too low, so below the usual more is let through to the robust fit.
_TOO_HIGH, _TOO_LOW = 8.0, 1 / 12.0
_FAR, _ALIKE = 1.6, 1.2
_WINDOW, _ENOUGH = "180D", 8
_APART = np.timedelta64(400, "D").astype("timedelta64[s]")
# Digits nobody asks as a price: one digit four times and more, or counted up.
_PLACEHOLDER = "|".join([*(f"{d}{{4,}}" for d in range(1, 10)), "1234(?:5(?:6(?:7(?:89?)?)?)?)?"])
# An amount far off for so many models, and oftener so than not, is filled in by somebody's system.
_FILLS_MODELS, _FILLS_ROWS = 3, 5
# Where more offers than this share would be taken for one seen again, equal prices tell nothing.
_REPOSTS_AT_MOST, _REPOSTS_FEW, _SEEN_AT_MOST = 0.10, 20, 3
_ENDS = ("refund", "cancelled", "chargeback")


@dataclass(frozen=True, eq=False)
class CheckedSales:
    """Sales after the rules.

    ``used`` are the rows used, with what was paid back taken off. ``undone`` are sound sales that
    were undone later, with the day it became known in ``undone_on``; ``refunds`` has one row per
    part of a price paid back: ``sale_id``, ``day`` and ``gross`` in the sale's own currency.
    ``taken`` are ledger lines, ``notes`` what is to be told of the log as a whole.
    """

    used: pd.DataFrame
    undone: pd.DataFrame
    refunds: pd.DataFrame
    taken: list[pd.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def check_keys(name: str, rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Keep the first of rows with one key; a different row under the same key is held."""
    key = TABLES[name].key
    if not key or rows.empty:
        return []
    code = pd.Series(pd.factorize(rows[key])[0], index=rows.index)
    repeat = code.duplicated(keep="first")
    if not repeat.any():
        return []
    # A row can only equal one of its own key, so the others need not be compared.
    alike = rows[code.duplicated(keep=False)].drop(columns=["line", "row_id"])
    same = alike.duplicated(keep="first").reindex(rows.index, fill_value=False)
    return [
        exception_rows(name, rows[repeat & same], SET_ASIDE, f"the same row again ({key})"),
        exception_rows(name, rows[repeat & ~same], HELD, f"another row has this {key}"),
    ]


def check_models(name: str, rows: pd.DataFrame, models: pd.Series) -> list[pd.DataFrame]:
    """Hold rows of models the catalogue does not name."""
    unknown = ~rows["model_id"].isin(models)
    held = exception_rows(name, rows[unknown], HELD, "model_id is not in catalogue.csv")
    if held.empty:
        return [held]
    known = {alike(m): m for m in models}
    meant = rows.loc[unknown, "model_id"].map(lambda m: visible_name(known.get(alike(m), "")))
    meant = meant.to_numpy()
    looks = meant != ""
    found = rows.loc[unknown, "model_id"].map(ascii).to_numpy()
    return [
        held.assign(
            column=np.where(looks, "model_id", ""),
            found=np.where(looks, found, ""),
            allowed=np.where(looks, "a model of catalogue.csv; it looks like " + meant, ""),
        )
    ]


def visible_name(identifier: str) -> str:
    """Return an identifier with whatever of it has no shape, or another one's, written out."""
    plain = unicodedata.normalize("NFKC", identifier)
    return identifier if plain == identifier and plain.isprintable() else ascii(identifier)


def alike(identifier: str) -> str:
    """Return what a reader sees of an identifier: no case, no width, nothing without a shape."""
    if identifier.isascii() and identifier.isprintable():
        return identifier.lower().replace(" ", "")
    plain = unicodedata.normalize("NFKC", identifier).casefold()
    return "".join(c for c in plain if unicodedata.category(c)[0] not in "CZ")


def notes_on_alike(catalogue: pd.DataFrame) -> list[str]:
    """Name identifiers of the catalogue that are not the same and look the same."""
    notes = []
    for column in ("model_id", "family_id"):
        names = pd.Series(catalogue[column].unique(), dtype="str")
        seen = names.map(alike)
        for _, same in names[seen.duplicated(keep=False)].groupby(seen):
            shown = " and ".join(ascii(n) for n in same)
            notes.append(f"{column}s of the catalogue that look alike: {shown}.")
    return notes


def check_sales(
    rows: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    held: Iterable[str] = (),
    repost_days: int = 14,
) -> CheckedSales:
    """Apply the rules for sales.

    Parameters
    ----------
    rows
        Typed sales.
    tables
        Typed rows of the other tables; the catalogue and the rates of exchange are looked at.
    held
        Identifiers of sales that are held for review.
    repost_days
        An offer seen again within so many days counts once; with 0 each counts.
    """
    if rows.empty:
        return CheckedSales(rows, rows.assign(undone_on=rows["sale_date"]), no_refunds())
    referred = _referred(rows)
    rows, refunds, spoilt = _net_of_partial_refunds(rows, referred, tables["fx_rates"])
    undone_on = _undone_on(rows, referred)
    notes: list[str] = []
    named = np.zeros(len(rows), dtype=bool)
    taken: list[pd.DataFrame] = []

    def take(hit: Bools, status: str, reason: str) -> None:
        hit = hit & ~named
        if hit.any():
            taken.append(exception_rows("sales", rows.loc[hit, _NAMED_BY], status, reason))
            named[hit] = True

    sale = rows["record_type"].isin(["", "sale"]).to_numpy()
    undone = sale & undone_on.notna().to_numpy()
    take(undone, SET_ASIDE, "sale refunded in full, cancelled or charged back")
    if not sale.all():
        for hit, reason in _records(rows, sale, set(held), referred):
            take(hit, SET_ASIDE, reason)
    for reason, gone in spoilt.groupby("reason", sort=False)["day"]:
        there = rows.index.isin(referred.index[referred.isin(gone.index)])
        hit = (sale & there) & undone_on.isna().to_numpy()
        take(hit, HELD, reason)
        undone_on[hit] = rows.loc[hit, "sale_id"].map(gone)
        undone |= hit
    several = (rows["quantity"] > 1).to_numpy()
    offer = (rows["price_type"] == "offer").to_numpy()
    nothing = (rows["gross_amount"] <= 0).to_numpy()
    early = _before_launch(rows, tables["catalogue"])
    single = ~(named | several | offer | nothing | early)
    ratio = _ratio_to_usual(rows, single, single | several)
    take(several & (ratio > 1 / _ALIKE) & (ratio < _ALIKE), SET_ASIDE, _SINGLE)
    take(several, SET_ASIDE, "several pieces in one price")
    take(offer, SET_ASIDE, "an offer, not a price")
    take(nothing, HELD, "amount is zero or negative")
    take(early, SET_ASIDE, "sold before the model's launch date")
    for found, status, reason in _odd_amounts(rows, single, ratio):
        take(found, status, reason)
    again, note = _reposts(rows, ~named, repost_days)
    notes += [note] if note else []
    take(rows.index.isin(again), SET_ASIDE, f"the same offer again within {repost_days} days")
    used = rows[~named] if named.any() else rows
    sound = undone & ~(several | early | offer | nothing)
    later = rows[sound].assign(undone_on=undone_on[sound])
    return CheckedSales(used, _of_usual_size(later, used), refunds, taken, notes)


_NAMED_BY = ["line", "row_id"]
_SINGLE = "several pieces at the usual price of one: is the quantity right?"


def no_refunds() -> pd.DataFrame:
    """Return an empty table of parts of prices paid back."""
    return pd.DataFrame(
        {
            "sale_id": pd.Series(dtype="str"),
            "day": pd.Series(dtype="datetime64[s]"),
            "gross": pd.Series(dtype="float64"),
        }
    )


def _referred(rows: pd.DataFrame) -> pd.Series:
    """Identifiers of the rows that others refer to: sought once, since that takes time.

    They are plain objects, of which many are found among many 20 times as fast as of Arrow's.
    """
    named = rows["refers_to_sale_id"]
    hit = rows["sale_id"].isin(named[named != ""].unique())
    return rows.loc[hit, "sale_id"].astype(object)


def _undone_on(rows: pd.DataFrame, referred: pd.Series) -> pd.Series:
    """Day on which each sale was undone; missing for the others."""
    on = pd.Series(pd.NaT, index=rows.index, dtype="datetime64[s]")
    ends = rows[rows["record_type"].isin(_ENDS) & (rows["refers_to_sale_id"] != "")]
    if ends.empty:
        return on
    first = ends.groupby("refers_to_sale_id")["sale_date"].min()
    hit = referred[referred.isin(first.index)]
    on[hit.index] = hit.map(first)
    return on


def _records(
    rows: pd.DataFrame, sale: Bools, held: set[str], referred: pd.Series
) -> list[tuple[Bools, str]]:
    """Refund and cancellation records, those of sales nobody knows by their own reason."""
    at = rows.loc[~sale, "refers_to_sale_id"].astype(object)
    known = at.isin(referred[pd.Series(sale, rows.index)[referred.index]])

    def among_all(found: pd.Series) -> Bools:
        whole = np.zeros(len(rows), dtype=bool)
        whole[np.flatnonzero(~sale)] = found
        return whole

    waiting = at.isin(held)
    return [
        (among_all(at == ""), "a refund or cancellation that names no sale"),
        (among_all(waiting), "a refund or cancellation of a sale held for review"),
        (among_all(~known), "a refund or cancellation of a sale the log does not have"),
        (~sale, "a refund or cancellation record, not a sale"),
    ]


_UNPRICED, _ALL_BACK = "no exchange rate for what was paid back", "all of it was paid back, or more"


def _net_of_partial_refunds(
    rows: pd.DataFrame, referred: pd.Series, rates: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Take what was paid back off its sale, each in the sale's currency at the day of the refund.

    Returns the rows; the refunds; and by identifier the sales that are none any more since a
    ``day``, for a ``reason``: their amount stays what it was until then.
    """
    refunds, spoilt = no_refunds(), pd.DataFrame(columns=["day", "reason"])
    part = rows[rows["record_type"] == "partial_refund"]
    if part.empty:
        return rows, refunds, spoilt
    named = rows.loc[referred.index[referred.isin(part["refers_to_sale_id"].unique())]]
    named = named[named["record_type"].isin(["", "sale"])]
    sales = named.drop_duplicates("sale_id").set_index("sale_id")
    part = part[part["refers_to_sale_id"].isin(sales.index)]
    if part.empty:
        return rows, refunds, spoilt
    currency = part["refers_to_sale_id"].map(sales["currency"])
    back = part["gross_amount"].abs()
    for wanted in currency.unique():
        these = (currency == wanted) & (part["currency"] != wanted)
        given = part.loc[these, ["gross_amount", "currency", "sale_date"]]
        given = given.set_axis(["amount", "currency", "date"], axis=1)
        back[these] = convert(given.assign(amount=given["amount"].abs()), rates, str(wanted))
    refunds = pd.DataFrame(
        {"sale_id": part["refers_to_sale_id"], "day": part["sale_date"], "gross": back}
    ).reset_index(drop=True)
    by = refunds.groupby("sale_id")
    total, price = by["gross"].sum(), sales["gross_amount"]
    unpriced = by["gross"].count() < by.size()
    gone = unpriced | ((total >= price.reindex(total.index)) & (price.reindex(total.index) > 0))
    spoilt = by["day"].max()[gone].to_frame()
    spoilt["reason"] = np.where(unpriced[gone], _UNPRICED, _ALL_BACK)
    refunds = refunds[~refunds["sale_id"].isin(spoilt.index)].reset_index(drop=True)
    lowered = named.loc[named["sale_id"].isin(refunds["sale_id"]), "sale_id"]
    amount = rows["gross_amount"].copy()
    amount[lowered.index] -= lowered.map(total).astype("float64")
    return rows.assign(gross_amount=amount), refunds, spoilt


def _before_launch(rows: pd.DataFrame, catalogue: pd.DataFrame) -> Bools:
    launch = catalogue.set_index("model_id")["launch_date"]
    code, models = pd.factorize(rows["model_id"])
    early = rows["sale_date"] < launch.reindex(models).take(code).set_axis(rows.index)
    return early.to_numpy(dtype=bool)


def _odd_amounts(rows: pd.DataFrame, single: Bools, ratio: Floats) -> list[tuple[Bools, str, str]]:
    """Amounts that stand for something else, or are far off the usual of their model."""
    far = single & ((ratio > _FAR) | (ratio < 1 / _FAR))
    amount = rows["gross_amount"].to_numpy()
    # Only whole amounts can be of such digits, so that few are printed.
    whole = np.flatnonzero(single & (amount >= 1) & (amount == np.floor(amount)))
    values, code = np.unique(amount[whole], return_inverse=True)
    text = pd.Series(values.astype("int64").astype("str"), dtype="str")
    digits, one, nines = (np.zeros(len(rows), dtype=bool) for _ in range(3))
    for mask, form in ((digits, _PLACEHOLDER), (one, "1"), (nines, "9{4,}")):
        mask[whole] = text.str.fullmatch(form).to_numpy(dtype=bool)[code]
    models = rows.loc[nines, "model_id"].groupby(amount[nines]).transform("nunique").to_numpy()
    # 9999 as 'just under 10000' is a price
    price_point = nines.copy()
    price_point[nines] = (models < 2) & (amount[nines] < 99999)
    return [
        (far & (digits | one), SET_ASIDE, "placeholder amount"),
        (digits & ~price_point, HELD, "digits of a placeholder, near the usual price"),
        (
            _fills(rows, single, far),
            HELD,
            "an amount that is far off for several models: a filler?",
        ),
        (
            single & ((ratio > _TOO_HIGH) | (ratio < _TOO_LOW)),
            SET_ASIDE,
            "far off the model's usual price (above 8 or below 1/12)",
        ),
    ]


def _fills(rows: pd.DataFrame, single: Bools, far: Bools) -> Bools:
    """Rows of an amount of working units that is far off for several models, and mostly so."""
    working = single & (rows["condition"] != "as_is").to_numpy()
    suspects = rows.loc[far & working, ["gross_amount", "model_id"]]
    many = suspects.groupby("gross_amount")["model_id"].agg(["nunique", "size"])
    many = many[(many["nunique"] >= _FILLS_MODELS) & (many["size"] >= _FILLS_ROWS)]
    amount = rows["gross_amount"].to_numpy()
    hit = working & np.isin(amount, many.index)
    times = pd.Series(amount[hit]).value_counts()
    return hit & np.isin(amount, many.index[many["size"] >= times.reindex(many.index) / 2])


def _of_usual_size(later: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Sales undone later whose amount a rule would have let through."""
    if later.empty:
        return later
    keys = ["model_id", "currency", "condition"]
    usual = used.groupby(keys)["gross_amount"].median()
    mine = usual.reindex(pd.MultiIndex.from_frame(later[keys])).to_numpy(dtype="float64")
    ratio = later["gross_amount"].to_numpy() / mine
    return later[~((ratio > _TOO_HIGH) | (ratio < _TOO_LOW))]


def _ratio_to_usual(rows: pd.DataFrame, single: Bools, asked: Bools) -> Floats:
    """How many times the usual price of a single unit the amounts asked about are; else 1.

    The usual price is the median of its model, currency and condition within 90 days either way,
    since prices fall; where fewer than eight stand there, the median of all days.
    """
    at = np.flatnonzero(asked)
    by = np.zeros(len(rows), dtype="int64")
    for name in ("model_id", "currency", "condition"):
        code, words = pd.factorize(rows[name])
        by = by * len(words) + code
    by = by[at]
    amount = rows["gross_amount"].to_numpy()[at]
    known = pd.Series(np.where(single[at], amount, np.nan))
    day = rows["sale_date"].to_numpy()[at].astype("datetime64[s]")
    # Groups stand one after the other on one line of time, too far apart to share a window.
    apart = (day.max() - day.min() + _APART) if len(day) else _APART
    placed = day + by * apart
    order = np.argsort(placed, kind="stable")
    line = pd.Series(known.to_numpy()[order], index=pd.DatetimeIndex(placed[order]))
    near = np.empty(len(at))
    near[order] = line.rolling(_WINDOW, center=True, min_periods=_ENOUGH).median().to_numpy()
    few = np.flatnonzero(np.bincount(by, np.isnan(near))[by])  # in groups where that is wanted
    usual = near.copy()
    overall = known.iloc[few].groupby(by[few]).transform("median").to_numpy()
    usual[few] = np.where(np.isnan(near[few]), overall, near[few])
    ratio = np.ones(len(rows))
    ratio[at] = amount / usual
    return ratio


_OFFERED = ("model_id", "gross_amount", "currency", "grade", "storage_gb", "channel", "source_ref")


def _reposts(rows: pd.DataFrame, left: Bools, within: int) -> tuple[pd.Index, str]:
    """Find offers seen again within some days: same model, traits and amount, on another day.

    Equal amounts alone mostly are coincidence (of the published camera offers, about nine in ten
    such pairs): either every offer has a reference of its own and it repeats, or the amount has
    four figures that are not zero at the end and was seen a few times only, never twice a day.
    Where that still names more than a tenth of the offers, equal prices are how this market asks,
    and none is taken.

    Returns labels of the rows, and what is to be told ('' if nothing).
    """
    asking = in_words(rows[left & (rows["price_type"] == "asking").to_numpy()])
    of = len(asking)
    if within == 0 or asking.empty:
        return asking.index[:0], ""
    named = asking["source_ref"]
    own = bool((named != "").all()) and named.value_counts().median() <= _SEEN_AT_MOST
    if not own:
        amounts, code = np.unique(asking["gross_amount"], return_inverse=True)
        cents = pd.Series(np.rint(amounts * 100).astype("int64")).astype("str")
        asking = asking[(cents.str.strip("0-").str.len() >= 4).to_numpy(dtype=bool)[code]]
    asking = asking.sort_values(["sale_date", "line"])
    group = asking.groupby(list(_OFFERED), dropna=False)["sale_date"]
    before = group.shift()
    again = (asking["sale_date"] - before).dt.days.between(1, within)
    if not own:
        once_a_day = group.transform("nunique") == group.transform("size")
        again &= once_a_day & (group.transform("size") <= _SEEN_AT_MOST)
        n = int(again.sum())
        if n > max(_REPOSTS_FEW, _REPOSTS_AT_MOST * of):
            said = f"{n} of {of} asking prices return within {within} days under other identifiers"
            return asking.index[:0], f"{said}: so many tell nothing, and each counts."
    return asking.index[again], ""
