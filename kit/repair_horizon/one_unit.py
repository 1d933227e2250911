"""``ask``: one unit without a workspace, by what is known of its class and the figures given."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from repair_horizon.asking.given import Given
from repair_horizon.asking.unit_answer import NO_CURRENCY, given_of
from repair_horizon.classes import class_knowledge
from repair_horizon.logs import Fault, LogFault, Settings
from repair_horizon.shop import Shop, shop_from_frames
from repair_horizon.tables.inputs import CLASSES
from repair_horizon.tables.months import AVERAGE_MONTH_DAYS, month_number, month_start, month_word
from repair_horizon.tables.words import fault_words

if TYPE_CHECKING:
    from repair_horizon.asking.unit_answer import UnitAnswer

USUAL_AGE = 12
"""Months since launch where none is given."""


def ask(
    device_class: str,
    fault: str,
    *,
    launch: str | None = None,
    launch_price: float | None = None,
    settings: Settings | None = None,
    shop: Shop | None = None,
    today: str | pd.Timestamp | None = None,
    given: Given | None = None,
    **figures: Any,
) -> UnitAnswer:
    """Ask about one unit of a model no log knows.

    Parameters
    ----------
    device_class
        phone, foldable, tablet, laptop, watch or console.
    fault
        As the seller lists it, in words or as a code.
    launch
        Month the model came out, YYYY-MM; a year before today if unknown, which is said.
    launch_price
        Its list price then; worked back from ``resale`` if unknown.
    settings
        Costs of the business; common practice if None.
    shop
        A workspace whose settings, and whose month's hours, cash and risk, count.
    today
        Day it is asked on; the computer's if None.
    given, **figures
        What is known of the unit, fields of ``asking.given.Given``: ``resale``, ``part``,
        ``asking``, ``hours``, ``manufacturer_quote`` and others.

    Returns
    -------
    UnitAnswer

    Raises
    ------
    LogFault
        With everything that cannot be, and what is allowed.

    Examples
    --------
    >>> answer = ask("phone", "screen cracked", launch="2025-11", launch_price=900, today="2026-11")
    >>> answer.bid.amount > 0
    True
    """
    day = pd.Timestamp.today().normalize() if today is None else pd.Timestamp(today)
    known = given if given is not None else given_of(figures)
    rules = shop.settings if shop is not None else (settings or Settings())
    rules = replace(rules, currency=_currency(shop, rules))
    notes: list[str] = []
    if launch is None:
        launch = month_word(int(month_number([day])[0]) - USUAL_AGE)
        notes.append(f"Launch month not given: taken as a year ago, {launch}.")
    faults = _wrong(device_class, launch, launch_price, known, day)
    if faults:
        raise LogFault(faults)
    if launch_price is None:
        launch_price = _launch_price(device_class, launch, known, day)
        notes.append(
            f"Launch price not given: {launch_price:,.0f}, worked back from the resale price; "
            "parts and slopes start from it."
        )
    place = _alone(device_class, launch, launch_price, rules, day)
    worth = None if shop is None else shop.valuation()
    name = f"{device_class.capitalize()} of {launch}, {fault_words(fault)}"
    month = int(month_number([day])[0])
    answer = place.ask("unit", fault, given=known, month=month, valuation=worth, name=name)
    return replace(answer, notes=(*notes, *answer.notes))


def _currency(shop: Shop | None, rules: Settings) -> str:
    return rules.currency or (shop.currency if shop is not None else NO_CURRENCY)


def _wrong(
    device_class: str, launch: str, launch_price: float | None, known: Given, day: pd.Timestamp
) -> list[Fault]:
    out = []
    if device_class not in CLASSES:
        out.append(Fault("class", None, "", device_class, "one of " + ", ".join(CLASSES)))
    now = int(month_number([day])[0])
    begun = pd.to_datetime(launch, format="%Y-%m", errors="coerce")
    if pd.isna(begun):
        out.append(Fault("launch", None, "", launch, "a month such as 2025-03"))
    elif int(month_number([begun])[0]) > now:
        out.append(Fault("launch", None, "", launch, f"a month up to {month_word(now)}"))
    if launch_price is None and known.resale is None:
        allowed = "a launch price, or what the model sells for working (resale)"
        out.append(Fault("launch_price", None, "", "nothing", allowed))
    elif launch_price is not None and not launch_price > 0:
        out.append(Fault("launch_price", None, "", f"{launch_price:g}", "a price above 0"))
    return out


def _launch_price(device_class: str, launch: str, known: Given, day: pd.Timestamp) -> float:
    begun = pd.Timestamp(launch + "-01")
    age = max((day - begun).days / AVERAGE_MONTH_DAYS, 0.0)
    share = class_knowledge(device_class).share_of_launch(age)
    assert known.resale is not None
    return float(known.resale) / float(share.value)


def _alone(
    device_class: str, launch: str, launch_price: float, rules: Settings, day: pd.Timestamp
) -> Shop:
    """Open a shop of one model and nothing else."""
    begun = month_start(int(month_number([pd.Timestamp(launch + "-01")])[0]))
    row = {
        "model_id": ["unit"],
        "family_id": [device_class],
        "device_class": [device_class],
        "launch_date": [f"{begun:%Y-%m-%d}"],
        "launch_price": [f"{launch_price:.2f}"],
        "launch_currency": [rules.currency],
    }
    place = shop_from_frames(rules, catalogue=row)
    return Shop(replace(place.logs, days=pd.DatetimeIndex([day])), rules)
