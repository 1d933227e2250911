"""What the partners see: charts, family pages, the index, the folder of a month."""

from kit.reports.engine import lighter as _lighter  # noqa: F401  before nbformat is loaded
