"""What the partners see: charts, family pages, the index, the folder of a month."""

from repair_horizon.reports.engine import lighter as _lighter  # noqa: F401  an import left out
