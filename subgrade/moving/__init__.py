"""Move: rejects out of the way and back, with a journal that survives a crash."""

from subgrade.moving.culling import cull, where_culled, would_cull
from subgrade.moving.model import Away, Outcome, Planned
from subgrade.moving.restoring import restore

__all__ = ["Away", "Outcome", "Planned", "cull", "restore", "where_culled", "would_cull"]
