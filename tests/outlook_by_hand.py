"""The trade reference's worked example 1 (section 2.4) as an outlook: one family, one model.

Every draw is the same world unless ``spread`` is given, so what the whole spine makes of it can be
compared with the figures worked by hand. The model and its figures are invented.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from repair_horizon.decisions.unit.certainty_equivalent import NO_CHARGES, Valuation
from repair_horizon.decisions.unit.economics import Economics
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.estimation.forecast import PAD_MONTHS, FamilyEstimates, FamilyOutlook, Outlook
from repair_horizon.estimation.part_paths import PartPath
from repair_horizon.estimation.repairs import RepairRates
from repair_horizon.estimation.rival_prices import RivalPrice
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.logs.reading import empty_rows
from repair_horizon.tables.codes import Basis
from repair_horizon.tables.faults import Ledger, no_exceptions
from repair_horizon.tables.inputs import TABLES, Table
from repair_horizon.tables.settings import (
    Bench,
    Channel,
    Collateral,
    Delay,
    Limits,
    PartOut,
    Purchase,
    Repair,
    Reserve,
    Sale,
    Settings,
    Targets,
    Tier,
)

FIRST = 2026 * 12 + 10
FAMILY, MODEL, FAULT = "fx", "fx_2", "inner_display_dead"
GRADES = ("A", "B", "C")
_STATES = [
    ("s1", 0.70, "DA", 1.75, 0.93),
    ("s2", 0.12, "DA;FM", 2.25, 0.90),
    ("s3", 0.13, "", 0.0, 0.0),
    ("locked", 0.05, "", 0.0, 0.0),
]


def example_settings(**changes: object) -> Settings:
    """Settings of the example: an unregistered trader buying a foldable at auction."""
    settings = Settings(
        currency="EUR",
        grade_order=list(GRADES),
        bench=Bench(rate_per_hour=28.0, test_hours=0.75),
        targets=Targets(profit=45.0),
        limits=Limits(lowest_lot_cost=5.0, bid_increment=0.01),
        purchase=Purchase([Tier(0.0, 0.18)], premium_tax_rate=0.20, lot_fee=3.5, inbound=12.0),
        channels=[Channel("auction site", 0.11, 0.029, 0.65)],
        sale=Sale(carriage=9.8, packaging=2.4),
        reserve=Reserve(0.07, 38.0, 0.03, 145.0),
        repair=Repair(
            collateral=[
                Collateral("back glass", 0.08, 24.0, 0.5),
                Collateral("flex", 0.03, 92.0, 0.75),
            ],
            failed_as_is_factor=95.0 / 140.0,
        ),
        delay=Delay(5, 4, 1, 1, 20, 14, 0.12),
        part_out=PartOut(sold_share=0.8, hours=1.25, carriage_per_part=4.2),
    )
    return replace(settings, **changes)


def _states() -> pd.DataFrame:
    names = ["state", "share", "part_codes", "hours", "prior_success"]
    table = pd.DataFrame(_STATES, columns=names)
    return table.assign(listed_fault=FAULT, prior_share=table["share"], bench_hours=table["hours"])


def rival_at(price: float, spread: float = 0.2, draws: int = 1) -> RivalPrice:
    """Return a highest rival whose median price on the example's model is ``price`` this month."""
    ratio = np.full(draws, np.log(price / 620.0))
    return RivalPrice(ratio, spread, Basis.OWN, 20, pd.Timestamp("2026-10-31"), "by hand")


def example_family(
    draws: int = 1, months: int = 3, spread: float = 0.0, rival: float | None = None
) -> FamilyOutlook:
    """Return the family.

    ``spread`` is the standard deviation of the log price level over draws, ``rival`` the price the
    highest rival usually gives this month; None: nothing is known of any. The parts are the
    maker's own, whose use changes neither returns nor price.
    """
    rng = np.random.default_rng(4)
    ahead = np.arange(months + PAD_MONTHS)
    world = np.exp(spread * rng.standard_normal(draws))[:, None]
    luck = np.exp(0.5 * spread * rng.standard_normal(draws))
    level = world * 620.0 * 0.968**ahead
    one = np.ones(draws)
    states = _states()
    sold_as_is = 620.0 * 0.968 ** (30 / 30.4375)
    newest = pd.Timestamp("2026-10-31")
    display = PartPath(248.0 * 0.985**ahead * np.ones((draws, 1)), 8.9, 14.0, 0.04, 9, newest)
    hinge = PartPath(58.0 * np.ones((draws, len(ahead))), 0.0, 14.0, 0.04, 9, newest)
    quality = "maker_original"
    rates = RepairRates(states, pd.DataFrame({"grade": list(GRADES)}), states.iloc[:0])
    empty = pd.DataFrame({"fault": pd.Series(dtype="str")})
    columns = ["quote_date", "model_id", "fault", "amount", "lead_days", "refused_quote_fee"]
    return FamilyOutlook(
        estimates=FamilyEstimates(
            FAMILY,
            "foldable",
            pd.DataFrame({"model_id": [MODEL]}),
            CannotSay("by hand"),
            {},
            rates,
            empty,
            empty,
            pd.DataFrame(columns=columns),
        ),
        models=(MODEL,),
        level=level[:, None, :],
        reasons={},
        unit_noise=luck / luck.mean(),
        mean_factor=1.0,
        grade={"A": 1.08 * one, "B": one, "C": 0.88 * one},
        grades_moved=(),
        channel={},
        as_is={s: x / sold_as_is * one for s, x in (("s1", 140.0), ("s2", 118.0), ("s3", 118.0))},
        hammer={},
        parts={(MODEL, "DA", quality): display, (MODEL, "FM", quality): hinge},
        shares={FAULT: np.tile(states["share"].to_numpy(float), (draws, 1))},
        success={FAULT: np.tile(states["prior_success"].to_numpy(float), (draws, 1))},
        grade_shares=np.tile([0.25, 0.60, 0.15], (draws, 1)),
        rivals={} if rival is None else {FAULT: rival_at(rival, draws=draws)},
    )


