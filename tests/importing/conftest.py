"""An empty workspace, and a way to import a text into it."""

from __future__ import annotations

from pathlib import Path

import pytest
from repair_horizon.imports import ImportResult, import_file

from .exports import MAPPING, Run


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    folder = tmp_path / "work"
    folder.mkdir()
    return folder


@pytest.fixture
def run(tmp_path: Path, workspace: Path) -> Run:
    """Write an export and a mapping, and import."""

    def run(content: str | bytes, extra: str = "", **how: object) -> ImportResult:
        name = str(how.pop("name", "export.csv"))
        mapping = str(how.pop("mapping", MAPPING))
        file = tmp_path / name
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        (tmp_path / "map.toml").write_text(extra + mapping, encoding="utf-8")
        preview = bool(how.pop("preview", False))
        table = str(how.pop("table", "sales"))
        return import_file(file, workspace, table, tmp_path / "map.toml", preview=preview)

    return run
