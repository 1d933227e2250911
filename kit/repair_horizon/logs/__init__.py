"""What the business wrote down: reading, checking, partitions, and how a fact is added."""

from repair_horizon.logs.workspace import Logs, read_logs
from repair_horizon.tables.faults import CannotSay, Fault, LogFault
from repair_horizon.tables.settings import Settings, read_settings

__all__ = ["CannotSay", "Fault", "LogFault", "Logs", "Settings", "read_logs", "read_settings"]
