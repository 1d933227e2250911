"""File names made from identifiers: safe on every system, and never two alike."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable

_RESERVED = {"con", "prn", "aux", "nul", "index", "thresholds", "plotly", "run", "set_aside"}
_RESERVED |= {f"{d}{i}" for d in ("com", "lpt") for i in range(10)}
_LONGEST = 60


def slug(name: str) -> str:
    """Return a name as lower-case letters, digits, ``-`` and ``_``.

    A name that had to be changed gets a few characters of its hash, so that two names never
    share a file, also on systems that do not tell capitals apart.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    kept = re.sub(r"[^a-z0-9_-]+", "-", plain).strip("-_")[:_LONGEST]
    if kept and kept == name and kept not in _RESERVED:
        return kept
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{kept or 'family'}-{mark}"


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return the file name of each identifier; a number parts the few that still coincide."""
    out: dict[str, str] = {}
    for name in names:
        first = wanted = slug(name)
        count = 1
        while wanted in out.values():
            count += 1
            wanted = f"{first}-{count}"
        out[name] = wanted
    return out
