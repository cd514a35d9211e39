"""Watch: subs graded as they land, and alarms when something goes wrong."""

from subgrade.watching.alarms import Condition, condition_of
from subgrade.watching.follow import Asked, follow

__all__ = ["Asked", "Condition", "condition_of", "follow"]
