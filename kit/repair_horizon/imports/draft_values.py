"""What a draft proposes for the values of an export: codes, models, rows that are not wanted."""

from __future__ import annotations

import re
from collections import Counter

import pandas as pd

from repair_horizon.classes import class_knowledge, meaning_of
from repair_horizon.imports import numbers
from repair_horizon.imports.layout import (
    SERIAL,
    Match,
    Sheet,
    comment,
    is_personal,
    plain,
    quoted,
    rows_said,
    some,
    toml,
    value_words,
)
from repair_horizon.tables.inputs import CLASSES

_NO_UNITS = (
    *("bundle", "lot", "job lot", "konvolut", "box only", "empty box", "ovp", "case for"),
    *("charger", "hülle", "test order"),
)
_UNDONE = ("cancelled", "canceled", "storniert", "refunded", "erstattet", "unpaid", "abgebrochen")
_MOST_VALUES = 60
_USUAL_CLASS = "phone"
"""Whose words count where the catalogue does not name a row's model."""
_STORAGE = re.compile(r"\b\d{1,4} ?[gt]b\b")


def value_lines(
    sheet: Sheet, models: pd.DataFrame | None, states: pd.DataFrame | None = None
) -> list[str]:
    """Map the values of columns that hold codes, and of the models."""
    lines: list[str] = []
    for match in sheet.found:
        column, words = sheet.table.column(match.column), value_words(match.column)
        counts = Counter(c for c in sheet.cells[match.theirs] if c)
        if match.column == "model_id" and sheet.table.name != "catalogue":
            lines += _model_lines(sheet, counts, models)
        elif match.column in ("model_id", "family_id"):
            lines += _code_lines(match.column, counts)
        elif match.column in ("listed_fault", "fault"):
            lines += _fault_lines(sheet, match, models)
        elif match.column in ("state", "state_found"):
            lines += _state_lines(sheet, match, models, states)
        elif words and not set(counts) <= set(column.choices or words.values()):
            lines += _word_lines(sheet, match, counts, words)
    return lines


def _word_lines(
    sheet: Sheet, match: Match, counts: Counter[str], words: dict[str, str]
) -> list[str]:
    """Map the values whose words are known; ask about the others, which would hold their rows."""
    lines = ["", f"[values.{match.column}] # their value = our value"]
    column = sheet.table.column(match.column)
    ours = column.choices or tuple(dict.fromkeys(words.values()))
    known = {v: words.get(plain(v)) or (plain(v) if plain(v) in ours else None) for v in counts}
    lines += [f"{quoted(v)} = {quoted(to)}" for v, to in known.items() if to]
    left = [v for v, to in known.items() if not to]
    if match.column == "condition" and sheet.theirs("grade") == match.theirs:
        return [*lines, '"*" = "working" # everything else']
    if match.column == "grade":
        left = [v for v in left if value_words("condition").get(plain(v)) != "as_is"]
        lines += [
            f'{quoted(v)} = "" # sold broken, no grade'
            for v in counts
            if not known[v] and v not in left
        ]
    if left:
        mark = sheet.ask(
            f"{match.theirs}: what is {some(left, counts)}? One of {', '.join(ours)}"
            + ("" if column.required else ', or "" for not known')
            + "; a value not named holds its row."
        )
        lines += [
            f'# {quoted(v)} = "" # {rows_said(counts[v])}, {mark}' for v in left[:_MOST_VALUES]
        ]
    return lines


def _model_lines(sheet: Sheet, counts: Counter[str], models: pd.DataFrame | None) -> list[str]:
    """Match names to the catalogue exactly; propose nothing else as settled."""
    known = _catalogue_names(models)
    if set(counts) <= set(known.values()):
        return []
    if not known:
        lines = _code_lines("model_id", counts)
        lines.append("# The catalogue names no models yet: add each, with its family, class and")
        lines.append("# launch date; rows of a model it does not name wait for review.")
        return lines
    lines = ["", "[values.model_id] # their value = our value"]
    settled = {v: known.get(_bare(v)) for v in counts}
    lines += [f"{quoted(v)} = {quoted(m)}" for v, m in settled.items() if m]
    # What names no single unit has a question of its own.
    left = [v for v, m in settled.items() if not m and not _no_unit_words([v])]
    if left:
        mark = sheet.ask(
            f"Which models of the catalogue are {some(left, counts)}? The lines below propose "
            "one where its name stands in theirs; a value not named holds its row."
        )
        for v in left[:_MOST_VALUES]:
            near = _near(v, known)
            lines.append(f"# {quoted(v)} = {quoted(near)} # {rows_said(counts[v])}, {mark}")
    return lines


def _code_lines(column: str, counts: Counter[str]) -> list[str]:
    """Make codes of names, so that files and commands can use them."""
    if all(v == _code(v) for v in counts):
        return []
    lines = ["", f"[values.{column}] # their value = our value"]
    lines += [f"{quoted(v)} = {quoted(_code(v))}" for v in sorted(counts)[:_MOST_VALUES]]
    if len(counts) > _MOST_VALUES:
        lines.append(f'"*" = "*" # {len(counts) - _MOST_VALUES} more, as they are written')
    return lines


