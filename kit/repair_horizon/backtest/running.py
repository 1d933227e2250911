"""``backtest``: the whole check of a workspace, its tables written and ready to print."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from repair_horizon.backtest.forecasts import Backtest, backtest_prices
from repair_horizon.backtest.methods import OURS
from repair_horizon.backtest.money_replay import MoneyReplay, replay_bids
from repair_horizon.backtest.score_tables import by_horizon, by_sales
from repair_horizon.estimation.calibration import Calibration, width_factor, write_calibration
from repair_horizon.files.writing import write_table
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.scale import ALONE, Hands
from repair_horizon.shop import Shop
from repair_horizon.tables.settings import Settings

# Longer than the four horizons that are compared, since forecasts run to two years and a horizon
# nobody tested cannot be called supported.
HORIZONS = (1, 3, 6, 12, 18, 24)
_SHARES = ("median_ape", "bias", "coverage_50", "coverage_80", "coverage_90", "share_lost")
_RATIOS = ("median_ape_to_best_rule", "absolute_error_to_best_rule", "pinball_to_best_rule")


@dataclass(frozen=True, eq=False)
class BacktestRun:
    """Everything a back-test found; tables are those of the modules that made them."""

    prices: Backtest
    by_horizon: pd.DataFrame
    by_sales: pd.DataFrame
    calibration: Calibration
    money: MoneyReplay | CannotSay

    def __repr__(self) -> str:
        """Say what was tested."""
        return f"BacktestRun({self.prices!r}, {self.money!r})"

    def printable(self) -> dict[str, pd.DataFrame]:
        """Short tables for a screen: title to table, shares in per cent."""
        out = {
            "Prices, by months ahead": _short(self.by_horizon, "horizon"),
            "Prices, by sales of the model known": _short(self.by_sales, "sales_known"),
        }
        if isinstance(self.money, MoneyReplay):
            out["Past listings, bought at the price they fetched"] = _percent(self.money.table)
        return out


def _short(table: pd.DataFrame, first: str) -> pd.DataFrame:
    covers = [c for c in table if str(c).startswith("coverage_")]
    shown = [first, "method", "n", "median_ape", "bias", *covers, "pinball", "winkler"]
    return _percent(table[[*shown, "pinball_to_best_rule", "reason"]])


def _percent(table: pd.DataFrame) -> pd.DataFrame:
    """Shares in per cent with one decimal, the rest with two or three."""
    shares = {c: (100 * table[c]).round(1) for c in table if c in _SHARES}
    fine = {c: table[c].round(3) for c in ("pinball", "winkler") if c in table}
    out = table.assign(**shares, **fine)
    names = {c: f"{c}_%" for c in shares}
    return out.round({c: 2 for c in out if c not in names and c not in fine}).rename(columns=names)


def backtest(logs: Logs, settings: Settings, every: int = 3, hands: Hands = ALONE) -> BacktestRun:
    """Back-test prices and bids.

    Parameters
    ----------
    logs, settings
        The workspace's.
    every
        Months from one replayed month of bids to the next.
    hands
        Who works, family by family; the result does not depend on it.

    Returns
    -------
    BacktestRun

    Raises
    ------
    LogFault
        If the sales span too few months.
    """
    prices = backtest_prices(logs, horizons=HORIZONS, hands=hands)
    calibration = width_factor(prices.of(OURS))
    money = replay_bids(Shop(logs, settings, calibration), every, hands)
    return BacktestRun(prices, by_horizon(prices), by_sales(prices), calibration, money)


def write_backtest(run: BacktestRun, folder: Path) -> list[Path]:
    """Write one CSV per table and ``calibration.csv``, each whole or not at all."""
    tables = {
        "forecasts": run.prices.forecasts,
        "silent": run.prices.silent,
        "by_horizon": run.by_horizon,
        "by_sales": run.by_sales,
    }
    if isinstance(run.money, MoneyReplay):
        tables |= {"lots": run.money.lots, "money": run.money.table}
    written = [_write(table, folder / f"{name}.csv") for name, table in tables.items()]
    return [*written, write_calibration(run.calibration, folder)]


def _write(table: pd.DataFrame, path: Path) -> Path:
    write_table(path, table, float_format="%.6g")
    return path
