"""The settings of the demo business, as its partners would write them.

What the demo business says of itself: the README.md of its folder.

Write the demo business as a workspace folder.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from repair_horizon.files.writing import write_whole

SETTINGS = """\
# Rules of the demo business (invented). What is left out keeps its default.
currency = "EUR"
seed = 1
draws = 1000
grade_order = ["A", "B", "C", "D"]

[bench]
rate_per_hour = 28.0
hours_per_week = 30.0
test_hours = 0.4

[limits]
working_cash = 9000.0
lowest_lot_cost = 5.0
bid_increment = 1.0

[purchase]
inbound = 6.9
premium = [
    { above = 0.0, rate = 0.18 },
    { above = 400.0, rate = 0.15 },
]

[[channels]]
name = "marketplace"
percentage_fee = 0.11
payment_fee = 0.029
fixed_fee = 0.65

[[channels]]
name = "own_shop"
percentage_fee = 0.0
payment_fee = 0.029
fixed_fee = 1.35

[[channels]]
name = "trade_buyer"
percentage_fee = 0.0
payment_fee = 0.0
fixed_fee = 2.0

[sale]
channel = "marketplace"
carriage = 6.4
packaging = 1.6

[reserve]
return_rate = 0.07
return_cost = 22.0
warranty_rate = 0.03
warranty_cost = 75.0

[repair]
adhesive = 4.5
consumables = 2.0
doa_rate = 0.04
failed_as_is_factor = 0.68

[[repair.collateral]]
name = "back cover cracked on opening"
probability = 0.05
part_cost = 16.0
hours = 0.4

[[repair.collateral]]
name = "flex cable torn"
probability = 0.02
part_cost = 14.0
hours = 0.5

[delay]
selling_days = 12.0
part_lead_days = 10.0
capital_rate = 0.12

[by_class.foldable]
bench.test_hours = 0.75
purchase.inbound = 12.0
sale.carriage = 9.8
reserve.return_cost = 38.0
reserve.warranty_cost = 145.0
delay.selling_days = 20.0
repair.adhesive = 6.5
repair.collateral = [
    { name = "back cover cracked on opening", probability = 0.08, part_cost = 24.0, hours = 0.5 },
    { name = "outer display broken", probability = 0.03, part_cost = 92.0, hours = 0.75 },
]

[by_class.tablet]
purchase.inbound = 11.0
sale.carriage = 9.6
sale.packaging = 3.4
repair.collateral = [
    { name = "glass edge chipped", probability = 0.06, part_cost = 30.0, hours = 0.8 },
]

[by_class.laptop]
bench.test_hours = 0.75
purchase.inbound = 16.0
sale.carriage = 13.9
sale.packaging = 4.8
reserve.return_cost = 42.0
reserve.warranty_cost = 130.0
delay.selling_days = 24.0
repair.adhesive = 0.0
repair.collateral = [
    { name = "lid clip broken", probability = 0.04, part_cost = 12.0, hours = 0.3 },
]

[by_class.console]
reserve.warranty_cost = 60.0
repair.adhesive = 0.0
repair.collateral = []

[by_class.watch]
purchase.inbound = 5.9
sale.carriage = 5.2
sale.packaging = 1.4
reserve.warranty_cost = 70.0
"""


ABOUT = """\
# The demo business

Everything here is invented: brands, models, suppliers, buyers and prices. It is a small business
that repairs handheld devices, with 49 months of logs (October 2022 to October 2026) drawn from
known curves, rates and shares, so that every estimate of the kit can be held against the truth.
Likeness to any real brand or product is accidental.

The units bought from November 2025 on have complete records: listing, forecast, purchase, repair
and sale. How long a unit stood for sale was drawn from proportional hazards in its asking price.

| file | what it holds |
|---|---|
| settings.toml | costs, fees, cash and hours of the partners; no target and no limit is set |
| catalogue.csv | 38 models in 8 families; one launch price is unknown, some models hardly ever sold |
| sales.csv | sales seen and made, working and as-is, with asking prices, offers and dollar sales |
| part_quotes.csv | quotes of 5 suppliers in 4 qualities; one series jumps in July 2026, some turn scarce late |
| maker_quotes.csv | what the makers ask for a repair, for the newest models |
| fault_states.csv | what a listed fault turns out to be, as the partners assume before any job |
| repairs.csv | bench jobs; the newest are still open, some have no erase record |
| listings.csv | auctions that ended, won, lost or skipped; offers to private sellers with their answers, goods at a fixed price, a job lot; and 42 that end in November 2026, some on other terms |
| stock.csv | the shelf: a swollen, a wet and a blocked unit among it, several without erase record; and every unit bought in the last year with its asking price |
| forecasts.csv | what was expected of each lot bought in the last year when it was bid for, invented as well: drawn from what the partners believed then, a little too hopeful |
| fx_rates.csv | weekly dollar rates, with a gap from February to April 2024 |

The logs are soiled on purpose: duplicates, refunds, lots, placeholder amounts, lost decimal
points, decimal commas, days that do not exist, models nobody knows, sales before launch, rows
without a rate of exchange, mislabelled lots. `repair_horizon.demo.simulate().planted` lists every such
row and what the ledger must say of it.

The files are the output of `repair-horizon demo FOLDER` (or, in Python,
`repair_horizon.demo.write_demo(FOLDER)`) for the default seed, byte for byte. Do not edit them; change
`kit/repair_horizon/demo/` and write them again. `simulate(seed).truth` gives the truth behind them.
"""


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
    write_whole(folder / "README.md", ABOUT, private=False)
