"""An invented beginner's workbook: sales, models and auction lots as somebody would keep them.

Nothing in it is clean: a title above the header, amounts as text beside numbers, dates in two
forms, a bundle, a total, buyers' names. ``write_first_month`` writes the same bytes each time.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xlsxwriter

FILE = "our sales.xlsx"
NEWEST = datetime.date(2026, 10, 28)
_FIRST = datetime.date(2026, 3, 2)
_SEED = 20261101


@dataclass(frozen=True)
class _Device:
    """An invented model: what it is called, sold for when new, and loses in a month (log)."""

    name: str
    line: str
    kind: str
    released: datetime.date
    price: float
    first_share: float
    pace: float
    storage: tuple[int, ...]


_PHONE, _TABLET, _FOLDABLE = "Smartphone", "Tablet", "Foldable"
_DAY = datetime.date
_DEVICES = (
    _Device("Brelk Orvan 4", "Orvan", _PHONE, _DAY(2024, 9, 13), 779, 0.66, 0.026, (128, 256)),
    _Device("Brelk Orvan 5", "Orvan", _PHONE, _DAY(2025, 9, 12), 799, 0.71, 0.027, (128, 256)),
    _Device("Brelk Orvan 5 Mini", "Orvan", _PHONE, _DAY(2025, 9, 12), 649, 0.64, 0.028, (128,)),
    _Device("Sontar Tavit 10", "Tavit", _TABLET, _DAY(2024, 3, 22), 499, 0.83, 0.025, (64, 128)),
    _Device("Sontar Tavit 11", "Tavit", _TABLET, _DAY(2025, 10, 3), 549, 0.85, 0.024, (64, 128)),
    _Device("Brelk Duo", "Duo", _FOLDABLE, _DAY(2025, 7, 25), 1599, 0.52, 0.030, (256,)),
)  # fmt: skip
_GRADES = (("like new", 0.10), ("very good", 0.06), ("good", 0.0), ("worn", -0.10))
_BUYERS = ("A. Nym", "B. Leif", "C. Dorn", "D. Quist", "E. Marl", "F. Tove")
_LOTS: tuple[tuple[str, str, str, str, float], ...] = (
    ("Brelk Orvan 4", "cracked screen", "2026-08-16", "lost", 96.0),
    ("Brelk Orvan 5", "won't turn on", "2026-09-06", "lost", 118.0),
    ("Sontar Tavit 10", "cracked screen", "2026-10-11", "won", 61.0),
    ("Brelk Orvan 5", "cracked screen", "2026-11-08", "", 55.0),
    ("Brelk Duo", "inner screen dead", "2026-11-08", "", 120.0),
    ("Sontar Tavit 11", "battery weak", "2026-11-09", "", 80.0),
    ("Brelk Orvan 4", "water damage", "2026-11-09", "", 20.0),
)


def write_first_month(folder: str | Path) -> Path:
    """Write the workbook of an invented business in its first months.

    ``folder``: where ``our sales.xlsx`` is written; made if it is not there. Returns the workbook:
    60 sales of 6 models (and a bundle, a cancelled order, a total), the models, 3 past auctions and
    4 open ones.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / FILE
    book = xlsxwriter.Workbook(path, {"default_date_format": "dd.mm.yyyy"})
    book.set_properties({"created": datetime.datetime(2026, 11, 1)})
    _sales(book.add_worksheet("Sales 2026"))
    _models(book.add_worksheet("Models"))
    _lots(book.add_worksheet("Auctions"))
    book.close()
    return path


def _sales(sheet: xlsxwriter.worksheet.Worksheet) -> None:
    rng = np.random.default_rng(_SEED)
    sheet.write_row(0, 0, ["Everything sold in 2026 (updated by hand)"])
    sheet.write_row(
        2, 0, ["Order", "Sold on", "Item", "State", "Price", "Paid by", "Buyer", "Note"]
    )
    rows = [_sale(rng, i) for i in range(60)]
    rows.sort(key=lambda row: row[1])
    rows.insert(17, (rows[17][1], rows[17][1], "2x Orvan 4 bundle + charger", "good", 610.0))
    for at, (_, day, item, state, price) in enumerate(rows, 3):
        text = at % 9 == 0  # some rows were typed as text, as happens
        sheet.write(at, 0, 4100 + at)
        sheet.write(at, 1, f"{day:%d.%m.%Y}" if text else day)
        sheet.write(at, 2, item)
        sheet.write(at, 3, state)
        sheet.write(at, 4, f"{price:.2f} €".replace(".", ",") if text else price)
        sheet.write(at, 5, "cancelled" if at == 44 else "transfer")
        sheet.write(at, 6, _BUYERS[at % len(_BUYERS)])
    last = 3 + len(rows)
    sheet.write(last, 0, "Total")
    sheet.write(last, 4, sum(row[4] for row in rows))


def _sale(
    rng: np.random.Generator, number: int
) -> tuple[datetime.date, datetime.date, str, str, float]:
    device = _DEVICES[(0, 1, 1, 2, 3, 4, 0, 1, 3, 5)[number % 10]]
    first = max(_FIRST, device.released + datetime.timedelta(days=60))
    day = first + datetime.timedelta(days=int(rng.integers((NEWEST - first).days + 1)))
    age = (day - device.released).days / 30.4375
    word, step = _GRADES[int(rng.choice(4, p=[0.15, 0.30, 0.40, 0.15]))]
    storage = int(rng.choice(device.storage))
    level = device.price * device.first_share * np.exp(-device.pace * (age - 3))
    price = level * np.exp(step + 0.04 * (storage > device.storage[0]) + 0.09 * rng.normal())
    if number in (13, 31, 46):  # sold broken
        word, price = "for parts", price * 0.36
    return day, day, f"{device.name} {storage} GB", word, float(round(price))


def _models(sheet: xlsxwriter.worksheet.Worksheet) -> None:
    sheet.write_row(0, 0, ["Model", "Line", "Type", "Released", "New price (EUR)"])
    for at, d in enumerate(_DEVICES, 1):
        sheet.write_row(at, 0, [d.name, d.line, d.kind, d.released, d.price])


def _lots(sheet: xlsxwriter.worksheet.Worksheet) -> None:
    sheet.write_row(0, 0, ["Lot", "Ends", "Device", "Fault", "Result", "Hammer", "Bid now"])
    for at, (name, fault, day, result, amount) in enumerate(_LOTS, 1):
        sheet.write_row(at, 0, [700 + at, datetime.date.fromisoformat(day), name, fault, result])
        sheet.write(at, 5 if result else 6, amount)
