"""What the whole shop says of broken against working prices, before one family's own sales.

    log ratio of a fault = class centre + shop + fault + class x fault + family + the fault there
    log hammer ratio     = the same + hammer offset + the fault's own there

The class's starting knowledge is the centre; the shop's offset from it is common to all, so is
part of a fault's. Ratios of one family are held against a plain working price of the same model
around the same day, so that no price curve is needed; a family's own ratios (``broken_prices``)
are worked out with its curve and start from what the others say.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import pandas as pd

from repair_horizon.classes import Figure, class_knowledge, meaning_of
from repair_horizon.estimation.robust_means import GaussianPrior, robust_fit
from repair_horizon.logs import Logs
from repair_horizon.tables.arrays import Floats, Ints
from repair_horizon.tables.inputs import CLASSES
from repair_horizon.tables.months import age_in_months

NOT_SOLD = ("locked", "blocked")
NO_FAULT = "no fault"
"""Key of a unit that turns out to work; sold as is it is untested, not broken."""
NO_FAULT_RATIO = (0.70, 0.25)
"""Ratio and log sd of such a unit (common practice, no source)."""
SHOP_SD, FAMILY_SD, FAULT_SD = 0.30, 0.12, 0.20
"""Offset of a shop from its classes, of a family, of a fault in one family (judgement)."""
WHOLE_SHARE_SD = 0.45
"""A fault whose ratio is as unsure as this takes its whole part in those offsets."""
SECOND_FAULT = 0.3
"""Part of a further fault's fall that a state with several has beside the worst (judgement)."""
HAMMER_SD, HAMMER_FAMILY_SD, HAMMER_FAULT_SD = 0.45, 0.12, 0.30
"""Offset of a shop's hammer prices from as-is values beside the class's, of a family, of a fault
in one family (judgement: a lot may turn out to be any of its fault's states, a described unit not).
"""
LEAST_KEY_SD = 0.10
FOUND, LISTED, UNDER_HAMMER = range(3)
START_NOISE = np.array([0.25, 0.30, 0.30])
"""Scale of one row around its usual ratio (judgement): an own as-is sale of a unit whose state was
found, one by its listed fault, which may turn out to be any of its states, a hammer price."""
_PASSES, _FAULTS_WORTH, _OWN_WORTH = 5, 6.0, 10.0
_WINDOW_DAYS, _CURVE_SD, _WORKING_SD = 120.0, 0.30, 0.15

KEYS = (
    "display", "cover_display", "no_power", "for_parts", "battery", "back", "other_part", "locked",
    "liquid", "board", NO_FAULT,
)  # fmt: skip


@dataclass(frozen=True)
class RatioCentre:
    """What the class says of one fault or state: its key in as_is.csv, log centre and log sd."""

    key: str
    log_ratio: float
    log_sd: float


def works(state: str) -> bool:
    """Whether a state's name says that nothing is broken."""
    return re.search(r"no_fault|works", state) is not None


def ratio_centre(name: str, device_class: str, listed_fault: str = "") -> RatioCentre:
    """Return the class's as-is ratio of a listed fault or a state, from the words of its code.

    A state of several faults ('display_and_back') is worth what the worst of them is; one whose
    words say nothing is taken for the fault it is listed under.
    """
    if works(name):
        return RatioCentre(NO_FAULT, float(np.log(NO_FAULT_RATIO[0])), NO_FAULT_RATIO[1])
    words = [w for w in re.split(r"_and_|_with_|;|\+", name) if w]
    read = [meaning_of(w, device_class) for w in words]
    keys = [m.as_is_key for m in read if m.understood]
    if not keys:
        keys = [meaning_of(listed_fault or name, device_class).as_is_key]
    found = sorted(((_figure(device_class, k), k) for k in dict.fromkeys(keys)), key=_worth)
    figure, key = found[0]
    # The worst fault counts whole, each other one for a part: parts and hours add up.
    more = sum(SECOND_FAULT * np.log(f.value) for f, _ in found[1:])
    # Draws of a wide figure must average to it, not lie around it by their median.
    return RatioCentre(key, figure.log_centre + float(more), figure.log_sd)


