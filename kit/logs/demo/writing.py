"""Write the demo business as a workspace folder."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pandas as pd

from kit.logs.demo.about import ABOUT


def write_files(folder: Path, tables: dict[str, pd.DataFrame], settings_toml: str) -> None:
    """Write one CSV per table, settings.toml, and README.md, which says that all is invented.

    Each file is written beside its place and moved there when whole, so a reader never sees half
    a file. Lines end with a line feed on every system, so the same business gives the same bytes.

    Parameters
    ----------
    folder
        Made if absent; other files in it are left alone.
    tables
        Table name to rows as text.
    settings_toml
        Content of settings.toml.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        _replace(folder / f"{name}.csv", rows.to_csv(index=False, lineterminator="\n"))
    _replace(folder / "settings.toml", settings_toml)
    _replace(folder / "README.md", ABOUT)


def _replace(path: Path, content: str) -> None:
    handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode("utf-8"))
        os.chmod(part, 0o644)
        os.replace(part, path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise
