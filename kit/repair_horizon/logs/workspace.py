"""A workspace folder read, checked and ready: ``read_logs`` and what it returns.

``read_once`` keeps one workspace's logs in this process, for many pages. Every family's notebook
begins by reading the whole workspace; in a kernel that is kept between
notebooks the logs are there already. They are read anew when a file has changed, and when what
is kept is no longer what was read, since a notebook may do to them what it likes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from repair_horizon.logs.checking import (
    check_keys,
    check_models,
    check_sales,
    no_refunds,
    notes_on_alike,
)
from repair_horizon.logs.consequences import (
    followed,
    in_codes,
    launches,
    unknown_launches,
    with_starters,
)
from repair_horizon.logs.currencies import (
    MONEY,
    asking_amounts,
    check_rates,
    launch_amounts,
    only_currency,
    priced,
)
from repair_horizon.logs.gathering import (
    days_of,
    gather,
    last_day,
    located,
    of_families,
    split_by_family,
)
from repair_horizon.logs.partitions import family_by_model
from repair_horizon.logs.reading import empty_rows, find_file, in_words
from repair_horizon.tables.arrays import Ints
from repair_horizon.tables.faults import Fault, Ledger, LogFault, no_exceptions
from repair_horizon.tables.inputs import TABLES
from repair_horizon.tables.settings import Settings, read_settings

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
        return list(self.tables["catalogue"]["family_id"].unique())

    @cached_property
    def family_of(self) -> Mapping[str, str]:
        """Family of each model."""
        return family_by_model(self.tables["catalogue"])

    @cached_property
    def class_of(self) -> Mapping[str, str]:
        """Device class of each family, its first model's."""
        first = self.tables["catalogue"].drop_duplicates("family_id")
        return dict(zip(first["family_id"], first["device_class"], strict=True))

    @cached_property
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
        if not any(map(len, rows.values())):
            first = "nothing had been logged by then, so figures are the device classes' alone"
            return f"Now is {now:%Y-%m-%d}: {first}."
        if not set_by:
            return f"Now is {now:%Y-%m-%d}: no row read here is of that day."
        said = ", ".join(set_by[:3]) + more
        return f"Now is {now:%Y-%m-%d}, the day of the newest rows: {said}."

    def now_words_asked(self, day: str | pd.Timestamp | None) -> str:
        """The same where a day was asked for, which may lie after the newest row."""
        if not day or self.newest_day >= pd.Timestamp(day):
            return self.now_words
        return f"{self.now_words} Nothing is logged after it up to {pd.Timestamp(day):%Y-%m-%d}."

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
        cut = {n: t.iloc[self._places[n].get(family_id, _NOWHERE)] for n, t in self._cut.items()}
        undone = cut.pop("undone", self.undone)
        self._last.clear()
        whole = {**self.tables, **cut}
        self._last[family_id] = replace(self, tables=whole, days=self.days[:0], undone=undone)
        return self._last[family_id]

    @cached_property
    def _last(self) -> dict[str, Logs]:
        """The family cut out last: every step of a fit asks for the same one."""
        return {}

    @cached_property
    def _cut(self) -> dict[str, pd.DataFrame]:
        """The tables that have rows of families; an empty one is the same for each."""
        tables = {**self.tables, "undone": self.undone}
        return {n: t for n, t in tables.items() if len(t) and ("family_id" in t or "model_id" in t)}

    @cached_property
    def _places(self) -> dict[str, dict[str, Ints | slice]]:
        """Where each family's rows stand, table by table: sorted once, not sought each time."""
        owner = pd.Series(self.family_of, dtype="str")
        return {name: _places_in(table, owner) for name, table in self._cut.items()}


def _only(day: pd.Timestamp) -> pd.DatetimeIndex:
    return pd.DatetimeIndex([pd.Timestamp(day).normalize()])


def _places_in(table: pd.DataFrame, owner: pd.Series) -> dict[str, Ints | slice]:
    """Where each family's rows stand in one table; ``owner`` is the family of each model."""
    by_model = "family_id" not in table
    code, names = pd.factorize(table["model_id" if by_model else "family_id"])
    if by_model:
        number, names = pd.factorize(owner.reindex(names))
        code = number[code] if len(number) else code
    order = np.argsort(code, kind="stable")
    bounds = np.searchsorted(code[order], np.arange(len(names) + 1))
    found = ((str(n), order[bounds[i] : bounds[i + 1]]) for i, n in enumerate(names))
    return {n: _together(at) for n, at in found}