def _worth(found: tuple[Figure, str]) -> float:
    return found[0].value


def _figure(device_class: str, key: str) -> Figure:
    """Return the class's ratio of a key of as_is.csv, by words that are taken for it."""
    words = {"other_part": "sound", "cover_display": "outer display"}.get(key, key)
    return class_knowledge(device_class).as_is_ratio(words)


@dataclass(frozen=True, eq=False)
class FamilyRatios:
    """One family's own ratios by fault: log distance from the class's centre, and its variance."""

    family_id: str
    device_class: str
    keys: tuple[str, ...]
    off: Floats
    variance: Floats
    hammer: tuple[bool, ...] = ()

    @cached_property
    def _under_hammer(self) -> Floats:
        return np.array(self.hammer or [False] * len(self.keys), dtype="float64")

    @cached_property
    def _load(self) -> Floats:
        load = loads(self.device_class, self.keys)
        load[:, HAMMER] = self._under_hammer
        return load

    def _cov(self, fault_sd: float) -> Floats:
        """Covariance of its ratios around what the shop shares."""
        hammer, scale = self._under_hammer, _scales(self.device_class, self.keys)
        own = np.diag(self.variance + (fault_sd * scale) ** 2 + HAMMER_FAULT_SD**2 * hammer)
        own += FAMILY_SD**2 * np.outer(scale, scale)
        return np.asarray(own + HAMMER_FAMILY_SD**2 * np.outer(hammer, hammer))

    def information(self, fault_sd: float) -> tuple[Floats, Floats]:
        """Precision and pull its ratios give the shared effects, family and fault taken out."""
        load, right = self._load, np.column_stack([self._load, self.off])
        weighed = np.linalg.solve(self._cov(fault_sd), right)
        return load.T @ weighed[:, :-1], load.T @ weighed[:, -1]

    def second_moments(self, fault_sd: float, mean: Floats, cov: Floats) -> Floats:
        """Expected squares of its faults' own effects, as-is sales alone, in units of the scale.

        ``mean`` and ``cov`` are those of the shared effects.
        """
        load, sold = self._load, self._under_hammer == 0
        own = (fault_sd * _scales(self.device_class, self.keys)) ** 2
        gain = np.linalg.solve(self._cov(fault_sd) + load @ cov @ load.T, np.diag(own)).T
        square = (gain @ (self.off - load @ mean)) ** 2 + own - np.diag(gain) * own
        return np.asarray((square / own)[sold] * fault_sd**2)


