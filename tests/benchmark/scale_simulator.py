"""Workspaces a thousand times the usual size, invented: for speed and memory, not for accuracy.

Columns, shares of channels, grades, currencies and dirt are the demo business's, rounded; prices
fall along one simple curve, since nothing is scored against it here (``simulator.py`` is for
that). Every value that the checks know of occurs, so that their slow ways are timed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

Ints = npt.NDArray[np.int64]

FAMILIES, MODELS = 60, 2000
END = np.datetime64("2026-11-01")
_MONTH = 30.4375
_CLASSES = ("phone", "tablet", "watch", "console", "laptop", "foldable")
FAULTS = tuple(f"fault_{i}" for i in range(1, 9))
GRADES, _MIX = np.array(["A", "B", "C", "D", ""]), [0.26, 0.39, 0.19, 0.08, 0.08]
CHANNELS, _WHERE = np.array(["marketplace", "trade_buyer", "own_shop"]), [0.65, 0.19, 0.16]
_GRADE_LOGS = np.array([0.0, -0.1, -0.22, -0.42, -0.12])
_CHANNEL_LOGS = np.array([0.0, -0.06, 0.04])


@dataclass(frozen=True)
class Extent:
    """How much to invent: families, models in all, sales in all."""

    rows: int
    families: int = FAMILIES
    models: int = MODELS


def catalogue(extent: Extent) -> pd.DataFrame:
    """Models of every family, launched over nine years, each with its successor's date."""
    rng = np.random.default_rng([extent.models, 5])
    family = np.sort(np.arange(extent.models) % extent.families)
    place = np.arange(extent.models) - np.searchsorted(family, family)
    each = np.bincount(family)[family]
    launch = END - ((each - place) * (108 * _MONTH / each)).astype("timedelta64[D]")
    later = np.append(launch[1:], np.datetime64("NaT", "ns"))
    later[np.append(family[1:] != family[:-1], True)] = np.datetime64("NaT", "ns")
    return pd.DataFrame(
        {
            "model_id": [f"invented_{f:03d}_{p:03d}" for f, p in zip(family, place, strict=True)],
            "family_id": [f"family_{f:03d}" for f in family],
            "device_class": np.array(_CLASSES)[family % len(_CLASSES)],
            "model_name": "Invented device",
            "storage_gb": "128",
            "launch_date": np.datetime_as_string(launch, unit="D"),
            "launch_price": np.exp(rng.normal(6.4, 0.35, extent.models)).round(2),
            "launch_currency": "EUR",
            "successor_launch_date": np.where(
                np.isnat(later), "", np.datetime_as_string(later, unit="D")
            ),
            "spare_part_end_date": "",
        }
    )


def sales(models: pd.DataFrame, rows: int, seed: int = 1, clean: bool = False) -> pd.DataFrame:
    """Invent sales of the given models, as the text a file would hold.

    Parameters
    ----------
    models
        Rows of ``catalogue``.
    rows
        Number of sales.
    seed
        Fixes everything.
    clean
        Leave out dirt, broken units and other currencies.
    """
    rng = np.random.default_rng([seed, rows, 6])
    model = rng.integers(0, len(models), rows)
    launch = models["launch_date"].to_numpy(dtype="datetime64[D]")[model]
    life = np.minimum((END - launch).astype("int64"), 2400)
    age = 1 + np.floor(rng.random(rows) ** 0.8 * (life - 1))
    day = launch + age.astype("timedelta64[D]")
    grade, channel = rng.choice(5, rows, p=_MIX), rng.choice(3, rows, p=_WHERE)
    double = rng.choice(4, rows, p=[0.70, 0.15, 0.11, 0.04])
    asking = rng.random(rows) < 0.063
    fall = 0.9 * (0.08 + 0.92 * (0.3 * np.exp(-age / 150) + 0.7 * np.exp(-age / 1200)))
    worth = np.log(models["launch_price"].to_numpy(dtype="float64")[model] * fall)
    worth += _GRADE_LOGS[grade] + _CHANNEL_LOGS[channel] + 0.07 * double + 0.08 * asking
    own = rng.random(rows) < 0.26
    frame = pd.DataFrame(
        {
            "sale_id": pd.Series([f"S{seed:03d}{i:08d}" for i in range(rows)], dtype="str"),
            "model_id": models["model_id"].to_numpy(dtype=object)[model],
            "sale_date": day,
            "gross_amount": np.exp(worth + 0.09 * rng.standard_t(4, rows)).round(2),
            "currency": "EUR",
            "channel": CHANNELS[channel],
            "grade": GRADES[grade],
            "storage_gb": np.array(["", "256", "512", "1024"])[double],
            "condition": "working",
            "listed_fault": "",
            "price_type": np.where(asking, "asking", "sold"),
            "record_type": "sale",
            "refers_to_sale_id": "",
            "quantity": "1",
            "tax_included": "yes",
            "shipping_charged": np.where(own, "6.90", ""),
            "fee_amount": "",
            "listed_date": np.where(rng.random(rows) < 0.5, (day - 9).astype("str"), ""),
            "own_sale": np.where(own, "yes", "no"),
            "unit_id": "",
            "source_ref": np.where(own, "own sales book", "market export"),
        }
    )
    frame["fee_amount"] = np.where(own, (frame["gross_amount"] * 0.11).round(2).astype("str"), "")
    units = np.char.add("U", np.arange(rows).astype("U8"))
    frame["unit_id"] = np.where(own, units, "")
    return frame if clean else _dirtied(frame, rng)


