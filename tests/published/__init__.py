"""Checks against figures published elsewhere.

Each group names its source and how it was obtained: "seen" means read in the source named (or a
copy of it), "from memory" means recalled and then reproduced from the data carried beside it,
"derived" means worked out from a rule that was seen. Tolerances are the print's rounding.
"""