@dataclass(frozen=True, eq=False)
class PooledRatios:
    """Every family's own ratios; ``prior`` says what those of one family start from."""

    families: tuple[FamilyRatios, ...] = ()

    def behind(self, family_id: str) -> int:
        """How many other families' ratios a family starts from."""
        return sum(f.family_id != family_id for f in self.families)

    def prior(
        self, family_id: str, device_class: str, centres: Sequence[RatioCentre]
    ) -> GaussianPrior:
        """Prior of the log ratios of some faults of one family, its own sales left out.

        Returns
        -------
        GaussianPrior
            (faults + 1,) and (faults + 1, faults + 1), the last for the offset of hammer prices
            from as-is values: faults of one key share an error, all of them share the shop's and
            the family's.
        """
        precision, pull = self._whole
        for own in self.families:
            if own.family_id == family_id:
                less = own.information(self._fault_sd)
                precision, pull = precision - less[0], pull - less[1]
        cov = np.linalg.inv(precision + np.diag(self._spread**-2.0))
        keys = [c.key for c in centres]
        load = np.vstack([loads(device_class, keys), np.eye(len(pull))[HAMMER]])
        centre = [c.log_ratio for c in centres] + [_hammer_centre(device_class)]
        mean = np.array(centre) + load @ (cov @ pull)
        scale = np.append(_scales(device_class, keys), 0.0)
        whole = load @ cov @ load.T + FAMILY_SD**2 * np.outer(scale, scale)
        whole += np.diag((self._fault_sd * scale) ** 2)
        whole[-1, -1] += HAMMER_FAMILY_SD**2
        return GaussianPrior(mean, whole)

    @cached_property
    def _whole(self) -> tuple[Floats, Floats]:
        """Precision and pull of the shared effects, all families together."""
        return self._together(self._fault_sd)

    def _together(self, fault_sd: float) -> tuple[Floats, Floats]:
        n = len(_columns())
        precision, pull = np.zeros((n, n)), np.zeros(n)
        for family in self.families:
            more = family.information(fault_sd)
            precision, pull = precision + more[0], pull + more[1]
        return precision, pull

    @cached_property
    def _fault_sd(self) -> float:
        """How far a fault of one family lies from what is shared, learned from all of them."""
        sd, start = FAULT_SD, np.diag(_prior_spread() ** -2.0)
        for _ in range(_PASSES if self.families else 0):
            precision, pull = self._together(sd)
            cov: Floats = np.asarray(np.linalg.inv(precision + start), dtype="float64")
            found = [f.second_moments(sd, cov @ pull, cov) for f in self.families]
            squares = np.concatenate(found)
            told = squares.sum() + _OWN_WORTH * FAULT_SD**2
            sd = float(np.sqrt(told / (len(squares) + _OWN_WORTH)))
        return sd

    @cached_property
    def _spread(self) -> Floats:
        """Standard deviation of each shared effect: one factor for all faults is learned."""
        start = _prior_spread()
        precision, pull = self._whole
        seen = (np.diag(precision) > 0) & (np.arange(len(start)) > HAMMER)
        factor = 1.0
        for _ in range(_PASSES if seen.any() else 0):
            spread = np.where(np.arange(len(start)) > HAMMER, factor * start, start)
            cov = np.linalg.inv(precision + np.diag(spread**-2.0))
            second = ((cov @ pull) ** 2 + np.diag(cov))[seen] / start[seen] ** 2
            factor = float(np.sqrt((second.sum() + _FAULTS_WORTH) / (len(second) + _FAULTS_WORTH)))
        return np.where(np.arange(len(start)) > HAMMER, factor * start, start)


HAMMER = 1
"""Place of the hammer offset among the shared effects, after the shop's."""


@cache
def _columns() -> dict[tuple[str, str], int]:
    """Shared effects: the shop's, the hammer's, one a key, one a key in a class."""
    names = [("", ""), ("", "hammer"), *(("", k) for k in KEYS)]
    names += [(c, k) for c in CLASSES for k in KEYS]
    return {name: i for i, name in enumerate(names)}


@cache
def _prior_spread() -> Floats:
    """Standard deviations of the shared effects, so that a class's ratio is as wide as it says."""
    out = np.full(len(_columns()), SHOP_SD)
    out[HAMMER] = HAMMER_SD
    for (device_class, key), i in _columns().items():
        if device_class:
            sd, scale = _width(device_class, key), _scale(device_class, key)
            left = sd**2 - scale**2 * (SHOP_SD**2 + FAMILY_SD**2 + FAULT_SD**2)
            # Half of what is a fault's own holds in all classes.
            out[i] = np.sqrt(max(left, LEAST_KEY_SD**2) / 2)
    for key in KEYS:
        each = [out[_columns()[c, key]] for c in CLASSES]
        out[_columns()["", key]] = float(np.mean(each))
    return out


def loads(device_class: str, keys: Sequence[str]) -> Floats:
    """Loads of faults of a class on the shared effects, (faults, effects)."""
    columns = _columns()
    out = np.zeros((len(keys), len(columns)))
    for i, key in enumerate(keys):
        out[i, [columns["", key], columns[device_class, key]]] = 1.0
        out[i, 0] = _scale(device_class, key)
    return out


def _hammer_centre(device_class: str) -> float:
    return float(np.log(class_knowledge(device_class).hammer_ratio.value))


