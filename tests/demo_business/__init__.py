"""The invented demo business with its truth: where ``data/demo`` comes from, and what scores it.

Brands, models, suppliers and prices are made up. ``simulate`` draws the logs from true curves,
rates and shares; ``write_business`` writes them as a workspace, which for the default seed is
``data/demo``:

    python -c "import sys; sys.path.insert(0, 'tests'); import demo_business
    demo_business.write_business('data/demo')"
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from repair_horizon.demo import demo_folder
from repair_horizon.files.writing import write_whole
from repair_horizon.tables.faults import HELD, USED
from repair_horizon.tables.inputs import LEDGER, TABLES

from demo_business.catalogue import fault_states
from demo_business.dirt import soil_others, soil_sales
from demo_business.history import draw_history
from demo_business.sales import (
    GAP,
    catalogue,
    draw_maker_quotes,
    draw_quotes,
    draw_sales,
    fx_table,
    launch_amounts,
    weekly_rates,
)
from demo_business.truth import SETTINGS, Truth, build_truth
from demo_business.workshop import draw_listings, draw_repairs, draw_stock, link_units

__all__ = ["Business", "Truth", "simulate", "write_business"]

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


def write_business(folder: str | Path, business: Business | None = None) -> Path:
    """Write a business as a workspace, that of the default seed if None; returns the folder.

    Lines end with a line feed on every system, so the same business gives the same bytes.
    """
    business, folder = business or simulate(), Path(folder)
    for name, rows in business.tables.items():
        text = rows.to_csv(index=False, lineterminator="\n")
        write_whole(folder / f"{name}.csv", text, private=False)
    write_whole(folder / "settings.toml", business.settings_toml, private=False)
    about = (demo_folder() / "README.md").read_bytes()
    write_whole(folder / "README.md", about, private=False)
    return folder


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
