"""One map over families: a loop, processes of this machine, or a dask cluster."""

from repair_horizon.scale.cluster import check_shared
from repair_horizon.scale.families import all_of, each_family, each_given
from repair_horizon.scale.workers import ALONE, FamilyLost, Hands, one_thread

__all__ = [
    "ALONE",
    "FamilyLost",
    "Hands",
    "all_of",
    "check_shared",
    "each_family",
    "each_given",
    "one_thread",
]
