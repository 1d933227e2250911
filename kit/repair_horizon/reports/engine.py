"""What papermill finds under the name ``kept-kernel``: the kept kernel, imported when it is used.

Papermill imports every engine's module while it is itself half imported, so this one imports
nothing of papermill's, whichever of the two comes first.
"""

from __future__ import annotations

from typing import Any


class KeptKernelEntry:
    """Whatever papermill asks of an engine, answered by ``notebooks.KeptKernelEngine``."""

    def __getattr__(self, name: str) -> Any:
        from repair_horizon.reports.notebooks import KeptKernelEngine

        return getattr(KeptKernelEngine, name)


kept_kernel = KeptKernelEntry()
