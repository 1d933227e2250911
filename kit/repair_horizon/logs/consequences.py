"""What follows from the logs though nobody typed it.

A unit whose sale is logged is sold, and one that was mended works; a model without a launch date is
as old as the first day it was seen; a family without fault states has those of its class; a fault
a listing names in a seller's words is the family's. Words that are no fault and no state of the
family or its class tell nothing, and are told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from repair_horizon.classes import class_knowledge, meaning_of
from repair_horizon.classes.knowledge import UNSAID
from repair_horizon.tables.faults import Fault
from repair_horizon.tables.inputs import CLASSES, TABLES
from repair_horizon.tables.words import fault_code

LOGGED_STATE, LOGGED_STATUS = "logged_state", "logged_status"
WORKING, SOLD = "working", "sold"
FIXED = ("fixed_first_pass", "fixed_after_rework")
GONE = ("sold", "parted", "scrapped", "returned")


def followed(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the stock with states and statuses that repairs and sales have overtaken.

    A unit sold since it was bought is ``sold``; one mended since is ``working``; one found to be in
    another state is in that one. What stock.csv itself says stays in ``logged_state`` and
    ``logged_status``, which are there only if something was overtaken.
    """
    stock = tables["stock"]
    if stock.empty:
        return stock
    if LOGGED_STATE in stock:
        stock = stock.assign(state=stock[LOGGED_STATE], status=stock[LOGGED_STATUS])
        stock = stock.drop(columns=[LOGGED_STATE, LOGGED_STATUS])
    here = ~stock["status"].isin(GONE)
    state = _since(stock, _found(tables["repairs"]), "opened", "state").where(here, "")
    sold = _since(stock, _sold(tables["sales"]), "sale_date", "unit_id").where(here, "") != ""
    moved = (state != "") & (state != stock["state"])
    if not (moved.any() or sold.any()):
        return stock
    return stock.assign(
        **{LOGGED_STATE: stock["state"], LOGGED_STATUS: stock["status"]},
        state=stock["state"].where(~moved, state),
        status=stock["status"].where(~sold, SOLD),
    )


def _found(repairs: pd.DataFrame) -> pd.DataFrame:
    """Return the newest job of each unit that says something: ``state`` it left the unit in."""
    state = repairs["state_found"].where(~repairs["outcome"].isin(FIXED), WORKING)
    return repairs.assign(state=state)[state != ""].sort_values("opened", kind="stable")


def _sold(sales: pd.DataFrame) -> pd.DataFrame:
    rows = sales[["unit_id", "sale_date", "price_type"]][sales["unit_id"] != ""]
    rows = rows[rows["price_type"].isin(["", "sold"])]
    return rows.sort_values("sale_date", kind="stable")


def _since(stock: pd.DataFrame, rows: pd.DataFrame, day: str, what: str) -> pd.Series:
    """The newest entry of each unit on or after the day it was bought; empty if there is none."""
    last = rows.drop_duplicates("unit_id", keep="last").set_index("unit_id")
    when = last[day].reindex(stock["unit_id"]).set_axis(stock.index)
    if what == "unit_id":
        said = stock["unit_id"]
    else:
        said = last[what].reindex(stock["unit_id"]).set_axis(stock.index)
    return said.where(when >= stock["buy_date"], "").fillna("")