def example_outlook(family: FamilyOutlook, months: int = 3) -> Outlook:
    draws = len(family.unit_noise)
    return Outlook("EUR", pd.Timestamp("2026-10-31"), FIRST, months, draws, {FAMILY: family})


def example_economics(settings: Settings | None = None, **family: float) -> Economics:
    """Join the example's outlook with its settings; keywords go to ``example_family``."""
    months = int(family.get("months", 3))
    outlook = example_outlook(example_family(**family), months)  # type: ignore[arg-type]
    return Economics(outlook, settings or example_settings())


def example_logs(folder: Path = Path("."), **rows: list[dict[str, object]]) -> Logs:
    """Return logs with the given rows; a column left out is empty, as read from a file."""
    start: dict[str, list[dict[str, object]]] = {
        "catalogue": [
            {
                "model_id": MODEL,
                "family_id": FAMILY,
                "device_class": "foldable",
                "launch_date": pd.Timestamp("2026-02-01"),
            }
        ],
        "sales": [{"sale_id": "S1", "model_id": MODEL, "sale_date": pd.Timestamp("2026-10-31")}],
    }
    tables = {n: _typed(t, (start | rows).get(n, [])) for n, t in TABLES.items()}
    for name, money in (("sales", "gross_amount"), ("stock", "landed_cost")):
        tables[name]["amount"] = tables[name][money].astype("float64")
    tables["stock"]["asking_amount"] = tables["stock"]["asking_price"].astype("float64")
    quotes = tables["part_quotes"]
    tables["part_quotes"] = quotes.assign(amount=quotes["unit_price"].astype("float64"))
    return Logs(folder, "EUR", GRADES, tables, Ledger({}, no_exceptions()))


def _typed(table: Table, rows: list[dict[str, object]]) -> pd.DataFrame:
    empty = empty_rows(table)
    if not rows:
        return empty
    given = pd.DataFrame(rows)
    out = {}
    for name in empty.columns:
        kind = empty[name].dtype
        values = given[name] if name in given else pd.Series([None] * len(given))
        if pd.api.types.is_datetime64_any_dtype(kind):
            out[name] = pd.to_datetime(values)
        elif pd.api.types.is_numeric_dtype(kind):
            out[name] = pd.to_numeric(values).astype("float64")
        elif name in given and pd.api.types.is_numeric_dtype(values.dtype):
            out[name] = values.astype("float64")  # yes or no, as 1 or 0
        else:
            out[name] = values.fillna("").astype("str")
    return pd.DataFrame(out)


def example_unit(rules: Settings | None = None, **family: float) -> UnitEconomics:
    """The example's one unit."""
    unit = example_economics(rules, **family).unit(FAMILY, MODEL, FAULT)
    assert isinstance(unit, UnitEconomics)
    return unit


FREE = example_settings(targets=Targets())


def unit_of(
    rules: Settings = FREE,
    worth: Valuation = NO_CHARGES,
    family: FamilyOutlook | None = None,
    fault: str = FAULT,
) -> UnitEconomics:
    """The example's unit; by default nothing is aimed at or limited, and nothing is charged."""
    outlook = example_outlook(example_family() if family is None else family)
    unit = Economics(outlook, rules, worth).unit(FAMILY, MODEL, fault)
    assert isinstance(unit, UnitEconomics)
    return unit


def owned(number: int, **row: object) -> dict[str, object]:
    """A row of stock.csv: a unit on the bench, bought for 60, erased, unlocked."""
    start = {
        "unit_id": f"U{number}",
        "model_id": MODEL,
        "state": "s1",
        "status": "bench",
        "buy_date": pd.Timestamp("2026-10-12"),
        "landed_cost": 60.0,
        "ownership_check": "clear",
        "erase_date": pd.Timestamp("2026-10-15"),
    }
    return {**start, **row}
