"""A workspace folder read, checked and ready: ``read_logs`` and what it returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from kit.logs.checking import check_keys, check_models, check_sales
from kit.logs.currencies import convert
from kit.logs.faults import Fault, LogFault
from kit.logs.ledger import HELD, Ledger, exception_rows, no_exceptions
from kit.logs.reading import empty_rows, find_file, read_table
from kit.logs.settings import read_settings
from kit.logs.tables import REQUIRED_TABLES, TABLES

_MONEY = {
    "sales": ("gross_amount", "currency", "sale_date"),
    "part_quotes": ("unit_price", "currency", "quote_date"),
    "maker_quotes": ("price", "currency", "quote_date"),
    "stock": ("landed_cost", "currency", "buy_date"),
}


@dataclass(frozen=True, eq=False)
class Logs:
    """Every log of a workspace: rows that may be used, and what became of the others.

    ``tables`` maps each table's name to its typed rows (empty where the file is absent). Money
    has one more column, ``amount``, in the settlement currency ``currency`` at the rate of the
    row's own day; the original stays beside it.
    """

    folder: Path
    currency: str
    grade_order: tuple[str, ...]
    tables: Mapping[str, pd.DataFrame]
    ledger: Ledger

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
        """Day of the newest sale, quote, job or listing used."""
        days = [
            t[TABLES[n].date].max()
            for n, t in self.tables.items()
            if n in ("sales", "part_quotes", "repairs") and len(t)
        ]
        return max(days) if days else pd.Timestamp("NaT")

    def as_of(self, day: str | pd.Timestamp) -> Logs:
        """Return what was known at the end of ``day``; undated tables stay whole."""
        limit = pd.Timestamp(day)
        kept = {
            n: t[t[TABLES[n].date] <= limit] if TABLES[n].date else t
            for n, t in self.tables.items()
        }
        return replace(self, tables=kept)

    def family(self, family_id: str) -> Logs:
        """Return the logs of one family (rates of exchange stay whole)."""
        if family_id not in self.families:
            known = ", ".join(self.families)
            raise LogFault([Fault("catalogue.csv", None, "family_id", family_id, known)])
        catalogue = self.tables["catalogue"]
        models = catalogue.loc[catalogue["family_id"] == family_id, "model_id"]
        kept = {}
        for name, table in self.tables.items():
            if "family_id" in table:
                table = table[table["family_id"] == family_id]
            elif "model_id" in table:
                table = table[table["model_id"].isin(models)]
            kept[name] = table
        return replace(self, tables=kept)


def read_logs(folder: str | Path) -> Logs:
    """Read and check every log of a workspace.

    Parameters
    ----------
    folder
        The workspace. catalogue.csv and sales.csv must be there; the other tables may be
        missing, and what needs them will say so.

    Returns
    -------
    Logs

    Raises
    ------
    LogFault
        If a file's frame or the settings are broken; all faults of all files at once.
    """
    folder = Path(folder)
    tables, read, exceptions = _read_files(folder)
    settings = read_settings(folder)
    catalogue, taken = _drop(tables["catalogue"], check_keys("catalogue", tables["catalogue"]))
    tables["catalogue"], exceptions = catalogue, exceptions + taken
    for name, rows in tables.items():
        if name == "catalogue":
            continue
        rows, taken = _drop(rows, check_keys(name, rows))
        exceptions += taken
        if "model_id" in rows:
            rows, taken = _drop(rows, check_models(name, rows, catalogue["model_id"]))
            exceptions += taken
        tables[name] = rows
    tables["sales"], taken = check_sales(tables["sales"], tables)
    currency = settings.currency or _only_currency(tables["sales"])
    tables, unpriced = _in_settlement_currency(tables, currency)
    tables["catalogue"] = _launch_prices(tables, currency)
    ledger = Ledger(read, no_exceptions()).adding(exceptions + taken + unpriced)
    return Logs(folder, currency, tuple(settings.grade_order), tables, ledger)


def _read_files(
    folder: Path,
) -> tuple[dict[str, pd.DataFrame], dict[str, int], list[pd.DataFrame]]:
    tables, read, held = {}, {}, []
    faults: list[Fault] = []
    for name, table in TABLES.items():
        path = find_file(folder, table)
        if path is None:
            if name in REQUIRED_TABLES:
                faults.append(Fault(f"{name}.csv", None, "", "no such file", "the file"))
            tables[name] = empty_rows(table)
            continue
        try:
            got = read_table(path, table)
        except LogFault as error:
            faults += error.faults
            tables[name] = empty_rows(table)
            continue
        tables[name], read[name] = got.rows, got.read
        held.append(got.held)
        if name == "catalogue" and got.rows.empty:
            found = f"{got.read} rows, none readable"
            faults.append(Fault(path.name, None, "", found, "at least one model"))
    if faults:
        raise LogFault(faults)
    return tables, read, held


def _drop(
    rows: pd.DataFrame, exceptions: list[pd.DataFrame]
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    for taken in exceptions:
        rows = rows[~rows["line"].isin(taken["line"])]
    return rows, exceptions


def _only_currency(sales: pd.DataFrame) -> str:
    found = sorted(set(sales["currency"]))
    if len(found) == 1:
        return str(found[0])
    allowed = "the settlement currency, since sales.csv has " + (", ".join(found) or "no rows")
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
        out[name] = rows.assign(amount=amount.astype("float64"))[~unknown]
    return out, exceptions


def _launch_prices(tables: Mapping[str, pd.DataFrame], currency: str) -> pd.DataFrame:
    """Launch prices in the settlement currency; unknown where no rate of the day is known."""
    rows = tables["catalogue"]
    given = pd.DataFrame(
        {
            "amount": rows["launch_price"].astype("float64"),
            "currency": rows["launch_currency"].replace("", currency),
            "date": rows["launch_date"],
        }
    )
    amount = convert(given, tables["fx_rates"], currency)
    return rows.assign(launch_amount=amount.where(amount > 0))
