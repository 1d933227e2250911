"""Turn the bytes of an export into text, in an encoding that is declared or proved."""

from __future__ import annotations

import codecs

from kit.logs.faults import Fault, LogFault
from kit.logs.importing.mapping import ENCODINGS

_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16", "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "utf-16"),
)


def decode(content: bytes, declared: str, file: str) -> tuple[str, str, str]:
    """Decode an export.

    Parameters
    ----------
    content
        The bytes.
    declared
        The mapping's encoding, or empty: then a byte order mark or faultless UTF-8 must prove it.
    file
        Name printed in faults.

    Returns
    -------
    tuple
        Text, name of the encoding, and how it is known.

    Raises
    ------
    LogFault
        If nothing is declared and nothing proved, or the bytes contradict the declaration.
    """
    marked = next((m for m in _MARKS if content.startswith(m[0])), None)
    if marked:
        if declared and not declared.startswith(marked[1]):
            found = f"a byte order mark of {marked[1]}"
            raise LogFault([Fault(file, 1, "", found, f"{declared}, as the mapping declares")])
        return _strict(content, marked[2], file), marked[1], "proved by its byte order mark"
    if declared:
        return _strict(content, declared, file), declared, "declared"
    if b"\0" in content[:4096]:
        raise _undeclared(file, "zero bytes without a byte order mark", content)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        found = f"byte 0x{content[error.start]:02x} at offset {error.start}"
        raise _undeclared(file, found, content) from None
    return text, "utf-8", "proved: every byte is valid UTF-8"


def _strict(content: bytes, encoding: str, file: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeError as error:
        start = getattr(error, "start", 0)
        line = content[:start].count(b"\n") + 1
        found = f"bytes {content[start : start + 4].hex(' ')} at offset {start}"
        raise LogFault([Fault(file, line, "", found, f"{encoding} text")]) from None


def _undeclared(file: str, found: str, content: bytes) -> LogFault:
    """Ask for a declaration, showing how the first odd bytes read in the likeliest encodings."""
    odd = next((i for i, b in enumerate(content) if b > 127), None)
    readings = ""
    if odd is not None:
        piece = content[max(0, odd - 12) : odd + 12]
        piece = piece.split(b"\n")[0 if odd < 12 else -1] if piece.count(b"\n") > 1 else piece
        seen = {e: piece.decode(e, "replace").strip() for e in ("cp1252", "mac-roman")}
        readings = "; ".join(f"with {e} it reads {t!r}" for e, t in seen.items())
    allowed = "UTF-8, or a declared encoding: one of " + ", ".join(ENCODINGS)
    return LogFault([Fault(file, None, "encoding", found, f"{allowed}. {readings}".rstrip(". "))])
