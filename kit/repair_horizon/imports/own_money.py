"""Amounts of an export in the shop's own money, where their table has no column for another.

A table without a currency column holds the settlement currency. Amounts declared in another are
converted at the rate of their row's day, as the logs' own amounts are (``logs.currencies``); a
row no rate is near waits, since a foreign number would stand there as money of ours.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal, InvalidOperation
from pathlib import Path

import pandas as pd

from repair_horizon.imports import numbers
from repair_horizon.imports.fill import Filled, declared_words
from repair_horizon.imports.mapping import ImportMapping
from repair_horizon.imports.raw_rows import Inference
from repair_horizon.imports.sources import note
from repair_horizon.logs.adding import settlement_currency
from repair_horizon.logs.currencies import MAX_AGE_DAYS, check_rates, rates_on
from repair_horizon.logs.reading import empty_rows, find_file, read_table
from repair_horizon.tables.faults import HELD, Fault, LogFault
from repair_horizon.tables.inputs import FX_RATES, Table

_UNITS = {"currency", "launch_currency"}


def in_own_money(filled: Filled, table: Table, mapping: ImportMapping, workspace: Path) -> Filled:
    """Convert the amounts of a table without a currency column.

    Parameters
    ----------
    filled
        Rows in our columns.
    table, mapping, workspace
        Our table, the mapping, and the folder of our logs with its rates.

    Returns
    -------
    Filled
        Rows with amounts in the settlement currency, in cents; what was converted is among what is
        inferred, rows without a rate among the notes.

    Raises
    ------
    LogFault
        If a header names another currency and nothing is declared, or nothing says which currency
        the shop settles in.
    """
    if {c.name for c in table.columns} & _UNITS:
        return filled
    money = [c.name for c in table.columns if c.unit == "money" and c.name in filled.rows]
    foreign = mapping.currency
    named = {} if foreign else _named(money, mapping)
    if not money or not (foreign or named):
        return filled
    own = settlement_currency(workspace)
    odd = [(name, code) for name, code in named.items() if own and code != own]
    if odd:
        raise LogFault(
            [
                Fault(filled.file, None, mapping.columns[name], code, declared_words(code))
                for name, code in odd
            ]
        )
    if not foreign or foreign == own:
        return filled
    if not own:
        allowed = (
            'the settlement currency, as in currency = "EUR": no sale and no launch price names '
            f"the only one, and these amounts are in {foreign}"
        )
        raise LogFault([Fault("settings.toml", None, "currency", "nothing", allowed)])
    return _converted(filled, table, money, (foreign, own, _rates(workspace)))


def _named(money: list[str], mapping: ImportMapping) -> dict[str, str]:
    """Currencies the headers of amounts name, one each at most."""
    headers = {n: numbers.named_currencies(mapping.columns.get(n, "")) for n in money}
    return {name: found[0] for name, found in headers.items() if len(found) == 1}


def _rates(workspace: Path) -> pd.DataFrame:
    """Rates of exchange as far as they can be believed."""
    path = find_file(workspace, FX_RATES)
    if path is None or path.is_dir():
        return empty_rows(FX_RATES)
    rates = read_table(path, FX_RATES).rows
    held = {line for said in check_rates(rates) for line in said["line"]}
    return rates[~rates["line"].isin(held)]


def _converted(
    filled: Filled,
    table: Table,
    money: list[str],
    rule: tuple[str, str, pd.DataFrame],
) -> Filled:
    """``rule``: the foreign currency, the own one, and the rates."""
    foreign, own, rates = rule
    rows, notes, known = filled.rows.copy(), list(filled.notes), list(filled.inferred)
    days = pd.to_datetime(rows[table.date].str.slice(0, 10), format="%Y-%m-%d", errors="coerce")
    found = rates_on(days.dropna().astype("datetime64[s]"), rates, foreign, own)
    rate = {row: Decimal(repr(r)) for row, r in found["rate"].dropna().items()}
    for name in money:
        amounts = rows[name].map(_decimal)
        given = amounts.index[amounts.notna() & days.notna()]
        held = given[~given.isin(rate)]
        lacks = days[held].map(lambda day: _lacks(day, foreign, own))
        said = amounts[held].map(lambda amount: f"{amount:f} {foreign}")
        reason = f"no rate for an amount in {foreign}"
        notes.append(note(held, HELD, reason, column=name, found=said, allowed=lacks))
        ready = given[given.isin(rate)]
        new = {row: amounts[row] * rate[row] for row in ready}
        rows.loc[ready, name] = [numbers.plain_text(round(new[row], 2)) for row in ready]
        if len(ready):
            first = ready[0]
            how = (
                f"{amounts[first]:f} {foreign} is {new[first]:.2f} {own} at the rate of "
                f"{found.loc[first, 'seen']:%Y-%m-%d}, {rate[first]:.6g}"
            )
            count = f"{len(ready)} amount" + "s" * (len(ready) > 1)
            known.append(Inference(f"{name}: {foreign} to {own}", count, how))
    return replace(filled, rows=rows, notes=tuple(notes), inferred=tuple(known))


def _lacks(day: pd.Timestamp, foreign: str, own: str) -> str:
    first = day - pd.Timedelta(days=MAX_AGE_DAYS)
    return (
        f"a rate of {foreign} to {own} in fx_rates.csv of {first:%Y-%m-%d} to {day:%Y-%m-%d}: "
        f"repair-horizon add rate date=... base={foreign} quote={own} rate=..., then import again"
    )


def _decimal(text: str) -> Decimal | None:
    try:
        value = Decimal(text)
    except InvalidOperation:
        return None
    return value if value.is_finite() else None
