"""A workspace folder read, checked and ready: ``read_logs`` and what it returns.

Every log of a workspace read, not yet checked against each other; and where its rows stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.classes import class_knowledge
from repair_horizon.logs.checking import (
    CheckedSales,
    check_keys,
    check_models,
    check_sales,
    no_refunds,
    notes_on_alike,
)
from repair_horizon.logs.currencies import check_rates, convert
from repair_horizon.logs.now import days_of, last_day
from repair_horizon.logs.partitions import (
    FAMILY,
    FILE,
    ROW,
    can_be_partitioned,
    family_by_model,
    read_parts,
)
from repair_horizon.logs.reading import TableRead, empty_rows, find_file, read_table
from repair_horizon.logs.unit_life import followed
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import CATALOGUE, REQUIRED_TABLES, TABLES, Table
from repair_horizon.tables.row_accounts import HELD, Ledger, exception_rows, no_exceptions
from repair_horizon.tables.settings import read_settings

_MONEY = {
    "sales": ("gross_amount", "currency", "sale_date"),
    "part_quotes": ("unit_price", "currency", "quote_date"),
    "maker_quotes": ("price", "currency", "quote_date"),
    "stock": ("landed_cost", "currency", "buy_date"),
}
Ints = npt.NDArray[np.int64]

_NOWHERE = np.zeros(0, dtype="int64")
_DATED = ("sales", "part_quotes", "repairs")


def _none_undone() -> pd.DataFrame:
    """Return an empty table of sales undone later."""
    rows = empty_rows(TABLES["sales"])
    return rows.assign(amount=rows["gross_amount"], undone_on=rows["sale_date"])


@dataclass(frozen=True, eq=False)
class Logs:
    """Every log of a workspace: rows that may be used, and what became of the others.

    ``tables`` maps each table's name to its typed rows (empty where the file is absent). Money
    has one more column, ``amount``, in the settlement currency ``currency`` at the rate of the
    row's own day; the original stays beside it. ``days`` holds the days of dated rows that were
    left out with their families, so that what is called newest stays the whole workspace's.

    ``undone`` are sales undone later, with the day that became known (``undone_on``), and
    ``refunds`` what was paid back later (``sale_id``, ``day``, ``gross`` in the sale's currency):
    ``as_of`` an earlier day nobody knew of it. ``notes`` is what is to be told of the logs as a
    whole, one sentence each.
    """

    folder: Path
    currency: str
    grade_order: tuple[str, ...]
    tables: Mapping[str, pd.DataFrame]
    ledger: Ledger
    days: pd.DatetimeIndex = field(default_factory=lambda: pd.DatetimeIndex([]))
    undone: pd.DataFrame = field(default_factory=_none_undone)
    refunds: pd.DataFrame = field(default_factory=no_refunds)
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        """Say what is in it, without paths or addresses."""
        counts = ", ".join(f"{len(t)} {n}" for n, t in self.tables.items() if len(t))
        return f"Logs({self.currency}: {counts})"

    @property
    def families(self) -> list[str]:
        """Identifiers of the families, in the catalogue's order."""
        return list(dict.fromkeys(self.tables["catalogue"]["family_id"]))

    @property
    def newest_day(self) -> pd.Timestamp:
        """Day of the newest sale, quote or job used; where there is none the day they were read."""
        days = [self.tables[n][TABLES[n].date].max() for n in _DATED if len(self.tables[n])]
        days += [self.days.max()] if len(self.days) else []
        return max(days) if days else pd.Timestamp("NaT")

    def as_of(self, day: str | pd.Timestamp) -> Logs:
        """Return what was known at the end of ``day``; undated tables stay whole.

        Where nothing dated was known yet, that day is the newest.
        """
        limit = pd.Timestamp(day)
        if not self._later_than(limit):
            return self
        kept = {
            n: t[t[TABLES[n].date] <= limit] if TABLES[n].date else t
            for n, t in self.tables.items()
        }
        kept["sales"] = self._sales_known(kept["sales"], limit)
        kept["stock"] = followed(kept)
        out = replace(
            self,
            tables=kept,
            days=self.days[self.days <= limit],
            undone=self.undone[self.undone["undone_on"] <= limit],
            refunds=self.refunds[self.refunds["day"] <= limit],
        )
        return out if out.newest_day == out.newest_day else replace(out, days=_only(limit))

    def _sales_known(self, sales: pd.DataFrame, limit: pd.Timestamp) -> pd.DataFrame:
        """Sales as they stood on a day: not yet undone, and before what was paid back later."""
        sound = self.undone[
            (self.undone["undone_on"] > limit) & (self.undone["sale_date"] <= limit)
        ]
        if len(sound):
            sales = pd.concat([sales, sound[sales.columns]]).sort_values("line", kind="stable")
        later = self.refunds[self.refunds["day"] > limit].groupby("sale_id")["gross"].sum()
        back = sales["sale_id"].map(later)
        if later.empty or back.isna().all():
            return sales
        gross = sales["gross_amount"] + back.fillna(0.0)
        scale = (gross / sales["gross_amount"]).where(back.notna(), 1.0)
        return sales.assign(gross_amount=gross, amount=sales["amount"] * scale)

    def _later_than(self, limit: pd.Timestamp) -> bool:
        """Whether any dated row came after a day; an undated one counts as later, as it goes."""
        dated = [t[TABLES[n].date] for n, t in self.tables.items() if TABLES[n].date]
        told = [self.undone["undone_on"], self.refunds["day"]]
        return not all((days <= limit).all() for days in [*dated, *told, self.days])

    @property
    def now_words(self) -> str:
        """Say which day is taken for now, and which rows set it."""
        now = self.newest_day
        rows = {n: self.tables[n] for n in _DATED}
        set_by = [
            f"{n}.csv line {line} ({row_id})"
            for n, t in rows.items()
            for line, row_id in t.loc[t[TABLES[n].date] == now, ["line", "row_id"]].itertuples(
                index=False
            )
        ]
        more = f" and {len(set_by) - 3} more" if len(set_by) > 3 else ""
        if not set_by:
            return f"Now is {now:%Y-%m-%d}: no row read here is of that day."
        said = ", ".join(set_by[:3]) + more
        return f"Now is {now:%Y-%m-%d}, the day of the newest rows: {said}."

    def of(self, families: Sequence[str]) -> Logs:
        """Return all that estimating some families needs, and no more.

        The catalogue, repairs and rates of exchange stay whole, since a class of devices shares
        its repair rates; ``newest_day`` stays that of all families.
        """
        catalogue = self.tables["catalogue"]
        models = catalogue.loc[catalogue["family_id"].isin(families), "model_id"]
        kept = dict(self.tables)
        for name, table in self.tables.items():
            if split_by_family(name):
                by, own = ("family_id", families) if "family_id" in table else ("model_id", models)
                kept[name] = table[table[by].isin(own)]
        seen = [pd.DatetimeIndex(self.tables[n][TABLES[n].date].unique()) for n in _DATED]
        return replace(
            self,
            tables=kept,
            days=seen[0].append([*seen[1:], self.days]).unique(),
            undone=self.undone[self.undone["model_id"].isin(models)],
        )

    def family(self, family_id: str) -> Logs:
        """Return the logs of one family (rates of exchange stay whole)."""
        if family_id in self._last:
            return self._last[family_id]
        if family_id not in self.families:
            known = ", ".join(self.families)
            raise LogFault([Fault("catalogue.csv", None, "family_id", family_id, known)])
        kept = dict(self.tables)
        for name, places in self._places.items():
            kept[name] = self.tables[name].iloc[places.get(family_id, _NOWHERE)]
        self._last.clear()
        models = self.tables["catalogue"]
        models = models.loc[models["family_id"] == family_id, "model_id"]
        self._last[family_id] = replace(
            self,
            tables=kept,
            days=self.days[:0],
            undone=self.undone[self.undone["model_id"].isin(models)],
        )
        return self._last[family_id]

    @cached_property
    def _last(self) -> dict[str, Logs]:
        """The family cut out last: every step of a fit asks for the same one."""
        return {}

    @cached_property
    def _places(self) -> dict[str, dict[str, Ints]]:
        """Where each family's rows stand, table by table: sorted once, not sought each time."""
        catalogue = self.tables["catalogue"]
        owner = catalogue.drop_duplicates("model_id").set_index("model_id")["family_id"]
        return {
            name: _places_in(table, owner)
            for name, table in self.tables.items()
            if "family_id" in table or "model_id" in table
        }


def _only(day: pd.Timestamp) -> pd.DatetimeIndex:
    return pd.DatetimeIndex([pd.Timestamp(day).normalize()])


def _places_in(table: pd.DataFrame, owner: pd.Series) -> dict[str, Ints]:
    """Positions of each family's rows in one table; ``owner`` is the family of each model."""
    by_model = "family_id" not in table
    code, names = pd.factorize(table["model_id" if by_model else "family_id"])
    if by_model:
        number, names = pd.factorize(owner.reindex(names))
        code = number[code] if len(number) else code
    order = np.argsort(code, kind="stable")
    bounds = np.searchsorted(code[order], np.arange(len(names) + 1))
    return {str(n): order[bounds[i] : bounds[i + 1]] for i, n in enumerate(names)}


def read_logs(
    folder: str | Path,
    families: Sequence[str] | None = None,
    today: str | pd.Timestamp | None = None,
) -> Logs:
    """Read and check every log of a workspace.

    Parameters
    ----------
    folder
        The workspace. catalogue.csv must be there; without the other tables figures rest on what
        is known of the device class, and say so.
    families
        Read only what belongs to these, with the same verdict on every row as when all is read;
        the catalogue, repairs and rates of exchange stay whole. Of a log partitioned by family
        only their parts are read (if the settings name the currency, which otherwise all sales
        must tell). ``newest_day`` then is that of the rows read.
    today
        Rows of what happened after this day are held for review; by the clock if None.

    Returns
    -------
    Logs
        Its ledger names the file and line of every row not used.

    Raises
    ------
    LogFault
        If a file's frame or the settings are broken; all faults of all files at once.
    """
    folder = Path(folder)
    settings = read_settings(folder)
    got = gather(folder, families, narrow=families is not None and bool(settings.currency))
    now = _today() if today is None else pd.Timestamp(today)
    believed = last_day(pd.concat([days_of(got.tables), *got.days]), now)
    tables, exceptions = got.tables, got.held
    catalogue, taken = _drop(tables["catalogue"], check_keys("catalogue", tables["catalogue"]))
    tables["catalogue"], exceptions = catalogue, exceptions + taken
    for name, rows in tables.items():
        if name == "catalogue":
            continue
        late = believed.late(name, rows)
        sound, taken = _drop(rows, late)
        exceptions += late
        tables[name], taken = _drop(sound, _misplaced(name, sound, catalogue["model_id"]))
        exceptions += taken
    tables["fx_rates"], taken = _drop(tables["fx_rates"], check_rates(tables["fx_rates"]))
    exceptions += taken
    waiting = [t.loc[t["table"] == "sales", "row_id"] for t in exceptions if len(t)]
    held = pd.concat(waiting) if waiting else ()
    sales = check_sales(tables["sales"], tables, held, settings.reading.repost_days)
    tables["sales"] = pd.concat([sales.used, sales.undone]) if len(sales.undone) else sales.used
    currency = settings.currency or _only_currency(tables | {"sales": sales.used})
    tables, unpriced = _in_settlement_currency(tables, currency)
    tables, undone, unpriced = _parted(tables, sales, unpriced)
    tables["catalogue"] = _launches(_launch_prices(tables, currency), tables)
    tables["stock"] = _asking_amounts(tables, currency)
    tables["stock"] = followed(tables)
    ledger = Ledger(got.read, no_exceptions()).adding(exceptions + sales.taken + unpriced)
    if families is not None:
        tables, ledger = of_families(tables, ledger, got, families)
    tables["fault_states"], started = _with_starters(tables, families)
    notes = (*believed.notes, *sales.notes, *_unknown_launches(tables["catalogue"]), *started)
    notes += tuple(notes_on_alike(tables["catalogue"]))
    logs = Logs(
        folder,
        currency,
        tuple(settings.grade_order),
        tables,
        located(ledger, got),
        undone=undone,
        refunds=sales.refunds,
        notes=notes,
    )
    # Logs without any dated row are looked at today; with one, from their newest day.
    return logs if logs.newest_day == logs.newest_day else replace(logs, days=_only(now))


def _today() -> pd.Timestamp:
    return pd.Timestamp.today().normalize()


def _parted(
    tables: dict[str, pd.DataFrame], sales: CheckedSales, unpriced: list[pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame, list[pd.DataFrame]]:
    """Part sales that were undone later from those used, now that both have their amounts."""
    if sales.undone.empty:
        rows = tables["sales"].drop(columns="undone_on", errors="ignore")
        return tables | {"sales": rows}, _none_undone(), unpriced
    rows = tables["sales"]
    undone = rows["undone_on"].notna()
    gone = sales.undone["line"]
    unpriced = [t[(t["table"] != "sales") | ~t["line"].isin(gone)] for t in unpriced]
    tables = tables | {"sales": rows[~undone].drop(columns="undone_on")}
    return tables, rows[undone], unpriced


def _unknown_launches(catalogue: pd.DataFrame) -> list[str]:
    models = catalogue.loc[~catalogue["launch_known"], "model_id"].tolist()
    if not models:
        return []
    some = ", ".join(models[:3]) + (f" and {len(models) - 3} more" if len(models) > 3 else "")
    return [f"Launch date unknown: {some}; age counts from the first day seen, and the launch "
            "price is no anchor."]  # fmt: skip


def _with_starters(
    tables: Mapping[str, pd.DataFrame], families: Sequence[str] | None
) -> tuple[pd.DataFrame, list[str]]:
    """Fault states, with the class's starter rows for families that declare none.

    Returns
    -------
    tuple
        The rows, with ``basis`` 'own' or 'class'; and what is to be told.
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


def _misplaced(name: str, rows: pd.DataFrame, models: pd.Series) -> list[pd.DataFrame]:
    """Rows under a key already taken; of the others, those of unknown models."""
    taken = check_keys(name, rows)
    if "model_id" not in rows:
        return taken
    gone = pd.concat([t["line"] for t in taken]) if taken else rows["line"].iloc[:0]
    return [*taken, *(t[~t["line"].isin(gone)] for t in check_models(name, rows, models))]


def _drop(
    rows: pd.DataFrame, exceptions: list[pd.DataFrame]
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    lines = [taken["line"] for taken in exceptions if len(taken)]
    if lines:
        rows = rows[~rows["line"].isin(pd.concat(lines))]
    return rows, exceptions


def _only_currency(tables: Mapping[str, pd.DataFrame]) -> str:
    """Return the currency of all sales; of all launch prices where nothing was sold."""
    sales, launches = tables["sales"]["currency"], tables["catalogue"]["launch_currency"]
    where, named = ("sales.csv", sales) if len(sales) else ("catalogue.csv", launches)
    found = sorted(set(named) - {""})
    if len(found) == 1:
        return str(found[0])
    allowed = f"the settlement currency, since {where} names " + (", ".join(found) or "none")
    raise LogFault([Fault("settings.toml", None, "currency", "nothing", allowed)])


def _in_settlement_currency(
    tables: dict[str, pd.DataFrame], currency: str
) -> tuple[dict[str, pd.DataFrame], list[pd.DataFrame]]:
    out, exceptions = dict(tables), []
    for name, (money, unit, day) in _MONEY.items():
        rows = tables[name]
        given = rows[[money, unit, day]].set_axis(["amount", "currency", "date"], axis=1)
        amount = convert(given, tables["fx_rates"], currency)
        unknown = amount.isna() & rows[money].notna()
        reason = f"no exchange rate to {currency} within 31 days"
        exceptions.append(exception_rows(name, rows[unknown], HELD, reason))
        priced = rows.assign(amount=amount.astype("float64"))
        out[name] = priced[~unknown] if unknown.any() else priced
    return out, exceptions


def _launch_prices(tables: Mapping[str, pd.DataFrame], currency: str) -> pd.DataFrame:
    """Launch prices in the settlement currency; unknown where no rate of the day is known."""
    rows = tables["catalogue"]
    given = pd.DataFrame(
        {
            "amount": rows["launch_price"].astype("float64"),
            "currency": rows["launch_currency"].replace("", currency),
            "date": rows["launch_date"].fillna(pd.Timestamp("1970-01-01")),
        }
    )
    amount = convert(given, tables["fx_rates"], currency)
    return rows.assign(launch_amount=amount.where(amount > 0))


def _launches(catalogue: pd.DataFrame, tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Count the age of a model without a launch date from the first day any log shows it.

    Returns
    -------
    DataFrame
        With ``launch_known``. Where it is False, ``launch_date`` is the first day seen (the newest
        day of all logs for a model nobody has seen), and the launch price is unknown too: it
        anchors nothing while nobody knows how old the model was at its first sale.
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


def _asking_amounts(tables: Mapping[str, pd.DataFrame], currency: str) -> pd.DataFrame:
    """Stock with ``asking_amount``: the price asked, in the settlement currency."""
    rows = tables["stock"]
    given = pd.DataFrame(
        {
            "amount": rows["asking_price"],
            "currency": rows["currency"],
            "date": rows["listed_date"].fillna(rows["buy_date"]),
        }
    )
    return rows.assign(asking_amount=convert(given, tables["fx_rates"], currency))


# Logs that stay whole when families are chosen, though their rows belong to families: a class of
# devices shares its repair rates, so one family's estimates rest on the jobs of others.
SHARED = ("catalogue", "repairs")


@dataclass(frozen=True, eq=False)
class Gathered:
    """The logs as read.

    ``tables`` has typed rows, ``read`` the rows each file had, ``held`` ledger lines of rows that
    could not be read. ``files`` names each log's file or folder; ``places`` has, for partitioned
    logs, the part, row and family of each line. ``owners`` is the family of each line, for logs
    that are cut down to the families chosen. ``days`` are those of rows in no table.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    read: dict[str, int] = field(default_factory=dict)
    held: list[pd.DataFrame] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    places: dict[str, pd.DataFrame] = field(default_factory=dict)
    owners: dict[str, pd.Series] = field(default_factory=dict)
    days: list[pd.DataFrame] = field(default_factory=list)


def split_by_family(name: str) -> bool:
    """Whether choosing families leaves out rows of this log."""
    return can_be_partitioned(TABLES[name]) and name not in SHARED


def gather(folder: Path, families: Sequence[str] | None, narrow: bool) -> Gathered:
    """Read every log of a workspace.

    Parameters
    ----------
    folder
        The workspace.
    families
        Families that will be kept; all if None.
    narrow
        Whether partitions of other families may be left unread.

    Raises
    ------
    LogFault
        If the frame of a file is broken, a needed one is missing, or a family is unknown; all
        faults of all files at once.
    """
    got, faults = Gathered(), []
    for name, table in TABLES.items():
        try:
            path = find_file(folder, table)
            if path is None:
                got.tables[name] = empty_rows(table)
                if name in REQUIRED_TABLES:
                    faults.append(Fault(f"{name}.csv", None, "", "no such file", "the file"))
                continue
            _read_into(got, (path, table), families, narrow)
        except LogFault as error:
            faults += error.faults
            got.tables[name] = empty_rows(table)
            continue
        if name == "catalogue":
            faults += _catalogue_faults(got, families)
    if faults:
        raise LogFault(faults)
    return got


def _catalogue_faults(got: Gathered, families: Sequence[str] | None) -> list[Fault]:
    rows, file = got.tables["catalogue"], got.files["catalogue"]
    if rows.empty and got.read["catalogue"]:
        held = got.held[-1].itertuples()
        return [Fault(file, int(h.line), h.column, h.found, h.allowed) for h in held]
    if rows.empty:
        add = "repair-horizon add catalogue model_id=... family_id=... device_class=..."
        return [Fault(file, None, "", "no model yet", f"at least one model: {add}")]
    known = list(dict.fromkeys(rows["family_id"]))
    unknown = [f for f in families or () if f not in known]
    return [Fault(file, None, "family_id", f, ", ".join(known)) for f in unknown]


def _read_into(
    got: Gathered, file: tuple[Path, Table], families: Sequence[str] | None, narrow: bool
) -> None:
    path, table = file
    name = table.name
    if path.is_dir():
        only = families if narrow and split_by_family(name) else None
        parts = read_parts(path, table, got.tables.get("catalogue", empty_rows(CATALOGUE)), only)
        rows, got.places[name] = parts.read, parts.places
        got.days.append(days_of({name: parts.others}))
        got.owners[name] = parts.places[FAMILY]
    else:
        rows = read_table(path, table)
        if families is not None and split_by_family(name):
            got.owners[name] = _owners(rows, got.tables["catalogue"])
    if rows.unread is not None:
        got.days.append(days_of({name: rows.unread}))
    got.tables[name], got.read[name] = rows.rows, rows.read
    got.files[name] = path.name
    got.held.append(rows.held)


def _owners(read: TableRead, catalogue: pd.DataFrame) -> pd.Series:
    """Family of each line of a file, '' where its model is unknown."""
    rows = read.rows if read.unread is None else pd.concat([read.rows, read.unread])
    if "family_id" in rows:
        return rows.set_index("line")["family_id"]
    return rows.set_index("line")["model_id"].map(family_by_model(catalogue)).fillna("")


def of_families(
    tables: dict[str, pd.DataFrame], ledger: Ledger, got: Gathered, families: Sequence[str]
) -> tuple[dict[str, pd.DataFrame], Ledger]:
    """Keep what belongs to some families, of the logs that are split by family."""
    tables, read, lines = dict(tables), dict(ledger.read), ledger.exceptions
    for name in got.read:
        if not split_by_family(name):
            continue
        owner = got.owners[name]
        own = owner.index[owner.isin(families)]
        tables[name] = tables[name][tables[name]["line"].isin(own)]
        lines = lines[(lines["table"] != name) | lines["line"].isin(own)]
        read[name] = len(own)
    return tables, Ledger(read, lines.reset_index(drop=True))


def located(ledger: Ledger, got: Gathered) -> Ledger:
    """Name the file of each row not used; rows of partitioned logs are counted in their part."""
    lines = ledger.exceptions
    lines.insert(1, "file", lines["table"].map(got.files))
    for name, places in got.places.items():
        at = lines.index[lines["table"] == name]
        stands = places.loc[lines.loc[at, "line"]]
        lines.loc[at, "file"] = stands[FILE].to_numpy()
        lines.loc[at, "line"] = stands[ROW].to_numpy()
        if not TABLES[name].key:
            lines.loc[at, "row_id"] = [f"line {n}" for n in stands[ROW]]
    return Ledger(ledger.read, lines)