def launches(catalogue: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Count the age of a model without a launch date from the first day any log shows it.

    Where ``launch_known`` is then False, ``launch_date`` is the first day seen (the newest day of
    all logs for a model nobody has seen), and the launch price is unknown too: it anchors nothing
    while nobody knows how old the model was at its first sale.
    """
    known = catalogue["launch_date"].notna()
    if known.all():
        return catalogue.assign(launch_known=known)
    dated = [
        t[["model_id", TABLES[n].date]].set_axis(["model_id", "day"], axis=1)
        for n, t in tables.items()
        if "model_id" in t and TABLES[n].date and len(t)
    ]
    days = pd.concat(dated) if dated else catalogue.assign(day=catalogue["launch_date"])
    first = catalogue["model_id"].map(days.groupby("model_id")["day"].min())
    newest = max(
        (d for d in (days["day"].max(), catalogue["launch_date"].max()) if d == d),
        default=pd.Timestamp("2000-01-01"),
    )
    return catalogue.assign(
        launch_date=catalogue["launch_date"].fillna(first).fillna(newest),
        launch_amount=catalogue["launch_amount"].where(known),
        launch_known=known,
    )


def unknown_launches(catalogue: pd.DataFrame) -> list[str]:
    """Name the models nobody knows the launch of, in a sentence."""
    models = catalogue.loc[~catalogue["launch_known"], "model_id"].tolist()
    if not models:
        return []
    some = ", ".join(models[:3]) + (f" and {len(models) - 3} more" if len(models) > 3 else "")
    return [f"Launch date unknown: {some}; age counts from the first day seen, and the launch "
            "price is no anchor."]  # fmt: skip


def with_starters(
    tables: Mapping[str, pd.DataFrame], families: Sequence[str] | None
) -> tuple[pd.DataFrame, list[str]]:
    """Fault states, with the class's starter rows for families that declare none.

    Returns the rows, with ``basis`` 'own' or 'class'; and what is to be told.
    """
    own = tables["fault_states"].assign(basis="own")
    catalogue = tables["catalogue"].drop_duplicates("family_id")
    silent = catalogue[~catalogue["family_id"].isin(own["family_id"])]
    if families is not None:
        silent = silent[silent["family_id"].isin(families)]
    if silent.empty:
        return own, []
    of_class = {c: class_knowledge(c).fault_states("") for c in silent["device_class"].unique()}
    started = [
        of_class[device_class].assign(family_id=family)
        for family, device_class in silent[["family_id", "device_class"]].itertuples(index=False)
    ]
    rows = pd.concat(started, ignore_index=True)
    row_id = "class, " + rows["listed_fault"] + ", " + rows["state"]
    rows = rows.assign(line=0, row_id=row_id, basis="class")
    names = silent["family_id"].tolist()
    some = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    note = f"Fault states of the device class are used for {some}: fault_states.csv has none."
    return pd.concat([own, rows[own.columns]], ignore_index=True) if len(own) else rows, [note]


def in_codes(listings: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return listings whose fault, named in words, is the family's code for it.

    'no power' is no_power and 'cracked screen' display_dead where the family lists such a fault;
    what no words declared mean stays as it stands, and is told of as unknown where it is scored.
    """
    catalogue = tables["catalogue"].set_index("model_id")
    known = set(tables["fault_states"][["family_id", "listed_fault"]].itertuples(index=False))
    words = listings[["model_id", "listed_fault"]].drop_duplicates()
    of = catalogue.reindex(words["model_id"])[["family_id", "device_class"]].to_numpy()
    read = {}
    for (model_id, fault), (family, device_class) in zip(
        words.itertuples(index=False), of, strict=True
    ):
        if (family, fault) in known or device_class != device_class:
            continue
        meaning = meaning_of(fault, device_class)
        codes = [fault_code(fault), *([meaning.listed_fault] if meaning.understood else [])]
        code = next((c for c in codes if (family, c) in known), None)
        if code is not None:
            read[model_id, fault] = code
    if not read:
        return listings
    pairs = zip(listings["model_id"], listings["listed_fault"], strict=True)
    return listings.assign(listed_fault=[read.get(pair, pair[1]) for pair in pairs])


FAULT, STATE = "fault", "state"
CODED = (
    ("repairs", "state_found", STATE),
    ("repairs", "listed_fault", FAULT),
    ("maker_quotes", "fault", FAULT),
    ("stock", "state", STATE),
    ("listings", "listed_fault", FAULT),
)
"""Columns whose words mean something to the family or its class only, and which of the two."""


@dataclass(frozen=True)
class UnknownCode:
    """Words in a column of faults or states that are none of the family's nor of its class.

    ``lines`` are those of the rows, ``known`` the codes of the family and the class, ``near`` what
    the words probably mean (empty where they are not understood).
    """

    table: str
    column: str
    kind: str
    code: str
    family_id: str
    device_class: str
    lines: tuple[int, ...]
    known: tuple[str, ...]
    near: str

    def in_log(self) -> Fault:
        """Say it of a log, with what to do."""
        rows = _rows_said(len(self.lines), "is used and tells", "are used and tell")
        way = f"write {self.near or 'one of them'} there"
        return self._fault(f"{self.table}.csv", f"{rows} nothing by it: {way}")

    def in_export(self, file: str) -> Fault:
        """Say it of an export coming in, with the line of a mapping that mends it."""
        rows = _rows_said(len(self.lines), "comes in and tells", "come in and tell")
        line = f'[values.{self.column}] "{self.code}" = "{self.near or "one of them"}"'
        return self._fault(file, f"{rows} nothing by it: map it, {line}")

    def _fault(self, file: str, way: str) -> Fault:
        allowed = (
            f"a {self.kind} of {self.family_id} or of a {self.device_class}: "
            f"{', '.join(self.known)}; {way}, or give it a row in fault_states.csv"
        )
        return Fault(file, self.lines[0], self.column, self.code, allowed)


def _rows_said(count: int, one: str, several: str) -> str:
    return f"1 row {one}" if count == 1 else f"{count} rows {several}"


def unknown_codes(tables: Mapping[str, pd.DataFrame]) -> list[UnknownCode]:
    """Return the words for faults and states that tell nothing, by table and first line.

    ``tables``: catalogue, fault_states and any of the tables of ``CODED``, the latter with
    ``line``; rows of models the catalogue does not name are passed over.
    """
    out = []
    for name, column, kind in CODED:
        if name in tables and column in tables[name] and len(tables[name]):
            rows = tables[name]
            if name == "stock" and LOGGED_STATE in rows:
                rows = rows.assign(state=rows[LOGGED_STATE])
            out += sorted(_unknown(rows, name, column, kind, tables), key=lambda u: u.lines)
    return out


def _unknown(
    rows: pd.DataFrame, name: str, column: str, kind: str, tables: Mapping[str, pd.DataFrame]
) -> list[UnknownCode]:
    catalogue = tables["catalogue"].drop_duplicates("model_id")
    of_model = {
        str(m): (str(family), str(kind_of))
        for m, family, kind_of in catalogue[_WHOSE].itertuples(index=False, name=None)
    }
    about = rows[rows[column] != ""]
    models, codes = (about[n].to_numpy(dtype=object) for n in ("model_id", column))
    asked = dict.fromkeys(
        (*of_model[m], str(code))
        for m, code in dict.fromkeys(zip(models, codes, strict=True))
        if m in of_model
    )
    out, told = {}, dict[str, tuple[tuple[str, ...], tuple[str, ...]]]()
    for family, device_class, code in asked:
        if device_class not in CLASSES:
            continue
        if family not in told:
            told[family] = _known(family, device_class, kind, tables["fault_states"])
        own, of_class = told[family]
        known = dict.fromkeys((*own, *of_class))
        if code in known or (name == "stock" and code == WORKING):
            continue
        near = _meant(code, device_class, kind)
        # Words of a listing are read as a fault of the family, of the class where it names none.
        if name != "listings" or near not in (own or of_class):
            place = (name, column, kind, code, family, device_class)
            near = near if near in known else ""
            out[family, code] = UnknownCode(*place, (), tuple(known), near)
    if not out:
        return []
    lines: dict[tuple[str, str], list[int]] = {}
    for m, code, line in zip(models, codes, about["line"].tolist(), strict=True):
        if m in of_model:
            lines.setdefault((of_model[m][0], str(code)), []).append(int(line))
    return [replace(found, lines=tuple(sorted(lines[key]))) for key, found in out.items()]


_WHOSE = ["model_id", "family_id", "device_class"]


def _known(
    family: str, device_class: str, kind: str, own: pd.DataFrame
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Codes of a family, as its fault table has them, and of its class."""
    of = "listed_fault" if kind == FAULT else "state"
    mine = own.loc[own["family_id"] == family, of].astype(str) if len(own) else ()
    known = class_knowledge(device_class)
    told = (*known.listed_faults, UNSAID) if kind == FAULT else tuple(known.state_codes)
    return tuple(dict.fromkeys(mine)), told


def _meant(code: str, device_class: str, kind: str) -> str:
    """Return what words probably mean, empty where they are not understood."""
    if kind == STATE:
        return class_knowledge(device_class).likely_state(code)
    meaning = meaning_of(code, device_class)
    return meaning.listed_fault if meaning.understood else ""
