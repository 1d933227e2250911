"""Whether another machine runs this very kit: same sources, same versions of what it computes with.

These functions are also run on the workers.
"""

from __future__ import annotations

import hashlib
import sys
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import kit

_COMPUTES_WITH = ("numpy", "scipy", "pandas", "pyarrow", "statsmodels")


@lru_cache(maxsize=1)
def fingerprint() -> dict[str, str]:
    """Return what must be equal everywhere for equal results, name to version or hash."""
    found = {n: _version(n) for n in ("repair-horizon", *_COMPUTES_WITH)}
    python = ".".join(str(n) for n in sys.version_info[:3])
    return {"python": python, "kit's own files": _sources(), **found}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _sources() -> str:
    """Hash of the kit's own files: two checkouts may bear the same version and differ."""
    root = Path(kit.__file__).resolve().parent
    whole = hashlib.sha256()
    sources = [p for p in root.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    named = {p.relative_to(root).as_posix(): p for p in sources}
    # The pages' notebooks lie inside an installed package, and beside it in a checkout.
    named |= {f"notebooks/{p.name}": p for p in root.parent.glob("notebooks/*.ipynb")}
    for name, path in sorted(named.items()):
        whole.update(f"{name}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()[:12]


def differences(theirs: dict[str, str]) -> str:
    """Say what differs from here, in words; '' if nothing does."""
    mine = fingerprint()
    odd = [n for n in mine if mine[n] != theirs.get(n)]
    return ", ".join(f"{n} {theirs.get(n, 'missing')} (here {mine[n]})" for n in odd)


def sees(path: str, token: str) -> bool:
    """Whether a file can be read here and holds a token."""
    try:
        return Path(path).read_text(encoding="ascii") == token
    except (OSError, ValueError):
        return False
