"""Learn: limits from a person's marks, and marks that overrule verdicts."""

from subgrade.teaching.judged_with_marks import Decided, Person, judge_with, read_person

__all__ = ["Decided", "Person", "judge_with", "read_person"]
