"""The README's table of the demo's best units, from the one place every face asks.

``python -m tests.readme_table`` prints the rows, with ``--write`` into README.md.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
from repair_horizon.decisions.month.opportunity_cost import listings_per_month
from repair_horizon.decisions.month.stop_dates import BUY_STOP, date_rows, unit_stops
from repair_horizon.decisions.unit.outcomes import UnitEconomics
from repair_horizon.reports.month_tables import main_row
from repair_horizon.shop import Shop, open_shop
from repair_horizon.tables.codes import Verdict
from repair_horizon.tables.months import month_start
from repair_horizon.tables.words import chance, fault_words, money, percent, verdict_words

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
FIRST = "| best unit of each family"
NONE = "–"


def table(shop: Shop) -> str:
    """Return the table: the unit each family's page is about, with the figures told there."""
    month = f"{month_start(shop.month()):%B %Y}"
    names = ["verdict", "maximum bid", "wins", "a won lot earns", "chance of loss"]
    head = [f"best unit of each family, {month}", *names]
    head += ["months to buy stop (80 %)", "sales of the model"]
    lines = [_line(head), _line(["---"] * len(head))]
    rows = with_earnings(shop)
    for family_id in shop.logs.families:
        lines.append(_line(_cells(shop, main_row(rows[rows["family_id"] == family_id]))))
    return "\n".join(lines)


def with_earnings(shop: Shop) -> pd.DataFrame:
    """Return the month's thresholds with the sales and monthly earnings that rank them."""
    rows = shop.thresholds()
    rates = listings_per_month(shop.logs.tables["listings"], shop.now)
    keys = pd.MultiIndex.from_frame(rows[["model_id", "listed_fault"]].astype(str))
    sold = {}
    for family_id in shop.logs.families:
        curves = shop.estimates(family_id).prices
        counts = curves.fit.panel.sales_by_model  # type: ignore[union-attr]
        sold |= dict(zip(curves.models.ids, counts, strict=True))  # type: ignore[union-attr]
    per_listing = rows["expected_profit"] * rows["probability_win"]
    earned = per_listing * rates.reindex(keys).to_numpy(float)
    return rows.assign(n_sales=rows["model_id"].map(sold), earns_per_month=earned)


def _cells(shop: Shop, row: pd.Series) -> list[str]:
    bought = Verdict.read(row["verdict"]) is Verdict.BUY
    model = shop.logs.tables["catalogue"].set_index("model_id").loc[row["model_id"], "model_name"]
    name = " ".join(str(model).removesuffix(" (invented)").split()[1:])
    return [
        f"{name}, {fault_words(row['listed_fault'])}",
        verdict_words(row["verdict"]),
        money(row["max_bid"], shop.currency),
        chance(row["probability_win"]) if bought else NONE,
        money(row["expected_profit"], shop.currency) if bought else NONE,
        percent(row["probability_loss"]) if bought else NONE,
        _buy_stop(shop, row),
        str(row["n_sales"]),
    ]


def _buy_stop(shop: Shop, row: pd.Series) -> str:
    economics = shop.economics(row["family_id"])
    unit = economics.unit(row["family_id"], row["model_id"], row["listed_fault"])
    assert isinstance(unit, UnitEconomics)
    stops = unit_stops(unit, unit.exact_bids())
    date = next(d for d in date_rows(unit, stops, 0.8, shop.month()) if d["date_name"] == BUY_STOP)
    now, last = month_start(shop.month()), unit.months

    def months_until(end: pd.Timestamp) -> int:
        return (end.year - now.year) * 12 + end.month - now.month

    median, lower, upper = (
        f"over {last}" if pd.isna(date[end]) else str(months_until(date[end]))
        for end in ("median", "lower", "upper")
    )
    if lower == median == upper:
        return "0, this month" if median == "0" else median
    return f"{median} ({lower} to {upper})"


def _line(cells: list[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def written(readme: str) -> str:
    """Return the table as it stands in the README."""
    lines = readme.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(FIRST))
    end = next(i for i in range(start, len(lines)) if not lines[i].startswith("|"))
    return "\n".join(lines[start:end])


if __name__ == "__main__":
    text = table(open_shop(ROOT / "data" / "demo"))
    print(text)
    if "--write" in sys.argv:
        old = README.read_text(encoding="utf-8")
        README.write_text(old.replace(written(old), text), encoding="utf-8")
