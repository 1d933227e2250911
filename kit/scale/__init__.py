"""One map over families: a loop, processes of this machine, or a dask cluster."""

from kit.scale.cluster import check_shared
from kit.scale.hands import ALONE, FamilyLost, Hands
from kit.scale.mapping import all_of, each_family, each_given

__all__ = [
    "ALONE",
    "FamilyLost",
    "Hands",
    "all_of",
    "check_shared",
    "each_family",
    "each_given",
]
