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
    if kept == name and kept not in _RESERVED:
        return kept
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{kept or 'family'}-{mark}"


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Return the file name of each identifier.

    Raises
    ------
    ValueError
        If two identifiers still share one, which a hash of eight characters makes next to
        impossible.
    """
    out = {n: slug(n) for n in names}
    if len(set(out.values())) != len(out):
        raise ValueError("two families share a file name: " + ", ".join(sorted(out)))
    return out
