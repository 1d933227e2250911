"""One family worked out: what its tables are drawn from."""

from __future__ import annotations

from dataclasses import dataclass

from repair_horizon.estimation.calibration import Calibration
from repair_horizon.estimation.forecast import (
    FamilyOutlook,
    Outlook,
)
from repair_horizon.logs import CannotSay, Logs, Settings


@dataclass(frozen=True, eq=False)
class Worked:
    """The spine of one family, worked out: what its tables are drawn from."""

    logs: Logs
    settings: Settings
    family_id: str
    outlook: Outlook
    family: FamilyOutlook | CannotSay
    unsaid: list[tuple[str, str, CannotSay]]
    calibration: Calibration
    level: float = 0.8

    @property
    def first_month(self) -> int:
        """Number of the report's month."""
        return self.outlook.first_month
