"""Rules that hold between settings, or within one beyond its kind and limits."""

from __future__ import annotations

import datetime
import re
from typing import Any

from kit.logs.faults import Fault
from kit.logs.sections import fault


def faults_between(settings: Any) -> list[Fault]:
    """Name what contradicts itself in settings that are each within their limits.

    Parameters
    ----------
    settings
        ``kit.logs.settings.Settings`` as built; a value refused already is None and passed over.
    """
    out = _days(settings) + _once("grade_order", settings.grade_order)
    out += _once("repair.quality_order", settings.repair.quality_order)
    if settings.currency and not re.fullmatch("[A-Z]{3}", settings.currency):
        out.append(fault("currency", settings.currency, "an ISO 4217 code such as EUR"))
    names = [c.name for c in settings.channels]
    if settings.sale.channel and settings.sale.channel not in names:
        allowed = "one of " + ", ".join(str(n) for n in names)
        out.append(fault("sale.channel", settings.sale.channel, allowed))
    return out


def _days(settings: Any) -> list[Fault]:
    dated = [(f"channels[{i}]", c) for i, c in enumerate(settings.channels, 1)]
    dated += [(f"purchase.duties[{i}]", d) for i, d in enumerate(settings.purchase.duties, 1)]
    return [
        fault(f"{where}.valid_from", one.valid_from, "a day that exists, YYYY-MM-DD")
        for where, one in dated
        if one.valid_from is not None and not _is_day(one.valid_from)
    ]


def _is_day(text: str) -> bool:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
        return False
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _once(where: str, names: list[Any]) -> list[Fault]:
    return [
        fault(where, f"{name} twice", "each name once")
        for name in sorted({n for n in names if n is not None and names.count(n) > 1})
    ]
