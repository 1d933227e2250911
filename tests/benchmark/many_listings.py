"""What 10,000 open listings cost against 100, in one run on the demo.

    python -m tests.benchmark.many_listings

Listings differ in model, fault, carriage, premium and the price already bid, so few share a score;
what they do share, the economics of a model and fault, is worked out once. Printed are processor
seconds of ``Shop.bids`` for both, after fitting, and their ratio (at most 3 is wanted).
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from repair_horizon.decisions.unit.certainty_equivalent import Valuation
from repair_horizon.logs import read_logs, read_settings
from repair_horizon.shop import Shop

DEMO = Path(__file__).parent.parent.parent / "data" / "demo"


def listings(shop: Shop, n: int) -> pd.DataFrame:
    """Draw open auctions over all models and faults known."""
    rng = np.random.default_rng(3)
    table = shop.logs.tables
    family = table["catalogue"].set_index("model_id")["family_id"]
    faults = table["fault_states"].groupby("family_id")["listed_fault"].unique()
    model = rng.choice(family.index.to_numpy(), n)
    start = table["listings"].iloc[[0] * n].reset_index(drop=True)
    return start.assign(
        listing_id=[f"N{i:05d}" for i in range(n)],
        model_id=model,
        listed_fault=[rng.choice(faults[family[m]]) for m in model],
        end_time=shop.now + pd.Timedelta(days=5),
        current_bid=np.round(rng.uniform(1.0, 120.0, n), 0),
        shipping=rng.choice([np.nan, 0.0, 6.9, 8.9, 12.0], n),
        premium_rate=rng.choice([np.nan, 0.15, 0.22], n),
        result="",
        final_price=np.nan,
        terms="",
    )


def main() -> None:
    """Measure and print."""
    rules = replace(read_settings(DEMO), draws=1000)
    shop = Shop(read_logs(DEMO), rules, valuation=Valuation(hour=6.0, tolerance=3000.0)).fit()
    for family in shop.logs.families:
        shop.outlook(family)
    took = {}
    for n in (100, 10_000):
        rows = listings(shop, n)
        start = time.process_time()
        assert len(shop.bids(rows)) == n
        took[n] = time.process_time() - start
        print(f"{n:6d} listings: {took[n]:6.1f} s", flush=True)
    print(f"ratio {took[10_000] / took[100]:.1f}")


if __name__ == "__main__":
    main()
