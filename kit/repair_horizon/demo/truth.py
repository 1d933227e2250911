"""The true curves and rules behind the demo business, for scoring what the kit estimates.

The settings of the demo business, as its partners would write them.

What the demo business says of itself: the README.md of its folder.

Write the demo business as a workspace folder.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from repair_horizon.demo.catalogue import (
    END,
    FAMILIES,
    FAMILY_OF,
    GRADE_FACTOR,
    JUMP,
    LISTED,
    MODEL_OF,
    QUALITY,
    SCARCE_FROM,
    Family,
    as_is_faults,
    as_is_ratio,
    qualities_of,
    state_of,
    successor_launch,
)
from repair_horizon.files.writing import write_whole

FIRST_MONTH = pd.Period("2020-01", "M")
LAST_MONTH = pd.Period(END, "M") + 36
MONTH_DAYS = 30.4375
_RHO, _MARKET_SD, _PART_SD = 0.9, 0.045, 0.02
_LEVEL_SD, _SLOPE_SD, _STEP, _STEP_SD = 0.08, 0.05, -0.04, 0.03
_SCARCE_RISE, _SCARCE_MONTHS = 0.015, 30.0
_FLAT_MONTHS = 6.0


@dataclass(frozen=True)
class ModelPath:
    """What is particular to one model.

    ``launch_amount`` in EUR; ``level`` in log points; ``slope`` in log points per year on top of
    the family's decline; ``step`` in log points from the day its successor came.
    """

    launch_amount: float
    level: float
    slope: float
    step: float


@dataclass(frozen=True, eq=False)
class Truth:
    """Everything the logs of the demo business were drawn from.

    A price level is the median price in EUR of one working unit of grade A and base storage sold
    on channel ``marketplace``, before the noise of the single sale. ``market`` and
    ``part_market`` hold log points per month from ``FIRST_MONTH`` on. ``success`` is keyed by
    (family, state), ``state_shares`` and ``as_is_ratio`` by (family, listed fault).
    """

    paths: Mapping[str, ModelPath]
    market: Mapping[str, np.ndarray]
    part_market: Mapping[tuple[str, str], np.ndarray]
    part_factor: Mapping[tuple[str, str], float]
    grade_factor: Mapping[str, float]
    success: Mapping[tuple[str, str], float]
    state_shares: Mapping[tuple[str, str], Mapping[str, float]]
    as_is_ratio: Mapping[tuple[str, str], float]

    def price_level(self, model_id: str, month: str | pd.Timestamp) -> float:
        """Return the price level at the middle (15th) of a month, in EUR.

        ``model_id``: a model of the catalogue; ``month``: any day of the month, from the month of
        launch to 36 months after the logs end. Raises ``ValueError`` for a month outside that
        range.
        """
        period = pd.Period(month, "M")
        first = pd.Period(MODEL_OF[model_id].launch, "M")
        if not first <= period <= LAST_MONTH:
            raise ValueError(f"{model_id}: the truth is known from {first} to {LAST_MONTH}")
        return self.price_on(model_id, period.to_timestamp() + pd.Timedelta(days=14))

    def price_on(self, model_id: str, day: pd.Timestamp) -> float:
        """Return the price level on one day, in EUR."""
        path, family = self.paths[model_id], FAMILY_OF[model_id]
        age = age_months(model_id, day)
        after = successor_launch(model_id)
        step = path.step if after and day >= pd.Timestamp(after) else 0.0
        wave = math.cos(2 * math.pi * (day.month - family.curve.peak) / 12)
        shift = path.level + step + family.curve.season * wave
        shock = float(self.market[family.family_id][_months_in(day)])
        return path.launch_amount * ratio_at(family, age, path.slope) * math.exp(shift + shock)

    def part_level(
        self, model_id: str, part_code: str, quality_class: str, month: str | pd.Timestamp
    ) -> float:
        """Return the typical quote for one part in a month, in EUR, without shipping.

        Raises ``ValueError`` if the part is not sold for the model in that quality, or the month is
        out of range.
        """
        family, day = FAMILY_OF[model_id], pd.Period(month, "M").to_timestamp()
        sold = part_code in family.parts and quality_class in qualities_of(family, part_code)
        if not sold or not FIRST_MONTH <= pd.Period(month, "M") <= LAST_MONTH:
            raise ValueError(f"{model_id}: no {quality_class} {part_code} in {month}")
        share, fall = family.parts[part_code]
        quality = QUALITY[quality_class]
        age = age_months(model_id, day + pd.Timedelta(days=14))
        path = -fall * quality.fall_factor * max(age - _FLAT_MONTHS, 0.0)
        path += _scarcity(family.family_id, part_code, age)
        since, jump = JUMP.get((model_id, part_code), ("9999-12", 1.0))
        path += math.log(jump) if f"{day:%Y-%m}" >= since else 0.0
        path += float(self.part_market[family.family_id, part_code][_months_in(day)])
        base = self.paths[model_id].launch_amount * share * self.part_factor[model_id, part_code]
        return base * quality.price_factor * math.exp(path)


def age_months(model_id: str, day: pd.Timestamp) -> float:
    """Return the age of a model in months of 30.4375 days, never below zero."""
    return max((day - pd.Timestamp(MODEL_OF[model_id].launch)).days / MONTH_DAYS, 0.0)


def ratio_at(family: Family, age: float, slope: float = 0.0) -> float:
    """Return the family's price as a ratio to launch price at an age in months.

    ``slope`` in log points per year turns around month 18 and acts above the floor only, so a
    model that holds its price well still ends on the floor.
    """
    c = family.curve
    fall = c.early * min(age, c.turn) + c.late * max(age - c.turn, 0.0) - slope * (age - 18) / 12
    return c.start * (c.floor + (1.0 - c.floor) * math.exp(-fall))


def _scarcity(family_id: str, part_code: str, age: float) -> float:
    since = SCARCE_FROM.get((family_id, part_code), math.inf)
    return _SCARCE_RISE * min(max(age - since, 0.0), _SCARCE_MONTHS)


def _months_in(day: pd.Timestamp) -> int:
    return (day.year - FIRST_MONTH.year) * 12 + day.month - FIRST_MONTH.month


def _wander(rng: np.random.Generator, sd: float) -> np.ndarray:
    """First-order autoregression over all months, with stationary standard deviation ``sd``."""
    months = (LAST_MONTH - FIRST_MONTH).n + 1
    steps = rng.normal(0.0, sd * math.sqrt(1 - _RHO**2), months)
    out = np.empty(months)
    out[0] = rng.normal(0.0, sd)
    for i in range(1, months):
        out[i] = _RHO * out[i - 1] + steps[i]
    return out


def _path(rng: np.random.Generator, family: Family, launch_amount: float) -> ModelPath:
    level, slope, step = rng.normal(0.0, 1.0, 3)
    # A slope beyond this would make a model rise for good, which none here does.
    most = 0.6 * 12 * family.curve.late
    return ModelPath(
        launch_amount,
        float(np.clip(_LEVEL_SD * level, -0.2, 0.2)),
        float(np.clip(_SLOPE_SD * slope, -most, most)),
        float(min(_STEP + _STEP_SD * step, 0.0)),
    )


def _true_shares(rng: np.random.Generator, prior: Mapping[str, float]) -> dict[str, float]:
    """Shift what the partners assume a little: nobody's first guess is exact."""
    raw = {state: share * math.exp(0.2 * rng.normal()) for state, share in prior.items()}
    return {state: share / sum(raw.values()) for state, share in raw.items()}