def _fault_lines(sheet: Sheet, match: Match, models: pd.DataFrame | None) -> list[str]:
    """Read a seller's words by the declared table of fault words; ask about the others.

    The class of a row's model counts, where the catalogue has it: the screen of a foldable is its
    inner one.
    """
    names = sheet.cells.get(sheet.theirs("model_id") or "", [""] * len(sheet.rows))
    known, kinds = _catalogue_names(models), _device_classes(models)
    meant: dict[str, set[str]] = {}
    for said, name in zip(sheet.cells[match.theirs], names, strict=True):
        if said:
            kind = kinds.get(known.get(_bare(name), ""), _USUAL_CLASS)
            meaning = meaning_of(said, kind)
            meant.setdefault(said, set()).add(meaning.listed_fault if meaning.understood else "")
    if all({said} == faults for said, faults in meant.items()):
        return []
    lines = ["", f"[values.{match.column}] # their value = our value"]
    settled = {v: next(iter(f)) for v, f in meant.items() if len(f) == 1 and "" not in f}
    lines += [f"{quoted(v)} = {quoted(fault)}" for v, fault in settled.items()]
    left = [v for v in meant if v not in settled]
    if left:
        counts = Counter(sheet.cells[match.theirs])
        mark = sheet.ask(
            f"{match.theirs}: which fault is {some(left, counts)}? for_parts is a fault unsaid; "
            "a value not named holds its row."
        )
        lines += [f'# {quoted(v)} = "for_parts" # {rows_said(counts[v])}, {mark}' for v in left]
    return lines


def _state_lines(
    sheet: Sheet, match: Match, models: pd.DataFrame | None, states: pd.DataFrame | None
) -> list[str]:
    """Map words of the bench to states of the class or the shop's own; all of it is asked.

    What a unit turned out to be is told by words of faults ('only the display'), so the likeliest
    state of such a fault is proposed.
    """
    names = sheet.cells.get(sheet.theirs("model_id") or "", [""] * len(sheet.rows))
    known, kinds = _catalogue_names(models), _device_classes(models)
    own = [] if states is None or states.empty else list(states["state"].astype(str))
    own += ["working"] * (match.column == "state")
    counts = Counter(c for c in sheet.cells[match.theirs] if c)
    meant: dict[str, set[str]] = {}
    codes: dict[str, None] = dict.fromkeys(own)
    for said, name in zip(sheet.cells[match.theirs], names, strict=True):
        of = class_knowledge(kinds.get(known.get(_bare(name), ""), "") or _USUAL_CLASS)
        codes |= dict.fromkeys(of.state_codes)
        if said:
            is_code = said in own or said in of.state_codes
            word = value_words(match.column).get(plain(said), "")
            meant.setdefault(said, set()).add(said if is_code else word or of.likely_state(said))
    if all({said} == found for said, found in meant.items()):
        return []
    settled = {v: next(iter(f)) for v, f in meant.items() if len(f) == 1 and "" not in f}
    left = [v for v in meant if v not in settled]
    read = ", ".join(f"{comment(v, 30)!r} is {to}" for v, to in settled.items() if v != to)
    asked = [f"is it right that {read}?"] if read else []
    asked += [f"what is {some(left, counts)}?"] if left else []
    mark = sheet.ask(
        f"{match.theirs}: {' And '.join(asked)} One of {', '.join(codes)}; "
        "a value not named holds its row."
    )
    lines = ["", f"[values.{match.column}] # their value = our value, {mark}"]
    lines += [f"{quoted(v)} = {quoted(to)}" for v, to in settled.items()]
    lines += [f'# {quoted(v)} = "" # {rows_said(counts[v])}, {mark}' for v in left[:_MOST_VALUES]]
    return lines


def _device_classes(models: pd.DataFrame | None) -> dict[str, str]:
    if models is None or models.empty or "device_class" not in models:
        return {}
    of = dict(zip(models["model_id"].astype(str), models["device_class"], strict=True))
    return {model: kind for model, kind in of.items() if kind in CLASSES}


def _catalogue_names(models: pd.DataFrame | None) -> dict[str, str]:
    """Bare words of every name and identifier of the catalogue = its model."""
    if models is None or models.empty:
        return {}
    names = models["model_name"] if "model_name" in models else models["model_id"]
    found = {
        _bare(str(n)): str(m) for n, m in zip(names, models["model_id"], strict=True) if str(n)
    }
    return {**found, **{_bare(str(m)): str(m) for m in models["model_id"]}}


def _bare(text: str) -> str:
    """Return a model's words without storage and remarks in brackets."""
    words = _STORAGE.sub(" ", plain(re.sub(r"\([^)]*\)", " ", text)))
    return re.sub(r" +", " ", words).strip()


