"""An invented business with known truth: logs to try the kit on and to score it against.

Brands, models, suppliers and prices are made up. ``simulate`` draws the logs from true curves,
rates and shares; ``write_demo`` writes them as a workspace, which for the default seed is
``data/demo``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.demo.catalogue import fault_states
from repair_horizon.demo.dirt import soil_others, soil_sales
from repair_horizon.demo.history import draw_history
from repair_horizon.demo.sales import (
    GAP,
    catalogue,
    draw_maker_quotes,
    draw_quotes,
    draw_sales,
    fx_table,
    launch_amounts,
    weekly_rates,
)
from repair_horizon.demo.truth import SETTINGS, Truth, build_truth
from repair_horizon.demo.workshop import draw_listings, draw_repairs, draw_stock, link_units
from repair_horizon.files.writing import write_whole
from repair_horizon.tables.faults import HELD, USED
from repair_horizon.tables.inputs import LEDGER, TABLES

__all__ = ["Business", "Truth", "simulate", "write_demo"]

_RATE_DAYS = 31


@dataclass(frozen=True, eq=False)
class Business:
    """The demo business: its logs as text, its settings, and the truth behind them.

    ``tables`` maps each table's name to rows in the columns of ``tables.inputs``; ``planted``
    lists every odd row as (table, row_id, what, status), ``status`` being what the ledger must
    say of it.
    """

    tables: dict[str, pd.DataFrame]
    settings_toml: str
    truth: Truth
    planted: pd.DataFrame

    def __repr__(self) -> str:
        """Say what is in it."""
        counts = ", ".join(f"{len(rows)} {name}" for name, rows in self.tables.items())
        return f"Business({counts}; {len(self.planted)} odd rows)"


def simulate(seed: int = 7) -> Business:
    """Draw the demo business.

    Parameters
    ----------
    seed
        Same seed, same business; seeds differ in truth and in every log.
    """
    rates = weekly_rates(seed)
    truth = build_truth(seed, launch_amounts(rates))
    market = draw_sales(seed, truth, rates)
    sales, repairs = link_units(market.sales, draw_repairs(seed, truth))
    listings, year = draw_history(seed, truth, draw_listings(seed, truth))
    stock = draw_stock(seed, truth, repairs)
    lived = year.onto({"listings": listings, "stock": stock, "repairs": repairs, "sales": sales})
    sales, planted = soil_sales(seed, lived.pop("sales"), market.odd)
    forecasts = lived.pop("forecasts")
    quotes = draw_quotes(seed, truth, rates)
    soiled, marks = soil_others(seed, {"part_quotes": quotes, **lived})
    tables = {
        "catalogue": catalogue(),
        "sales": sales,
        "maker_quotes": draw_maker_quotes(seed, truth),
        "fault_states": fault_states(),
        "stock": lived["stock"],
        "fx_rates": fx_table(rates),
        "forecasts": forecasts,
        **soiled,
    }
    declared = {**TABLES, LEDGER.name: LEDGER}
    whole = {
        name: rows[[c.name for c in declared[name].columns if c.name in rows]]
        for name, rows in ((n, tables[n]) for n in declared if n in tables)
    }
    marks = [*planted, *marks, *_unpriced(whole, rates)]
    return Business(whole, SETTINGS, truth, _planted(marks))


def write_demo(folder: str | Path, seed: int = 7) -> Path:
    """Write the demo business as a workspace.

    Parameters
    ----------
    folder
        Made if absent; files of the same names are replaced.
    seed
        Same seed, same bytes.

    Returns
    -------
    Path
        The folder.
    """
    business = simulate(seed)
    write_files(Path(folder), business.tables, business.settings_toml)
    return Path(folder)


def write_files(folder: Path, tables: dict[str, pd.DataFrame], settings_toml: str) -> None:
    """Write one CSV per table, settings.toml, and README.md, which says that all is invented.

    Each file is written beside its place and moved there when whole, so a reader never sees half
    a file. Lines end with a line feed on every system, so the same business gives the same bytes.

    Parameters
    ----------
    folder
        Made if absent; other files in it are left alone.
    tables
        Table name to rows as text.
    settings_toml
        Content of settings.toml.
    """
    for name, rows in tables.items():
        write_whole(
            folder / f"{name}.csv", rows.to_csv(index=False, lineterminator="\n"), private=False
        )
    write_whole(folder / "settings.toml", settings_toml, private=False)
    about = Path(__file__).with_name("about.md").read_text(encoding="utf-8")
    write_whole(folder / "README.md", about, private=False)


def _unpriced(
    tables: dict[str, pd.DataFrame], rates: pd.DataFrame
) -> list[tuple[str, str, str, str]]:
    """Dollar rows with no rate in the 31 days before them."""
    before = rates.loc[rates["date"] < GAP[0], "date"].max()
    since = before + pd.Timedelta(days=_RATE_DAYS)
    marks = []
    for name in ("sales", "part_quotes"):
        rows, table = tables[name], TABLES[name]
        day = pd.to_datetime(rows[table.date], format="%Y-%m-%d", errors="coerce")
        hit = (rows["currency"] == "USD") & (day > since) & (day <= pd.Timestamp(GAP[1]))
        marks += [
            (name, i, "no exchange rate near its day", HELD) for i in rows.loc[hit, table.key]
        ]
    return marks


def _planted(marks: list[tuple[str, str, str, str]]) -> pd.DataFrame:
    """Put the marks into one table; a row both odd and not used counts as not used."""
    table = pd.DataFrame(marks, columns=["table", "row_id", "what", "status"])
    out = table[table["status"] != USED]
    taken = set(zip(out["table"], out["row_id"], strict=True))
    odd = [
        (t, i) in taken and s == USED
        for t, i, s in zip(table["table"], table["row_id"], table["status"], strict=True)
    ]
    kept = table[[not o for o in odd]]
    return kept.sort_values(["table", "row_id", "status"]).reset_index(drop=True)
