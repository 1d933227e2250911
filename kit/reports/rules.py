"""Settings of a report: the workspace's own, with seed and draws replaced where asked."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from kit.logs import Fault, LogFault, Settings, read_settings


def settings_for(workspace: str | Path, seed: str = "", draws: str = "") -> Settings:
    """Read the settings; ``seed`` and ``draws`` are whole numbers in text, empty to keep.

    Raises
    ------
    LogFault
        If the settings are faulty or a number is none.
    """
    changes: dict[str, Any] = {}
    for name, text in (("seed", seed), ("draws", draws)):
        if text and not text.isdigit():
            raise LogFault([Fault("report", None, name, text, "a whole number")])
        if text:
            changes[name] = int(text)
    return replace(read_settings(workspace), **changes)
