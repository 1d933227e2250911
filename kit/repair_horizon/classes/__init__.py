"""What is known of a device class before any log: figures with source, mark and width.

The files beside this module hold one figure a row. They are the start of a shop without logs
and the wide end of every shrinkage; own data take over. `class_knowledge` reads them.
"""

from repair_horizon.classes.figures import Chance, Figure, Figures, Mark, PriceCurve
from repair_horizon.classes.knowledge import (
    Bounds,
    ClassKnowledge,
    ClassState,
    FaultMeaning,
    PartConsequences,
    class_knowledge,
    meaning_of,
)

__all__ = [
    "Bounds",
    "Chance",
    "ClassKnowledge",
    "ClassState",
    "FaultMeaning",
    "Figure",
    "Figures",
    "Mark",
    "PartConsequences",
    "PriceCurve",
    "class_knowledge",
    "meaning_of",
]
