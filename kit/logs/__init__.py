"""What the business wrote down: declared tables, reading, checking, settings, the demo."""

from kit.logs.faults import CannotSay, Fault, LogFault
from kit.logs.settings import Settings, read_settings
from kit.logs.workspace import Logs, read_logs

__all__ = ["CannotSay", "Fault", "LogFault", "Logs", "Settings", "read_logs", "read_settings"]
