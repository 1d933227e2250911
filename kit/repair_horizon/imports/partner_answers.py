"""The partner's answers brought back: a small file saved from a page, or its lines pasted as text.

A page writes ``answers.csv`` with the columns of the table ``answers``. Where a mail's preview
runs no script, the same is said in lines of text, in the body of a reply:

    2026-11 | pellvarn_4 | display_dead | L0501 | other_bid | 95 | too worn

month, model, fault, listing (may be empty), answer, amount (may be empty), note (may be empty);
lines that are none of these are passed over. Text stays text, whatever it looks like.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from tempfile import TemporaryDirectory

from repair_horizon.imports import ImportResult, import_file
from repair_horizon.tables.faults import Fault, LogFault
from repair_horizon.tables.inputs import TABLES

ANSWERS = TABLES["answers"]
_LINE = re.compile(r"^[\s>]*(\d{4}-\d{2})\s*\|")
_FIELDS = ("month", "model_id", "listed_fault", "listing_id", "answer", "amount", "note")
_LARGEST = 2_000_000


def import_answers(file: Path, workspace: Path, *, preview: bool = False) -> ImportResult:
    """Add the answers of a file to the workspace's answers.csv; those there already are counted.

    ``file`` is CSV as a page saves it, or text with an answer a line; with ``preview`` nothing is
    written. Raises ``LogFault`` if the file cannot be read or holds no answer.
    """
    try:
        data = file.read_bytes()
    except OSError as error:
        why = error.strerror or "cannot be read"
        raise LogFault([Fault(str(file), None, "", why, "a file of answers")]) from None
    if len(data) > _LARGEST:
        allowed = f"answers, at most {_LARGEST:,} bytes"
        raise LogFault([Fault(str(file), None, "", f"{len(data):,} bytes", allowed)])
    text = data.decode("utf-8-sig", "replace").replace("\r\n", "\n").replace("\r", "\n")
    if not text.startswith("answer_id"):
        text = answers_in(text, file.name)
    with TemporaryDirectory(prefix="answers-") as place:
        plain, mapping = Path(place) / file.with_suffix(".csv").name, Path(place) / "answers.toml"
        plain.write_text(text, encoding="utf-8", newline="")
        mapping.write_text(_mapping(text, file.name), encoding="utf-8")
        return import_file(plain, workspace, ANSWERS.name, mapping, preview=preview)


def answers_in(text: str, name: str) -> str:
    """Return the answers in pasted lines as CSV.

    Raises ``LogFault`` if no line is an answer.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["answer_id", *_FIELDS])
    found = 0
    for line in text.splitlines():
        if not _LINE.match(line):
            continue
        parts = [p.strip() for p in line.lstrip(" \t>").split("|", len(_FIELDS) - 1)]
        parts += [""] * (len(_FIELDS) - len(parts))
        writer.writerow([answer_id(*parts[:6]), *parts])
        found += 1
    if not found:
        allowed = "answers.csv of a page, or lines such as 2026-11 | model | fault | L1 | agree"
        raise LogFault([Fault(name, None, "", "no answer", allowed)])
    return out.getvalue()


def answer_id(month: str, model: str, fault: str, listing: str, answer: str, amount: str) -> str:
    """Return an answer's key: the same answer given twice is one, as the page's script has it."""
    about = listing or f"{model}/{fault}"
    return "/".join([month, about, answer, *([amount] if amount else [])])


def _mapping(text: str, name: str) -> str:
    try:
        there = next(csv.reader(io.StringIO(text, newline="")), [])
    except csv.Error as error:
        raise LogFault([Fault(name, 1, "", str(error), "the columns of answers.csv")]) from None
    names = [c.name for c in ANSWERS.columns if c.name in there]
    lines = ['table = "answers"', 'separator = ","', 'decimal = "."', "[columns]"]
    return "\n".join([*lines, *(f'{n} = "{n}"' for n in names)]) + "\n"