def _near(text: str, known: dict[str, str]) -> str:
    """Return the longest catalogue name that stands in a text as whole words, or nothing."""
    inside = [n for n in known if n and f" {n} " in f" {_bare(text)} "]
    return known[max(inside, key=len)] if inside else ""


def _code(text: str) -> str:
    return re.sub(r"\W+", "_", _bare(text) or plain(text)).strip("_") or "model"


_MAY_NAME = re.compile(
    r"\b(seller|verkäufer|anbieter|contact|kontakt|name|technician|techniker|mitarbeiter|bearbeiter|"
    r"notes?|notizen?|bemerkung(en)?|anmerkung(en)?|kommentar|comments?|remarks?|memo|message|"
    r"nachricht|beschreibung|description|text)\b"
)


def left_out(sheet: Sheet) -> list[str]:
    """Name the columns that are not read, with an example of each that names no person."""
    return [f"{comment(name)} ({_example(sheet, name)})" for name in sheet.left()]


def _example(sheet: Sheet, name: str) -> str:
    if is_personal(name):
        return "about persons: not shown"
    if SERIAL.search(plain(name)):
        return "serial numbers: not shown"
    if _MAY_NAME.search(plain(name)):
        return "may name persons: not shown"
    given = Counter(c for c in sheet.cells[name] if c and "@" not in c)
    return f"such as {comment(max(given, key=lambda v: given[v]), 30)!r}" if given else "empty"


def flag_warnings(sheet: Sheet) -> list[str]:
    """Say which columns that are not read speak of units that are swollen, wet or blocked."""
    words, lines = value_words("flags"), []
    for name in sheet.left():
        cells = [f" {plain(c)} " for c in sheet.cells[name]]
        said = [w for w in words if any(f" {w} " in c for c in cells)]
        if said:
            rows = sum(any(f" {w} " in c for w in said) for c in cells)
            way = "note it in flags of stock.csv"
            if sheet.table.name == "stock":
                way = f"take it over: flags = {quoted(name)} under [columns]"
            lines.append(
                f"{comment(name)} says {', '.join(said)} ({rows_said(rows)}): a unit that is "
                f"{' or '.join(dict.fromkeys(words[w] for w in said))} must not be sold as it is; "
                f"{way}."
            )
    return lines


def unwanted_lines(sheet: Sheet) -> list[str]:
    """Propose rules for rows that are no sales of one unit; each is a question."""
    lines: list[str] = []
    title = sheet.theirs("model_id")
    if title and sheet.table.name == "sales":
        words = _no_unit_words(sheet.cells[title])
        if words:
            rows = sum(bool(_no_unit_words([c])) for c in sheet.cells[title])
            mark = sheet.ask(f"{rows_said(rows)} with {', '.join(words)}: no single unit?")
            lines += _aside(title, f"contains = {toml(words)}", "no single unit", mark)
    if title and sheet.table.name == "sales" and not sheet.theirs("condition"):
        words = [w for w, to in value_words("condition").items() if to == "as_is"]
        odd = [c for c in sheet.cells[title] if any(f" {w} " in f" {plain(c)} " for w in words)]
        if odd:
            mark = sheet.ask(
                f"{rows_said(len(odd))} such as {comment(odd[0], 60)!r}: sold broken? Map "
                f"condition from {title} too, as in example 2 of `repair-horizon explain mapping`."
            )
            lines.append(f"# {mark}: units sold broken")
    if sheet.table.name == "sales" and not sheet.theirs("record_type"):
        for theirs, cells in sheet.cells.items():
            odd = sorted({c for c in cells if plain(c) in _UNDONE})
            if odd and not is_personal(theirs):
                mark = sheet.ask(f"{theirs} says {', '.join(odd)}: were those sales undone?")
                lines += _aside(theirs, f"one_of = {toml(odd)}", "undone", mark)
    amount = sheet.theirs("gross_amount")
    minus = [c for c in sheet.cells.get(amount or "", []) if _is_negative(c)]
    if minus and not sheet.theirs("record_type"):
        mark = sheet.ask(
            f"{len(minus)} amounts are negative, such as {minus[0]}: refunds? Map record_type and "
            "refers_to_sale_id, or set the rows aside."
        )
        lines.append(f"# {mark}: negative amounts")
    return lines


def _no_unit_words(titles: list[str]) -> list[str]:
    low = [f" {plain(t)} " for t in titles]
    return [w for w in _NO_UNITS if any(f" {plain(w)} " in t for t in low)]


def _aside(column: str, rule: str, reason: str, mark: str) -> list[str]:
    return [
        "",
        f"# [[set_aside]] # {mark}",
        f"# column = {quoted(column)}",
        f"# {rule}",
        f"# reason = {quoted(reason)}",
    ]


def _is_negative(text: str) -> bool:
    cell = numbers.split_cell(text)
    return cell is not None and cell.negative
