"""What follows from the logs though nobody typed it.

A unit whose sale is logged is sold, and one that was mended works; a model without a launch date is
as old as the first day it was seen; a family without fault states has those of its class; a fault
a listing names in a seller's words is the family's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from repair_horizon.classes import class_knowledge, meaning_of
from repair_horizon.tables.inputs import TABLES
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