@cache
def _width(device_class: str, key: str) -> float:
    return NO_FAULT_RATIO[1] if key == NO_FAULT else _figure(device_class, key).log_sd


def _scale(device_class: str, key: str) -> float:
    """How far a fault goes along with what all share: a worn battery less than a dead board."""
    return min(_width(device_class, key) / WHOLE_SHARE_SD, 1.0)


def _scales(device_class: str, keys: Sequence[str]) -> Floats:
    return np.array([_scale(device_class, k) for k in keys])


def pooled_ratios(logs: Logs) -> PooledRatios:
    """Work out every family's own ratios, without any price curve.

    Parameters
    ----------
    logs
        The whole workspace's.
    """
    broken = pd.concat([as_is_rows(logs), hammer_rows(logs)], ignore_index=True)
    if broken.empty:
        return PooledRatios()
    catalogue = logs.tables["catalogue"].drop_duplicates("model_id").set_index("model_id")
    sales = logs.tables["sales"]
    plain = sales[(sales["condition"] != "as_is") & (sales["amount"] > 0)]
    plain = plain[plain["model_id"].isin(set(broken["model_id"]))]
    by_model = {str(m): rows for m, rows in plain.groupby("model_id", sort=False)}
    parts = [
        against_plain(rows, by_model.get(str(model)), catalogue.loc[model])
        for model, rows in broken.groupby("model_id", sort=False)
    ]
    table = pd.concat(parts, ignore_index=True)
    table = table.assign(family=table["model_id"].map(logs.family_of))
    found = [
        family_ratios(str(family), logs.class_of[str(family)], rows)
        for family, rows in table.groupby("family", sort=False)
    ]
    return PooledRatios(tuple(found))


_ROWS = ["model_id", "fault", "day", "amount", "storage_gb"]
_ROWS += ["asked", "hammer", "unwon", "found", "opened"]
OPENED_RATIO = (0.68, 0.25)
"""As-is price of a unit whose repair failed against before, and its log sd (common practice, no
source): opened, parts tried, a buyer told so. Of a state that is usually repaired such units are
most of the shop's own as-is sales."""


def as_is_rows(logs: Logs) -> pd.DataFrame:
    """As-is sales with a fault named: model, fault, day, amount, storage, whether only asked.

    ``found`` are own sales, of units whose state was found; ``opened`` are those a repair of which
    the logs say failed.
    """
    repairs = logs.tables["repairs"]
    failed = set(repairs.loc[repairs["outcome"] == "not_fixed", "unit_id"]) - {""}
    sales = logs.tables["sales"]
    rows = sales[(sales["condition"] == "as_is") & (sales["listed_fault"] != "")]
    rows = rows[rows["amount"] > 0]
    rows = rows.rename(columns={"sale_date": "day", "listed_fault": "fault"})
    asked = rows["price_type"] == "asking"
    if "storage_gb" not in rows:
        rows = rows.assign(storage_gb=np.nan)
    opened, found = rows["unit_id"].isin(failed), rows["own_sale"] == 1.0
    kind = {"hammer": False, "unwon": False, "found": found, "opened": opened}
    return rows.assign(asked=asked, **kind)[_ROWS]


def kinds_of(rows: pd.DataFrame) -> Ints:
    """Kind of each row of ``as_is_rows`` and ``hammer_rows``: what its scale is learned with."""
    hammer, found = (rows[name].to_numpy(dtype=bool) for name in ("hammer", "found"))
    return np.select([hammer, found], [UNDER_HAMMER, FOUND], LISTED).astype("int64")


def single_units(listings: pd.DataFrame) -> pd.DataFrame:
    """Listings of one unit: no job lots."""
    return listings[~(listings["quantity"] > 1) & (listings["lot_id"] == "")]


def single_auctions(listings: pd.DataFrame) -> pd.DataFrame:
    """Listings of one unit that were auctions, which is what no terms mean."""
    return single_units(listings[listings["terms"].isin(["", "auction"])])