def _dirtied(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Put in what the demo business has: broken units, dollars, refunds, lots, slips, doubles."""
    n = len(frame)
    text = frame.astype({"sale_date": "str", "gross_amount": "str"}).astype(object)
    kind = rng.choice(13, n, p=[0.782, 0.11, 0.085, 0.0035, 0.0025, 0.002, 0.007, 0.004, 0.001,
                                0.001, 0.0005, 0.0005, 0.001])  # fmt: skip
    amount, at = frame["gross_amount"].to_numpy(), {k: np.flatnonzero(kind == k) for k in range(13)}
    broken = at[1]
    text.iloc[broken, 8] = "as_is"
    text.iloc[broken, 9] = np.array(FAULTS)[rng.integers(0, len(FAULTS), len(broken))]
    text.iloc[broken, 3] = (amount[broken] * 0.4).round(2).astype("str")
    text.iloc[at[2], 4] = "USD"
    text.iloc[at[2], 3] = (amount[at[2]] * 1.1).round(2).astype("str")
    ids = text["sale_id"].to_numpy()
    for k, word in ((3, "refund"), (4, "partial_refund"), (5, "cancelled")):
        text.iloc[at[k], 11] = word
        text.iloc[at[k], 12] = ids[np.maximum(at[k] - 7, 0)]
        share = 0.1 if word == "partial_refund" else 1.0
        text.iloc[at[k], 3] = (-share * amount[np.maximum(at[k] - 7, 0)]).round(2).astype("str")
    text.iloc[at[6], 13] = "3"
    text.iloc[at[7], 10] = "offer"
    text.iloc[at[8], 3] = "99999"
    text.iloc[at[9], 3] = (amount[at[9]] * 100).round(2).astype("str")
    text.iloc[at[10], 3] = [f"1,{v % 1000:06.2f}" for v in amount[at[10]]]
    text.iloc[at[11], 2] = "31.02.2025"
    text.iloc[at[12], 20] = "market export, second list"
    doubles = text.iloc[rng.integers(0, n, n // 400)]
    return pd.concat([text.iloc[: n - len(doubles)], doubles], ignore_index=True).astype("str")


def exchange_rates() -> pd.DataFrame:
    """One dollar rate a week."""
    day = np.arange(np.datetime64("2017-01-02"), END, np.timedelta64(7, "D"))
    rate = 1.1 + 0.05 * np.sin(np.arange(len(day)) / 40)
    table = {"date": day.astype("str"), "base": "EUR", "quote": "USD", "rate": rate.round(4)}
    return pd.DataFrame(table)


def fault_states(models: pd.DataFrame) -> pd.DataFrame:
    """Eight listed faults a family, each with a usual state, a worse one and one not to mend."""
    rows = [
        (family, fault, state, share, "", hours, success)
        for family in models["family_id"].unique()
        for i, fault in enumerate(FAULTS)
        for state, share, hours, success in (
            (f"usual_{i}", 0.75, 0.5 + 0.2 * i, 0.92),
            ("board", 0.20, 2.5, 0.5),
            ("locked", 0.05, 0.0, 0.0),
        )
    ]
    columns = ["family_id", "listed_fault", "state", "prior_share", "part_codes", "bench_hours"]
    return pd.DataFrame(rows, columns=[*columns, "prior_success"])


def write_workspace(folder: Path, extent: Extent) -> Path:
    """Write a workspace of the given extent, its sales by date; return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    models = catalogue(extent)
    written = sales(models, extent.rows).sort_values("sale_date", kind="stable")
    tables = {
        "catalogue": models,
        "sales": written,
        "fx_rates": exchange_rates(),
        "fault_states": fault_states(models),
    }
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    (folder / "settings.toml").write_text('currency = "EUR"\nseed = 1\n')
    return folder