def _together(places: Ints) -> Ints | slice:
    """Rising places as a slice where they lie side by side, since that copies nothing."""
    if not len(places) or places[-1] - places[0] >= len(places):
        return places
    return slice(int(places[0]), int(places[-1]) + 1)


def read_logs(
    folder: str | Path,
    families: Sequence[str] | None = None,
    today: str | pd.Timestamp | None = None,
    settings: Settings | None = None,
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
    settings
        Rules to read by (currency, grades, reposts); those of the workspace's file if None.

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
    settings = read_settings(folder) if settings is None else settings
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
    tables["sales"], rates = sales.used, tables["fx_rates"]
    currency = settings.currency or only_currency(tables)
    unpriced: list[pd.DataFrame] = []
    for name in MONEY:
        tables[name], taken = priced(name, tables[name], rates, currency)
        unpriced += taken
    undone, _ = priced("sales", sales.undone, rates, currency)  # in the ledger already
    tables["sales"], undone = in_words(tables["sales"]), in_words(undone)
    tables["catalogue"] = launches(launch_amounts(catalogue, rates, currency), tables)
    tables["stock"] = asking_amounts(tables["stock"], rates, currency)
    tables["stock"] = followed(tables)
    ledger = Ledger(got.read, no_exceptions()).adding(exceptions + sales.taken + unpriced)
    if families is not None:
        tables, ledger = of_families(tables, ledger, got, families)
    tables["fault_states"], started = with_starters(tables, families)
    tables["listings"] = in_codes(tables["listings"], tables)
    notes = (*believed.notes, *sales.notes, *unknown_launches(tables["catalogue"]), *started)
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


@dataclass(frozen=True, eq=False)
class _Kept:
    folder: Path
    as_of: str
    files: list[tuple[Any, ...]]
    logs: Logs
    content: list[int]


_kept: list[_Kept] = []


def read_once(folder: str | Path, as_of: str = "") -> Logs:
    """Return a workspace's logs, as known on a day, without reading again what has not changed.

    Parameters
    ----------
    folder
        The workspace.
    as_of
        Last day known (YYYY-MM-DD); empty for everything.

    Returns
    -------
    Logs
        The same object as long as files and logs are as they were.

    Raises
    ------
    LogFault
        As ``read_logs``.

    Examples
    --------
    >>> from repair_horizon.logs.workspace import read_once
    >>> read_once("data/demo") is read_once("data/demo")
    True
    """
    at, files = Path(folder), _stamp(Path(folder))
    for kept in _kept:
        same = kept.folder == at and kept.as_of == as_of and kept.files == files
        if same and kept.content == _content(kept.logs):
            return kept.logs
    _kept.clear()
    whole = read_logs(at)
    logs = whole.as_of(as_of) if as_of else whole
    _kept.append(_Kept(at, as_of, files, logs, _content(logs)))
    return logs


def _content(logs: Logs) -> list[int]:
    """Hash every table's values, so that a change made in memory is seen."""
    return [
        hash((name, tuple(t.columns), int(pd.util.hash_pandas_object(t).to_numpy().sum())))
        for name, t in logs.tables.items()
    ]


def _stamp(folder: Path) -> list[tuple[Any, ...]]:
    """Tell the files of the logs from changed ones: name, size, time of change, place on disk."""
    found: list[tuple[Any, ...]] = [(str(Path.cwd()),)]
    for path in _files(folder):
        try:
            at = path.stat()
        except OSError:
            continue
        found.append((str(path), at.st_size, at.st_mtime_ns, at.st_ino))
    return sorted(found)


def _files(folder: Path) -> Iterator[Path]:
    yield folder / "settings.toml"
    for table in TABLES.values():
        try:
            path = find_file(folder, table)
        except LogFault:
            continue
        if path is not None and path.is_dir():
            yield from path.rglob("*")
        elif path is not None:
            yield path
