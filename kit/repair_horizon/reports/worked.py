"""One family worked out: what its tables are drawn from."""

from __future__ import annotations

from dataclasses import dataclass

from repair_horizon.estimation.calibration import Calibration
from repair_horizon.estimation.forecast import (
    FamilyOutlook,
    Outlook,
)
from repair_horizon.logs import CannotSay, Logs, Settings
from repair_horizon.shop import Shop


@dataclass(frozen=True, eq=False)
class Worked:
    """The spine of one family, worked out: what its tables are drawn from."""

    shop: Shop
    family_id: str
    outlook: Outlook
    unsaid: list[tuple[str, str, CannotSay]]
    level: float = 0.8

    @property
    def logs(self) -> Logs:
        """The whole workspace."""
        return self.shop.logs

    @property
    def settings(self) -> Settings:
        """Rules of the business."""
        return self.shop.settings

    @property
    def calibration(self) -> Calibration:
        """What the back-test says of price intervals."""
        return self.shop.calibration

    @property
    def family(self) -> FamilyOutlook | CannotSay:
        """The family's draws, or why there are none."""
        return self.outlook.families[self.family_id]

    @property
    def first_month(self) -> int:
        """Number of the report's month."""
        return self.outlook.first_month