def build_truth(seed: int, launch_amounts: Mapping[str, float]) -> Truth:
    """Draw the truth of one demo business.

    ``seed``: same seed, same truth; ``launch_amounts``: list price at launch of every model, in
    EUR.
    """
    rng = np.random.default_rng([seed, 1])
    models = [(f, m.model_id) for f in FAMILIES for m in f.models]
    parts = [(f, part) for f in FAMILIES for part in f.parts]
    faults = [(f, fault) for f in FAMILIES for fault in LISTED[f.device_class]]
    market = {f.family_id: _wander(rng, _MARKET_SD) for f in FAMILIES}
    part_market = {(f.family_id, p): _wander(rng, _PART_SD) for f, p in parts}
    paths = {m: _path(rng, f, launch_amounts[m]) for f, m in models}
    factor = {(m, p): math.exp(0.07 * rng.normal()) for f, m in models for p in f.parts}
    shares = {
        (f.family_id, fault): _true_shares(rng, LISTED[f.device_class][fault])
        for f, fault in faults
    }
    success = {
        (f.family_id, state): state_of(f, state).success
        for f, fault in faults
        for state in LISTED[f.device_class][fault]
    }
    as_is = {(f.family_id, x): as_is_ratio(f, x) for f in FAMILIES for x in as_is_faults(f)}
    return Truth(paths, market, part_market, factor, dict(GRADE_FACTOR), success, shares, as_is)


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
