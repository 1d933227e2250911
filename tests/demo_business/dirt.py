"""The mess planted in the demo business on purpose, and what must become of each row.

Real exports hold duplicates, refunds, lots, placeholder amounts and typing errors. Each sort is
planted in rows picked at random, at most one sort per row, and listed with the status the
ledger must give it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from repair_horizon.tables.faults import HELD, SET_ASIDE, USED

from demo_business.catalogue import END, MODEL_OF

Edit = Callable[[np.random.Generator, dict[str, str]], None]


def _amount(factor: float) -> Edit:
    def edit(_: np.random.Generator, row: dict[str, str]) -> None:
        row["gross_amount"] = f"{float(row['gross_amount']) * factor:.2f}"

    return edit


def _lot(rng: np.random.Generator, row: dict[str, str]) -> None:
    pieces = int(rng.integers(2, 6))
    row["quantity"] = str(pieces)
    row["gross_amount"] = f"{float(row['gross_amount']) * pieces * 0.93:.2f}"


def _placeholder(rng: np.random.Generator, row: dict[str, str]) -> None:
    row["gross_amount"] = str(rng.choice(["99999.00", "9999.00", "1.00"]))


def _too_early(rng: np.random.Generator, row: dict[str, str]) -> None:
    launch = pd.Timestamp(MODEL_OF[row["model_id"]].launch)
    row["sale_date"] = f"{launch - pd.Timedelta(days=int(rng.integers(20, 200))):%Y-%m-%d}"
    row["listed_date"] = ""


def _unknown_model(_: np.random.Generator, row: dict[str, str]) -> None:
    row["model_id"] = row["model_id"].replace("_", "-") + "x"


def _decimal_comma(column: str) -> Edit:
    def edit(_: np.random.Generator, row: dict[str, str]) -> None:
        row[column] = row[column].replace(".", ",")

    return edit


def _no_such_day(column: str) -> Edit:
    def edit(rng: np.random.Generator, row: dict[str, str]) -> None:
        row[column] = f"31.{int(rng.choice([2, 4, 6, 9])):02d}.{row[column][:4]}"

    return edit


def _set(column: str, value: str) -> Edit:
    def edit(_: np.random.Generator, row: dict[str, str]) -> None:
        row[column] = value

    return edit


def _offer(_: np.random.Generator, row: dict[str, str]) -> None:
    row["price_type"] = "offer"
    row["gross_amount"] = f"{float(row['gross_amount']) * 0.78:.2f}"


_SALES_EDITS: tuple[tuple[int, Edit, str, str], ...] = (
    (20, _lot, "lot of several pieces", SET_ASIDE),
    (6, _placeholder, "placeholder amount", SET_ASIDE),
    (5, _amount(100.0), "decimal point lost", SET_ASIDE),
    (6, _too_early, "sold before launch", SET_ASIDE),
    (8, _unknown_model, "model not in the catalogue", HELD),
    (5, _decimal_comma("gross_amount"), "decimal comma", HELD),
    (4, _no_such_day("sale_date"), "a day that does not exist", HELD),
    (3, _amount(-1.0), "negative amount", HELD),
    (24, _offer, "offer, not a price", SET_ASIDE),
)
_UNDONE = (
    (10, "refund", SET_ASIDE, 1.0), (5, "cancelled", SET_ASIDE, 1.0),
    (3, "chargeback", SET_ASIDE, 1.0), (8, "partial_refund", USED, 0.15),
)  # fmt: skip


def soil_sales(
    seed: int, sales: pd.DataFrame, odd: Mapping[str, str]
) -> tuple[pd.DataFrame, list[tuple[str, str, str, str]]]:
    """Plant the mess of a sales log.

    ``seed``: same seed, same mess; ``sales``: clean sales as text; ``odd``: sale_id of rows that
    are odd already, with what is odd about them. Returns the soiled sales, and (table, row_id,
    what, status) per planted row.
    """
    traded = sales.groupby("model_id")["sale_id"].transform("size") > 30
    plain = (sales["currency"] == "EUR") & ~sales["sale_id"].isin(odd) & traded
    work = start("sales", sales, plain, seed)
    single = (sales["condition"] == "working") & (sales["price_type"] == "sold")
    for number, edit, what, status in _SALES_EDITS:
        work.change(edit, what, status, work.take(number, single))
    _plant_undone(work, single & (sales["own_sale"] == "yes"))
    _plant_reposts(work, sales["price_type"] == "asking")
    _plant_repeats(work, 12, 4, "gross_amount")
    for sale_id, what in odd.items():
        work.mark(sale_id, what, USED)
    return work.finished(), work.marks


def _plant_undone(work: Planting, own: pd.Series) -> None:
    """Add refund, cancellation and chargeback records some days after sales of our own."""
    early = own & (work.rows["sale_date"] < "2026-09-15")
    for number, kind, becomes, share in _UNDONE:
        for i in work.take(number, early):
            row = {str(k): str(v) for k, v in work.rows.iloc[i].items()}
            day = pd.Timestamp(row["sale_date"]) + pd.Timedelta(days=int(work.rng.integers(3, 28)))
            work.mark(row["sale_id"], f"sale with a {kind} record", becomes)
            record = row | {
                "sale_id": "", "sale_date": f"{day:%Y-%m-%d}", "record_type": kind,
                "refers_to_sale_id": row["sale_id"], "fee_amount": "", "shipping_charged": "",
                "gross_amount": f"{-share * float(row['gross_amount']):.2f}",
            }  # fmt: skip
            work.insert(record, i + 25.5, f"{kind} record", SET_ASIDE)


def _plant_reposts(work: Planting, asking: pd.Series) -> None:
    early = asking & (work.rows["sale_date"] < "2026-10-15")
    for i in work.take(12, early):
        row = {str(k): str(v) for k, v in work.rows.iloc[i].items()}
        day = pd.Timestamp(row["sale_date"]) + pd.Timedelta(days=int(work.rng.integers(3, 14)))
        again = row | {"sale_id": "", "sale_date": f"{day:%Y-%m-%d}"}
        # A round amount at another day tells nothing: most equal ones are of other offers.
        telling = len(row["gross_amount"].replace(".", "").strip("0")) >= 4
        becomes = SET_ASIDE if telling else USED
        what = "the same offer again" if telling else "the same offer again, at a round amount"
        work.insert(again, i + 12.5, what, becomes)


def _plant_repeats(work: Planting, same: int, other: int, money: str) -> None:
    """Add rows exported twice, and rows whose key returns with another amount."""
    for n, i in enumerate(work.take(same + other)):
        row = {str(k): str(v) for k, v in work.rows.iloc[i].items()}
        what, becomes = "the same row again", SET_ASIDE
        if n >= same:
            row[money] = f"{float(row[money] or 20) * 0.93 - 1.0:.2f}"
            what, becomes = "the same identifier, another amount", HELD
        work.insert(row, i + 40.5, what, becomes)


# table, column with an amount, exact repeats, repeats with another amount, edits
_OTHERS: tuple[tuple[str, str, int, int, tuple[tuple[int, Edit, str], ...]], ...] = (
    ("part_quotes", "unit_price", 4, 2, (
        (3, _decimal_comma("unit_price"), "decimal comma"),
        (2, _set("unit_price", "0.00"), "price of zero"),
        (3, _unknown_model, "model not in the catalogue"),
        (1, _set("quality_class", "OEM"), "unknown quality"),
    )),
    ("repairs", "parts_cost", 2, 0, (
        (2, _decimal_comma("bench_hours"), "decimal comma"),
        (1, _set("outcome", "fixed"), "unknown outcome"),
        (1, _no_such_day("opened"), "a day that does not exist"),
    )),
    ("listings", "final_price", 2, 0, (
        (2, _no_such_day("end_time"), "a day that does not exist"),
        (1, _unknown_model, "model not in the catalogue"),
    )),
)  # fmt: skip


def soil_others(
    seed: int, tables: Mapping[str, pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], list[tuple[str, str, str, str]]]:
    """Plant repeats and unreadable values in part quotes, repairs and past listings."""
    soiled, marks = {}, []
    for name, money, same, other, edits in _OTHERS:
        rows = tables[name]
        plain = rows[money].ne("")
        if "currency" in rows:
            plain &= rows["currency"] == "EUR"
        if "opened" in rows:
            plain &= (rows["opened"] < END) & rows["outcome"].ne("")
        work = start(name, rows, plain, seed)
        for number, edit, what in edits:
            work.change(edit, what, HELD, work.take(number))
        _plant_repeats(work, same, other, money)
        soiled[name] = work.finished()
        marks += work.marks
    return soiled, marks


_POSITION = "_position"


@dataclass(eq=False)
class Planting:
    """One table while dirt is planted: its rows, the rows still untouched, and what was done.

    ``pool`` holds the positions of rows still clean; ``marks`` one entry per planted row.
    """

    table: str
    key: str
    rows: pd.DataFrame
    rng: np.random.Generator
    pool: list[int]
    extra: list[dict[str, object]] = field(default_factory=list)
    marks: list[tuple[str, str, str, str]] = field(default_factory=list)

    def take(self, number: int, wanted: pd.Series | None = None) -> list[int]:
        """Pick clean rows, and take them out of the pool."""
        fits = np.ones(len(self.rows), dtype=bool) if wanted is None else wanted.to_numpy()
        free = [i for i in self.pool if fits[i]]
        if len(free) < number:
            raise ValueError(f"{self.table}: {number} clean rows wanted, {len(free)} left")
        picked = [int(i) for i in self.rng.choice(free, number, replace=False)]
        self.pool = [i for i in self.pool if i not in set(picked)]
        return picked

    def mark(self, row_id: str, what: str, status: str) -> None:
        """Note what was planted in a row and what must become of it."""
        self.marks.append((self.table, row_id, what, status))

    def change(self, edit: Edit, what: str, status: str, picked: list[int]) -> None:
        """Change rows where they stand."""
        for i in picked:
            row = {str(k): str(v) for k, v in self.rows.iloc[i].items()}
            edit(self.rng, row)
            self.rows.iloc[i] = pd.Series(row)
            self.mark(row[self.key], what, status)

    def insert(self, row: dict[str, str], position: float, what: str, status: str) -> None:
        """Add a row near a position; an empty key is numbered later."""
        self.extra.append({**row, _POSITION: position, "_what": what, "_status": status})

    def finished(self) -> pd.DataFrame:
        """Return the rows with the added ones in place, numbering those without a key."""
        number = len(self.rows)
        prefix = str(self.rows[self.key].iloc[0])[0]
        width = len(str(self.rows[self.key].iloc[0])) - 1
        for row in self.extra:
            if not row[self.key]:
                number += 1
                row[self.key] = f"{prefix}{number:0{width}d}"
            self.mark(str(row[self.key]), str(row.pop("_what")), str(row.pop("_status")))
        whole = pd.concat(
            [self.rows.assign(**{_POSITION: np.arange(len(self.rows), dtype=float)}),
             pd.DataFrame(self.extra)],
        )  # fmt: skip
        whole = whole.sort_values(_POSITION, kind="stable").drop(columns=_POSITION)
        return whole.reset_index(drop=True)


def start(table: str, rows: pd.DataFrame, plain: pd.Series, seed: int) -> Planting:
    """Begin planting in a table; only the rows marked ``plain`` may be touched."""
    pool = [int(i) for i in np.flatnonzero(plain.to_numpy())]
    rng = np.random.default_rng([seed, 9, len(table)])
    return Planting(table, str(rows.columns[0]), rows.copy(), rng, pool)
