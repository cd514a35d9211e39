"""Move: rejects out of the way and back, with a journal that survives a crash."""

from subgrade.moving.already_moved import moved_to
from subgrade.moving.culling import cull, where_culled, would_cull
from subgrade.moving.lock import is_locked, locked
from subgrade.moving.model import Away, Outcome, Planned
from subgrade.moving.restoring import restore

__all__ = [
    "Away",
    "Outcome",
    "Planned",
    "cull",
    "is_locked",
    "locked",
    "moved_to",
    "restore",
    "where_culled",
    "would_cull",
]
