"""Which unit is meant: its model, family and listed fault, from a name and a seller's words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from repair_horizon.asking.given import Given, PartGiven, with_given
from repair_horizon.asking.unit_answer import UnitAnswer
from repair_horizon.classes import meaning_of
from repair_horizon.decisions.unit.economics import Economics, bench_of
from repair_horizon.logs import CannotSay, Fault, LogFault, Logs
from repair_horizon.tables.words import fault_words


@dataclass(frozen=True)
class AskedUnit:
    """A unit asked about; ``fault`` is in the asker's words."""

    family_id: str
    model_id: str
    device_class: str
    model_name: str
    fault: str


def asked_of(logs: Logs, model_id: str, fault: str) -> AskedUnit:
    """Find the model in the catalogue, by its identifier or its name.

    Raises ``LogFault`` if there is no such model; the nearest ones are named.
    """
    catalogue = logs.tables["catalogue"]
    names = catalogue["model_name"].where(catalogue["model_name"] != "", catalogue["model_id"])
    wanted = model_id.strip().lower()
    same = (catalogue["model_id"].str.lower() == wanted) | (names.str.lower() == wanted)
    if not same.any():
        known = list(catalogue["model_id"])
        near = get_close_matches(model_id, known, 3, 0.5)
        allowed = f"did you mean {' or '.join(near)}?" if near else "one of " + _some(known)
        raise LogFault([Fault("model", None, "", model_id, allowed)])
    row = catalogue[same].iloc[0]
    return AskedUnit(
        str(row["family_id"]),
        str(row["model_id"]),
        str(row["device_class"]),
        str(names[same].iloc[0]),
        fault,
    )


def _some(names: list[str], most: int = 12) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} others" * (len(names) > most))


def listed_fault(asked: AskedUnit, known: list[str]) -> str:
    """Return the family's listed fault that the words mean.

    Raises ``LogFault`` if they mean none of them.
    """
    code = "_".join(asked.fault.lower().replace("-", " ").split())
    if code in known:
        return code
    meaning = meaning_of(asked.fault, asked.device_class)
    if meaning.understood and meaning.listed_fault in known:
        return meaning.listed_fault
    near = get_close_matches(code, known, 1, 0.6)
    if near and not meaning.understood:
        return near[0]
    allowed = "one of " + ", ".join(fault_words(k) for k in known)
    raise LogFault([Fault("fault", None, "", asked.fault, allowed)])


def given_of(figures: Mapping[str, Any]) -> Given:
    """Build the record of figures given; a bare number stands for a part's price.

    Raises ``TypeError`` for a figure there is none of, as for any keyword.
    """
    parts = {
        code: part if isinstance(part, PartGiven) else PartGiven(float(part))
        for code, part in dict(figures.get("parts") or {}).items()
    }
    return Given(**{**figures, "parts": parts})


def answered(
    economics: Economics,
    asked: AskedUnit,
    given: Given | None,
    figures: Mapping[str, Any],
    name: str = "",
) -> UnitAnswer:
    """Answer for one unit of a family.

    Parameters
    ----------
    economics
        Of its family, from the month it is bought in.
    asked
        The unit.
    given, figures
        The record of figures given, or its fields.
    name
        What to call it; model and fault if empty.
    """
    known = given if given is not None else given_of(figures)
    bench = bench_of(economics, asked.family_id, asked.model_id)
    if isinstance(bench, CannotSay):
        allowed = "a launch date and launch price in catalogue.csv, or a sale of the family"
        raise LogFault([Fault(asked.model_id, None, "", bench.reason, allowed)])
    faults = list(bench.outlook.shares)
    code = "_".join(asked.fault.lower().split())
    fault = code if known.states else listed_fault(asked, faults)
    key = (asked.family_id, asked.model_id, fault)
    said = name or f"{asked.model_name}, {fault_words(fault)}"
    return UnitAnswer(with_given(economics, key, known), key, said, known)