def hammer_rows(logs: Logs) -> pd.DataFrame:
    """Auctions of single units with a final price, in the columns of ``as_is_rows``.

    ``unwon`` are those whose price is not the highest rival's.
    """
    rows = single_auctions(logs.tables["listings"])
    rows = rows[rows["final_price"] > 0]
    names = {"end_time": "day", "listed_fault": "fault", "final_price": "amount"}
    rows = rows.rename(columns=names)
    unwon = rows["result"] != "won"
    fixed = {"storage_gb": np.nan, "asked": False, "hammer": True, "found": False}
    return rows.assign(unwon=unwon, opened=False, **fixed)[_ROWS]


def against_plain(rows: pd.DataFrame, plain: pd.DataFrame | None, model: pd.Series) -> pd.DataFrame:
    """Log ratio of each broken unit of a model to its plain working price then, and its variance.

    Rows too far from any working price are left out; the others keep their index. Working sales
    count the less the farther off in time, moved to the day by the class's pace; the class's curve
    and the launch price stand in where there is none.
    """
    kind = class_knowledge(str(model["device_class"]))
    day = rows["day"].to_numpy()
    age = age_in_months(rows["day"], model["launch_date"])
    known = float(model["launch_amount"])
    centre = kind.price_curve.at(age).value
    start = np.log(known) + np.log(centre) if known > 0 else np.zeros(len(rows))
    worth = _CURVE_SD**-2.0 if known > 0 else 0.0
    total, weight = worth * start, np.full(len(rows), worth)
    if plain is not None:
        apart = (day[:, None] - plain["sale_date"].to_numpy()) / np.timedelta64(1, "D")
        near = np.exp(-0.5 * (apart / _WINDOW_DAYS) ** 2) * (np.abs(apart) < 4 * _WINDOW_DAYS)
        near /= _WORKING_SD**2
        pace = float(kind.price_curve.pace(float(np.median(age))).value)
        moved = np.log(plain["amount"].to_numpy("float64")) + pace * apart / 30.44
        total, weight = total + (near * moved).sum(axis=1), weight + near.sum(axis=1)
    ratio = np.log(rows["amount"].to_numpy("float64")) - total / np.maximum(weight, 1e-9)
    asked = rows["asked"].to_numpy("float64") * np.log(kind.market("ask_to_sold").value)
    opened = rows["opened"].to_numpy("float64") * np.log(OPENED_RATIO[0])
    out = rows.assign(ratio=ratio + asked - opened, reference=1.0 / np.maximum(weight, 1e-9))
    return out[weight > 1.0]


def family_ratios(family_id: str, device_class: str, rows: pd.DataFrame) -> FamilyRatios:
    """Average one family's ratios by fault, robustly; hammer prices apart from as-is sales.

    Parameters
    ----------
    family_id, device_class
        The family and its class.
    rows
        ``fault, hammer, found, ratio`` (log, against a plain working price) and ``reference``
        (variance of that price).
    """
    cells = sorted(set(zip(rows["fault"], rows["hammer"].astype(bool), strict=True)))
    centres = [ratio_centre(f, device_class) for f, _ in cells]
    number = {cell: i for i, cell in enumerate(cells)}
    each = zip(rows["fault"], rows["hammer"].astype(bool), strict=True)
    at = np.array([number[cell] for cell in each])
    y = rows["ratio"].to_numpy("float64")
    middle = np.array([float(np.median(y[at == i])) for i in range(len(cells))])
    wide = GaussianPrior(middle, np.eye(len(cells)))
    fit = robust_fit(y, np.eye(len(cells))[at], wide, START_NOISE, kinds_of(rows))
    # A reference shared by a model's sales does not average out: its mean variance stays.
    shared = rows["reference"].groupby(at).mean().to_numpy()
    hammer = tuple(h for _, h in cells)
    usual = np.array([c.log_ratio for c in centres])
    off = fit.mean - usual - np.array(hammer) * _hammer_centre(device_class)
    keys = tuple(c.key for c in centres)
    return FamilyRatios(family_id, device_class, keys, off, np.diag(fit.cov) + shared, hammer)
