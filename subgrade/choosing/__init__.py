"""Choose: of the frames that pass, how many to keep, and what each choice would give."""

from subgrade.choosing.best_first import PREFERENCES, best_first
from subgrade.choosing.stacks import Stack, StackCurve, stack_curve, stackable, stacks_of
from subgrade.choosing.surplus import Choice, leave_surplus, share_kept

__all__ = [
    "PREFERENCES",
    "Choice",
    "Stack",
    "StackCurve",
    "best_first",
    "leave_surplus",
    "share_kept",
    "stack_curve",
    "stackable",
    "stacks_of",
]
