"""Warnings about the data that a reader of the index must know, the gravest first."""

from __future__ import annotations

import pandas as pd

from kit.logs import Logs, Settings
from kit.logs.ledger import HELD, SET_ASIDE
from kit.reports.wording import day_words, fault_words, number, percent

_STALE_DAYS = 45
_ASIDE_SHARE = 0.15


def data_warnings(logs: Logs, settings: Settings, first_day: pd.Timestamp) -> list[str]:
    """Say what is wrong with the data behind a month.

    Parameters
    ----------
    logs
        The workspace as known for the month.
    settings
        For the accepted share of rows held for review.
    first_day
        First day of the month.

    Returns
    -------
    list of str
        One sentence each, the gravest first.
    """
    return [*_held(logs, settings), *_stale(logs, first_day), *_aside(logs)]


def _held(logs: Logs, settings: Settings) -> list[str]:
    exceptions = logs.ledger.exceptions
    held = exceptions[exceptions["status"] == HELD]
    if held.empty:
        return []
    reason = held["reason"].mode().iloc[0]
    share = percent(logs.ledger.held_share())
    over = logs.ledger.held_share() > settings.limits.held_share
    limit = f", more than the {percent(settings.limits.held_share)} accepted" if over else ""
    return [
        f"{number(len(held))} rows ({share} of all{limit}) wait for review and are not counted; "
        f"most often: {reason}."
    ]


def _stale(logs: Logs, first_day: pd.Timestamp) -> list[str]:
    said = []
    for name, column in (("sales", "sale_date"), ("part_quotes", "quote_date")):
        rows = logs.tables[name]
        if rows.empty:
            said.append(f"There are no {fault_words(name)} ({name}.csv).")
        elif (first_day - rows[column].max()).days > _STALE_DAYS:
            said.append(
                f"The newest of the {fault_words(name)} is of {day_words(rows[column].max())}."
            )
    return said


def _aside(logs: Logs) -> list[str]:
    exceptions = logs.ledger.exceptions
    said = []
    for name, read in logs.ledger.read.items():
        aside = exceptions[(exceptions["table"] == name) & (exceptions["status"] == SET_ASIDE)]
        if read and len(aside) > _ASIDE_SHARE * read:
            reason = aside["reason"].mode().iloc[0]
            said.append(
                f"{percent(len(aside) / read)} of {name}.csv is set aside; most often: {reason}."
            )
    return said
