"""What the demo business says of itself: the README.md of its folder."""

ABOUT = """\
# The demo business

Everything here is invented: brands, models, suppliers, buyers and prices. It is a small business
that repairs handheld devices, with 49 months of logs (October 2022 to October 2026) drawn from
known curves, rates and shares, so that every estimate of the kit can be held against the truth.
Likeness to any real brand or product is accidental.

| file | what it holds |
|---|---|
| settings.toml | rates, fees, targets and limits of the partners |
| catalogue.csv | 38 models in 8 families; one launch price is unknown, some models hardly ever sold |
| sales.csv | sales seen and made, working and as-is, with asking prices, offers and dollar sales |
| part_quotes.csv | quotes of 5 suppliers in 4 qualities; one series jumps in July 2026, some turn scarce late |
| maker_quotes.csv | what the makers ask for a repair, for the newest models |
| fault_states.csv | what a listed fault turns out to be, as the partners assume before any job |
| repairs.csv | bench jobs; the newest are still open, some have no erase record |
| listings.csv | auctions that ended, won, lost or skipped, and 42 that end in November 2026 |
| stock.csv | the shelf: a swollen, a wet and a blocked unit among it, several without erase record |
| fx_rates.csv | weekly dollar rates, with a gap from February to April 2024 |

The logs are soiled on purpose: duplicates, refunds, lots, placeholder amounts, lost decimal
points, decimal commas, days that do not exist, models nobody knows, sales before launch, rows
without a rate of exchange, mislabelled lots. `kit.logs.demo.simulate().planted` lists every such
row and what the ledger must say of it.

The files are the output of `repair-horizon demo FOLDER` (or, in Python,
`kit.logs.demo.write_demo(FOLDER)`) for the default seed, byte for byte. Do not edit them; change
`kit/logs/demo/` and write them again. `simulate(seed).truth` gives the truth behind them.
"""
